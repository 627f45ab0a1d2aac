"""Definitions that build on others: their meaning, and the faults that are refused."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import callint
from callint.decoding.digest import layout_statement, statements
from callint.model.cell_demands import OffAllowed
from callint.model.definition import ByteOrder, Definition, Purpose, Range, StoredAxis
from callint.model.finding import Finding
from callint.reading import xml
from callint.reading.definition import read_definition
from callint.reading.definition_bounds import MAX_ADDRESS, MAX_GENERATIONS, MAX_SHARED_FILES
from callint.reading.definition_cache import open_definition
from callint.reading.elements.attributes import tag_of
from callint.reading.family import references
from callint.reading.tree import WorkingTree
from callint.reporting.definition.xml import definition_lines
from tests.building import Files
from tests.running import REPOSITORY, call, make_yard, yard_base, yard_definition
from tests.test_definition_xml import bare, definitions

FOLDER = REPOSITORY / "tests/data/family"
STEPS = REPOSITORY / "fixtures/demo/steps"

HEAD = 'xmlns="urn:callint:definition:1" name="child" revision="1" byte-order="big"'


def child(inherited: str = "", rest: str = "", extends: str = "test.xml") -> bytes:
    """A child with one element a line: its ``<inherited>`` begins in line 2."""
    return (
        f'<definition {HEAD} extends="{extends}">\n<inherited>{inherited}</inherited>\n{rest}</definition>\n'
    ).encode()


def read(files: Mapping[str, bytes], path: str) -> tuple[Definition | None, tuple[Finding, ...]]:
    tree = Files()
    tree.files.update(files)
    file = read_definition(files[path], path, tree)
    return file.definition, file.problems


def sound(files: Mapping[str, bytes], path: str) -> Definition:
    definition, problems = read(files, path)
    assert definition is not None and problems == (), problems
    return definition


def made(inherited: str = "", rest: str = "") -> Definition:
    """The yard's definition as a child changes it."""
    return sound({"test.xml": yard_definition(), "child.xml": child(inherited, rest)}, "child.xml")


def complaint(inherited: str = "", rest: str = "") -> str:
    """The one message about a child of the yard's definition."""
    _, (problem,) = read({"test.xml": yard_definition(), "child.xml": child(inherited, rest)}, "child.xml")
    assert (problem.rule, problem.definition, problem.line) == ("definition/invalid", "child.xml", 2)
    return problem.message


def example(name: str) -> Definition:
    tree = WorkingTree(FOLDER)
    file = read_definition(tree.read(name), name, tree)
    assert file.definition is not None and file.problems == ()
    return file.definition


# What a child means


def test_an_empty_child_equals_its_parent() -> None:
    parent, heir = bare(sound({"test.xml": yard_definition()}, "test.xml"))[1], bare(made())[1]
    assert [part for part in parent if parent[part] != heir[part]] == ["name"]


def axis(definition: Definition, name: str) -> tuple[int, int]:
    """The addresses of an axis and of its count."""
    result = definition.axes[name]
    assert isinstance(result, StoredAxis) and result.stored_count
    return result.at, result.stored_count.at


#: What the example's child says about each of its elements, by what the model holds.
SAID: dict[str, tuple[Any, Any]] = {
    "identity": (lambda d: [item.content for item in d.memory.identities], [b"YARD2"]),
    "memory": (lambda d: (d.memory.size, len(d.memory.regions), len(d.memory.checksums)), (0x500, 1, 1)),
    "shift": (lambda d: d.tables["flags"].at, 0x2A1),
    "shift back": (lambda d: (d.tables["torque"].at, d.tables["idle"].at), (0x13C, 0x14C)),
    "no shift": (lambda d: d.tables["coolant_curve"].at, 0x168),
    "at": (lambda d: d.tables["smoke"].at, 0x220),
    "at axis": (lambda d: axis(d, "speed_4"), (0x203, 0x202)),
    "at own x": (lambda d: axis(d, "own/x"), (0x271, 0x270)),
    "at own y": (lambda d: axis(d, "own/y"), (0x281, 0x280)),
    "title": (lambda d: d.tables["smoke"].title, "Smoke limit, second"),
    "purpose": (lambda d: d.tables["smoke"].purpose, Purpose.EMISSIONS),
    "storage": (lambda d: d.tables["smoke"].storage.byte_order, ByteOrder.LITTLE),
    "width": (lambda d: d.tables["smoke"].storage.stride, 4),
    "order": (lambda d: d.tables["smoke"].y_first, True),
    "axes": (lambda d: d.tables["smoke"].axes, ("speed_fixed", "load_fixed")),
    "limits": (lambda d: d.tables["smoke"].demands.limits, Range(1, 70)),
    "expected stays": (lambda d: d.tables["smoke"].demands.expected.high, 80),
    "off stays": (lambda d: d.tables["smoke"].demands.off.allowed, OffAllowed.NOWHERE),
    "change stays": (lambda d: d.tables["smoke"].demands.change, 5),
    "guards": (lambda d: [guard.above for guard in d.tables["smoke"].demands.guards], [65]),
    "gone demand": (lambda d: d.tables["smoke"].demands.gradients, ()),
    "notes": (lambda d: d.tables["smoke"].notes, ("The second software smokes less.",)),
    "stride": (lambda d: d.tables["torque"].storage.stride, 4),
    "signal": (lambda d: (d.tables["torque"].signal, d.tables["torque"].produces), ("load", "load")),
    "unit-own": (lambda d: d.tables["idle"].unit_own, True),
    "mask": (lambda d: d.tables["flags"].storage.mask, 0xF0),
    "text": (lambda d: (d.texts["label"].length, d.texts["label"].encoding), (12, "latin-1")),
    "replaced text": (lambda d: (d.texts["hull"].at, d.texts["hull"].length), (0x2D0, 10)),
    "new table": (lambda d: d.tables["fresh"].at, 0x2C0),
    "renamed": (lambda d: (d.tables["idle_copy"].at, "mirror" in d.tables), (0x1F0, False)),
    "relations": (
        lambda d: [(item.kind, item.table, item.other) for item in d.relations],
        [("equal", "idle", "idle_copy"), ("at-most", "fresh", "flags")],
    ),
    "gone": (lambda d: {"spare", "lever_2", "lever", "ratio"} & (set(d.tables) | set(d.axes)), set()),
    "gone signal": (lambda d: sorted(d.signals), ["coolant", "load", "speed", "voltage"]),
    "replaced conversion": (lambda d: d.conversions["rpm"].factor, 0.25),
    "gone in the memory": (
        lambda d: [part.name for part in (*d.memory.regions, *d.memory.identities, *d.memory.checksums)],
        ["data", "software", "data"],
    ),
    "shared": (lambda d: sorted({"mg", "mg_fine", "temp", "extra"} - set(d.conversions)), []),
    "shared sensor": (lambda d: [sensor.signal for sensor in d.sensors], ["coolant"]),
}


@pytest.mark.parametrize("part", SAID)
def test_the_example_child_means_what_it_says(part: str) -> None:
    look, expected = SAID[part]
    assert look(example("child.xml")) == expected


def test_a_grandchild_builds_on_what_its_parent_made() -> None:
    files = {
        "test.xml": yard_definition(),
        "child.xml": child('<at table="fuel" at="0x20"/>'),
        "grandchild.xml": child('<shift start="0x20" size="1" by="2"/>', extends="child.xml"),
    }
    definition = sound(files, "grandchild.xml")
    assert definition.tables["fuel"].at == 0x22
    assert definition.lines.parts == ("test.xml", "child.xml")


@pytest.mark.parametrize("name", ["parent.xml", "child.xml"])
def test_the_flattened_definition_is_the_same_definition(name: str) -> None:
    definition = example(name)
    text = "".join(definition_lines(definition)).encode()
    assert bare(sound({"flat.xml": text}, "flat.xml")) == bare(definition)


def test_the_demos_child_is_its_software_in_a_tenth_of_the_lines_of_its_parent() -> None:
    older = (STEPS / "01-factory/definitions/skerry-28.xml").read_bytes()
    newer = (STEPS / "09-newer-software/definitions/skerry-28-0431.xml").read_bytes()
    assert newer.count(b"\n") < older.count(b"\n") / 10
    definition = sound({"skerry-28.xml": older, "newer.xml": newer}, "newer.xml")
    assert len(definition.tables) > 150


def test_digests_of_meanings_are_those_of_the_flattened_definition() -> None:
    definition = example("child.xml")
    flat = sound({"flat.xml": "".join(definition_lines(definition)).encode()}, "flat.xml")
    assert layout_statement(definition) == layout_statement(flat)
    for name, table in definition.tables.items():
        assert statements(definition, table) == statements(flat, flat.tables[name])


@given(definitions(), st.data())
@settings(max_examples=30, deadline=None)
def test_a_child_of_any_definition_shifts_it_and_nothing_else(
    parent: Definition, data: st.DataObject
) -> None:
    items: list[Any] = [*parent.tables.values(), *parent.stored_axes, *parent.texts.values()]
    if not items:
        return

    end = max(
        [item.at for item in items]
        + [axis.stored_count.at for axis in parent.stored_axes if axis.stored_count]
    )
    by = data.draw(st.integers(0, min(0x1000, MAX_ADDRESS - 1 - end)))
    files = {
        "test.xml": "".join(definition_lines(parent)).encode(),
        "child.xml": child(f'<shift start="0" size="{end + 1}" by="{by}"/>'),
    }
    before, after = sound(files, "test.xml"), sound(files, "child.xml")
    for part in ("tables", "texts", "axes"):
        old: dict[str, Any] = getattr(before, part)
        new: dict[str, Any] = getattr(after, part)
        assert list(old) == list(new)
        for name, item in old.items():
            if hasattr(item, "at"):
                assert new[name].at == item.at + by
    assert {name: table.demands for name, table in before.tables.items()} == {
        name: table.demands for name, table in after.tables.items()
    }


def test_items_keep_the_order_of_the_parent_and_new_ones_follow() -> None:
    rest = """<tables>
<scalar name="new" title="New" purpose="general" at="0x60" type="uint8"/>
<scalar name="monitor" title="Monitor" purpose="protection" at="0x32" type="uint8"/>
</tables>"""
    definition = made(rest=rest)
    order = sorted(definition.tables.values(), key=lambda table: table.line)
    parent = [*sound({"test.xml": yard_definition()}, "test.xml").tables, "new"]
    assert [table.name for table in order] == list(definition.tables) == parent


# Lines


def test_a_line_is_that_of_the_file_that_has_the_last_word() -> None:
    definition = made('<at table="fuel" at="0x20"/>', "<tables/>")
    text = yard_definition().decode().splitlines()
    fuel, egr = definition.tables["fuel"], definition.tables["egr"]
    assert definition.location(fuel.line) == ("child.xml", 2)
    assert definition.lines.declared_at(fuel.line)[0] == "test.xml"
    path, line = definition.location(egr.line)
    assert path == "test.xml" and 'name="egr"' in text[line - 1]
    assert definition.lines.line_in_file(egr.line) == 1


def test_every_element_of_the_example_is_on_its_line() -> None:
    definition = example("child.xml")
    for item in (*definition.tables.values(), *definition.signals.values(), *definition.conversions.values()):
        path, line = definition.lines.declared_at(item.line)
        text = (FOLDER / path).read_text("utf-8").splitlines()[line - 1]
        named = "mirror" if item.name == "idle_copy" else item.name
        assert f'name="{named}"' in text


def test_a_finding_names_both_files_and_lines() -> None:
    files = {"boats__test_xml": yard_definition()}
    tree = Files(**files)
    tree.files["child.xml"] = child('\n<at table="fuel" at="0x2A"/>\n', extends="boats/test.xml")
    report = inspect_file(tree, "child.xml")
    (overlap, *_) = [item for item in report if item.rule == "definition/overlap"]
    text = yard_definition().decode().splitlines()
    assert overlap.line == 3 and overlap.origin == "boats/test.xml"
    assert overlap.origin_line and 'name="fuel"' in text[overlap.origin_line - 1]
    assert "(line 3)" in overlap.message and "of boats/test.xml)" in overlap.message


def inspect_file(tree: Files, *paths: str) -> list[Finding]:
    from callint.checking.checker import Checker
    from callint.model.policy import Policy
    from tests.building import TODAY

    return list(Checker(tree, Policy(), TODAY).report([], paths).findings)


def test_what_is_wrong_in_a_parent_counts_once_if_both_are_checked() -> None:
    tree = Files()
    tree.files["test.xml"] = yard_definition().replace(b'at="0x28"', b'at="0x27"')
    tree.files["child.xml"] = child()
    alone = inspect_file(tree, "child.xml")
    both = inspect_file(tree, "test.xml", "child.xml")
    assert {(item.rule, item.origin) for item in alone} == {("definition/overlap", "test.xml")}
    assert {(item.rule, item.definition, item.origin) for item in both} == {
        ("definition/overlap", "test.xml", "")
    }


def test_a_broken_line_of_a_parent_is_a_finding_of_the_child_too() -> None:
    broken = yard_definition().replace(b'purpose="demand"', b'purpose="demnad"')
    definition, (problem,) = read({"test.xml": broken, "child.xml": child()}, "child.xml")
    assert definition is not None and "fuel" not in definition.tables
    assert (problem.definition, problem.line, problem.origin) == ("child.xml", 1, "test.xml")
    assert problem.origin_line == 1 + broken[: broken.index(b"demnad")].count(b"\n")


# What is refused


@pytest.mark.parametrize(
    ("element", "message"),
    [
        ('<gone table="nothing"/>', "<gone>: test.xml has no table nothing"),
        ('<gone axis="nothing"/>', "<gone>: test.xml has no axis nothing"),
        ('<gone signal="nothing"/>', "<gone>: test.xml has no signal nothing"),
        ('<gone conversion="nothing"/>', "<gone>: test.xml has no conversion nothing"),
        (
            "<gone/>",
            "<gone>: give exactly one of table, axis, signal, conversion, relation, region, identity, "
            "checksum",
        ),
        ('<gone region="nothing"/>', "<gone>: test.xml has no region nothing"),
        ('<gone identity="no thing"/>', "<gone>: test.xml has no identity no thing"),
        ('<gone checksum="nothing"/>', "<gone>: test.xml has no checksum nothing"),
        ('<gone table="fuel" demand="change"/>', "<gone>: test.xml demands no change of fuel"),
        ('<gone relation="gap" first="a" second="b"/>', "<gone>: test.xml has no relation gap a b"),
        ('<gone axis="load_3" demand="limits"/>', "<gone>: demand needs table"),
        ('<at table="nothing" at="1"/>', "<at>: test.xml has no table nothing"),
        ('<at table="fuel"/>', "<at>: give the new address"),
        ('<at at="1"/>', "<at>: give either table or axis"),
        ('<at table="fuel" axis="load_3" at="1"/>', "<at>: give either table or axis"),
        ('<at table="fuel" x-at="1"/>', "<at>: test.xml has no axis fuel/x"),
        ('<at axis="load_3" count-at="1"/>', "<at>: axis load_3 has no stored count"),
        ('<at axis="load_3" x-at="1"/>', "<at>: x-at needs table, not axis"),
        ('<table name="nothing" title="x"/>', "<table>: test.xml has no table nothing"),
        ('<table name="egr" y="load_3"/>', "<table>: y needs a map, but egr is a curve"),
        (
            '<table name="monitor" x="load_3"/>',
            "<table>: x needs a curve or map, but monitor is a scalar",
        ),
        (
            '<table name="hull_number" type="uint8"/>',
            "<table>: type needs a table, but hull_number is a text",
        ),
        ('<table name="fuel" length="3"/>', "<table>: length needs a text, but fuel is a table"),
        ('<table name="fuel" stride="1"/>', "<table>: stride is 1, less than the 2 bytes of a uint16"),
        (
            '<table name="fuel" new-name="egr"/>',
            "<table>: test.xml has a table egr of its own; choose another name",
        ),
        (
            '<table name="trim" type="int8"/>',
            "<table>: raw 255 of an inherited demand does not fit a int8",
        ),
        ('<shift start="0x61" size="1" by="1"/>', "<shift>: nothing of test.xml begins in this stretch"),
        (
            '<shift start="0" size="1" by="-1"/>',
            "<shift>: it moves to addresses below 0, or above the highest that is read",
        ),
        (
            '<shift start="0" size="0x11" by="1"/><shift start="0x10" size="1" by="1"/>',
            "<shift>: it overlaps another stretch; move each address once",
        ),
    ],
)
def test_a_change_that_fits_nothing_is_refused_at_its_line(element: str, message: str) -> None:
    assert complaint(element) == message


def test_a_definition_without_a_parent_inherits_nothing() -> None:
    text = yard_definition().replace(b"<signals>", b'<inherited><gone table="fuel"/></inherited><signals>')
    definition, (problem,) = read({"a.xml": text}, "a.xml")
    assert problem.message == "<inherited>: it needs a parent; name one with extends in <definition>"
    assert definition is not None and "fuel" in definition.tables


@pytest.mark.parametrize("part", ["memory", "tables"])
def test_only_a_child_may_lack_memory_and_tables(part: str) -> None:
    text = re.sub(f"<{part}.*</{part}>".encode(), b"", yard_definition(), flags=re.DOTALL)
    _, problems = read({"a.xml": text}, "a.xml")
    assert [problem.message for problem in problems] == [
        f"<definition>: <{part}> is missing; only a definition with extends may lack it"
    ]


@pytest.mark.parametrize(
    ("path", "reference", "reason"),
    [
        ("d/a.xml", "../../b.xml", "the parent ../../b.xml is not read: it leads out of the repository"),
        ("d/a.xml", "/etc/b.xml", "the parent /etc/b.xml is not read: it leads out of the repository"),
        ("d/a.xml", "b.xml", "the parent d/b.xml is not read: it does not exist; correct the path, or add"),
        ("d/a.xml", "b.txt", "the parent b.txt is not read: its name does not end in .xml; rename the file"),
        (
            "d/a.xml",
            "a.xml",
            "the parent d/a.xml is not read: d/a.xml extends d/a.xml: they extend each other in a cycle",
        ),
        (
            "d/a.xml",
            "../d/./a.xml",
            "the parent d/a.xml is not read: d/a.xml extends d/a.xml: they extend each other in a cycle",
        ),
        (
            "../a.xml",
            "../b.xml",
            "the parent ../b.xml is not read: it leads out of the folder of",
        ),
    ],
)
def test_a_parent_out_of_reach_is_refused(path: str, reference: str, reason: str) -> None:
    definition, (problem,) = read({path: child(extends=reference)}, path)
    assert definition is None
    assert (problem.definition, problem.line) == (path, 1)
    assert problem.message.startswith(reason)


@pytest.mark.parametrize("reference", ["C:/b.xml", "a\\\\b.xml"])
def test_a_path_of_another_system_is_refused_by_the_schema(reference: str) -> None:
    definition, problems = read({"a.xml": child(extends=reference)}, "a.xml")
    assert definition is None
    assert any(problem.message.startswith("<definition> extends: ") for problem in problems)


def test_a_cycle_is_refused_from_every_entry() -> None:
    files = {
        "a.xml": child(extends="b.xml"),
        "b.xml": child(extends="c.xml"),
        "c.xml": child(extends="b.xml"),
    }
    for path in files:
        definition, problems = read(files, path)
        assert definition is None
        assert "they extend each other in a cycle; remove one extends" in problems[-1].message


def test_a_long_line_of_parents_is_refused_where_it_becomes_too_long() -> None:
    files = {f"{number}.xml": child(extends=f"{number - 1}.xml") for number in range(1, 40)}
    files["0.xml"] = yard_definition()
    assert sound(files, f"{MAX_GENERATIONS - 1}.xml").lines.parts[0] == "0.xml"
    for number in (MAX_GENERATIONS, 39):
        definition, (problem,) = read(files, f"{number}.xml")
        assert definition is None
        assert f"more than {MAX_GENERATIONS} definitions extend each other" in problem.message
    assert problem.origin == f"{39 - MAX_GENERATIONS + 1}.xml"


def test_the_number_of_shared_files_is_bounded() -> None:
    uses = "\n".join(f'<use file="{number}.xml"/>' for number in range(MAX_SHARED_FILES + 2))
    text = yard_definition().replace(b"<memory", f"{uses}\n<memory".encode(), 1)
    shared = b'<shared xmlns="urn:callint:definition:1"/>'
    files = {f"{number}.xml": shared for number in range(MAX_SHARED_FILES + 2)}
    _, problems = read({**files, "a.xml": text}, "a.xml")
    assert problems and all("uses at most 16 files" in problem.message for problem in problems)


def test_all_files_of_a_family_are_bounded_together(monkeypatch: pytest.MonkeyPatch) -> None:
    files = {"test.xml": yard_definition(), "child.xml": child()}
    monkeypatch.setattr("callint.reading.family.MAX_FAMILY_BYTES", sum(map(len, files.values())))
    sound(files, "child.xml")
    monkeypatch.setattr("callint.reading.family.MAX_FAMILY_BYTES", sum(map(len, files.values())) - 1)
    definition, (problem,) = read(files, "child.xml")
    assert definition is None and "the most read" in problem.message


def test_a_file_that_is_used_is_one_of_shared_parts() -> None:
    text = yard_definition().replace(b"<memory", b'<use file="b.xml"/><memory', 1)
    _, (problem,) = read({"a.xml": text, "b.xml": yard_definition()}, "a.xml")
    assert problem.message == "the outermost element is not <shared> of urn:callint:definition:1"
    assert (problem.definition, problem.origin) == ("a.xml", "b.xml")


def test_a_name_that_is_shared_and_declared_is_a_duplicate() -> None:
    text = yard_definition().replace(b"<memory", b'<use file="b.xml"/>\n<memory', 1)
    tree = Files()
    tree.files["a.xml"] = text
    tree.files["b.xml"] = b"""<shared xmlns="urn:callint:definition:1"><conversions>
<linear name="mg" unit="mg" factor="0.1"/></conversions></shared>"""
    (finding,) = inspect_file(tree, "a.xml")
    assert finding.rule == "definition/duplicate-name"
    assert finding.message == "line 2 of b.xml already uses the conversion name 'mg'"


def test_bytes_without_a_file_have_no_parent() -> None:
    file = read_definition(child(), "bytes")
    assert file.definition is None
    assert "read it from its path" in file.problems[0].message


def test_references_are_those_of_the_head_alone() -> None:
    ns = "urn:callint:definition:1"
    head = f'<!-- extends="x.xml" --><d:definition xmlns:d="{ns}" extends=" a.xml ">'
    text = f'{head}<d:title>use</d:title><d:use file="b.xml"/><d:memory/><d:use file="c.xml"/>'
    assert [(item.is_parent, item.file) for item in references(text.encode())] == [
        (True, "a.xml"),
        (False, "b.xml"),
    ]
    for wrong in (
        '<!DOCTYPE x [<!ENTITY e "e.xml">]><definition xmlns="urn:callint:definition:1" extends="&e;">',
        '<definition extends="a.xml">',
        "extends",
        '<x xmlns="urn:callint:definition:1" extends="a.xml">',
    ):
        assert references(wrong.encode()) == ()


@given(st.binary(max_size=200), st.integers(0, 400))
@settings(max_examples=100, deadline=None)
def test_no_damage_to_a_child_makes_reading_fail(noise: bytes, place: int) -> None:
    text = (FOLDER / "child.xml").read_bytes()
    place = min(place * 7, len(text))
    damaged = text[:place] + noise + text[place + len(noise) :]
    read_definition(damaged, "child.xml", WorkingTree(FOLDER))


# The cache


@pytest.mark.parametrize("changed", ["test.xml", "child.xml", "shared.xml", "grandchild.xml"])
def test_the_cache_is_right_when_any_file_of_a_family_changes(
    changed: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CALLINT_CACHE", str(tmp_path / "kept"))
    tree = Files()
    tree.files.update(
        {
            "test.xml": yard_definition().replace(b"<memory", b'<use file="shared.xml"/><memory', 1),
            "shared.xml": b"""<shared xmlns="urn:callint:definition:1"><conversions>
<linear name="extra" unit="mg" factor="0.1"/></conversions></shared>""",
            "child.xml": child('<at table="fuel" at="0x10"/>'),
            "grandchild.xml": child('<table name="egr" conversion="extra"/>', extends="child.xml"),
        }
    )
    edits = {
        "test.xml": (b'max="60"', b'max="61"'),
        "shared.xml": (b'factor="0.1"', b'factor="0.2"'),
        "child.xml": (b'at="0x10"', b'at="0x11"'),
        "grandchild.xml": (b'table name="egr"', b'table name="egr" at="0x45"'),
    }
    paths = ("grandchild.xml", "child.xml", "test.xml")
    first = {path: open_definition(tree.files[path], path, tree) for path in paths}
    tree.files[changed] = tree.files[changed].replace(*edits[changed])
    for path in paths:
        warm = open_definition(tree.files[path], path, tree)
        fresh = read_definition(tree.files[path], path, tree)
        assert (repr(warm), warm == fresh) == (repr(fresh), True)
        builds_on_it = changed == path or changed in fresh.definition.lines.parts  # type: ignore[union-attr]
        before, after = first[path].definition, warm.definition
        assert before is not None and after is not None
        assert (bare(before) != bare(after)) == builds_on_it
        assert (before.digest != after.digest) == builds_on_it


def test_an_added_or_removed_parent_is_noticed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CALLINT_CACHE", str(tmp_path / "kept"))
    tree = Files()
    tree.files["child.xml"] = child()
    for parent in (None, yard_definition(), None, yard_definition()):
        if parent is None:
            tree.files.pop("test.xml", None)
        else:
            tree.files["test.xml"] = parent
        file = open_definition(tree.files["child.xml"], "child.xml", tree)
        assert (file.definition is not None) == (parent is not None)


# Commands


def test_show_prints_the_flattened_definition(tmp_path: Path) -> None:
    yard = make_yard(tmp_path)
    yard.write("defs/child.xml", child('<at table="fuel" at="0x48"/>', extends="yard.xml"))
    printed = yard.call("show", "--definition", "defs/child.xml")
    assert (printed.status, printed.stderr) == (0, "")
    flat = sound({"flat.xml": printed.stdout.encode()}, "flat.xml")
    assert flat.tables["fuel"].at == 0x48 and len(flat.tables) == 6
    again = yard.call("show", "--definition", "defs/child.xml", "--output", "flat.xml")
    assert (again.status, again.stdout) == (0, "")
    assert (tmp_path / "flat.xml").read_text("utf-8") == printed.stdout
    protected = yard.call("show", "--definition", "defs/child.xml", "--output", "defs/yard.xml")
    assert "the output would replace an input" in protected.error
    assert (tmp_path / "defs/yard.xml").read_bytes() == yard_definition()


def test_show_refuses_a_definition_that_cannot_be_read_whole(tmp_path: Path) -> None:
    yard = make_yard(tmp_path)
    yard.write("defs/child.xml", child(extends="gone.xml"))
    error = yard.call("show", "--definition", "defs/child.xml").error
    assert "defs/child.xml:1: the parent defs/gone.xml is not read: it does not exist" in error
    assert "name an IMAGE, or give --definition FILE" in yard.call("show").stderr


def test_a_check_of_a_parent_names_the_children_that_break(tmp_path: Path) -> None:
    yard = make_yard(tmp_path)
    yard.write("callint.toml", (tmp_path / "callint.toml").read_text().replace("yard.xml", "child.xml"))
    yard.write("defs/child.xml", child('<gone table="egr"/>', extends="yard.xml"))
    assert yard.call("check", "defs/yard.xml").stdout == ""
    yard.write("defs/yard.xml", yard_definition().replace(b'name="egr"', b'name="egr_flow"'))
    result = yard.call("check", "defs/yard.xml", "--format", "lines")
    assert result.status == 1
    assert result.stdout.startswith(
        "defs/child.xml:2: error: definition/invalid: <gone>: defs/yard.xml has no table egr "
    )


def test_a_check_of_a_shared_file_checks_what_uses_it(tmp_path: Path) -> None:
    yard = make_yard(tmp_path)
    text = yard_definition().replace(b"<memory", b'<use file="shared.xml"/><memory', 1)
    yard.write("defs/yard.xml", text.replace(b'conversion="share"', b'conversion="part"'))
    shared = '<shared xmlns="urn:callint:definition:1"><conversions>{}</conversions></shared>'
    yard.write("defs/shared.xml", shared.format('<linear name="part" unit="%" factor="1"/>'))
    assert {
        item["rule"] for item in yard.call("check", "defs/shared.xml", "--format", "json").data["findings"]
    } == {"definition/unused"}
    yard.write("defs/shared.xml", shared.format(""))
    result = yard.call("check", "defs/shared.xml", "--format", "lines")
    assert result.status == 1 and "defs/yard.xml:" in result.stdout and "'part'" in result.stdout


def test_a_definition_outside_the_repository_has_parents_beside_it(tmp_path: Path) -> None:
    yard = make_yard(tmp_path / "repo", good=yard_base())
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "parent.xml").write_bytes(yard_definition())
    (outside / "child.xml").write_bytes(child(extends="parent.xml"))
    for name in ("../outside/child.xml", str(outside / "child.xml")):
        result = yard.call("check", "boats/good.bin", "--definition", name)
        assert (result.status, result.stdout, result.stderr) == (0, "", "")
    (outside / "child.xml").write_bytes(child(extends="../repo/defs/yard.xml"))
    result = yard.call("check", "boats/good.bin", "--definition", "../outside/child.xml")
    assert result.status == 1 and "leads out" in result.stdout


def test_an_image_is_judged_by_what_the_child_says(tmp_path: Path) -> None:
    yard = make_yard(tmp_path, good=yard_base())
    yard.write("callint.toml", (tmp_path / "callint.toml").read_text().replace("yard.xml", "child.xml"))
    yard.write("defs/child.xml", child(extends="yard.xml"))
    assert yard.call("check").stdout == ""
    yard.write(
        "defs/child.xml", child('\n<table name="egr"><limits max="20"/></table>\n', extends="yard.xml")
    )
    found = yard.call("check", "--format", "json").data["findings"]
    (finding, *_) = [item for item in found if item["rule"] == "value/out-of-range"]
    assert finding["table"] == "egr"
    line = 1 + yard_definition()[: yard_definition().index(b'name="egr"')].count(b"\n")
    assert finding["line"] == 3
    assert finding["origin"] == {"definition": "defs/yard.xml", "line": line}


def test_every_format_names_both_files(tmp_path: Path) -> None:
    yard = make_yard(tmp_path)
    yard.write("defs/yard.xml", yard_definition().replace(b'at="0x28"', b'at="0x27"'))
    yard.write("defs/child.xml", child(extends="yard.xml"))
    for form in ("text", "json", "sarif", "markdown", "lines", "github"):
        result = call("check", "defs/child.xml", "--format", form, cwd=tmp_path)
        assert "defs/child.xml" in result.stdout and "defs/yard.xml" in result.stdout, form


def test_the_library_reads_families_from_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    yard = make_yard(tmp_path / "repo", good=yard_base())
    strict = child('<table name="egr"><limits max="20"/></table>', extends="yard.xml")
    yard.write("defs/child.xml", strict)
    folders = {tmp_path / "repo": "defs/child.xml", tmp_path / "repo/boats": "../defs/child.xml"}
    for folder, name in folders.items():
        monkeypatch.chdir(folder)
        definition = callint.load_definition(name)
        assert definition.problems == ()
        image = callint.read_image(tmp_path / "repo/boats/good.bin")
        rules = {finding.rule for finding in callint.check(image, definition).findings}
        assert "value/out-of-range" in rules
    with pytest.raises(callint.InputError, match="read it from its path"):
        callint.load_definition(strict)


# Memory


def test_an_item_of_a_valid_file_is_freed_before_the_next_one_is_read() -> None:
    items = "\n".join(
        f'<scalar name="t{number}" title="T" purpose="general" at="{number}" type="uint8"/>'
        for number in range(5000)
    )
    stream = xml.ElementStream(yard_definition(items))
    most = tables = 0
    for holder, item in stream:
        if item is not None and tag_of(item) == "scalar":
            tables += 1
            most = max(most, len(holder))
            assert stream.line_of(item) == int(item.get("at", "")) + stream.line_of(holder)
    # The parser is at most one step of 64 KiB ahead of the item.
    assert tables == 5000
    assert most < 1000


def test_a_definition_too_large_for_an_entry_is_not_packed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CALLINT_CACHE", str(tmp_path / "kept"))
    monkeypatch.setattr("callint.reading.definition_cache._MOST_PACKED", len(yard_definition()) - 1)
    open_definition(yard_definition(), "yard.xml")
    assert not (tmp_path / "kept").exists()
    monkeypatch.setattr("callint.reading.definition_cache._MOST_PACKED", len(yard_definition()))
    open_definition(yard_definition(), "yard.xml")
    assert len(list((tmp_path / "kept").glob("*.entry"))) == 1
