"""What a merge of definitions keeps, whatever is merged."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from callint.comparing.definition_merge.conflicts import DefinitionConflict, DefinitionMerge
from callint.comparing.definition_merge.merge import merge_definitions
from callint.comparing.merge import Side
from callint.reading.xml_source import read_source
from tests.example_counts import property_examples
from tests.properties.strategies import Reference, references

NAMESPACE = "{urn:callint:definition:1}"

#: A change of one value: where it is (an element by its name, the path inside it, the attribute), and the new
#: value. Each is a place of its own: whoever changes one place does not change another.
Place = tuple[str, str, str]


def merged(
    base: bytes,
    ours: bytes,
    theirs: bytes,
    choice: Callable[[DefinitionConflict], Side | None] = lambda conflict: None,
) -> DefinitionMerge:
    return merge_definitions(
        read_source(base, "base"), read_source(ours, "ours"), read_source(theirs, "theirs"), choice
    )


# What is in a file, worked out with lxml alone


def content(data: bytes) -> Any:
    """The elements of a file with attributes, text and children, whatever their order and layout."""
    return _content(etree.fromstring(data))


def _content(element: etree._Element) -> Any:
    children = Counter(_content(child) for child in element if isinstance(child.tag, str))
    text = " ".join((element.text or "").split())
    return (element.tag, frozenset(element.attrib.items()), text, frozenset(children.items()))


def values(data: bytes) -> dict[Place, str]:
    """Every attribute of a file by its place."""
    found: dict[Place, str] = {}
    for element in etree.fromstring(data).iter(f"{NAMESPACE}*"):
        for name, text in element.attrib.items():
            found[(*_path(element), str(name))] = str(text)
        if str(element.tag) in _TABLE_TAGS:
            group = element.getparent()
            assert group is not None
            found[(*_path(element), "in group")] = str(group.get("name", ""))
    return found


_TABLE_TAGS = frozenset(f"{NAMESPACE}{kind}" for kind in ("scalar", "curve", "map"))


def _path(element: etree._Element) -> tuple[str, str]:
    """The nearest name from an element upwards, and what is between."""
    inner: list[str] = []
    at: etree._Element | None = element
    while at is not None:
        name = at.get("name") or at.get("table") or at.get("upper")
        tag = str(at.tag).removeprefix(NAMESPACE)
        if name is not None:
            kind = "table" if tag in ("scalar", "curve", "map", "text") else tag
            return f"{kind} {name} {at.get('bound', at.get('mirror', at.get('lower', '')))}", "/".join(inner)
        inner.insert(0, f"{tag} {at.get('along', '')}{at.get('raw', '')}")
        at = at.getparent()
    return "", "/".join(inner)


# Edits

#: Attributes that a person may change, by element, with values that the format allows.
_NUMBERS = st.integers(-9999, 9999).map(str)
_TABLE = {"title": st.sampled_from(["Other", "Größe <b> & 'c'", "T"]), "at": st.integers(0, 99).map(hex)}
_RANGE = {"min": _NUMBERS, "max": _NUMBERS}
_EDITABLE: Mapping[str, Mapping[str, st.SearchStrategy[str]]] = {
    "scalar": _TABLE,
    "curve": _TABLE,
    "map": _TABLE,
    "signal": {"unit": st.sampled_from(["bar", "µs"]), "plausible": st.just("-5 5")},
    "limits": _RANGE,
    "expected": _RANGE,
    "gradient": {"max": st.integers(1, 99).map(str)},
    "monotonic": {"direction": st.sampled_from(["rising", "falling"])},
    "change": {"max": st.integers(1, 99).map(str)},
    "off": {"allowed": st.sampled_from(["anywhere", "nowhere"])},
    "point": {"physical": _NUMBERS},
    "linear": {"decimals": st.integers(0, 9).map(str)},
    "axis": {"at": st.integers(0, 99).map(hex)},
    "group": {"title": st.sampled_from(["Fuel", "Air"])},
    # What a child changes of its parent.
    "table": {"title": st.sampled_from(["Other", "T"])},
    "at": {"at": st.integers(0, 99).map(hex)},
    "shift": {"by": st.integers(-9, 9).map(str)},
}


@dataclass(frozen=True)
class Edit:
    """New values by place, tables to leave out, and tables to add behind others or at the beginning.

    ``moved`` has the groups to which tables move, "" for none.
    """

    values: Mapping[Place, str]
    gone: frozenset[str]
    new: tuple[tuple[str, str], ...]
    moved: Mapping[str, str]

    def of(self, data: bytes) -> bytes:
        """The file with the edit, in the layout that lxml gives it."""
        root = etree.fromstring(data)
        for element in list(root.iter(f"{NAMESPACE}*")):
            place = _path(element)
            for name in element.attrib:
                if (*place, str(name)) in self.values:
                    element.set(name, self.values[(*place, str(name))])
        tables = root.find(f"{NAMESPACE}tables")
        assert tables is not None
        by_name = {str(table.get("name")): table for table in tables.iter(*_TABLE_TAGS)}
        for name in self.gone:
            parent = by_name[name].getparent()
            assert parent is not None
            parent.remove(by_name[name])
        for name, xml in self.new:
            added = etree.fromstring(f'<x xmlns="urn:callint:definition:1">{xml}</x>')[0]
            if name in by_name and name not in self.gone:
                by_name[name].addnext(added)
            else:
                tables.insert(0, added)
        for name, group in self.moved.items():
            if name not in self.gone:
                _group(tables, group).append(by_name[name])
        etree.cleanup_namespaces(root)
        return etree.tostring(root, xml_declaration=True, encoding="UTF-8")


def _group(tables: etree._Element, name: str) -> etree._Element:
    """The group of a name, added if there is none; the section itself for ""."""
    if not name:
        return tables
    for group in tables.iterfind(f"{NAMESPACE}group"):
        if group.get("name") == name:
            return group
    return etree.SubElement(tables, f"{NAMESPACE}group", {"name": name, "title": name})


def edits(base: bytes, prefix: str, kinds: str = "vgnm") -> st.SearchStrategy[Edit]:
    """Edits of a file; added tables have names with a prefix. ``kinds``: values, gone, new, moved."""
    root = etree.fromstring(base)
    places = {
        (*_path(element), name): strategy
        for element in root.iter(f"{NAMESPACE}*")
        for name, strategy in _EDITABLE.get(str(element.tag).removeprefix(NAMESPACE), {}).items()
        if name in element.attrib
    }
    names = [str(element.get("name")) for element in root.iter(*_TABLE_TAGS)]

    @st.composite
    def make(draw: st.DrawFn) -> Edit:
        chosen = draw(st.lists(st.sampled_from(sorted(places)), max_size=5, unique=True)) if places else []
        new = draw(st.lists(st.sampled_from([*names, ""]), max_size=2))
        return Edit(
            {place: draw(places[place]) for place in chosen} if "v" in kinds else {},
            draw(st.frozensets(st.sampled_from(names), max_size=2)) if "g" in kinds else frozenset(),
            tuple(
                (name, f'<scalar name="{prefix}{n}" title="N" purpose="general" at="{n}" type="uint8"/>')
                for n, name in enumerate(new)
            )
            if "n" in kinds
            else (),
            {
                name: draw(st.sampled_from(["", "fuel", "air", f"{prefix}group"]))
                for name in draw(st.lists(st.sampled_from(names), max_size=2, unique=True))
            }
            if "m" in kinds
            else {},
        )

    return make()


def laid_out(reference: Reference) -> bytes:
    """A file as a person may write it, with comments, in one of several layouts."""
    text = reference.xml().decode()
    text = re.sub(r"(<(?:scalar|curve|map) )", r"<!-- before -->\n    \1", text, count=1)
    return text.replace("\n", "\r\n").encode() if reference.size % 2 else text.encode()


#: What a child says of its parent, each with a name of its own.
_INHERITED = (
    '<shift start="0x10" size="16" by="4"/>',
    '<at table="parent_0" at="0x20"/>',
    '<table name="parent_1" title="Parent"><limits min="0" max="9"/></table>',
    '<gone table="parent_2"/>',
    '<gone table="parent_3" demand="limits"/>',
)


@st.composite
def files(draw: st.DrawFn) -> bytes:
    """A file as a person may write it, often with groups, and sometimes the child of another one."""
    base = laid_out(draw(references()))
    root = etree.fromstring(base)
    tables = root.find(f"{NAMESPACE}tables")
    assert tables is not None
    if draw(st.booleans()):
        for table in list(tables.iterchildren(*_TABLE_TAGS)):
            _group(tables, draw(st.sampled_from(["", "fuel", "air"]))).append(table)
    if draw(st.booleans()):
        root.set("extends", "parent.xml")
        chosen = "".join(draw(st.lists(st.sampled_from(_INHERITED), unique=True)))
        xml = f'<x xmlns="urn:callint:definition:1"><use file="a.xml"/><inherited>{chosen}</inherited></x>'
        title = root.find(f"{NAMESPACE}title")
        place = 0 if title is None else root.index(title) + 1
        for element in reversed(etree.fromstring(xml)):
            root.insert(place, element)
    etree.cleanup_namespaces(root)
    return etree.tostring(root, xml_declaration=True, encoding="UTF-8")


@st.composite
def three(draw: st.DrawFn, kinds: str = "vgnm") -> tuple[bytes, bytes, bytes]:
    """A file and two edits of it."""
    base = draw(files())
    return base, draw(edits(base, "ours_", kinds)).of(base), draw(edits(base, "theirs_", kinds)).of(base)


# Laws


@property_examples
@given(st.data())
def test_merging_with_a_side_that_did_nothing_gives_the_other_to_the_byte(data: st.DataObject) -> None:
    base = data.draw(files())
    side = data.draw(edits(base, "new_")).of(base)
    for result in (merged(base, side, base), merged(base, base, side), merged(base, side, side)):
        assert (result.decisions, result.data) == ((), side)


@property_examples
@given(st.data())
def test_a_side_that_only_changed_the_layout_of_the_file_changes_nothing_of_the_other(
    data: st.DataObject,
) -> None:
    base = data.draw(files())
    side = data.draw(edits(base, "new_")).of(base)
    nothing = base.replace(b"><", b">\n<").replace(b" name=", b"  name=")
    assert content(nothing) == content(base)
    result = merged(base, side, nothing)
    assert result.decisions == () and content(result.data) == content(side)
    assert result.data == (nothing if side == base else side)
    result = merged(base, nothing, side)
    assert result.decisions == () and content(result.data) == content(side)


@property_examples
@given(three())
def test_the_sides_of_a_merge_are_interchangeable(files: tuple[bytes, bytes, bytes]) -> None:
    base, ours, theirs = files
    result, swapped = merged(base, ours, theirs), merged(base, theirs, ours)
    assert len(result.decisions) == len(swapped.decisions)
    if not result.decisions:
        assert content(result.data) == content(swapped.data)
    taken = merged(base, theirs, ours, lambda conflict: Side.THEIRS)
    assert content(taken.data) == content(result.data)


@property_examples
@given(three())
def test_a_merge_invents_nothing_and_keeps_what_one_side_changed(
    files: tuple[bytes, bytes, bytes],
) -> None:
    base, ours, theirs = (values(data) for data in files)
    result = merged(*files)
    new = values(result.data)
    for place, text in new.items():
        assert text in (ours.get(place), theirs.get(place)), place
    if not result.decisions:
        for place in {*base, *ours, *theirs}:
            three = base.get(place), ours.get(place), theirs.get(place)
            if three[0] == three[1]:
                assert new.get(place) == three[2], place
            elif three[0] == three[2]:
                assert new.get(place) == three[1], place
            else:
                assert new.get(place) == three[1] == three[2], place


@property_examples
@given(st.data())
def test_edits_of_different_places_never_conflict_and_all_stand(data: st.DataObject) -> None:
    base = data.draw(files())
    ours = data.draw(edits(base, "ours_", "vnm"))
    theirs = data.draw(edits(base, "theirs_", "vnm"))
    apart = Edit(
        {place: text for place, text in theirs.values.items() if place not in ours.values},
        theirs.gone,
        theirs.new,
        {name: group for name, group in theirs.moved.items() if name not in ours.moved},
    )
    result = merged(base, ours.of(base), apart.of(base))
    assert result.decisions == ()
    both = Edit(
        {**ours.values, **apart.values},
        frozenset(),
        (*apart.new, *ours.new),
        {**ours.moved, **apart.moved},
    )
    assert content(result.data) == content(both.of(base))


@property_examples
@given(three("v"))
def test_every_value_that_was_changed_in_two_ways_is_named(files: tuple[bytes, bytes, bytes]) -> None:
    base, ours, theirs = (values(data) for data in files)
    contrary = [
        (base[place], ours[place], theirs[place])
        for place in base
        if len({base[place], ours[place], theirs[place]}) == 3
    ]
    result = merged(*files)
    named = [
        tuple(version.text for version in (value.base, value.ours, value.theirs))
        for conflict in result.conflicts
        for value in conflict.values
    ]
    assert sorted(named) == sorted(contrary)


@property_examples
@given(three())
def test_what_theirs_did_not_touch_stays_byte_for_byte(files: tuple[bytes, bytes, bytes]) -> None:
    base, ours, theirs = files
    old, new = values(base), values(theirs)
    touched = {place[0] for place in old if old[place] != new.get(place)}
    result = merged(base, ours, theirs).data
    for match in re.finditer(rb"<(scalar|curve|map) (?:[^>]*/>|[^>]*>.*?</\1>)", ours, re.DOTALL):
        name = re.search(rb'name="([^"]*)"', match[0])
        assert name is not None
        if not any(item.startswith(f"table {name[1].decode()} ") for item in touched):
            assert match[0] in result


@property_examples
@given(st.data())
def test_tables_that_ours_has_keep_their_order(data: st.DataObject) -> None:
    base, ours, theirs = data.draw(three("vgn"))
    mine = _tables(ours)
    order = [name for name in _tables(merged(base, ours, theirs).data) if name in mine]
    assert order == [name for name in mine if name in order]


def _tables(data: bytes) -> list[str]:
    return [str(table.get("name")) for table in etree.fromstring(data).iter(*_TABLE_TAGS)]
