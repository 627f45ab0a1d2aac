"""Laws of the comparison of definitions, on generated definitions.

Two definitions whose XML is equal in canonical form (C14N, W3C Canonical XML 1.0, as lxml writes it) have no
changes: that is the least which "the same meaning" can be.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from io import BytesIO
from random import Random

from hypothesis import assume, given
from hypothesis import strategies as st
from lxml import etree

from callint.comparing.definitions.diff import compare_definitions
from callint.fmt.definition_changes import change_text
from callint.model.definition import Definition
from callint.model.definition_change import ChangeKind, DefinitionDiff, ElementKind
from callint.model.policy import ImageRule, Policy
from callint.reading.definition import read_definition
from callint.reporting.definition.textconv import definition_lines as text_lines
from callint.reporting.definition.xml import definition_lines
from callint.reporting.definition_changes.json import definition_changes_document
from tests.building import TODAY, Files, read
from tests.example_counts import property_examples
from tests.properties.strategies import Item, Reference, images, references
from tests.running import valid

NAMESPACE = "{urn:callint:definition:1}"
LESS, READS, MORE = ChangeKind.LOOSENED, ChangeKind.READS_DIFFERENTLY, ChangeKind.TIGHTENED
NEW, GONE, WORDING = ChangeKind.NEW, ChangeKind.GONE, ChangeKind.DOCUMENTATION
_INTEGERS = ("at", "start", "size", "stored-at", "count-at", "mask", "raw", "fill")
_REALS = ("min", "max", "factor", "offset", "above", "below", "margin", "tolerance")


def compared(old: Definition, new: bytes) -> DefinitionDiff:
    return compare_definitions(old, read(new))


# The same meaning


def canonical(xml: bytes) -> bytes:
    stream = BytesIO()
    etree.parse(BytesIO(xml)).write_c14n(stream, with_comments=False)
    return stream.getvalue()


def laid_out_anew(random: Random, xml: bytes) -> bytes:
    """The same XML with other spaces in its tags, attributes in another order, and comments."""

    def tag(match: re.Match[bytes]) -> bytes:
        given_attributes = re.findall(rb'[\w:-]+="[^"]*"', match[2])
        ordered = random.sample(given_attributes, len(given_attributes))
        space = random.choice([b" ", b"\n   ", b"\t"])
        return b"<" + match[1] + b"".join(space + attribute for attribute in ordered) + match[3] + b">"

    new = re.sub(rb'<([\w-]+)((?:\s+[\w:-]+="[^"]*")+)\s*(/?)>', tag, xml)
    return new.replace(b"<tables>", b"<!-- the tables --><tables>")


@property_examples
@given(references(), st.integers(0, 2**32))
def test_xml_that_is_equal_in_canonical_form_has_no_changes(reference: Reference, seed: int) -> None:
    other = laid_out_anew(Random(seed), reference.xml())

    assert canonical(other) == canonical(reference.xml())
    assert compared(reference.definition, other).changes == ()


def respelled(random: Random, xml: bytes) -> bytes:
    """The same numbers in other digits, and defaults that are written."""
    root = etree.fromstring(xml)
    for element in root.iter(f"{NAMESPACE}*"):
        for name, text in element.attrib.items():
            if element.tag == f"{NAMESPACE}point":
                continue  # its raw numbers may have decimals
            if name in _INTEGERS and random.random() < 0.5:
                number = int(text, 16) if text[:2] == "0x" else int(text)
                element.set(name, hex(number) if number >= 0 and text[:2] != "0x" else str(number))
            elif name in _REALS and random.random() < 0.5 and "e" not in text:
                zeros = "0" * random.randint(1, 3)
                element.set(name, f"{text}{zeros}" if "." in text else f"{text}.{zeros}")
        if element.tag == f"{NAMESPACE}guard" and "flat" not in element.attrib and random.random() < 0.5:
            element.set("share", "1.0")
    parts = [element for element in root if element.tag in (f"{NAMESPACE}tables", f"{NAMESPACE}conversions")]
    for part in parts:
        part[:] = random.sample(list(part), len(part))
    return etree.tostring(root, encoding="utf-8", xml_declaration=True)


@property_examples
@given(references(), st.integers(0, 2**32))
def test_other_spellings_and_another_order_of_elements_are_not_a_change(
    reference: Reference, seed: int
) -> None:
    other = respelled(Random(seed), reference.xml())

    assert [change_text(change) for change in compared(reference.definition, other).changes] == []
    assert list(text_lines(read(other))) == list(text_lines(reference.definition))


@property_examples
@given(references())
def test_a_definition_that_callint_wrote_has_no_changes(reference: Reference) -> None:
    written = "".join(definition_lines(reference.definition)).encode()

    assert compared(reference.definition, written).changes == ()


# Single edits


@dataclass(frozen=True)
class Edit:
    """An edit of one element, and what must be said of it: kinds, element, name and attribute."""

    apply: Callable[[etree._Element], None]
    kinds: tuple[ChangeKind, ...]
    element: ElementKind
    name: str
    attribute: str


def _find(root: etree._Element, name: str) -> etree._Element:
    return next(element for element in root.iter(f"{NAMESPACE}*") if element.get("name") == name)


def _setting(name: str, attribute: str, value: str) -> Callable[[etree._Element], None]:
    def apply(root: etree._Element) -> None:
        _find(root, name).set(attribute, value)

    return apply


def _removing(name: str, tag: str = "") -> Callable[[etree._Element], None]:
    """Remove an element, or its first child with a tag."""

    def apply(root: etree._Element) -> None:
        element = _find(root, name)
        if tag:
            element = next(child for child in element if child.tag == f"{NAMESPACE}{tag}")
        parent = element.getparent()
        assert parent is not None
        parent.remove(element)

    return apply


def _changing(name: str, tag: str, attribute: str, value: str) -> Callable[[etree._Element], None]:
    def apply(root: etree._Element) -> None:
        next(child for child in _find(root, name) if child.tag == f"{NAMESPACE}{tag}").set(attribute, value)

    return apply


def _table_edits(reference: Reference, table: Item) -> list[Edit]:
    """The edits of one table, each with what a calibrator would say of it."""
    name, element = table.name, ElementKind.TABLE
    parsed = reference.definition.tables[name]
    demands, guarded = parsed.demands, table.purpose in ("protection", "emissions")

    def edit(apply: Callable[[etree._Element], None], attribute: str, *kinds: ChangeKind) -> Edit:
        return Edit(apply, kinds, element, name, attribute)

    other = "demand" if table.purpose != "demand" else "general"
    edits = [
        edit(_setting(name, "at", hex(table.at + 1)), "at", READS),
        edit(_setting(name, "title", "Another title"), "title", WORDING),
        edit(_setting(name, "purpose", other), "purpose", LESS if guarded else WORDING),
    ]
    if table.kind == "scalar":
        edits.append(edit(_setting(name, "unit-own", "true"), "unit-own", MORE))
    if demands.change is not None:
        edits.append(edit(_changing(name, "change", "max", "1e9"), "change max", LESS))
        edits.append(edit(_changing(name, "change", "max", "1e-9"), "change max", MORE))
        edits.append(edit(_removing(name, "change"), "change max", LESS))
    if demands.off is not None:
        edits.append(edit(_removing(name, "off"), "off", LESS))
    if demands.monotonic:
        along = demands.monotonic[0].along
        edits.append(edit(_removing(name, "monotonic"), f"monotonic {along}", LESS))
        edits.append(edit(_changing(name, "monotonic", "strict", "true"), f"monotonic {along}", MORE))
    if demands.gradients:
        edits.append(edit(_removing(name, "gradient"), f"gradient {demands.gradients[0].along}", LESS))
    if len(demands.guards) == 1:
        kind = LESS if table.purpose == "protection" else WORDING
        edits.append(edit(_removing(name, "guard"), "guard", kind))
        guard = demands.guards[0]
        if guard.above is not None:
            edits.append(edit(_changing(name, "guard", "above", repr(guard.above + 1)), "guard", kind))
    if demands.limits is not None:
        # A limit beyond what the table can store demands nothing.
        low = repr(demands.limits.low - 1)
        edits.append(edit(_changing(name, "limits", "min", low), "limits min", LESS, WORDING))
    return edits


def _edits(reference: Reference) -> list[Edit]:
    edits = [edit for table in reference.tables for edit in _table_edits(reference, table)]
    for text in reference.texts:
        edits.append(
            Edit(_setting(text.name, "at", hex(text.at + 1)), (READS,), ElementKind.TEXT, text.name, "at")
        )
        edits.append(Edit(_removing(text.name), (GONE,), ElementKind.TEXT, text.name, ""))
    for axis in reference.axes:
        apply = _setting(axis.name, "at", hex(axis.at + 1))
        edits.append(Edit(apply, (READS,), ElementKind.AXIS, axis.name, "at"))
    for checksum in reference.sums:
        apply = _removing(checksum.name)
        edits.append(Edit(apply, (LESS,), ElementKind.CHECKSUM, checksum.name, ""))
    edits.append(Edit(_removing("software"), (LESS,), ElementKind.IDENTITY, "software", ""))
    edits.append(
        Edit(
            _setting("speed", "plausible", "-100001 100000"),
            (LESS,),
            ElementKind.SIGNAL,
            "speed",
            "plausible min",
        )
    )
    edits.append(
        Edit(_setting("rest", "start", hex(reference.start)), (READS,), ElementKind.REGION, "rest", "start")
    )
    return edits


@property_examples
@given(st.data())
def test_each_edit_is_named_once_in_its_class_and_nothing_else_is(data: st.DataObject) -> None:
    """Up to three edits of different elements are named as if each were alone."""
    reference = data.draw(references())
    chosen = data.draw(
        st.lists(st.sampled_from(_edits(reference)), min_size=1, max_size=3, unique_by=lambda edit: edit.name)
    )
    root = etree.fromstring(reference.xml())
    for edit in chosen:
        edit.apply(root)
    result = compared(reference.definition, etree.tostring(root))

    # A count that stays while its axis moves is named too.
    said = [change for change in result.changes if change.attribute != "count-at"]
    named = {(change.element, change.name, change.attribute) for change in said}
    assert named == {(edit.element, edit.name, edit.attribute) for edit in chosen}
    assert len(said) == len(chosen)
    for change in said:
        (kinds,) = (edit.kinds for edit in chosen if edit.name == change.name)
        assert change.kind in kinds
    valid(definition_changes_document(result, "old.xml", "new.xml"), "definition-changes.schema.json")


@property_examples
@given(st.data())
def test_the_way_back_from_a_demand_that_is_less_is_one_that_is_more(data: st.DataObject) -> None:
    reference = data.draw(references())
    root = etree.fromstring(reference.xml())
    data.draw(st.sampled_from([edit for edit in _edits(reference) if edit.attribute])).apply(root)
    new = read(etree.tostring(root))
    there, back = (
        compare_definitions(reference.definition, new),
        compare_definitions(new, reference.definition),
    )

    opposite = {LESS: MORE, MORE: LESS}
    for change, reverse in zip(there.changes, back.changes, strict=True):
        if change.attribute not in ("off", "count-at"):
            assert reverse.kind is opposite.get(change.kind, change.kind)


@property_examples
@given(references(), references())
def test_any_two_definitions_compare(old: Reference, new: Reference) -> None:
    result = compare_definitions(old.definition, new.definition)

    valid(definition_changes_document(result, "old.xml", "new.xml"), "definition-changes.schema.json")
    assert all(change_text(change) for change in result.changes)
    gone = {change.name for change in result.changes if not change.attribute and change.new_line is None}
    assert {name for name in old.definition.tables if name not in result.renames} - set(
        new.definition.tables
    ) <= gone


# What the classes promise


def _found(xml: bytes, data: bytes) -> set[tuple[str, object]]:
    """The tables and cells of an image about which the rules say anything."""
    from callint.checking.assignments import Assignment
    from callint.checking.checker import Checker
    from callint.checking.image_findings import NO_DETAILS

    files = Files()
    files.files.update({"test.xml": xml, "new.bin": data})
    policy = Policy(images=(ImageRule(("new.bin",), ("test.xml",), (), 1),))
    checker = Checker(files, policy, TODAY, details=NO_DETAILS)
    findings = checker.check_image(Assignment("new.bin", ("test.xml",), ()))
    return {(finding.table, finding.cell) for finding in findings if finding.table}


#: The elements of a table in the order of the schema.
_ELEMENTS = ("x", "y", "limits", "expected", "off", "monotonic", "gradient", "change", "guard")


def _with_demand_of(xml: bytes, name: str, demand: str, donor: bytes) -> bytes:
    """A definition in which a table has a demand as the table of that name has it in another one."""
    root = etree.fromstring(xml)
    table, twin = _find(root, name), _find(etree.fromstring(donor), name)
    kept = [child for child in table if child.tag != NAMESPACE + demand]
    given = [child for child in twin if child.tag == NAMESPACE + demand]
    table[:] = sorted([*kept, *given], key=lambda child: _ELEMENTS.index(str(child.tag)[len(NAMESPACE) :]))
    return etree.tostring(root)


def _demands_nothing_less(old: Definition, new: bytes) -> bool:
    """Whether a valid definition has changes, none of which asks less or reads differently."""
    file = read_definition(new, "test.xml")
    if file.definition is None or file.problems:
        return False
    result = compare_definitions(old, file.definition)
    return bool(result.changes) and not result.of_kind(LESS) and not result.of_kind(READS)


@property_examples
@given(st.data())
def test_a_definition_that_demands_nothing_less_finds_all_that_the_old_one_found(data: st.DataObject) -> None:
    """If no change asks less or reads differently, every place of an old finding has a new finding."""
    reference, donor = data.draw(references()), data.draw(references())
    kinds = {(item.kind, item.name) for item in donor.tables}
    xml = old = etree.tostring(etree.fromstring(reference.xml()))
    for table in reference.tables:
        for demand in ("limits", "expected", "monotonic", "gradient", "guard"):
            if (table.kind, table.name) in kinds:
                other = _with_demand_of(xml, table.name, demand, donor.xml())
                if other != xml and _demands_nothing_less(reference.definition, other):
                    xml = other
    assume(xml != old)
    image = data.draw(images(reference))

    assert _found(old, image) <= _found(xml, image)
