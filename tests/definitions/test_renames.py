"""Which tables of two definitions are the same under another name."""

from __future__ import annotations

from callint.comparing.definitions.renames import match_items, renamed
from tests.building import definition_xml, read

_AXES = """
    <axis name="speed" signal="speed" at="32" type="uint16" conversion="rpm" count="4"/>
    <axis name="load" signal="load" at="40" type="uint16" conversion="mg" count="4"/>
"""


def _curve(
    name: str, at: int, *, title: str = "Fuel limit", axis: str = "speed", type_: str = "uint8"
) -> str:
    return (
        f'<curve name="{name}" title="{title}" purpose="general" at="{at}" type="{type_}" conversion="mg">'
        f'<x axis="{axis}"/></curve>'
    )


def _text(name: str, at: int, length: int = 4) -> str:
    return f'<text name="{name}" title="Text {name}" purpose="general" at="{at}" length="{length}"/>'


def _renames(old: str, new: str) -> dict[str, str]:
    definitions = (read(definition_xml(tables, axes=_AXES)) for tables in (old, new))
    return renamed(match_items(*definitions))


def test_a_name_that_both_definitions_have_stands_for_the_same_table() -> None:
    old, new = _curve("fuel", 0) + _curve("back", 4), _curve("fuel", 4) + _curve("back", 0)
    definitions = [read(definition_xml(tables, axes=_AXES)) for tables in (old, new)]

    assert match_items(*definitions) == {"fuel": "fuel", "back": "back"}


def test_a_table_at_the_same_place_with_the_same_shape_has_a_new_name() -> None:
    assert _renames(_curve("fuel", 0), _curve("fuel_limit", 0, title="Limit of the fuel")) == {
        "fuel": "fuel_limit"
    }


def test_a_text_at_the_same_place_has_a_new_name() -> None:
    assert _renames(_text("hull", 0), _text("hull_number", 0)) == {"hull": "hull_number"}


def test_another_shape_at_the_same_place_is_another_table() -> None:
    scalar = '<scalar name="limit" title="Limit" purpose="general" at="0" type="uint8" conversion="mg"/>'

    assert _renames(_curve("fuel", 0), scalar) == {}
    assert _renames(_text("hull", 0), _text("hull_number", 0, length=8)) == {}


def test_another_signal_at_the_same_place_is_another_table_unless_its_title_is_the_same() -> None:
    fuel = _curve("fuel", 0)

    assert _renames(fuel, _curve("boost", 0, axis="load", title="Boost limit")) == {}
    assert _renames(fuel, _curve("boost", 0, axis="load")) == {"fuel": "boost"}


def test_a_table_that_moved_keeps_its_title_signals_and_shape() -> None:
    assert _renames(_curve("fuel", 0), _curve("fuel_limit", 16, type_="uint16")) == {"fuel": "fuel_limit"}
    assert _renames(_curve("fuel", 0), _curve("fuel_limit", 16, title="Limit of the fuel")) == {}
    assert _renames(_curve("fuel", 0), _curve("fuel_limit", 16, axis="load")) == {}


def test_two_tables_with_the_same_evidence_are_not_guessed() -> None:
    old = _curve("fuel", 0) + _curve("back", 4)
    new = _curve("fuel_limit", 16) + _curve("back_limit", 20)

    assert _renames(old, new) == {}


def test_a_table_moves_with_its_neighbours() -> None:
    titles = {"title": "Another limit"}
    old = _curve("first", 0) + _curve("fuel", 4) + _curve("last", 8)
    new = _curve("first", 12) + _curve("fuel_limit", 16, **titles) + _curve("last", 20)

    assert _renames(old, new) == {"fuel": "fuel_limit"}


def test_the_place_counts_more_than_the_title() -> None:
    old = _curve("fuel", 0, title="Fuel limit")
    new = _curve("same_place", 0, title="Limit of the fuel") + _curve("same_title", 4, title="Fuel limit")

    assert _renames(old, new) == {"fuel": "same_place"}
