"""The causes of findings: the place in a change without which a finding would not be there."""

from __future__ import annotations

from collections.abc import Sequence

from callint.checking.cause_order import CauseFindings, Danger, cause_groups
from callint.checking.places import restored
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model.cause import CauseKind, Effect
from callint.model.definition import Definition
from callint.model.image import Image
from callint.model.policy import Policy
from callint.reading.definition_file import DefinitionFile
from callint.rules.context import CheckContext
from tests.building import definition_xml, image, inspect, read, u16
from tests.rules.example import AXES, ON_AXES, axis, table, table_digest, waiver
from tests.rules.test_relation import FAN, related, scalars, stored

#: A map of 6 columns and 5 rows at 40, over speeds at 0 and loads at 12.
GRID = axis("speeds", at=0, count=6) + axis("loads", "load", at=12, conversion="mg", count=5)
_SPEEDS, _LOADS = (1000, 1500, 2000, 2500, 3000, 3500), (100, 200, 300, 400, 500)
_CELLS = [400 + 20 * x + 30 * y for y in range(5) for x in range(6)]
FUEL = (
    '<limits max="90"/><monotonic along="x" direction="rising"/><monotonic along="y" direction="rising"/>'
    '<gradient along="x" max="0.01"/><change max="8"/>'
)
MAP = definition_xml(table("map", "fuel", f"{ON_AXES}{FUEL}", at=40), axes=GRID, size=128)


def grid(**cells: int) -> bytes:
    """An image of the map with other cells, such as x3y2=9000."""
    values = list(_CELLS)
    for name, value in cells.items():
        x, y = (int(text) for text in name.removeprefix("x").split("y"))
        values[6 * y + x] = value
    return image(128, at_0=u16(*_SPEEDS), at_12=u16(*_LOADS), at_40=u16(*values))


def groups(xml: bytes, new: bytes, old: bytes | None, policy: Policy | None = None) -> list[CauseFindings]:
    """The causes in an image, without those in its definition."""
    report = inspect(xml, new, old, policy)
    return [group for group in cause_groups(report.findings, report.causes) if group.first.image]


def only(found: Sequence[CauseFindings]) -> CauseFindings:
    (group,) = found
    return group


def titles(found: Sequence[CauseFindings]) -> list[str]:
    return [group.cause.title for group in found if group.cause]


def rules(group: CauseFindings) -> set[str]:
    return {finding.rule for finding in group.findings}


# One place


def test_all_that_a_mistyped_cell_breaks_has_one_cause_which_names_the_slip() -> None:
    group = only(groups(MAP, grid(x3y2=5200), grid()))
    assert len(group.findings) > 5
    assert rules(group) >= {
        "value/out-of-range",
        "value/not-monotonic",
        "value/too-steep",
        "change/too-large",
    }
    assert titles([group]) == ["fuel at 2500 rpm, 30 mg: 52.0 → 520.0 mg, out by ten? 52 fits"]
    assert group.cause is not None
    assert (group.cause.kind, group.cause.effect) == (CauseKind.CELL, None)
    assert group.hint.startswith("Look up the intended value")


def test_neighbouring_changed_cells_are_one_place_and_distant_ones_are_another() -> None:
    new = grid(x0y0=500, x1y0=520, x0y1=530, x4y4=700, x5y4=720)
    found = groups(MAP, new, grid())
    assert sorted(titles(found)) == [
        "fuel from 1000 rpm, 10 mg to 1500 rpm, 20 mg: 3 cells, the largest change 40.0 → 50.0 mg at "
        "1000 rpm, 10 mg",
        "fuel from 3000 rpm, 50 mg to 3500 rpm, 50 mg: 2 cells, the largest change 60.0 → 70.0 mg at "
        "3000 rpm, 50 mg",
    ]


def test_a_suspicious_cell_in_a_larger_edit_is_a_place_of_its_own() -> None:
    raised = {f"x{x}y{y}": _CELLS[6 * y + x] + 100 for x in range(6) for y in range(5)}
    found = groups(MAP, grid(**{**raised, "x2y2": 6000}), grid())
    kinds = {group.cause.kind: group for group in found if group.cause}
    assert set(kinds) == {CauseKind.CELL, CauseKind.BLOCK}
    assert "change/suspicious-cell" in rules(kinds[CauseKind.CELL])
    assert rules(kinds[CauseKind.BLOCK]) == {"change/too-large"}
    assert len(kinds[CauseKind.BLOCK].findings) == 29


def test_an_edit_on_both_sides_of_a_suspicious_cell_is_one_place() -> None:
    xml = definition_xml(
        table("curve", "idle", '<x axis="speeds"/><change max="8"/>', at=40), axes=GRID, size=128
    )
    old = image(128, at_0=u16(*_SPEEDS), at_12=u16(*_LOADS), at_40=u16(500, 500, 500, 500, 500, 500))
    new = image(128, at_0=u16(*_SPEEDS), at_12=u16(*_LOADS), at_40=u16(600, 600, 960, 600, 600, 600))
    assert sorted(titles(groups(xml, new, old))) == [
        "idle at 2000 rpm: 50.0 → 96.0 mg, 60 would fit",
        "idle from 1000 rpm to 3500 rpm: 5 cells, the largest change 50.0 → 60.0 mg at 1000 rpm",
    ]


def test_a_suspicious_cell_and_its_mirror_are_one_place() -> None:
    xml = definition_xml(
        table("curve", "idle", '<x axis="speeds"/><change max="8"/>', at=40)
        + table("curve", "copy", '<x axis="speeds"/>', at=60),
        axes=GRID,
        relations='<equal table="idle" mirror="copy"/>',
        size=128,
    )
    old, new = (
        image(128, at_0=u16(*_SPEEDS), at_12=u16(*_LOADS), at_40=u16(*cells), at_60=u16(*cells))
        for cells in ((500,) * 6, (600, 600, 960, 600, 600, 600))
    )
    found = groups(xml, new, old)
    assert [title.partition(":")[0] for title in sorted(titles(found))] == [
        "idle at 2000 rpm",
        "idle from 1000 rpm to 3500 rpm",
    ]
    assert all("with its mirror copy" in title for title in titles(found))


def test_what_a_moved_breakpoint_breaks_in_its_tables_has_the_axis_as_its_cause() -> None:
    xml = definition_xml(
        table("map", "egr", ON_AXES, at=40, purpose="emissions")
        + table("curve", "smoke", '<x axis="speeds"/>', at=100),
        axes=GRID,
        size=128,
    )
    new = bytearray(grid())
    new[4:6] = u16(200)
    group = only(groups(xml, bytes(new), grid()))
    assert titles([group]) == ["speeds: 2000 → 200 rpm, out by ten? 2000 fits"]
    assert rules(group) >= {"axis/not-increasing", "axis/shared-axis-changed", "change/emissions"}
    assert {finding.table for finding in group.findings} == {"speeds", "egr"}


def test_undefined_bytes_a_text_a_checksum_and_an_identity_are_places() -> None:
    memory = (
        '<identity name="software" at="60" text="SK28"/>'
        '<checksum name="sum" algorithm="sum16" start="0" size="32" stored-at="40"/>'
    )
    xml = definition_xml(
        '<text name="approval" title="Approval" purpose="emissions" at="20" length="4"/>'
        + table("scalar", "idle", at=2),
        memory=memory,
    )
    old = image(at_20=b"E-27", at_60=b"SK28", at_40=u16(sum(b"E-27")))
    new = bytearray(old)
    new[20:24] = b"E-28"
    new[50:52] = b"\x01\x02"
    found = groups(xml, bytes(new), old)
    assert {group.cause.kind for group in found if group.cause} == {
        CauseKind.TEXT,
        CauseKind.BYTES,
        CauseKind.CHECKSUM,
    }
    new[60:64] = b"SK29"
    first, *_ = groups(xml, bytes(new), old)
    assert first.danger is Danger.WRONG_SOFTWARE
    assert first.cause is not None and first.cause.kind is CauseKind.IDENTITY


def test_a_changed_scalar_and_its_changed_mirror_are_one_place() -> None:
    xml = scalars("cut", "copy", "rpm", '<equal table="cut" mirror="copy" tolerance="0"/>')
    xml = xml.replace(b'name="cut" title="Cut"', b'name="cut" title="Cut"').replace(
        b'<off raw="65535" allowed="anywhere"/>', b'<limits max="4500"/>'
    )
    alike = groups(xml, image(at_0=u16(5000, 5000)), image(at_0=u16(4250, 4250)))
    assert titles(alike) == ["cut: 4250 → 5000 rpm, with its mirror copy"]
    unlike = groups(xml, image(at_0=u16(5000, 4600)), image(at_0=u16(4250, 4250)))
    assert titles(unlike) == ["cut: 4250 → 5000 rpm; copy: 4250 → 4600 rpm"]
    assert rules(only(unlike)) == {"relation/mirror-differs", "value/out-of-range"}
    forgotten = groups(xml, image(at_0=u16(4300, 4250)), image(at_0=u16(4250, 4250)))
    assert titles(forgotten) == ["cut: 4250 → 4300 rpm"]


# Several places


def test_two_harmless_edits_that_close_a_gap_are_named_together() -> None:
    group = only(groups(FAN, image(at_0=u16(90, 88)), image(at_0=u16(92, 87))))
    assert group.cause is not None
    assert group.cause.effect is Effect.ONLY_TOGETHER
    assert titles([group]) == ["fan_on: 92 → 90 °C; fan_off: 87 → 88 °C"]
    for harmless in (u16(90, 87), u16(92, 88)):
        assert groups(FAN, image(at_0=harmless), image(at_0=u16(92, 87))) == []


def test_of_two_edits_the_one_that_closes_the_gap_alone_is_its_cause() -> None:
    group = only(groups(FAN, image(at_0=u16(91, 95)), image(at_0=u16(92, 87))))
    assert titles([group]) == ["fan_off: 87 → 95 °C"]


def test_of_two_edits_that_each_close_the_gap_both_are_named() -> None:
    group = only(groups(FAN, image(at_0=u16(80, 95)), image(at_0=u16(92, 87))))
    assert group.cause is not None
    assert group.cause.effect is Effect.EACH_ALONE
    assert [place.name for place in group.cause.places] == ["fan_on", "fan_off"]


def test_of_many_edits_the_one_beside_the_broken_operating_point_is_tried_first() -> None:
    xml = related(
        table("curve", "smoke", f"<x>{stored('speed', 0, 14, type='uint8')}</x>", at=14, conversion="mg")
        + table("curve", "cap", f"<x>{stored('speed', 42, 3, type='uint8')}</x>", at=46, conversion="mg"),
        '<at-most table="smoke" bound="cap"/>',
    )

    def smoke(*cells: int) -> bytes:
        speeds, cap_speeds = bytes(range(10, 150, 10)), bytes((10, 135, 140))
        return image(at_0=speeds, at_14=u16(*cells), at_42=cap_speeds, at_46=u16(900, 350, 900))

    # Four larger edits lower the table; the cell at 130 rpm lifts its output at 135 rpm above the cap.
    new = smoke(300, 300, 345, 300, 300, 345, 300, 300, 345, 300, 300, 345, 368, 345)
    group = only(groups(xml, new, smoke(*[345] * 14)))
    assert "135 rpm" in group.first.message
    assert titles([group]) == ["smoke at 130 rpm: 345 → 368 mg, 300 would fit"]
    assert group.cause is not None and group.cause.effect is None


def test_a_finding_about_two_edits_of_one_table_names_the_table_once() -> None:
    xml = definition_xml(table("map", "egr", ON_AXES, at=40, purpose="emissions"), axes=GRID, size=128)
    group = only(groups(xml, grid(x0y0=401, x5y4=625), grid()))
    assert titles([group]) == [
        "egr: 2 cells in 2 places, the largest change 62.0 → 62.5 mg at 3500 rpm, 50 mg"
    ]


def test_an_output_that_an_axis_and_a_cell_move_only_together_names_both() -> None:
    xml = definition_xml(
        table("curve", "smoke", '<x axis="speeds"/><change max="7"/>', at=40), axes=AXES, size=64
    )
    old = image(at_0=u16(1000, 2000, 3000), at_40=u16(100, 200, 300))
    # The axis alone moves the output by 5 mg at 2000 rpm, the cell alone by 4 mg there.
    new = image(at_0=u16(1000, 1500, 3000), at_40=u16(100, 240, 300))
    large = next(g for g in groups(xml, new, old) if "change/too-large" in rules(g))
    assert large.cause is not None
    assert large.cause.effect is Effect.ONLY_TOGETHER
    assert {place.name for place in large.cause.places} == {"speeds", "smoke"}


def test_many_findings_about_one_block_on_moved_axes_have_one_cause() -> None:
    xml = definition_xml(
        table(
            "map", "limit", f'{ON_AXES}<limits max="80"/><guard flat="true"/>', at=40, purpose="protection"
        ),
        axes=GRID,
        size=128,
    )
    new = bytearray(image(128, at_0=u16(*_SPEEDS), at_12=u16(*_LOADS), at_40=u16(*[900] * 30)))
    new[2:4], new[14:16] = u16(1600), u16(210)
    found = groups(xml, bytes(new), grid())
    flat = next(group for group in found if "protection/flat" in rules(group))
    assert flat.cause is not None
    assert (flat.cause.kind, flat.cause.effect) == (CauseKind.BLOCK, None)
    assert "value/out-of-range" in rules(flat)
    assert len(flat.findings) > 30


# What no change brings


def test_what_the_base_has_too_is_a_cause_of_its_own_by_table() -> None:
    wrong = grid(x3y2=9000)
    inherited, new = sorted(groups(MAP, grid(x3y2=9000, x0y0=950), wrong), key=lambda g: not g.is_inherited)
    assert inherited.cause is not None and inherited.cause.kind is CauseKind.INHERITED
    assert titles([new]) == ["fuel at 1000 rpm, 10 mg: 40.0 → 95.0 mg, 40.1 would fit"] or new.cause
    assert all(finding.inherited for finding in inherited.findings)
    assert not any(finding.inherited for finding in new.findings)


def test_without_a_base_the_findings_of_a_table_are_one_cause() -> None:
    group = only(groups(MAP, grid(x3y2=9000, x0y0=950), None))
    assert group.cause is not None
    assert (group.cause.kind, titles([group])) == (CauseKind.TABLE, ["fuel"])


def test_a_definition_and_a_waiver_are_causes_too() -> None:
    xml = definition_xml(table("scalar", "idle", '<expected max="80"/>', at=2))
    xml = xml.replace(b'unit="mg" factor', b"factor")
    policy = Policy(path="callint.toml", waivers=(waiver("value/unexpected", "sha256:0", image="new.bin"),))
    report = inspect(xml, image(), image(), policy)
    kinds = {group.cause.kind for group in cause_groups(report.findings, report.causes) if group.cause}
    assert kinds == {CauseKind.DEFINITION, CauseKind.POLICY}


def test_a_waived_cause_comes_last_and_counts_for_no_protection() -> None:
    xml = definition_xml(
        table("scalar", "cut", '<guard above="500"/>', at=0, purpose="protection")
        + table("scalar", "idle", '<expected max="80"/>', at=2)
    )
    new, old = image(at_0=u16(6000, 900)), image(at_0=u16(400, 700))
    first, last = groups(xml, new, old)
    assert (first.danger, last.danger) == (Danger.DISABLED, Danger.NONE)
    digest = table_digest(xml, new, "cut")
    waived = tuple(
        waiver(rule, digest, image="new.bin", table="cut")
        for rule in {finding.rule for finding in first.findings}
    )
    first, last = groups(xml, new, old, Policy(path="callint.toml", waivers=waived))
    assert titles([first]) == ["idle: 70.0 → 90.0 mg"]
    assert (last.active, last.danger) == ((), Danger.NONE)


def test_of_one_severity_the_cause_comes_first_that_affects_more_of_the_operating_range() -> None:
    # The first cell counts down to the end of the operating range, one in the middle for its neighbourhood.
    found = groups(MAP, grid(x0y0=500, x2y2=600), grid())
    shares = [group.cause.share for group in found if group.cause and group.severity == "error"]
    assert shares == sorted(shares, reverse=True)
    assert len(set(shares)) == 2
    assert "fuel at 1000 rpm" in titles(found)[0]


def test_the_id_of_a_cause_does_not_depend_on_the_value() -> None:
    ids = {only(groups(MAP, grid(x3y2=value), grid())).cause for value in (5200, 9000)}
    assert len(ids) == 2
    assert len({cause.id for cause in ids if cause}) == 1


def test_each_stale_checksum_is_a_cause_of_its_own_with_its_bytes_and_an_id_that_stays() -> None:
    memory = "".join(
        f'<checksum name="{name}" algorithm="sum16" start="0" size="{size}" stored-at="{at}"/>'
        for name, size, at in (("sum", 32, 40), ("short", 16, 42))
    )
    xml = definition_xml(table("scalar", "idle", at=2), memory=memory)
    first, later = (groups(xml, image(at_2=u16(value)), None) for value in (500, 600))
    causes = [group.cause for group in first if group.cause]
    assert [cause.kind for cause in causes] == [CauseKind.CHECKSUM, CauseKind.CHECKSUM]
    assert sorted(cause.places[0].ranges for cause in causes) == [((40, 2),), ((42, 2),)]
    assert titles(first) != titles(later)
    assert len({cause.id for cause in causes}) == 2
    assert {group.cause.id for group in later if group.cause} == {cause.id for cause in causes}


# Restoring


def test_restoring_a_flag_leaves_the_other_flags_of_its_byte() -> None:
    flags = "".join(
        f'<scalar name="{name}" title="{name}" purpose="general" at="4" type="uint8" mask="{mask}"/>'
        for name, mask in (("low", "0x0F"), ("high", "0xF0"))
    )
    definition = read(definition_xml(flags))
    context = _context(definition, image(at_4=b"\x57"), image(at_4=b"\x12"))
    from callint.checking.places import Places

    places = Places(context)
    (low,) = places.of_item("low")
    assert restored(context, [places.places[low]]).read(4, 1) == b"\x52"


def _context(definition: Definition, new: bytes, old: bytes) -> CheckContext:
    start = definition.memory.start
    loaded = LoadedDefinition(DefinitionFile("test.xml", definition, ()), definition)
    return CheckContext(loaded, Image.raw(new, start), Image.raw(old, start))
