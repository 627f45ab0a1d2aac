"""Off codes that an edit calculated with."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from callint.model.finding import Finding, Severity
from tests.building import definition_xml, findings, image, u16
from tests.rules.example import Example, Expected, all_examples, of_rule, table

Cells = NDArray[np.float64]

RULE = "change/off-code"
DEGREES = '<linear name="degrees" unit="degC" factor="1" offset="-40" decimals="0"/>'
AXES = (
    '<axis name="speed_6" signal="speed" at="0" type="uint16" count="6"/>'
    '<fixed-axis name="load_3" signal="load" values="10 20 30"/>'
)
POINTS = u16(800, 1200, 1600, 2000, 2400, 2800)


def definition(purpose: str = "correction", limits: tuple[int, int] = (-40, 300)) -> bytes:
    low, high = limits
    body = (
        '<x axis="speed_6"/><y axis="load_3"/>'
        f'<limits min="{low}" max="{high}"/><off raw="255" allowed="anywhere"/>'
    )
    tables = table("map", "trim", body, at=16, type="uint8", conversion="degrees", purpose=purpose)
    return definition_xml(tables, axes=AXES, conversions=DEGREES)


BASE = np.array(
    [[60, 64, 70, 78, 88, 255], [66, 71, 80, 90, 255, 255], [70, 77, 88, 255, 255, 255]], np.float64
)
OFF = BASE == 255


DEFINITION = definition()


def data(cells: Cells) -> bytes:
    return image(at_0=POINTS, at_16=np.rint(cells).astype(np.uint8).tobytes())


def judged(new: Cells, xml: bytes = DEFINITION, old: Cells = BASE) -> list[Finding]:
    return of_rule(findings(xml, data(new), data(old)), RULE)


def scaled(factor: float, offset: float = -40.0) -> Cells:
    """All cells with a factor on their physical values, cut off at the ends of the storage."""
    result: Cells = np.clip(np.rint((BASE + offset) * factor - offset), 0, 255)
    return result


def test_a_map_that_was_scaled_as_a_whole_has_lost_its_off_codes() -> None:
    (finding,) = judged(scaled(0.9))
    assert finding.severity is Severity.WARNING
    assert finding.message == (
        "6 cells were off in the base and now hold values, such as 194 °C at 2800 rpm, 10 mg: "
        "the factor 0.9 of 12 other changed cells was applied to the off code, raw 255, too"
    )


@pytest.mark.parametrize(
    ("new", "cause"),
    [
        (np.clip(BASE - 5, 0, 255), "the offset -5 °C of 12 other changed cells"),
        (np.trunc(BASE * 0.9), "on raw numbers of 11 other changed cells"),
        (np.rint(BASE * 0.95), "the factor 0.95 on raw numbers of 12 other changed cells"),
    ],
    ids=["an offset", "raw numbers, cut off", "raw numbers, rounded"],
)
def test_an_offset_and_a_calculation_on_raw_numbers_lose_them_too(new: Cells, cause: str) -> None:
    (finding,) = judged(new)
    assert "6 cells were off" in finding.message
    assert cause in finding.message


def test_a_result_that_was_cut_off_at_the_limit_of_the_table_is_a_lost_off_code() -> None:
    new = np.where(OFF, 160 + 40, scaled(1.1))
    (finding,) = judged(new, definition(limits=(-40, 160)))
    assert "such as 160 °C" in finding.message


def test_a_part_of_a_map_is_judged_by_its_own_cells() -> None:
    new = BASE.copy()
    new[0] = scaled(0.9)[0]
    (finding,) = judged(new)
    assert finding.message.startswith(
        "a cell was off in the base and now holds 194 °C at 2800 rpm, 10 mg: the factor 0.9"
    )


def test_a_slip_in_one_cell_does_not_hide_lost_off_codes() -> None:
    new = scaled(0.9)
    new[1, 1] = 190
    assert len(judged(new)) == 1


def test_in_a_protection_it_is_an_error() -> None:
    (finding,) = judged(scaled(0.9), definition(purpose="protection"))
    assert finding.severity is Severity.ERROR


def test_values_that_a_calculation_carries_to_the_code_are_reported() -> None:
    old = np.where(OFF, 200, BASE)
    new = np.clip(np.rint((old - 40) * 1.5 + 40), 0, 255)
    (finding,) = judged(new, old=old)
    assert finding.message == (
        "6 cells held values in the base and are now off, such as 160 °C at 2800 rpm, 10 mg: "
        "the factor 1.5 of 12 other changed cells turned them into the off code, raw 255"
    )
    exactly = np.where(OFF, 245, BASE)
    (finding,) = judged(exactly + 10, old=exactly)
    assert "are now off" in finding.message


@pytest.mark.parametrize("value", [60, 100, 120, 150, 254], ids=lambda value: f"released to {value}")
def test_cells_that_were_released_on_purpose_are_passed_over(value: int) -> None:
    assert judged(np.where(OFF, value, scaled(0.9))) == []
    assert judged(np.where(OFF, value, BASE)) == []
    assert judged(np.where(OFF, value, BASE + 3)) == []


def test_cells_that_were_switched_off_on_purpose_are_passed_over() -> None:
    old = np.where(OFF, 120, BASE)
    assert judged(np.where(OFF, 255, old * 1.1), old=old) == []
    assert judged(np.where(OFF, 255, old), old=old) == []


def test_off_codes_that_stay_are_passed_over() -> None:
    assert judged(np.where(OFF, 255, scaled(0.9))) == []
    assert judged(scaled(1.1)) == []  # cut off at the end of the storage, where the code is


def test_an_edit_by_hand_shows_no_calculation() -> None:
    new = np.where(OFF, 255 * 0.9, BASE + np.arange(18).reshape(3, 6) % 5 * 3 + 1)
    assert judged(new) == []


EXAMPLES = (
    Example(
        rule=RULE,
        name="a map with off cells that was scaled as a whole",
        xml=DEFINITION,
        data=data(scaled(0.9)),
        base=data(BASE),
        expected=Expected(
            severity=Severity.WARNING,
            words=("6 cells were off", "the factor 0.9"),
            line='name="trim"',
            table="trim",
            address=16,
            unit="degC",
        ),
    ),
    Example(
        rule=RULE,
        name="cells that were released to another value than the factor gives",
        xml=DEFINITION,
        data=data(np.where(OFF, 100, scaled(0.9))),
        base=data(BASE),
    ),
)


@all_examples(EXAMPLES)
def test_the_rule(example: Example) -> None:
    example.check()
