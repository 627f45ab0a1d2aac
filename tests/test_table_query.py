"""Questions about the values of tables: the grammar, units, states, points, and answers for an image."""

from __future__ import annotations

import pytest

from callint.comparing.table_query import (
    MAX_CONDITIONS,
    MAX_DEPTH,
    MAX_LENGTH,
    AllOf,
    Answer,
    AnyOf,
    Condition,
    Not,
    condition_for,
    conditions,
    parse_question,
)
from callint.decoding.decode import decode
from callint.model.errors import InputError
from callint.model.image import Image
from tests.building import decoded, u16
from tests.running import FUEL, MONITOR, TRIM, edited, yard_base, yard_definition

_DECODED = decoded(yard_definition(), yard_base())


def answer(question: str, data: bytes | None = None) -> Answer:
    """The answer to a question of one condition for the yard's base, or for an image."""
    condition = parse_question(question)
    assert isinstance(condition, Condition)
    image = _DECODED if data is None else decoded(yard_definition(), data)
    return condition_for(image.layout.definition, condition).answer(image)


def problem(question: str) -> str:
    with pytest.raises(InputError) as caught:
        fitting(question)
    return str(caught.value)


def fitting(question: str) -> None:
    """Parse a question and fit its conditions to the yard."""
    for condition in conditions(parse_question(question)):
        condition_for(_DECODED.layout.definition, condition)


# The base: overspeed_cut 4200 rpm; fuel from 12.0 to 76.0 mg; trim from 20 to 26 degC; monitor is on.


@pytest.mark.parametrize(
    ("question", "expected"),
    [
        ("overspeed_cut > 4199 rpm", Answer.YES),
        ("overspeed_cut > 4200 rpm", Answer.NO),
        ("overspeed_cut >= 4200", Answer.YES),
        ("overspeed_cut<=4200", Answer.YES),
        ("overspeed_cut < 4200", Answer.NO),
        ("overspeed_cut = 4200.4 rpm", Answer.YES),
        ("overspeed_cut != 4201 rpm", Answer.YES),
        ("overspeed_cut != 4200 rpm", Answer.NO),
        ("fuel >= 12 mg", Answer.YES),
        ("fuel > 12 mg", Answer.PARTLY),
        ("all fuel > 12 mg", Answer.PARTLY),
        ("any fuel > 75.9 mg", Answer.YES),
        ("any fuel > 76 mg", Answer.NO),
        ("monitor is on", Answer.YES),
        ("monitor is not on", Answer.NO),
        ("monitor is off", Answer.NO),
        ("trim is off", Answer.NO),
        ("trim is on", Answer.YES),
    ],
)
def test_a_condition_holds_for_all_cells_or_for_any(question: str, expected: Answer) -> None:
    assert answer(question) is expected


def test_a_value_is_converted_from_its_unit() -> None:
    # NIST SP 811, B.8: 1 rpm is 1/60 of a turn per second, 1 g is 1000 mg; t/degF = 1.8 t/degC + 32.
    assert answer("overspeed_cut > 69.9 1/s") is Answer.YES
    assert answer("overspeed_cut > 70.1 1/s") is Answer.NO
    assert answer("fuel < 0.0761 g") is Answer.YES
    assert answer("any fuel > 0.0761 g") is Answer.NO
    assert answer("trim >= 68 °F") is Answer.YES
    assert answer("trim >= 68.1 °F") is Answer.PARTLY


def test_a_cell_that_is_off_is_neither_above_nor_below_a_value() -> None:
    data = edited(yard_base(), {TRIM: bytes([255, 255, 64, 66])})
    assert answer("trim is off", data) is Answer.PARTLY
    assert answer("any trim is off", data) is Answer.YES
    assert answer("trim > -40 degC", data) is Answer.PARTLY
    assert answer("any trim > 200 degC", data) is Answer.NO
    assert answer("any trim != 24 degC", edited(data, {TRIM + 2: bytes([64, 64])})) is Answer.NO


def test_a_condition_at_a_point_is_about_the_output_there() -> None:
    # Between 800 and 1600 rpm the lowest row runs from 12 to 14 mg, so it is 13 mg at 1200 rpm.
    assert answer("fuel = 13.0 mg at speed=1200, load=10") is Answer.YES
    assert answer("fuel = 13.1 mg at speed=1200, load=10") is Answer.NO
    assert answer("trim >= 23 degC at speed=2000") is Answer.YES
    assert answer("trim > 23 degC at speed=2000") is Answer.NO
    # At one speed the condition is about all breakpoints of the load: 13, 43 and 71 mg.
    assert answer("fuel > 13 mg at speed=1200") is Answer.PARTLY
    assert answer("any fuel > 70.9 mg at speed=1200") is Answer.YES


def test_an_output_is_off_where_a_cell_that_counts_is_off() -> None:
    data = edited(yard_base(), {TRIM: bytes([60, 255, 64, 66])})
    assert answer("trim is off at speed=1600", data) is Answer.YES
    assert answer("trim is off at speed=1200", data) is Answer.YES
    assert answer("trim is off at speed=800", data) is Answer.NO
    assert answer("trim is off at speed=3200", data) is Answer.NO


def test_a_table_whose_axis_does_not_rise_has_no_output() -> None:
    data = edited(yard_base(), {0x00: u16(800, 800, 2400, 3200)})
    assert answer("fuel > 1 mg at speed=1200", data) is Answer.UNKNOWN
    assert answer("fuel > 1 mg", data) is Answer.YES


def test_a_state_is_asked_by_its_name() -> None:
    data = edited(yard_base(), {MONITOR: b"\0"})
    assert answer("monitor is off", data) is Answer.YES
    assert answer('monitor is "off"', data) is Answer.YES
    assert answer("monitor is on", data) is Answer.NO


def test_and_binds_before_or_and_parentheses_before_both() -> None:
    first, second, third = (
        Condition(name, False, "is", 0.0, "", "off", ()) for name in ("one", "two", "three")
    )
    assert parse_question("one is off or two is off and three is off") == AnyOf(
        (first, AllOf((second, third)))
    )
    assert parse_question("(one is off or two is off) and three is off") == AllOf(
        (AnyOf((first, second)), third)
    )
    assert parse_question("not one is off and two is off") == AllOf((Not(first), second))


def test_a_unit_may_follow_its_number_without_a_space() -> None:
    assert parse_question("fuel > 1.5e2mg") == parse_question("fuel > 1.5e2 mg")
    assert parse_question("fuel > -3%") == parse_question("fuel > -3 %")


def test_a_name_of_the_grammar_is_written_in_quotes() -> None:
    assert parse_question('"any" > 3') == Condition("any", False, ">", 3.0, "", "", ())
    assert "write a name of one of these words in double quotes" in problem("any any > 3")


@pytest.mark.parametrize(
    ("question", "place", "remedy"),
    [
        ("", "the question is empty", "such as 'overspeed_cut > 4400 rpm'"),
        ("any", "column 4, the end", "expected the name of a table"),
        ("fuel", "column 5, the end", "compare the table with a value"),
        ("fuel >", "column 7, the end", "not a number"),
        ("fuel > x", "column 8, 'x'", "not a number"),
        ("monitor = off", "column 11, 'off'", "a state as in TABLE is off"),
        ("fuel > nan", "column 8, 'nan'", "not a number"),
        ("fuel > 1e999", "column 8, '1e999'", "not a number"),
        ("fuel > 4,300 mg", "column 9, ','", "thousands without a comma"),
        ("fuel > 1 at speed=10rpm", "column 19, '10rpm'", "not a number"),
        ("fuel > 1 mg mg", "column 13, 'mg'", "join two conditions with 'and'"),
        ("fuel > 1 and", "column 13, the end", "expected the name of a table"),
        ("(fuel > 1", "column 10, the end", "close the parenthesis"),
        ("fuel > 1)", "column 9, ')'", "join two conditions"),
        ("fuel => 1", "column 7, '>'", "not a number"),
        ('fuel is "of', "column 9, '\"'", "a quote is not closed"),
        ("fuel ! 1", "column 6, '!'", "unexpected sign"),
        ("fuel > 1 at", "column 12, the end", "the name of a signal"),
        ("fuel > 1 at speed", "column 18, the end", "write SIGNAL=VALUE"),
        ("fuel > 1 at speed=1,speed=2", "column 21, 'speed'", "remove one"),
        ("fuel > 1; rm -rf /", "column 8, '1;'", "not a number"),
    ],
)
def test_an_error_names_the_column_and_the_remedy(question: str, place: str, remedy: str) -> None:
    assert place in problem(question)
    assert remedy in problem(question)


@pytest.mark.parametrize(
    ("question", "expected"),
    [
        ("fuel > 1 bar", "fuel is in mg, which bar cannot be converted to"),
        ("fuel is off", "fuel has no off code; compare it with a value"),
        ("monitor is open", "monitor has no state 'open'; use one of off, on"),
        ("monitor > 0", "monitor has states"),
        ("overspeed_cut > 1 at load=3", "overspeed_cut does not depend on load; it is a scalar"),
        ("trim > 1 at load=3", "trim does not depend on load; its signals are speed"),
        ("trim > 1 at spead=3", "no signal has this name; did you mean 'speed'?"),
    ],
)
def test_a_condition_that_does_not_fit_its_table_is_refused(question: str, expected: str) -> None:
    assert expected in problem(question)


def test_a_question_is_bounded() -> None:
    assert "shorten it" in problem("x" * (MAX_LENGTH + 1))
    assert "ask in two questions" in problem(" and ".join(["fuel > 1"] * (MAX_CONDITIONS + 1)))
    assert parse_question(" and ".join(["fuel > 1"] * MAX_CONDITIONS))
    assert "simplify the question" in problem("(" * (MAX_DEPTH + 1) + "fuel > 1" + ")" * (MAX_DEPTH + 1))
    assert parse_question("(" * MAX_DEPTH + "fuel > 1" + ")" * MAX_DEPTH)
    assert "simplify the question" in problem("not " * (MAX_DEPTH + 1) + "fuel > 1")


def test_a_strangers_character_in_an_error_cannot_steer_a_terminal() -> None:
    assert "\x1b" not in problem("fuel > \x1b[2J")


def test_an_image_without_all_cells_gives_no_answer() -> None:
    part = Image.raw(yard_base()[: FUEL + 4], 0, is_part=True)
    condition = parse_question("fuel > 1 mg")
    assert isinstance(condition, Condition)
    by_fuel = condition_for(_DECODED.layout.definition, condition)
    assert by_fuel.answer(decode(_DECODED.layout, part)) is Answer.UNKNOWN
