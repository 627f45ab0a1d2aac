"""What is done with the bytes of a file: all that callint does with one, as far as it gets.

A target returns whatever the bytes are, or raises what callint's own errors are for. Any other exception is a
find, and so is an output that could steer a terminal.
"""

from __future__ import annotations

import json
import re
import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from datetime import date
from functools import cache
from io import StringIO
from pathlib import Path

import numpy as np

from callint.checking.assignments import Assignment
from callint.checking.checker import Checker
from callint.checking.report import Report
from callint.comparing.apply_cdfx import apply_values
from callint.comparing.apply_rows import apply_rows
from callint.comparing.compare import compare
from callint.comparing.definition_merge.merge import merge_definitions
from callint.comparing.merge import Side, merge
from callint.comparing.table_query import condition_for, conditions, parse_question
from callint.decoding.checksum_update import seal
from callint.decoding.decode import Decoded, decode
from callint.decoding.layout import make_layout
from callint.decoding.placement_evidence import judge_placement
from callint.fmt import clean
from callint.model.definition import ByteOrder, Table, Text
from callint.model.errors import InputError
from callint.model.image import Image
from callint.model.policy import LogColumns, Policy
from callint.reading.addresses.columns import ListMapping, read_mapping
from callint.reading.addresses.imports import make_list_definition, read_list
from callint.reading.asap2.build import make_definition
from callint.reading.asap2.parser import read_asap2
from callint.reading.cdfx import read_cdfx
from callint.reading.definition import read_definition
from callint.reading.images import read_image_file
from callint.reading.logs import Log
from callint.reading.mdf_logs import MdfLog
from callint.reading.policy import read_policy
from callint.reading.records import DamagedError, RecordFormat, kind_of, read_records
from callint.reading.release_manifest import read_manifest
from callint.reading.sign_off import read_sign_off
from callint.reading.tree import file_digests
from callint.reading.value_rows import read_value_file
from callint.reading.xml_source import read_source
from callint.reporting.changes.json import changes_document
from callint.reporting.definition.xml import definition_lines
from callint.reporting.findings.cause_text import print_causes
from callint.reporting.tables.json import tables_json
from callint.reporting.tables.textconv import plain_lines
from callint.reporting.terminal import console
from tests.running import steering, yard_base, yard_definition

#: Larger memories only cost time: the rules are the same.
_LARGEST = 2**16


class Files:
    """A tree of files in memory."""

    def __init__(self, **files: bytes) -> None:
        self._files = files

    def read(self, path: str) -> bytes:
        if path not in self._files:
            raise FileNotFoundError(path)
        return self._files[path]

    def paths(self) -> Iterator[str]:
        return iter(sorted(self._files))

    def digests(self, paths: Iterable[str]) -> dict[str, str]:
        return file_digests(self, paths)

    def sizes(self, paths: Iterable[str]) -> dict[str, int]:
        return {path: len(self._files[path]) for path in paths if path in self._files}


@cache
def decoded_yard() -> Decoded:
    definition = read_definition(yard_definition(), "yard.xml").definition
    assert definition is not None
    return decode(make_layout(definition), Image.raw(yard_base(), 0, is_part=False))


@cache
def _folder() -> Path:
    return Path(tempfile.mkdtemp(prefix="callint-fuzz-"))


def _inspected(definition: bytes, image: bytes | None, base: bytes | None) -> None:
    """Check a definition and an image, and print what is found."""
    given = {"definition": definition, "image": image, "base": base}
    tree = Files(**{name: data for name, data in given.items() if data is not None})
    inspector = Checker(tree, Policy(), date(2026, 1, 1))
    images = [Assignment("image", ("definition",), ("base",))] if image is not None else []
    with np.errstate(all="ignore"):
        report = inspector.report(images, ["definition"], whole=True)
    _printed(report)


def _printed(report: Report) -> None:
    stream = StringIO()
    for everything in (False, True):
        print_causes(report, console(stream, colour=False), everything)
    assert steering(stream.getvalue()) == []


def definition(data: bytes) -> None:
    """A definition is read and checked, with an image of zeros of its size."""
    result = read_definition(data, "definition").definition
    size = 0 if result is None else result.memory.size
    image = bytes(size) if 0 < size <= _LARGEST else None
    _inspected(data, image, None)


def definition_merge(data: bytes) -> None:
    """A definition is merged with the yard's, from each of the three sides; the result is well-formed."""
    yard = yard_definition()
    other = yard.replace(b'max="90"', b'max="91"').replace(b'<limits min="-40" max="150"/>', b"")
    try:
        assert read_source(data, "definition").render() == data
    except InputError as error:
        assert all(steering(clean(line)) == [] for line in error.lines)
        return
    for files in ((data, yard, other), (yard, data, other), (yard, other, data)):
        for take in (lambda conflict: Side.OURS, lambda conflict: Side.THEIRS):
            sources = [read_source(file, "definition") for file in files]
            merged = merge_definitions(sources[0], sources[1], sources[2], take)
            read_source(merged.data, "merged")


def image(data: bytes) -> None:
    """A file is taken for an image of the yard: checked by its base, shown, compared, sealed and merged."""
    _inspected(yard_definition(), data, yard_base())
    base = decoded_yard()
    definition = base.layout.definition
    with suppress(DamagedError), np.errstate(all="ignore"):
        new = decode(base.layout, read_image_file(data, definition.memory).image)
        document = changes_document(compare(base, new), "base", "new", "yard.xml")
        assert json.dumps(document, allow_nan=False)
        tables: list[Table | Text] = [*definition.tables.values(), *definition.texts.values()]
        assert json.loads(tables_json("new", "yard.xml", new, tables, definition.axes.values()))
        assert all(steering(clean(line)) == [] for line in plain_lines(new))
        assert seal(new.image, definition.memory).image.extents == new.image.extents
        if new.image.extents == base.image.extents:
            assert merge(base, new, new).decisions == ()
            assert merge(base, new, base).image == merge(base, base, new).image


def hex(data: bytes) -> None:
    """Intel HEX is read, and written again with another content."""
    _records(data, RecordFormat.HEX)


def srec(data: bytes) -> None:
    """S-records are read, and written again with another content."""
    _records(data, RecordFormat.SREC)


def _records(data: bytes, kind: RecordFormat) -> None:
    if data[:1] == b"+":
        data = repaired(data[1:], kind)
    with suppress(DamagedError):
        read_records(data, kind)
    if kind_of(data) is kind:
        memory = decoded_yard().layout.definition.memory
        with suppress(DamagedError):
            file = read_image_file(data, memory)
            other = Image(
                tuple(
                    type(segment)(segment.start, bytes(byte ^ 0x55 for byte in segment.data))
                    for segment in file.image.segments
                ),
                file.image.is_part,
            )
            written = file.with_content(other)
            again = read_image_file(written, memory)
            assert again.frame == file.frame
            assert again.with_content(file.image).upper() == data.upper()


def asap2(data: bytes) -> None:
    """A description is read; the definition that is made of it must read back without a problem."""
    path = _folder() / "fuzz.a2l"
    path.write_bytes(data)
    try:
        made = make_definition(read_asap2(path), None)
    except InputError as error:
        assert all(steering(clean(line)) == [] for line in error.lines)
        return
    if made.definition is not None:
        text = "".join(definition_lines(made.definition)).encode()
        problems = [finding.message for finding in read_definition(text, "made.xml").problems]
        assert not problems, problems


def addresses(data: bytes) -> None:
    """A list of addresses is read; its definition reads back without a problem, and an image judges it."""
    path = _folder() / f"fuzz{'.xlsx' if data[:2] == b'PK' else '.csv'}"
    path.write_bytes(data)
    try:
        made = make_list_definition(read_list(path, ListMapping()), "fuzz", ByteOrder.BIG, None)
    except InputError as error:
        assert len(error.lines) == 1 and steering(clean(error.lines[0])) == []
        return
    read_back = made.imported.definition
    if read_back is not None:
        text = "".join(definition_lines(read_back)).encode()
        problems = [finding.message for finding in read_definition(text, "made.xml").problems]
        assert not problems, problems
        judge_placement(read_back, Image.raw(data, 0))


def mapping(data: bytes) -> None:
    """A mapping file of a list is read."""
    path = _folder() / "fuzz.toml"
    path.write_bytes(data)
    with suppress(InputError):
        read_mapping(path)


def policy(data: bytes) -> None:
    """A policy is read."""
    with suppress(InputError):
        read_policy(data, "callint.toml")


def cdfx(data: bytes) -> None:
    """A file of values is read, and laid over an image of the yard."""
    with suppress(InputError), np.errstate(all="ignore"):
        apply_values(decoded_yard(), read_cdfx(data, "values.cdfx"))


def values(data: bytes) -> None:
    """A file with one row per cell is read, and applied to an image of the yard."""
    path = _folder() / f"fuzz{'.xlsx' if data[:2] == b'PK' else '.csv'}"
    path.write_bytes(data)
    try:
        applied = apply_rows(decoded_yard(), read_value_file(path))
    except InputError as error:
        assert len(error.lines) == 1 and steering(clean(error.lines[0])) == []
        return
    assert applied.image.extents == decoded_yard().image.extents


def question(data: bytes) -> None:
    """A question about values is answered for an image of the yard, or refused with one line."""
    decoded = decoded_yard()
    try:
        for condition in conditions(parse_question(data.decode("utf-8", "replace"))):
            if condition.table in decoded.layout.table_items:
                condition_for(decoded.layout.definition, condition).answer(decoded)
    except InputError as error:
        assert len(error.lines) == 1 and steering(clean(error.lines[0])) == []


def log(data: bytes) -> None:
    """A log is read to its end."""
    path = _folder() / "fuzz.csv"
    path.write_bytes(data)
    with suppress(InputError):
        read = Log(path, LogColumns(), ["speed", "load"])
        for piece in read.chunks():
            assert all(len(values) <= len(data) for values in piece.signals.values())


def mdf(data: bytes) -> None:
    """A measurement file is read to its end, or refused with one line."""
    path = _folder() / "fuzz.mf4"
    path.write_bytes(data)
    try:
        read = MdfLog(path, LogColumns(), ["speed", "load"])
        assert all(len(piece.signals) == len(read.signals) for piece in read.chunks())
    except InputError as error:
        assert len(error.lines) == 1 and steering(clean(error.lines[0])) == []


def release(data: bytes) -> None:
    """Read a manifest; a faulty one gives a one-line error."""
    try:
        read_manifest(data, "manifest.json")
    except InputError as error:
        assert len(error.lines) == 1 and not steering(clean(error.lines[0]))


def sign_off(data: bytes) -> None:
    """Read a sign-off; a faulty one gives a one-line error."""
    try:
        read_sign_off(data, "heron.sign-off.json")
    except InputError as error:
        assert len(error.lines) == 1 and not steering(clean(error.lines[0]))


TARGETS: dict[str, Callable[[bytes], None]] = {
    target.__name__: target
    for target in (
        *(definition, definition_merge, image, hex, srec, asap2, addresses, mapping, policy, cdfx, values),
        *(question, log, mdf, release, sign_off),
    )
}


def repaired(data: bytes, kind: RecordFormat) -> bytes:
    """Records with lengths and checksums that are right: chance finds hardly any."""
    lines = []
    for line in data.splitlines(keepends=True):
        digits = re.sub(rb"[^0-9A-Fa-f]", b"", line[1:])
        whole = bytes.fromhex(digits[: len(digits) // 2 * 2].decode()) if kind is RecordFormat.HEX else b""
        if kind is RecordFormat.HEX and len(whole) > 5:
            body = bytes([min(len(whole) - 5, 255)]) + whole[1:4] + whole[4:-1][:255]
            lines.append(b":" + (body + bytes([-sum(body) & 0xFF])).hex().upper().encode() + b"\n")
            continue
        if kind is RecordFormat.SREC and line[:1] == b"S" and len(digits) > 9:
            rest = bytes.fromhex(digits[3 : 3 + (len(digits) - 3) // 2 * 2].decode())[:-1][:254]
            body = bytes([len(rest) + 1]) + rest
            lines.append(line[:2] + (body + bytes([~sum(body) & 0xFF])).hex().upper().encode() + b"\n")
            continue
        lines.append(line)
    return b"".join(lines)
