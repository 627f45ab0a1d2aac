"""Where an element of a definition belongs, by the schema.

The schema gives the order of the children of some elements, and the validator reports the first element that
breaks it. That one may be right, and an earlier one wrong.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from lxml import etree

_XS = "{http://www.w3.org/2001/XMLSchema}"

#: The line on which an element begins, counted from 1.
LineOf = Callable[[etree._Element], int]


@dataclass(frozen=True, slots=True)
class ElementOrder:
    """What the schema says of the children of elements, all by their names.

    ``children`` has the names of the children of each element; ``ordered`` the elements whose children have
    this order; ``parents`` the elements in which each may stand.
    """

    children: Mapping[str, Sequence[str]]
    ordered: frozenset[str]
    parents: Mapping[str, Sequence[str]] = field(default_factory=dict)


def read_order(schema: etree._ElementTree) -> ElementOrder:
    """The order of elements in a schema."""
    root = schema.getroot()
    types = {str(content.get("name")): content for content in root.findall(f"{_XS}complexType")}
    children: dict[str, list[str]] = {}
    parents: dict[str, list[str]] = {}
    ordered = set()
    for element in root.iter(f"{_XS}element"):
        name = str(element.get("name"))
        content = types.get(str(element.get("type")), element.find(f"{_XS}complexType"))
        if content is None or name in children:
            continue
        names = [str(child.get("name")) for child in content.iter(f"{_XS}element")]
        children[name] = list(dict.fromkeys(names))
        if content.find(f"{_XS}sequence") is not None:
            ordered.add(name)
        for child in children[name]:
            parents.setdefault(child, []).append(name)
    return ElementOrder(children, frozenset(ordered), parents)


def misplaced(order: ElementOrder, element: etree._Element) -> etree._Element:
    """The element to blame if the validator does not expect ``element``: itself, or one of its siblings.

    The children that stay in place are the longest run in the order of the schema.
    """
    parent = element.getparent()
    if parent is None or _name(parent) not in order.ordered:
        return element
    places = order.children[_name(parent)]
    if _name(element) not in places:
        return element
    siblings = [child for child in parent if _name(child) in places]
    numbers = [places.index(_name(child)) for child in siblings]
    kept, own = _longest_rising(numbers), siblings.index(element)
    if len(_longest_rising(numbers[:own] + numbers[own + 1 :])) == len(kept):
        return element  # the others are in order without it
    for number, (sibling, place) in enumerate(zip(siblings, numbers, strict=True)):
        is_wrong = place > numbers[own] if number < own else place < numbers[own]
        if is_wrong and number not in kept:
            return sibling
    return element


def move(order: ElementOrder, element: etree._Element) -> bool:
    """Move an element to its place among its siblings; False if it stands there, or belongs elsewhere."""
    parent = element.getparent()
    if parent is None or _name(parent) not in order.ordered:
        return False
    places = order.children[_name(parent)]
    if _name(element) not in places:
        return False
    place = places.index(_name(element))
    others = [child for child in parent if child is not element and _name(child) in places]
    after = next((child for child in others if places.index(_name(child)) > place), None)
    old = parent.index(element)
    if after is None:
        parent.append(element)
    else:
        after.addprevious(element)
    return parent.index(element) != old


def _longest_rising(numbers: Sequence[int]) -> set[int]:
    """The places of a longest subsequence that does not fall."""
    ends: list[int] = []  # the least last number of the runs of each length
    last: list[int] = []  # its place
    before: list[int] = []
    for place, number in enumerate(numbers):
        length = bisect_right(ends, number)
        before.append(last[length - 1] if length else -1)
        ends[length:] = [number, *ends[length + 1 :]]
        last[length:] = [place, *last[length + 1 :]]
    kept = set()
    place = last[-1] if last else -1
    while place >= 0:
        kept.add(place)
        place = before[place]
    return kept


def advice(order: ElementOrder, element: etree._Element, line_of: LineOf) -> str:
    """An instruction that says where to move an element that is not expected; "" if it belongs nowhere."""
    parent, name = element.getparent(), _name(element)
    if parent is None:
        return ""
    places = order.children.get(_name(parent), ())
    if name in places:
        return _within(places, parent, element, line_of) if _name(parent) in order.ordered else ""
    if name not in order.parents:
        from difflib import get_close_matches

        close = get_close_matches(name, places, 1)
        return f"Did you mean <{close[0]}>?" if close else ""
    above = order.parents[name]
    if len(above) == 1:
        found = next(element.getroottree().iter(f"{{*}}{above[0]}"), None)
        where = "" if found is None else f": line {line_of(found)}"
        return f"Move <{name}> into <{above[0]}>{where}."
    return f"Move <{name}> into one of {', '.join(f'<{tag}>' for tag in above)}."


def _within(places: Sequence[str], parent: etree._Element, element: etree._Element, line_of: LineOf) -> str:
    """The instruction for an element that stands in the right parent."""
    name = _name(element)
    place = places.index(name)
    siblings = [child for child in parent if _name(child) in places]
    own = siblings.index(element)
    others = [(places.index(_name(child)), number) for number, child in enumerate(siblings) if number != own]
    if all(other <= place if number < own else other >= place for other, number in others):
        same = next((siblings[number] for other, number in others if other == place), None)
        return "" if same is None else f"Remove one <{name}>: line {line_of(same)} has another."
    before = next((siblings[number] for other, number in reversed(others) if other <= place), None)
    after = next((siblings[number] for other, number in others if other > place), None)
    if after is not None:
        behind = "" if before is None else f"after <{_name(before)}>, "
        return f"Move <{name}> {behind}before <{_name(after)}>: line {line_of(after)}."
    return "" if before is None else f"Move <{name}> after <{_name(before)}>: line {line_of(before)}."


def _name(element: etree._Element) -> str:
    return str(element.tag).rpartition("}")[2]
