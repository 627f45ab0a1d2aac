"""Tables on axes that follow from a curve: every command works with the breakpoints of its image."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from callint.comparing.carry.apply import carry
from callint.comparing.carry.result import CarriedQuantity
from callint.comparing.compare import compare
from callint.comparing.merge import CellConflict, merge
from callint.comparing.relocation.moved_definition import move_definition
from callint.comparing.relocation.result import ItemKind, Placement, RelocationEvidence
from callint.decoding.decode import Decoded, decode
from callint.decoding.digest import table_digest
from callint.decoding.layout import make_table_layout
from callint.model.derived_axis import Derivation, DerivedAxis
from callint.model.finding import Finding
from callint.model.image import Image
from callint.reporting.definition.xml import definition_lines
from tests.building import decoded, definition_xml, findings, image, read, u16
from tests.exporting import read_back
from tests.rules.example import of_rule, table
from tests.running import Result, call

#: Pairs of a speed and a virtual value, of which five breakpoints follow at 0, 64, 128, 192 and 255.
PAIRS = """
<curve name="pairs" title="Pairs" purpose="general" at="0" type="uint16" conversion="rpm" stride="4">
  <x><axis signal="virtual" at="2" type="uint16" count="3" stride="4" count-at="60"/></x>
</curve>"""
#: A curve that turns the load into the number of a row.
ROWS = """
<curve name="rows" title="Rows" purpose="general" at="12" type="uint8">
  <x><axis signal="load" at="15" type="uint8" count="3"/></x>
</curve>"""
SIGNALS = """
<signal name="speed" unit="rpm" plausible="0 6000" operating="700 4200">Engine speed</signal>
<signal name="load" unit="mg">Fuel quantity</signal>
<signal name="virtual" unit="-">Virtual value</signal>"""
AXES = """
<derived-axis name="speeds" signal="speed" curve="pairs" by="rescaled" count="5"/>
<derived-axis name="loads" signal="load" curve="rows" by="inverted" count="2"/>"""
ON_SPEEDS = '<x axis="speeds"/>'
XML = definition_xml(
    PAIRS
    + ROWS
    + table("curve", "fuel", ON_SPEEDS, at=18)
    + table("map", "trim", '<x axis="speeds"/><y axis="loads"/>', at=28),
    axes=AXES,
    signals=SIGNALS,
)
DEFINITION = read(XML)
CELLS = u16(100, 200, 300, 400, 500)


def pairs(*speeds: int, virtual: tuple[int, ...] = (0, 128, 255)) -> bytes:
    return b"".join(u16(*pair) for pair in zip(speeds, virtual, strict=True))


def a_table(speeds: bytes, fuel: bytes = CELLS, rows: bytes = bytes([0, 1, 1, 10, 30, 50])) -> bytes:
    """An image with these pairs, the cells of the curve, and the rows of the map."""
    return image(at_0=speeds, at_12=rows, at_18=fuel, at_28=CELLS + CELLS, at_60=b"\x03")


BASE = a_table(pairs(1000, 2000, 4000))
MOVED = a_table(pairs(1000, 2400, 4000))


def looked_at(data: bytes) -> Decoded:
    return decoded(XML, data)


def found(rule: str, data: bytes, base: bytes | None = BASE) -> list[Finding]:
    return of_rule(findings(XML, data, base), rule)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name, content in (("test.xml", XML), ("base.bin", BASE), ("moved.bin", MOVED)):
        (tmp_path / name).write_bytes(content)
    return tmp_path


def run(folder: Path, *arguments: str) -> Result:
    return call(*arguments, "--definition", "test.xml", cwd=folder)


# Breakpoints


def test_each_image_has_its_own_breakpoints() -> None:
    # At 0, 64, 128, 192 and 255: 192 lies 64 / 127 of the way from the second pair to the third.
    speeds = [1000, 1500, 2000, 2000 + 2000 * 64 / 127, 4000]
    assert looked_at(BASE).breakpoints("speeds") == pytest.approx(speeds)
    assert looked_at(MOVED).breakpoints("speeds")[1:3].tolist() == [1700, 2400]
    assert looked_at(BASE).breakpoints("loads").tolist() == [10, 30]
    later = a_table(pairs(0, 1, 2), rows=bytes([0, 0, 1, 10, 30, 50]))
    assert looked_at(later).breakpoints("loads").tolist() == [30, 50]
    assert [DEFINITION.unit_of(axis) for axis in DEFINITION.derived_axes] == ["rpm", "mg"]


def test_a_falling_axis_turns_the_cells_round() -> None:
    xml = XML.replace(b'by="rescaled" count="5"', b'by="rescaled" count="5" order="falling"')
    grid = decoded(xml, a_table(pairs(4000, 2000, 1000))).grid(DEFINITION.tables["fuel"])
    assert grid.x is not None and (np.diff(grid.x) > 0).all()
    assert grid.physical[0].tolist() == [50, 40, 30, 20, 10]


def test_a_table_is_decoded_alone_with_the_curves_of_its_axes() -> None:
    trim = DEFINITION.tables["trim"]
    alone = decode(make_table_layout(DEFINITION, trim), Image.raw(MOVED)).grid(trim)
    whole = looked_at(MOVED).grid(trim)
    for first, second in ((alone.x, whole.x), (alone.y, whole.y), (alone.physical, whole.physical)):
        assert first is not None and second is not None and np.array_equal(first, second)


def test_the_definition_is_written_as_it_was_read() -> None:
    again = read("".join(definition_lines(DEFINITION)).encode())
    kept = [(axis.curve, axis.derivation, axis.count) for axis in again.derived_axes]
    assert kept == [("pairs", Derivation.RESCALED, 5), ("rows", Derivation.INVERTED, 2)]


def test_a_description_gives_the_same_axes_back(tmp_path: Path) -> None:
    again, left_out = read_back(tmp_path, DEFINITION)
    assert left_out == set()
    tables = {name: [again.axes[axis] for axis in item.axes] for name, item in again.tables.items()}
    (speeds,) = tables["fuel"]
    assert isinstance(speeds, DerivedAxis) and (speeds.curve, speeds.count) == ("speeds.pairs", 5)
    assert again.tables["speeds.pairs"].at == 0
    assert [axis.derivation for axis in tables["trim"] if isinstance(axis, DerivedAxis)] == [*Derivation]


def test_pairs_of_another_form_cannot_be_exported(tmp_path: Path) -> None:
    xml = XML.replace(b'at="2" type="uint16"', b'at="48" type="uint16"')
    _, left_out = read_back(tmp_path, read(xml))
    assert left_out == {"pairs", "speeds", "fuel", "trim"}


# Changes and findings


def test_a_change_of_the_pairs_moves_the_outputs_of_the_tables_on_the_axis() -> None:
    changes = compare(looked_at(BASE), looked_at(MOVED))
    assert [change.table.name for change in changes.tables] == ["pairs"]
    (axis,) = changes.axes
    assert (axis.axis.name, axis.changed.tolist()) == ("speeds", [False, True, True, True, False])
    shift = changes.output_shift_of["fuel"]
    # 2000 rpm lies at 3 / 7 between 1700 and 2400 rpm now.
    assert shift.at == {"speed": 2000.0}
    assert shift.new == pytest.approx(20 + 10 * 3 / 7)
    assert {table.name for table in changes.touched_tables} == {"pairs", "fuel", "trim"}


def test_a_change_of_the_curve_that_moves_no_breakpoint_moves_no_axis() -> None:
    same = a_table(pairs(1000, 2000, 4000), rows=bytes([0, 1, 1, 10, 30, 70]))
    changes = compare(looked_at(BASE), looked_at(same))
    assert [change.axis.name for change in changes.axes] == ["rows/x"]
    assert [*changes.output_shift_of] == ["rows"]


def test_a_moved_axis_is_found_at_the_cell_that_moves_it() -> None:
    (finding,) = found("axis/shared-axis-changed", MOVED)
    assert finding.table == "pairs" and finding.cell is not None and finding.cell.x == 1
    assert finding.message.startswith("axis speeds: 1500 rpm became 1700 rpm and 2 other breakpoints; ")
    assert "fuel up to" in finding.message and "trim up to" in finding.message


def test_a_breakpoint_below_the_one_before_it_is_found() -> None:
    (finding,) = found("axis/not-increasing", a_table(pairs(1000, 4200, 4000)))
    assert finding.message.startswith("axis speeds: breakpoint 4099.213 rpm follows 4200 rpm")
    assert not finding.inherited
    assert not found("axis/not-increasing", a_table(pairs(1000, 3999, 4000)))


def test_equal_breakpoints_are_found() -> None:
    (finding,) = found("axis/repeated-breakpoint", a_table(pairs(1000, 4000, 4000)))
    assert finding.message.startswith("axis speeds: breakpoint 4000 rpm is repeated")
    assert not found("axis/not-increasing", a_table(pairs(1000, 4000, 4000)))


def test_an_axis_that_was_wrong_in_the_base_is_known() -> None:
    wrong = a_table(pairs(1000, 4200, 4000))
    assert [finding.inherited for finding in found("axis/not-increasing", wrong, wrong)] == [True]


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (a_table(pairs(1, 2, 3, virtual=(0, 200, 100))), "the breakpoints of pairs do not rise"),
        (
            a_table(pairs(1, 2, 3), rows=bytes([1, 1, 1, 10, 30, 50])),
            "rows does not give each of the cell numbers 0 to 1 at one place",
        ),
    ],
)
def test_an_axis_without_breakpoints_is_found(data: bytes, reason: str) -> None:
    messages = [finding.message for finding in found("axis/not-increasing", data)]
    assert any(reason in message for message in messages), messages


def test_a_breakpoint_outside_the_plausible_range_is_found() -> None:
    (finding,) = found("axis/outside-plausible", a_table(pairs(1000, 2000, 6001)))
    assert "axis speeds: breakpoint 6001 rpm is above 6000 rpm" in finding.message
    assert not found("axis/outside-plausible", a_table(pairs(1000, 2000, 6000)))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b'curve="pairs"', b'curve="nothing"'),
        (b'curve="pairs"', b'curve="trim"'),
        (b'curve="pairs"', b'curve="fuel"'),  # which lies over the axis itself
    ],
)
def test_an_axis_that_follows_from_no_curve_over_a_plain_axis_is_a_mistake(old: bytes, new: bytes) -> None:
    reported = of_rule(findings(XML.replace(old, new), BASE, BASE), "definition/unknown-reference")
    assert [finding.subject for finding in reported if "axis speeds" in finding.message]


def test_a_waiver_of_a_table_ends_when_its_breakpoints_move() -> None:
    digests = [table_digest(looked_at(data), DEFINITION.tables["fuel"]) for data in (BASE, MOVED)]
    assert digests[0].content != digests[1].content and digests[0].meaning == digests[1].meaning


# Edits


@pytest.mark.parametrize(
    "arguments",
    [
        ("set", "base.bin", "speeds", "--to", "5"),
        ("restore", "moved.bin", "--axis", "speeds", "--base", "base.bin"),
    ],
)
def test_an_edit_of_a_breakpoint_names_the_curve(folder: Path, arguments: tuple[str, ...]) -> None:
    result = run(folder, *arguments)
    assert (result.status, result.stdout) == (2, "")
    assert result.stderr.startswith("callint: speeds: its breakpoints follow from pairs; ")
    assert ((folder / "base.bin").read_bytes(), (folder / "moved.bin").read_bytes()) == (BASE, MOVED)


def test_the_pairs_can_be_edited(folder: Path) -> None:
    result = run(folder, "set", "base.bin", "pairs", "--at", "virtual=128", "--to", "2400")
    assert result.status == 0 and "axis speeds" in result.stdout
    assert (folder / "base.bin").read_bytes() == MOVED


def test_a_file_of_values_may_not_give_a_breakpoint_that_the_curve_does_not(folder: Path) -> None:
    shown = run(folder, "show", "base.bin", "speeds", "--format", "csv").stdout
    (folder / "same.csv").write_text(shown)
    (folder / "other.csv").write_text(shown.replace(",1500,,,", ",1510,,,"))
    assert run(folder, "apply", "base.bin", "same.csv").status == 0
    result = run(folder, "apply", "base.bin", "other.csv")
    assert (result.status, result.stdout) == (2, "")
    assert "speeds has the breakpoint 1500 here, not 1510; change pairs" in result.stderr
    assert (folder / "base.bin").read_bytes() == BASE


def test_a_cdfx_file_gives_the_moved_image_again(folder: Path) -> None:
    written = run(folder, "diff", "base.bin", "moved.bin", "--format", "cdfx").stdout
    assert "<CATEGORY>RES_AXIS</CATEGORY>" in written and "<CATEGORY>CURVE_AXIS</CATEGORY>" in written
    (folder / "moved.cdfx").write_text(written)
    (folder / "wrong.cdfx").write_text(written.replace("<V>1700</V>", "<V>1710</V>"))
    result = run(folder, "apply", "base.bin", "wrong.cdfx")
    assert result.status == 2 and "change pairs, which the breakpoints of speeds follow from" in result.stderr
    assert run(folder, "apply", "base.bin", "moved.cdfx").status == 0
    assert (folder / "base.bin").read_bytes() == MOVED


def test_show_names_the_source_of_a_derived_axis(folder: Path) -> None:
    shown = run(folder, "show", "moved.bin", "speeds", "fuel").stdout
    assert "rescaled from pairs; used by fuel, trim" in shown
    assert shown.count("1700") == 2


def test_whatif_evaluates_a_table_at_the_breakpoints_of_its_image(folder: Path) -> None:
    results = [
        run(folder, "whatif", name, "--true", "speed=1000", "--reads", "1700").flat
        for name in ("base.bin", "moved.bin")
    ]
    # 24 mg at 1700 rpm in the base; a breakpoint with 20 mg lies there in the other image.
    assert "10.0 becomes 24.0 mg" in results[0] and "10.0 becomes 20.0 mg" in results[1]


# Two reworks, and other software


def test_a_merge_conflicts_if_one_side_moves_an_axis_and_the_other_edits_a_table_on_it() -> None:
    edited = a_table(pairs(1000, 2000, 4000), u16(100, 210, 300, 400, 500))
    result = merge(looked_at(BASE), looked_at(MOVED), looked_at(edited))
    cells = [conflict for conflict in result.conflicts if isinstance(conflict, CellConflict)]
    assert sorted(conflict.versions.table.name for conflict in cells) == ["fuel", "pairs"]
    alone = merge(looked_at(BASE), looked_at(BASE), looked_at(MOVED))
    assert alone.conflicts == () and alone.image.content.tobytes() == MOVED


def carried(reworked: bytes, new: bytes = BASE, *leave_out: str) -> tuple[bytes | None, list[str]]:
    result = carry(looked_at(BASE), looked_at(reworked), looked_at(new), CarriedQuantity.DELTA, leave_out)
    content = None if result.image is None else result.image.content.tobytes()
    return content, [problem.name for problem in result.problems]


def test_a_rework_is_carried_with_its_pairs() -> None:
    both = a_table(pairs(1000, 2400, 4000), u16(100, 210, 300, 400, 500))
    assert carried(both) == (both, [])


def test_a_table_is_not_carried_without_its_pairs() -> None:
    both = a_table(pairs(1000, 2400, 4000), u16(100, 210, 300, 400, 500))
    assert carried(both, BASE, "pairs") == (None, ["fuel"])


def test_pairs_are_not_carried_to_other_breakpoints() -> None:
    assert carried(MOVED, a_table(pairs(1000, 2000, 3000)))[0] is None


def test_an_axis_goes_with_its_curve_into_other_software() -> None:
    items = [(ItemKind.AXIS, axis.name, axis.at) for axis in DEFINITION.stored_axes]
    tables = DEFINITION.tables.values()
    items += [(ItemKind(table.kind.value), table.name, table.at) for table in tables if table.name != "pairs"]
    placements = [Placement(kind, name, at, at, 1.0, RelocationEvidence.SAME, ()) for kind, name, at in items]
    moved = move_definition(DEFINITION, placements, Image.raw(BASE)).definition
    assert [*moved.tables] == ["rows"]
    assert [axis.name for axis in moved.derived_axes] == ["loads"]
