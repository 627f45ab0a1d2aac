"""A misplaced element of a definition is one problem, and its hint says where to move the element."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from callint.model.finding import Finding
from callint.reading.definition import read_definition
from callint.reading.resources import resource
from callint.reading.xml_order import advice, misplaced, read_order
from tests.building import definition_xml
from tests.rules.example import line_of, table

SCHEMA = read_order(etree.parse(resource("schemas/definition.xsd")))
CURVE = """
<curve name="fuel" title="Fuel" purpose="protection" at="0" type="uint16">
{}
</curve>
"""
#: The children of a curve in the order of the schema.
CHILDREN = (
    '<x><fixed-axis signal="speed" values="1 2"/></x>',
    '<limits max="90"/>',
    '<expected max="80"/>',
    '<monotonic along="x" direction="rising"/>',
    '<gradient along="x" max="9"/>',
    '<change max="5"/>',
    '<guard above="85"/>',
    "<note>A note.</note>",
)


def curve(*children: str) -> bytes:
    """A definition of one curve with these children, each on a line of its own."""
    return definition_xml(CURVE.format("\n".join(children)))


def problems(data: bytes) -> tuple[Finding, ...]:
    return read_definition(data, "test.xml").problems


def problem(data: bytes) -> Finding:
    (only,) = problems(data)
    return only


def moved(source: int, target: int) -> list[str]:
    """The children of the curve of which one was moved."""
    children = list(CHILDREN)
    children.insert(target, children.pop(source))
    return children


@pytest.mark.parametrize(
    ("source", "target"),
    [(source, target) for source in range(8) for target in range(8) if abs(source - target) > 1],
)
def test_one_moved_child_is_one_problem_that_names_its_line_and_the_neighbours(
    source: int, target: int
) -> None:
    data = curve(*moved(source, target))
    found = problem(data)
    name = re.match(r"<(\w+)", CHILDREN[source])
    assert name is not None
    assert found.line == line_of(data, CHILDREN[source])
    assert found.message.startswith(f"<{name[1]}>: not expected here")
    if source < 7:
        after = re.match(r"<\w+", CHILDREN[source + 1])
        assert after is not None
        assert f"before {after[0]}>: line {line_of(data, CHILDREN[source + 1])}." in found.hint
    else:
        assert found.hint == f"Move <note> after <guard>: line {line_of(data, CHILDREN[6])}."


def test_what_is_misplaced_is_read_all_the_same() -> None:
    right, wrong = (
        read_definition(curve(*children), "test.xml").definition for children in (CHILDREN, moved(6, 0))
    )
    assert right is not None and wrong is not None
    guards = wrong.tables["fuel"].demands.guards
    assert [guard.above for guard in guards] == [85]
    assert replace(wrong.tables["fuel"].demands, guards=()) == replace(
        right.tables["fuel"].demands,
        guards=(),
        monotonic=wrong.tables["fuel"].demands.monotonic,
        gradients=wrong.tables["fuel"].demands.gradients,
    )


def test_two_neighbours_that_changed_places_are_one_problem() -> None:
    for first in range(7):
        hint = problem(curve(*moved(first, first + 1))).hint
        assert hint.startswith("Move <")


def test_a_repeated_element_is_to_be_removed() -> None:
    data = curve(*CHILDREN[:2], '<limits min="3"/>')
    found = problem(data)
    assert found.line == line_of(data, '<limits min="3"/>')
    assert found.hint == f"Remove one <limits>: line {line_of(data, CHILDREN[1])} has another."


def test_a_relation_among_the_tables_goes_into_the_relations() -> None:
    data = definition_xml(
        table("scalar", "fuel") + table("scalar", "copy", at=2) + '<equal table="fuel" mirror="copy"/>'
    )
    assert problem(data).hint == f"Move <equal> into <relations>: line {line_of(data, '<relations>')}."


def test_an_element_with_several_parents_names_all_of_them() -> None:
    data = definition_xml('<fixed-axis name="speeds" signal="speed" values="1 2"/>')
    assert problem(data).hint == "Move <fixed-axis> into one of <x>, <y>, <axes>."


def test_a_misspelt_element_gets_a_suggestion() -> None:
    assert problem(curve(CHILDREN[0], '<limit max="90"/>')).hint == "Did you mean <limits>?"


def test_an_element_without_a_like_gets_the_usual_hint() -> None:
    assert "callint schema definition" in problem(curve(CHILDREN[0], "<widget/>")).hint


def test_relations_before_the_axes_are_one_problem() -> None:
    text = definition_xml(table("scalar", "fuel")).decode()
    relations = "<relations></relations>"
    data = text.replace(relations, "").replace("<axes>", f"{relations}\n<axes>").encode()
    found = problem(data)
    assert found.line == line_of(data, relations)
    assert found.hint.startswith("Move <relations> after <tables>: line ")


@given(st.permutations(range(6)))
def test_moving_what_the_hints_name_until_nothing_is_left_gives_the_order_of_the_schema(
    order: list[int],
) -> None:
    """A property of the two functions alone: without the reported elements, the rest is in order."""
    names = SCHEMA.children["curve"][:6]
    parent = etree.Element("curve")
    for number in order:
        etree.SubElement(parent, names[number])
    for _ in range(7):
        places = [names.index(str(child.tag)) for child in parent]
        falls = [place for place in range(1, len(places)) if places[place] < places[place - 1]]
        if not falls:
            return
        wrong = misplaced(SCHEMA, parent[falls[0]])
        assert advice(SCHEMA, wrong, lambda element: 1).startswith("Move <")
        parent.remove(wrong)
    raise AssertionError("something is always blamed")


def test_the_fewest_elements_are_blamed() -> None:
    """One wrong element of four is never blamed on two others."""
    names = SCHEMA.children["curve"][:4]
    for source, target in permutations(range(4), 2):
        parent = etree.Element("curve")
        order = list(names)
        order.insert(target, order.pop(source))
        for name in order:
            etree.SubElement(parent, name)
        places = [names.index(str(child.tag)) for child in parent]
        first = next(place for place in range(1, 4) if places[place] < places[place - 1])
        parent.remove(misplaced(SCHEMA, parent[first]))
        rest = [names.index(str(child.tag)) for child in parent]
        assert rest == sorted(rest)
