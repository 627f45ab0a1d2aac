"""What is written for programs keeps to its schema, and the same input gives the same bytes."""

from __future__ import annotations

import json
import tempfile
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema_rs
from hypothesis import given

from tests.example_counts import fewer_property_examples
from tests.properties.strategies import Reference, pairs
from tests.running import BAD, REPOSITORY, call, make_yard, valid_sarif

_NAMED = ("--definition", "world.xml")
_BOTH = ("--old-definition", "world.xml", "--new-definition", "world.xml")

#: Commands that print JSON, with the schema of each.
_COMMANDS = {
    ("check", "rework.bin", *_NAMED, "--base", "base.bin"): "findings",
    ("check", "rework.bin", *_NAMED): "findings",
    ("diff", "base.bin", "rework.bin", *_NAMED): "changes",
    ("show", "rework.bin", *_NAMED): "tables",
    ("show", "rework.bin", *_NAMED, "--at", "speed=50,load=70", "--base", "base.bin"): "point",
    ("whatif", "rework.bin", *_NAMED, "--true", "load=50", "--reads", "90"): "whatif",
    ("merge", "base.bin", "rework.bin", "other.bin", *_NAMED, "--to", "merged.bin"): "conflicts",
    ("carry", "base.bin", "rework.bin", "other.bin", "--to", "carried.bin", *_BOTH): "carry",
}


@cache
def _validator(name: str) -> Any:
    """What holds a document against the schema that ``callint schema`` prints."""
    return jsonschema_rs.Draft202012Validator(json.loads(call("schema", name, cwd=REPOSITORY).stdout))


def _write(folder: Path, reference: Reference, base: bytes, rework: bytes) -> None:
    other = bytearray(base)
    for item, x, y in reference.every_cell[:2]:
        reference.put(
            other, item, x, y, reference.bits(base, item, x, y) ^ _least(item.cells.mask, item.cells.shift)
        )
    files = {"world.xml": reference.xml(), "base.bin": base, "rework.bin": rework}
    for name, content in {**files, "other.bin": reference.sealed(other)}.items():
        (folder / name).write_bytes(content)


def _least(mask: int | None, shift: int) -> int:
    """The lowest bit of a raw value, or none where nothing may change."""
    return 1 if mask is None or mask >> shift & 1 else 0


@fewer_property_examples
@given(pairs())
def test_every_json_document_keeps_to_the_schema_that_is_printed(
    pair: tuple[Reference, bytes, bytes],
) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        _write(folder, *pair)
        for arguments, schema in _COMMANDS.items():
            results = [call(*arguments, "--format", "json", cwd=folder) for _ in range(2)]
            if results[0].status == 2:
                # No table of this world may depend on the signals of the call.
                assert schema in ("point", "whatif"), (arguments, results[0])
                assert results[0].stdout == "" and results[0].error
                continue
            assert results[0].status in (0, 1), (arguments, results[0])
            _validator(schema).validate(results[0].data)
            assert results[0].stdout == results[1].stdout


@fewer_property_examples
@given(pairs())
def test_the_document_of_a_review_keeps_to_its_schema(pair: tuple[Reference, bytes, bytes]) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        _write(folder, *pair)
        written = []
        for target in ("one.json", "two.json"):
            arguments = ("review", "base.bin", "rework.bin", *_NAMED, "--format", "json", "--output", target)
            assert call(*arguments, cwd=folder).status == 0
            written.append((folder / target).read_bytes())
        _validator("review").validate(json.loads(written[0]))
        assert written[0] == written[1]


@fewer_property_examples
@given(pairs())
def test_findings_in_sarif_keep_to_the_published_schema(
    pair: tuple[Reference, bytes, bytes],
) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        _write(folder, *pair)
        arguments = ("check", "rework.bin", *_NAMED, "--base", "base.bin", "--format", "sarif")
        item, other = call(*arguments, cwd=folder), call(*arguments, cwd=folder)
        assert item.status in (0, 1), item
        valid_sarif(item.data)
        assert item.stdout == other.stdout


def test_a_process_of_its_own_prints_the_same_bytes(tmp_path: Path) -> None:
    # The properties above hold for calls in one process; this is the program itself.
    yard = make_yard(tmp_path, heron=BAD)
    arguments = ("check", "boats/heron.bin", "--format", "json")
    assert yard.run(*arguments).stdout == yard.call(*arguments).stdout != ""
