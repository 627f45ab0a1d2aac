"""``callint export`` as its users meet it."""

from __future__ import annotations

from pathlib import Path

import pytest

from callint.model.definition import Definition
from callint.reading.definition import read_definition
from callint.reporting.export.asap2 import description_lines
from tests.exporting import read_back, said_changes
from tests.running import (
    REPOSITORY,
    Yard,
)

DEMO = REPOSITORY / "fixtures/demo/steps/01-factory/definitions/skerry-28.xml"
EXAMPLE = REPOSITORY / "tests/data/example.xml"


def definition_of(path: Path) -> Definition:
    file = read_definition(path.read_bytes(), path.name)
    assert file.definition is not None and not file.problems
    return file.definition


@pytest.mark.parametrize("path", [DEMO, EXAMPLE], ids=["demo", "every element"])
def test_a_description_read_back_differs_in_nothing_that_the_standard_can_say(
    tmp_path: Path, path: Path
) -> None:
    old = definition_of(path)
    new, left_out = read_back(tmp_path, old)
    assert new.tables.keys() == old.tables.keys() - left_out
    assert new.texts.keys() == old.texts.keys() - left_out
    assert [change for change in said_changes(old, new) if change.name not in left_out] == []
    assert (new.memory.start, new.memory.size) == (old.memory.start, old.memory.size)


def test_the_description_is_written_and_what_it_lacks_is_listed_with_status_1(tmp_path: Path) -> None:
    yard = Yard(tmp_path)
    yard.write("boat.xml", DEMO.read_bytes())
    result = yard.run("export", "boat.xml", "--to", "engine.a2l")
    assert (result.status, result.stderr) == (1, "")
    assert result.flat.startswith(
        "boat.xml: definition skerry-28 engine.a2l is written: 58 scalars, 72 curves, 26 maps, 3 texts,"
    )
    assert "relation: the standard has no relations between tables (9)" in result.flat
    assert "table: its guards (49)" in result.flat
    assert max(map(len, result.lines)) <= 80
    again = yard.call("import", "engine.a2l", "--to", "again.xml")
    assert (again.status, again.stderr) == (0, "")


def test_a_definition_that_the_standard_can_say_whole_is_exported_with_status_0(tmp_path: Path) -> None:
    yard = Yard(tmp_path)
    yard.write(
        "small.xml",
        '<definition xmlns="urn:callint:definition:1" name="small" revision="1" byte-order="big">'
        '<memory start="0" size="16"/><tables>'
        '<scalar name="cut" title="Cut-off" purpose="general" at="2" type="uint16"><limits min="1" max="9"/>'
        "</scalar></tables></definition>",
    )
    result = yard.call("export", "small.xml")
    assert (result.status, result.stderr) == (0, "")
    assert result.flat == "small.xml: definition small small.a2l is written: 1 scalar."
    written = (tmp_path / "small.a2l").read_text()
    assert '/begin CHARACTERISTIC cut "Cut-off" VALUE 0x2 RECORD_1 0 NO_COMPU_METHOD 1 9' in written


def test_export_never_overwrites_a_file(tmp_path: Path) -> None:
    yard = Yard(tmp_path)
    yard.write("boat.xml", DEMO.read_bytes())
    yard.write("boat.a2l", "mine")
    assert "boat.a2l: it exists" in yard.call("export", "boat.xml").error
    assert (tmp_path / "boat.a2l").read_text() == "mine"


def test_a_definition_with_a_mistake_is_not_exported(tmp_path: Path) -> None:
    yard = Yard(tmp_path)
    yard.write("bad.xml", "<x/>")
    assert "bad.xml" in yard.call("export", "bad.xml").error
    assert not (tmp_path / "bad.a2l").exists()


def test_names_that_the_standard_does_not_know_are_rewritten_and_listed(tmp_path: Path) -> None:
    definition = definition_of(EXAMPLE)
    _, losses = description_lines(definition)
    assert ("skerry-28", "its name is rewritten as skerry_28") in [
        (item.name, item.reason) for item in losses
    ]
