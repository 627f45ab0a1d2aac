"""The rules about number-entry slips, each with images that fail it and images that barely pass it."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest

from callint.model.finding import Cell, Finding, Severity
from callint.model.policy import Policy
from callint.rules.registry import RULES
from callint.rules.rule import Rule
from tests.building import definition_xml, findings, image, u16
from tests.rules.example import Example, Expected, all_examples, axis, of_rule, table

SPEEDS = axis("speeds", at=0, count=5)
BREAKPOINTS = u16(1000, 1200, 1400, 1600, 1800)


def curve(purpose: str = "demand", inside: str = "") -> bytes:
    """A curve of five cells in tenths of a mg, behind its axis."""
    return definition_xml(
        table("curve", "fuel", f'<x axis="speeds"/>{inside}', at=10, purpose=purpose), axes=SPEEDS
    )


def holding(*values: float, breakpoints: bytes = BREAKPOINTS) -> bytes:
    """An image with these values of the curve, in mg."""
    return image(at_0=breakpoints, at_10=u16(*(round(10 * value) for value in values)))


BASE = holding(41.0, 13.0, 83.0, 27.0, 93.0)
SLOPE = holding(10.0, 14.0, 23.0, 31.0, 52.0)

SUSPICIOUS = (
    Example(
        rule="change/suspicious-cell",
        name="913.0 mg among cells that grew by a tenth",
        xml=curve(),
        data=holding(45.1, 14.3, 913.0, 29.7, 102.3),
        base=BASE,
        expected=Expected(
            severity=Severity.WARNING,
            words=(
                "the cell is 913.0 mg, but the edit around it suggests about 91.3",
                ": lost decimal point?",
            ),
            line='name="fuel"',
            table="fuel",
            cell=Cell(2, 0),
            at={"speed": 1400.0},
            address=14,
            raw=9130,
            physical=913.0,
            base_physical=83.0,
            unit="mg",
        ),
    ),
    Example(
        rule="change/suspicious-cell",
        name="92.9 mg among cells that grew by a tenth",
        xml=curve(),
        data=holding(45.1, 14.3, 92.9, 29.7, 102.3),
        base=BASE,
    ),
)

SHIFTED = (
    Example(
        rule="change/shifted-block",
        name="four cells with the old values of those before them",
        xml=curve(),
        data=holding(10.0, 10.0, 14.0, 23.0, 31.0),
        base=SLOPE,
        expected=Expected(
            severity=Severity.WARNING,
            words=(
                "4 cells up to 1800 rpm hold the old values of the cells before them along speed",
                "pasted one place off?",
            ),
            line='name="fuel"',
            table="fuel",
            cell=Cell(1, 0),
            at={"speed": 1200.0},
            address=12,
            raw=100,
            physical=10.0,
            base_physical=14.0,
            unit="mg",
        ),
    ),
    Example(
        rule="change/shifted-block",
        name="three cells with the old values of those before them",
        xml=curve(),
        data=holding(10.0, 10.0, 14.0, 23.0, 52.0),
        base=SLOPE,
    ),
    Example(
        rule="change/shifted-block",
        name="four cells with the value of the first, which was copied",
        xml=curve(),
        data=holding(10.0, 10.0, 10.0, 10.0, 10.0),
        base=SLOPE,
    ),
)

EXAMPLES = (*SUSPICIOUS, *SHIFTED)


@all_examples(EXAMPLES)
def test_the_rule(example: Example) -> None:
    example.check()


# The pages, with a pocket calculator


def example_of(rule: Rule) -> str:
    (result,) = (part for part in rule.page.split("\n\n") if part.startswith("Example:"))
    return " ".join(result.split())


def numbers(text: str) -> list[float]:
    return [float(item) for item in re.findall(r"\d+\.\d+", text)]


def test_the_page_of_a_suspicious_cell_reckons_right() -> None:
    page = example_of(RULES["change/suspicious-cell"])
    old, new = (numbers(part) for part in page.partition("Four of")[0].split("became"))
    base, reworked = holding(*old), holding(*new)
    assert len(old) == len(new) == 5
    slip = 2
    factors = [round(after / before, 9) for before, after in zip(old, new, strict=True)]
    assert factors == [1.1, 1.1, 11.0, 1.1, 1.1]
    assert "913.0 / 83.0 = 11 times" in page and new[slip] / old[slip] == 11
    assert "1.1 × 83.0 = 91.3 mg" in page and round(1.1 * old[slip], 9) == 91.3
    assert new[slip] == 10 * 91.3
    assert "93.0 - 13.0 = 80.0 mg" in page and max(old) - min(old) == 80.0
    assert "2 % of that is 1.6 mg" in page and round(0.02 * 80.0, 9) == 1.6
    assert "92.9 mg barely passes" in page and round(91.3 + 1.6, 9) == 92.9
    (result,) = suspicious(curve(), reworked, base)
    assert result.cell == Cell(slip, 0) and "about 91.3: lost decimal point?" in result.message
    new[slip] = 92.9
    assert suspicious(curve(), holding(*new), base) == []
    new[slip] = 93.0
    assert len(suspicious(curve(), holding(*new), base)) == 1


def test_the_page_of_a_shifted_block_reckons_right() -> None:
    page = example_of(RULES["change/shifted-block"])
    old, new = (numbers(part) for part in page.partition("Each of")[0].split("became"))
    assert new[1:] == old[:-1]
    assert "10.0 - 14.0 = -4.0 mg" in page and new[1] - old[1] == -4.0
    assert "31.0 - 52.0 = -21.0 mg" in page and new[4] - old[4] == -21.0
    assert "10.0 / 14.0 = 0.71" in page and round(new[1] / old[1], 2) == 0.71
    assert "31.0 / 52.0 = 0.60" in page and round(new[4] / old[4], 2) == 0.60
    assert len(of_rule(findings(curve(), holding(*new), holding(*old)), "change/shifted-block")) == 1
    three = [*new[:4], old[4]]
    assert not of_rule(findings(curve(), holding(*three), holding(*old)), "change/shifted-block")


def suspicious(xml: bytes, data: bytes, base: bytes, policy: Policy | None = None) -> list[Finding]:
    return of_rule(findings(xml, data, base, policy), "change/suspicious-cell")


# The hint about the number that fits


@pytest.mark.parametrize(
    ("inside", "said", "explained"),
    [
        ("", "suggests about 91.3: lost decimal point?", "lost decimal point? 91.3 fits"),
        (
            '<limits max="91.2"/>',
            "suggests about 91.3, which is above the limit: lost decimal point?",
            "lost decimal point? 91.3 is above the limit",
        ),
        (
            '<expected min="92"/>',
            "suggests about 91.3, which is below the expected range: lost decimal point?",
            "lost decimal point? 91.3 is below the expected range",
        ),
        ('<limits max="91.3"/>', "suggests about 91.3: lost", "lost decimal point? 91.3 fits"),
    ],
)
def test_a_number_outside_the_limits_or_the_expected_range_is_not_called_fitting(
    inside: str, said: str, explained: str
) -> None:
    (result,) = suspicious(curve(inside=inside), holding(45.1, 14.3, 913.0, 29.7, 102.3), BASE)
    assert said in result.message
    assert result.explanation == explained


# Severity


SLIP = holding(45.1, 14.3, 913.0, 29.7, 102.3)


@pytest.mark.parametrize(
    ("purpose", "severity"),
    [("protection", Severity.ERROR), ("demand", Severity.WARNING), ("emissions", Severity.WARNING)],
)
def test_a_slip_is_an_error_in_a_protection_table_and_a_warning_elsewhere(
    purpose: str, severity: Severity
) -> None:
    (result,) = suspicious(curve(purpose), SLIP, BASE)
    assert result.severity is severity


def test_a_shifted_block_is_an_error_in_a_protection_table() -> None:
    pasted = holding(10.0, 10.0, 14.0, 23.0, 31.0)
    (finding,) = of_rule(findings(curve("protection"), pasted, SLOPE), "change/shifted-block")
    assert finding.severity is Severity.ERROR


@pytest.mark.parametrize("purpose", ["protection", "demand"])
def test_a_policy_settles_the_severity_for_all_tables(purpose: str) -> None:
    policy = Policy(severities={"change/suspicious-cell": Severity.NOTE})
    (result,) = suspicious(curve(purpose), SLIP, BASE, policy)
    assert result.severity is Severity.NOTE


# Where a block stood

#: A map of four speeds and three loads: its axes lie at 0 and 8, its cells from 14 on.
MAP = definition_xml(
    table("map", "fuel", '<x axis="speeds"/><y axis="loads"/>', at=14, purpose="demand"),
    axes=axis("speeds", at=0, count=4) + axis("loads", "load", at=8, conversion="mg", count=3),
)
#: What its rows hold in the base, in tenths of a mg.
LOW, MIDDLE, HIGH = (100, 140, 230, 310), (120, 190, 260, 370), (170, 240, 330, 490)


def rows(*cells: tuple[int, ...]) -> bytes:
    return image(
        at_0=u16(1000, 1200, 1400, 1600, 100, 200, 300), at_14=u16(*(cell for row in cells for cell in row))
    )


@pytest.mark.parametrize(
    ("new", "said"),
    [
        (
            (LOW, LOW, MIDDLE),
            "8 cells up to 1600 rpm, 30 mg hold the old values of the cells before them along load: "
            "pasted one place off?",
        ),
        (
            (MIDDLE, HIGH, HIGH),
            "8 cells up to 1600 rpm, 20 mg hold the old values of the cells after them along load: "
            "pasted one place off?",
        ),
        (
            tuple((row[0], *row[:-1]) for row in (LOW, MIDDLE, HIGH)),
            "9 cells up to 1600 rpm, 30 mg hold the old values of the cells before them along speed: "
            "pasted one place off?",
        ),
        (
            tuple((*row[1:], row[-1]) for row in (LOW, MIDDLE, HIGH)),
            "9 cells up to 1400 rpm, 30 mg hold the old values of the cells after them along speed: "
            "pasted one place off?",
        ),
    ],
    ids=["a row below", "a row above", "a column right", "a column left"],
)
def test_a_shifted_block_names_the_side_on_which_it_was(new: tuple[tuple[int, ...], ...], said: str) -> None:
    reported = of_rule(findings(MAP, rows(*new), rows(LOW, MIDDLE, HIGH)), "change/shifted-block")
    assert [finding.message for finding in reported] == [said]


#: Six loads and four speeds, in tenths of a mg; values rise faster and faster.
STEEP = tuple(tuple(200 + 9 * y**3 + 11 * x + 2 * x * y for x in range(4)) for y in range(6))


@pytest.mark.parametrize("edited", [lambda cell: round(cell * 1.2), lambda cell: cell + 70])
def test_a_block_that_was_edited_and_pasted_a_row_below_is_reported(edited: Callable[[int], int]) -> None:
    xml = definition_xml(
        table("map", "fuel", '<x axis="speeds"/><y axis="loads"/>', at=20, purpose="demand"),
        axes=axis("speeds", at=0, count=4) + axis("loads", "load", at=8, conversion="mg", count=6),
    )
    breakpoints = u16(1000, 1200, 1400, 1600, 100, 200, 300, 400, 500, 600)

    def stored(cells: tuple[tuple[int, ...], ...]) -> bytes:
        return image(at_0=breakpoints, at_20=u16(*sum(cells, ())))

    meant = tuple(tuple(map(edited, row)) for row in STEEP)
    below = (*STEEP[:2], *meant[1:5])
    reported = of_rule(findings(xml, stored(below), stored(STEEP)), "change/shifted-block")
    assert [finding.message for finding in reported] == [
        "16 cells up to 1600 rpm, 60 mg follow the old values of the cells before them along load by one "
        "factor or offset: edited, then pasted one place off?"
    ]
    in_place = (STEEP[0], *meant[1:5], STEEP[5])
    assert not of_rule(findings(xml, stored(in_place), stored(STEEP)), "change/shifted-block")


@pytest.mark.parametrize(
    ("place", "source", "said"),
    [
        (2, 1, "4 cells up to 1600 rpm, 30 mg repeat the cells before them along load: pasted twice?"),
        (2, 3, "4 cells up to 1600 rpm, 30 mg repeat the cells after them along load: pasted twice?"),
    ],
)
def test_the_finding_of_a_row_pasted_twice_names_the_repeated_row(place: int, source: int, said: str) -> None:
    xml = definition_xml(
        table("map", "fuel", '<x axis="speeds"/><y axis="loads"/>', at=18, purpose="demand"),
        axes=axis("speeds", at=0, count=4) + axis("loads", "load", at=8, conversion="mg", count=5),
    )
    old = [(100, 140, 230, 310), (120, 190, 260, 370), (170, 240, 330, 490), (250, 300, 440, 560)]
    old.append((330, 410, 500, 700))
    new = [tuple(cell * 11 // 10 for cell in row) for row in old]  # a tenth more everywhere
    new[place] = new[source]
    breakpoints = u16(1000, 1200, 1400, 1600, 100, 200, 300, 400, 500)
    data, base = (image(at_0=breakpoints, at_18=u16(*sum(cells, ()))) for cells in (new, old))
    reported = of_rule(findings(xml, data, base), "change/shifted-block")
    assert [finding.message for finding in reported] == [said]


# What is passed over


def test_values_that_move_with_their_axis_are_not_pasted_one_place_off() -> None:
    moved = holding(10.0, 10.0, 14.0, 23.0, 31.0, breakpoints=u16(800, 1000, 1200, 1400, 1600))
    assert not of_rule(findings(curve(), moved, SLOPE), "change/shifted-block")


def test_a_cell_that_is_switched_off_is_not_a_slip() -> None:
    xml = curve(inside='<off raw="65535" allowed="anywhere"/>')
    data = image(at_0=BREAKPOINTS, at_10=u16(451, 143, 65535, 297, 1023))
    assert suspicious(xml, data, BASE) == []


def test_a_lone_cell_is_judged_by_its_neighbours() -> None:
    even = holding(80.0, 82.5, 85.0, 87.5, 90.0)
    (result,) = suspicious(curve(), holding(80.0, 82.5, 850.0, 87.5, 90.0), even)
    assert result.message == "the cell is 850.0 mg, but its neighbours suggest about 85: out by ten?"


#: An even curve that a lone cell leaves by a small share of its span of 80.0 mg.
EVEN = (20.0, 40.0, 60.0, 80.0, 100.0)


def even(value: float) -> bytes:
    """The even curve with another value in the middle."""
    return holding(*EVEN[:2], value, *EVEN[3:])


@pytest.mark.parametrize("purpose", ["protection", "demand"])
@pytest.mark.parametrize("policy", [None, Policy(severities={"change/suspicious-cell": Severity.ERROR})])
def test_a_lone_cell_that_may_be_intended_is_a_note_under_every_policy(
    purpose: str, policy: Policy | None
) -> None:
    # It leaves the line by 6.0 mg, 7.5 % of the span.
    (result,) = suspicious(curve(purpose), even(54.0), holding(*EVEN), policy)
    assert result.unsure and result.severity is Severity.NOTE


def test_a_lone_cell_far_from_its_neighbours_is_a_warning() -> None:
    (result,) = suspicious(curve(), even(53.0), holding(*EVEN))
    assert not result.unsure and result.severity is Severity.WARNING


def test_swapped_digits_of_a_lone_cell_are_a_note_however_little_they_move_it() -> None:
    old = (33.4, 43.4, 53.4, 63.4, 173.4)
    new = (33.4, 43.4, 54.3, 63.4, 173.4)
    (result,) = suspicious(curve(), holding(*new), holding(*old))
    assert result.message == ("the cell is 54.3 mg, but its neighbours suggest about 53.4: swapped digits?")
    assert result.severity is Severity.NOTE
    assert suspicious(curve(), holding(33.4, 43.4, 54.4, 63.4, 173.4), holding(*old)) == []


@pytest.mark.parametrize(
    ("old", "typed", "severity"),
    [
        ((-0.8, -0.7, -0.6, -0.5, 90.0), 0.6, Severity.WARNING),
        ((-0.8, -0.7, -0.6, -0.5, 90.0), 0.5, Severity.WARNING),  # it was changed, and lost its sign
        ((-1.8, -1.7, -1.6, -1.5, 90.0), 0.6, None),  # without its sign it is still another number
        ((-0.8, -0.7, -0.6, 0.5, 90.0), 0.6, Severity.NOTE),  # a neighbour has the other sign too
        ((-0.4, -0.3, -0.2, -0.1, 90.0), 0.2, Severity.NOTE),  # within two steps from zero
    ],
)
def test_a_lost_sign_among_small_numbers_of_a_wide_table_is_a_warning(
    old: tuple[float, ...], typed: float, severity: Severity | None
) -> None:
    xml = definition_xml(
        table("curve", "trim", '<x axis="speeds"/>', at=10, type="int16", purpose="demand"), axes=SPEEDS
    )

    def signed(values: tuple[float, ...]) -> bytes:
        return image(at_0=BREAKPOINTS, at_10=u16(*(round(10 * value) % 2**16 for value in values)))

    result = suspicious(xml, signed((*old[:2], typed, *old[3:])), signed(old))
    assert [(item.severity, item.message) for item in result] == (
        [(severity, f"the cell is {typed} mg, but its neighbours suggest about -{typed}: lost sign?")]
        if severity
        else []
    )


def test_named_states_are_not_judged_as_numbers() -> None:
    xml = definition_xml(
        table("curve", "modes", '<x axis="speeds"/>', at=10, type="uint8", conversion="on_off"), axes=SPEEDS
    )
    before, after = image(at_0=BREAKPOINTS, at_10=bytes(5)), image(at_0=BREAKPOINTS, at_12=b"\x01")
    assert suspicious(xml, after, before) == []


# Mirrors and inverses


def pair(relation: str, second: str = "mg") -> bytes:
    """Two curves of five cells on one axis, at 10 and at 20."""
    tables = "".join(
        table("curve", name, '<x axis="speeds"/>', at=at, purpose="demand")
        for name, at in (("fuel", 10), ("mirror", 20))
    )
    return definition_xml(tables, axes=SPEEDS, relations=relation)


MIRROR = pair('<equal table="fuel" mirror="mirror"/>')


def both(fuel: tuple[float, ...], mirror: tuple[float, ...]) -> bytes:
    """An image with these values of the two curves, in mg."""
    first, second = (u16(*(round(10 * value) for value in values)) for values in (fuel, mirror))
    return image(at_0=BREAKPOINTS, at_10=first, at_20=second)


def steady(third: float = 50.0) -> tuple[float, ...]:
    """Five cells that fall by 20 mg each, with another third one."""
    return (90.0, 70.0, third, 30.0, 10.0)


STEADY_BASE = both(steady(), steady())


def test_a_cell_that_its_mirror_contradicts_is_a_slip_if_a_keystroke_explains_it() -> None:
    # 1.7 mg are 2 % of the span of 80 mg, so nothing else finds it.
    (result,) = suspicious(MIRROR, both(steady(51.7), steady(51.2)), STEADY_BASE)
    assert (result.table, result.cell, result.unsure) == ("fuel", Cell(2, 0), False)
    assert "the cell is 51.7 mg, but mirror suggests about 51.2" in result.message
    assert result.evidence is not None and result.evidence.tables == ("fuel", "mirror")
    (result,) = suspicious(MIRROR, both(steady(51.2), steady(51.7)), STEADY_BASE)
    assert result.table == "mirror" and "fuel suggests about 51.2" in result.message
    assert not suspicious(MIRROR, both(steady(51.7), steady(51.7)), STEADY_BASE)


def test_a_cell_that_its_mirror_contradicts_is_not_a_slip_if_no_keystroke_explains_it() -> None:
    assert not suspicious(MIRROR, both(steady(51.7), steady(50.9)), STEADY_BASE)


@pytest.mark.parametrize("new", [50.3, 51.0, 52.0])
def test_a_wrong_digit_is_not_suspected_if_the_mirror_was_forgotten(new: float) -> None:
    assert not suspicious(MIRROR, both(steady(new), steady()), STEADY_BASE)


def test_a_cell_with_which_its_mirror_agrees_is_a_note() -> None:
    # 8 mg are 10 % of the span.
    (alone,) = suspicious(MIRROR, both(steady(58.0), steady(53.0)), STEADY_BASE)
    assert (alone.table, alone.unsure) == ("fuel", False)
    results = suspicious(MIRROR, both(steady(58.0), steady(58.0)), STEADY_BASE)
    assert [(result.table, result.unsure) for result in results] == [("fuel", True), ("mirror", True)]


def test_a_mirror_that_differs_in_the_base_is_not_evidence() -> None:
    base = both(steady(), steady(55.0))
    assert not suspicious(MIRROR, both(steady(51.7), steady(51.2)), base)


def test_a_mirror_that_differs_everywhere_is_not_a_mistyped_number() -> None:
    # Each cell of fuel is one digit from that of its mirror.
    fuel, mirror = (tuple(value + by for value in steady()) for by in (1.7, 1.2))
    assert not suspicious(MIRROR, both(fuel, mirror), STEADY_BASE)


def inverse() -> bytes:
    """Fuel by torque, and torque by fuel; both axes have the breakpoints 10, 20, 30, 40 and 50."""
    return definition_xml(
        table("curve", "fuel", '<x axis="torques"/>', at=20, purpose="demand")
        + table("curve", "back", '<x axis="fuels"/>', at=30, purpose="demand", conversion="Nm"),
        signals='<signal name="torque" unit="Nm">Torque</signal><signal name="fuel" unit="mg">Fuel</signal>',
        conversions='<linear name="mg" unit="mg" factor="0.1" decimals="1"/>'
        '<linear name="Nm" unit="Nm" factor="0.1" decimals="1"/>',
        axes=axis("torques", "torque", at=0, conversion="Nm", count=5)
        + axis("fuels", "fuel", at=10, conversion="mg", count=5),
        relations='<inverse table="fuel" of="back" tolerance="0.1"/>',
    )


def there_and_back(fuel: tuple[float, ...], back: tuple[float, ...]) -> bytes:
    tens = u16(100, 200, 300, 400, 500)
    first, second = (u16(*(round(10 * value) for value in values)) for values in (fuel, back))
    return image(at_0=tens, at_10=tens, at_20=first, at_30=second)


TENS = (10.0, 20.0, 30.0, 40.0, 50.0)


@pytest.mark.parametrize(("typed", "explained"), [(31.6, True), (30.7, False)])
def test_a_cell_that_its_inverse_contradicts_is_a_slip_if_a_keystroke_explains_it(
    typed: float, explained: bool
) -> None:
    # 28.8 Nm at 30 mg, 40 Nm at 40 mg: 30 Nm are 30 + 10 × 1.2 / 11.2 = 31.07 mg. 31.6 is 31.1 with a wrong
    # digit. The tolerance of 0.1 Nm and the step of 0.1 mg allow 0.1 × 10 / 11.2 + 0.1 = 0.19 mg.
    data = there_and_back((10.0, 20.0, typed, 40.0, 50.0), (10.0, 20.0, 28.8, 40.0, 50.0))
    results = suspicious(inverse(), data, there_and_back(TENS, TENS))
    assert [result.table for result in results] == (["fuel"] if explained else [])
    if explained:
        assert "the cell is 31.6 mg, but back suggests about 31.1" in results[0].message
