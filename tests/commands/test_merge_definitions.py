"""``callint merge`` on definitions, as its users meet it, and as git meets it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.running import (
    POLICY,
    Result,
    Scratch,
    Yard,
    initialize,
    make_repository_yard,
    make_yard,
    steering,
    too_wide,
    valid,
    yard_base,
    yard_definition,
)

DEFINITION = "defs/yard.xml"
LISTS = (f"{DEFINITION}.conflicts.txt", f"{DEFINITION}.conflicts.json")
BASE = yard_definition()


def with_changes(*pairs: tuple[str, str]) -> bytes:
    text = BASE.decode()
    for old, new in pairs:
        assert text.count(old) == 1, (old, text.count(old))
        text = text.replace(old, new)
    return text.encode()


#: The changes of two people; only that of the limit is contrary.
CUT = ('<limits min="3000" max="4800"/>', '<limits min="3000" max="4600"/>')
OTHER_CUT = ('<limits min="3000" max="4800"/>', '<limits min="3000" max="4700"/>')
HULL = ('title="Hull number"', 'title="Number of the hull"')
NOTE = ("255 leaves the temperature alone.", "255 switches the trim off.")
#: One cell at the same free address, under two names.
FREE = '    <text name="hull_number"'
HERS = (FREE, f'    <scalar name="hers" title="Hers" purpose="general" at="0x58" type="uint8"/>\n{FREE}')
HIS = (
    "</tables>",
    '    <scalar name="his" title="His" purpose="general" at="0x58" type="uint8"/>\n</tables>',
)


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    yard = make_yard(tmp_path / "yard")
    yard.write("ours.xml", with_changes(CUT, HULL))
    yard.write("apart.xml", with_changes(NOTE))
    yard.write("contrary.xml", with_changes(OTHER_CUT, NOTE))
    return yard


def merged(yard: Yard, *more: str, theirs: str = "contrary.xml", ours: str = "ours.xml") -> Result:
    return yard.call("merge", DEFINITION, ours, theirs, "--to", "merged.xml", *more)


def output(yard: Yard) -> bytes:
    return (yard.root / "merged.xml").read_bytes()


# The command


def test_changes_apart_merge_in_silence(yard: Yard) -> None:
    before = yard.files()
    result = merged(yard, theirs="apart.xml")
    assert (result.status, result.stdout, result.stderr) == (0, "", "")
    assert yard.files() == {**before, "merged.xml": with_changes(CUT, HULL, NOTE)}


def test_a_conflict_has_its_three_values_with_unit_and_lines(yard: Yard) -> None:
    result = merged(yard)
    assert (result.status, result.stderr) == (1, "")
    line = BASE[: BASE.index(CUT[0].encode())].count(b"\n") + 1
    assert result.lines == [
        "overspeed_cut: Fuel cut-off speed (protection)",
        "  limits max",
        f"    base    line {line}  4800 rpm",
        f"    ours    line {line}  4600 rpm",
        f"    theirs  line {line}  4700 rpm",
        "",
        "1 conflict; merged.xml keeps ours there. Resolve it with --take.",
        "merged.xml.conflicts.txt lists it.",
    ]
    assert output(yard) == with_changes(CUT, HULL, NOTE)


def test_conflicts_are_listed_beside_the_definition_for_people_and_for_programs(yard: Yard) -> None:
    printed = merged(yard)
    text = (yard.root / "merged.xml.conflicts.txt").read_text("utf-8")
    assert text.startswith("callint merge: conflicts in merged.xml\n")
    assert "\n".join(printed.lines[:5]) in text and "theirs  contrary.xml" in text
    assert not too_wide(text) and not steering(text)
    document = valid(
        json.loads((yard.root / "merged.xml.conflicts.json").read_bytes()), "conflicts.schema.json"
    )
    assert (document["definition"], "image" in document) == ("merged.xml", False)
    line = BASE[: BASE.index(CUT[0].encode())].count(b"\n") + 1
    assert document["conflicts"] == [
        {
            "kind": "element",
            "conflict": "values",
            "item": "table",
            "names": ["overspeed_cut"],
            "element": "limits",
            "lines": {"base": line, "ours": line, "theirs": line},
            "values": [
                {
                    "element": "limits",
                    "attribute": "max",
                    "unit": "rpm",
                    "base": {"text": "4800", "line": line},
                    "ours": {"text": "4600", "line": line},
                    "theirs": {"text": "4700", "line": line},
                }
            ],
            "kept": "ours",
        }
    ]


def test_take_settles_conflicts_and_removes_the_lists(yard: Yard) -> None:
    merged(yard)
    result = merged(yard, "--take", "theirs")
    assert (result.status, result.lines) == (0, ["overspeed_cut: 1 value resolved with theirs"])
    assert output(yard) == with_changes(OTHER_CUT, HULL, NOTE)
    assert not list(yard.root.glob("*.conflicts.*"))


def test_take_selects_items_of_every_kind_by_name(yard: Yard) -> None:
    unit = '<linear name="mg" unit="mg"'
    for name, change in (("ours.xml", "cmm"), ("contrary.xml", "g")):
        text = (yard.root / name).read_text("utf-8")
        yard.write(name, text.replace(unit, f'<linear name="mg" unit="{change}"'))
    result = merged(yard, "--take", "theirs:mg")
    assert result.status == 1
    assert "conversion mg: 1 value resolved with theirs" in result.lines
    assert b'<linear name="mg" unit="g"' in output(yard) and CUT[1].encode() in output(yard)
    assert merged(yard, "--take", "theirs", "--table", "overspeed*").status == 1
    assert OTHER_CUT[1].encode() in output(yard) and b'<linear name="mg" unit="cmm"' in output(yard)
    assert merged(yard, "--take", "ours", "--take", "theirs:mg").status == 0
    assert (
        "nothing in the definitions is called 'fule'; did you mean 'fuel'?"
        in merged(yard, "--take", "theirs:fule").error
    )


def test_a_merge_as_json_has_the_settled_conflicts_too(yard: Yard) -> None:
    result = merged(yard, "--take", "theirs", "--format", "json")
    document = valid(result.data, "conflicts.schema.json")
    assert document["summary"] == {"conflicts": 0, "cells": 0, "settled": 1, "broken": 0}
    assert document["settled"][0]["kept"] == "theirs"


# What only the merge brings


def test_changes_that_together_break_a_rule_are_refused(yard: Yard) -> None:
    yard.write("ours.xml", with_changes(HERS))
    yard.write("apart.xml", with_changes(HIS))
    result = merged(yard, theirs="apart.xml")
    assert result.status == 1
    assert "merged.xml: merged cleanly, but together the edits break:" in result.stdout
    assert "table hers (line 52) and table his (line 58) both claim 0x00058" in result.stdout
    assert "his" in output(yard).decode() and "hers" in output(yard).decode()
    document = valid(merged(yard, "--format", "json", theirs="apart.xml").data, "conflicts.schema.json")
    assert [finding["rule"] for finding in document["broken"]] == ["definition/overlap"]


def test_a_reference_to_what_the_other_side_removed_is_refused(yard: Yard) -> None:
    share = '    <linear name="share" unit="%" factor="1" decimals="0"/>\n'
    base = with_changes(('at="0x44" type="uint8" conversion="share"', 'at="0x44" type="uint8"'))
    yard.write(DEFINITION, base)
    yard.write("ours.xml", base.replace(share.encode(), b""))
    yard.write(
        "apart.xml", base.replace(b'at="0x44" type="uint8"', b'at="0x44" type="uint8" conversion="share"')
    )
    result = merged(yard, theirs="apart.xml")
    assert result.status == 1 and "share" in result.stdout
    assert "together the edits break" in result.stdout


def test_an_error_that_a_side_has_already_is_not_that_of_the_merge(yard: Yard) -> None:
    yard.write("ours.xml", with_changes(HERS, (HIS[0], HIS[1])))
    result = merged(yard, theirs="apart.xml")
    assert (result.status, result.stdout, result.stderr) == (0, "", "")
    yard.write(
        "ours.xml", with_changes(('type="uint8" conversion="share"', 'type="octet" conversion="share"'))
    )
    result = merged(yard, theirs="apart.xml")
    assert (result.status, result.stdout, result.stderr) == (0, "", "")


# What is refused


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("ours.xml", b"<definition", "ours.xml:1: not well-formed XML"),
        (
            "contrary.xml",
            b"<definition/>",
            "contrary.xml:1: the outermost element is not <definition> or <shared> of urn:",
        ),
        ("ours.xml", yard_base(), "ours.xml: it is not a definition, but defs/yard.xml is one"),
        (DEFINITION, BASE.decode().encode("utf-16"), "defs/yard.xml:1: the file is not UTF-8 text"),
    ],
)
def test_a_file_that_cannot_be_merged_is_one_line_and_writes_nothing(
    yard: Yard, name: str, content: bytes, message: str
) -> None:
    yard.write(name, content)
    before = yard.files()
    result = merged(yard)
    assert result.status == 2 and message in result.error and len(result.stderr.splitlines()) == 1
    assert yard.files() == before


def test_a_prefix_that_one_side_removed_and_the_other_uses_is_refused(yard: Yard) -> None:
    root = b'<definition xmlns="urn:callint:definition:1"'
    base = BASE.replace(root, root + b' xmlns:x="urn:x"')
    yard.write(DEFINITION, base)
    yard.write("ours.xml", BASE)
    yard.write("contrary.xml", base.replace(b'title="Hull number"', b'title="Hull number" x:by="Ines"'))
    result = merged(yard)
    assert "merged.xml: the merge would not be well-formed at line" in result.error
    assert not (yard.root / "merged.xml").exists()


def test_definition_is_an_option_for_images(yard: Yard) -> None:
    assert "--definition needs images" in merged(yard, "--definition", DEFINITION).error


def test_a_merge_may_replace_a_definition_of_the_policy_that_it_does_not_read(yard: Yard) -> None:
    yard.write("base.xml", BASE)
    files = ("base.xml", "ours.xml", "apart.xml")
    assert yard.call("merge", *files, "--to", DEFINITION).status == 0
    assert (yard.root / DEFINITION).read_bytes() == with_changes(CUT, HULL, NOTE)


# Git


@pytest.fixture
def repository(tmp_path: Path) -> Scratch:
    """A repository with the drivers of callint init."""
    scratch = make_repository_yard(tmp_path / "yard", heron=yard_base())
    assert initialize(scratch, "--no-hook").status == 0
    scratch.commit("Drivers")
    return scratch


def branches(scratch: Scratch, ours: bytes, theirs: bytes) -> None:
    scratch.must("checkout", "--quiet", "-b", "theirs")
    scratch.write(DEFINITION, theirs)
    scratch.commit("Theirs")
    scratch.must("checkout", "--quiet", "main")
    scratch.write(DEFINITION, ours)
    scratch.commit("Ours")


def content(scratch: Scratch) -> bytes:
    return (scratch.root / DEFINITION).read_bytes()


def test_init_gives_definitions_the_driver_and_their_lists_to_no_commit(repository: Scratch) -> None:
    attributes = (repository.root / ".gitattributes").read_text("utf-8")
    assert "/defs/yard.xml diff=callint-definition merge=callint\n" in attributes
    ignored = repository.must("check-ignore", *LISTS)
    assert ignored.split() == list(LISTS)


def test_init_reports_a_definition_with_another_driver(repository: Scratch) -> None:
    repository.write("defs/.gitattributes", "*.xml merge=union\n")
    result = initialize(repository)
    assert "defs/yard.xml: git's attributes for it are merge=union, by a line that is not" in result.flat


@pytest.mark.parametrize(
    "command",
    [
        pytest.param(("merge", "--quiet", "--no-edit", "theirs"), id="merge"),
        pytest.param(("cherry-pick", "theirs"), id="cherry-pick"),
        pytest.param(("rebase", "--quiet", "theirs"), id="rebase"),
        pytest.param(("rebase", "--quiet", "--apply", "theirs"), id="rebase of patches"),
    ],
)
def test_git_merges_definitions_by_the_driver(repository: Scratch, command: tuple[str, ...]) -> None:
    # Both change neighbouring lines, which git cannot merge by itself.
    one, two = ('title="Hull number"', 'title="Hull"'), ('length="12"', 'length="11"')
    branches(repository, with_changes(one), with_changes(two))
    repository.must(*command)
    assert content(repository) == with_changes(one, two)
    assert repository.must("status", "--porcelain") == ""


def test_git_reports_a_conflict_of_the_driver_with_ours_in_the_file(repository: Scratch) -> None:
    branches(repository, with_changes(CUT, HULL), with_changes(OTHER_CUT, NOTE))
    result = repository.git("merge", "--no-edit", "theirs")
    assert result.status == 1
    assert f"CONFLICT (content): Merge conflict in {DEFINITION}" in result.stdout
    assert "overspeed_cut: Fuel cut-off speed (protection)" in result.stderr
    assert not too_wide(result.stderr)
    assert content(repository) == with_changes(CUT, HULL, NOTE)
    assert {*LISTS} <= repository.files().keys()
    assert repository.must("ls-files", "--unmerged").count(DEFINITION) == 3


def test_the_commands_that_a_conflict_names_settle_it(repository: Scratch) -> None:
    branches(repository, with_changes(CUT, HULL), with_changes(OTHER_CUT, NOTE))
    said = repository.git("merge", "--no-edit", "theirs").stderr
    commands = said[said.index("  callint merge") :].replace("\\\n", " ").splitlines()
    assert [command.split()[:2] for command in commands] == [["callint", "merge"], ["git", "add"]]
    assert repository.call(*commands[0].split()[1:]).status == 0
    assert content(repository) == with_changes(OTHER_CUT, HULL, NOTE)
    repository.must(*commands[1].split()[1:])
    repository.must("commit", "--quiet", "--no-edit")
    assert repository.must("status", "--porcelain") == ""


def test_long_paths_get_commands_in_short_lines(repository: Scratch) -> None:
    folder = "definitions/of/engines/that/have/long/names"
    (repository.root / folder).mkdir(parents=True)
    repository.must("mv", DEFINITION, f"{folder}/yard.xml")
    repository.write("callint.toml", POLICY.replace("defs", folder))
    assert initialize(repository, "--no-hook").status == 0
    repository.commit("Moved")
    for branch, change in (("theirs", OTHER_CUT), ("main", CUT)):
        repository.must("checkout", "--quiet", *(["-b"] if branch == "theirs" else []), branch)
        repository.write(f"{folder}/yard.xml", with_changes(change))
        repository.commit(branch)
    said = repository.git("merge", "--no-edit", "theirs").stderr
    assert f"  callint merge \\\n    :1:{folder}/yard.xml \\\n" in said
    assert not too_wide(said)


def test_the_hook_stops_a_commit_while_conflicts_are_listed(repository: Scratch) -> None:
    branches(repository, with_changes(CUT, HULL), with_changes(OTHER_CUT, NOTE))
    repository.git("merge", "--no-edit", "theirs")
    repository.must("add", DEFINITION)
    result = repository.staged()
    assert result.status == 2 and f"{DEFINITION}: it has unresolved conflicts" in result.error
    (repository.root / LISTS[0]).unlink()
    assert repository.staged().status == 0


def test_the_hook_stops_a_commit_while_conflicts_of_a_shared_file_are_listed(repository: Scratch) -> None:
    repository.write("defs/shared.xml", _SHARED)
    repository.write("defs/child.xml", _CHILD)
    repository.write("callint.toml", POLICY.replace("yard.xml", "child.xml"))
    assert initialize(repository, "--no-hook").status == 0
    repository.commit("A family")
    for branch, unit in (("theirs", "ft"), ("main", "cm")):
        repository.must("checkout", "--quiet", *(["-b"] if branch == "theirs" else []), branch)
        repository.write("defs/shared.xml", _SHARED.replace('unit="m"', f'unit="{unit}"'))
        repository.commit(branch)
    assert repository.git("merge", "--no-edit", "theirs").status == 1
    assert _SHARED.replace('unit="m"', 'unit="cm"').encode() == repository.files()["defs/shared.xml"]
    repository.must("add", "--all")
    assert "defs/shared.xml: it has unresolved conflicts" in repository.staged().error


def test_two_changes_that_together_break_a_rule_are_a_conflict_to_git(repository: Scratch) -> None:
    branches(repository, with_changes(HERS), with_changes(HIS))
    result = repository.git("merge", "--no-edit", "theirs")
    assert result.status == 1
    assert "merged cleanly, but together the edits break:" in result.stderr
    assert repository.must("ls-files", "--unmerged").count(DEFINITION) == 3


# Families

_XMLNS = 'xmlns="urn:callint:definition:1"'
_CHILD = f"""\
<definition {_XMLNS} name="child" revision="1" byte-order="big" extends="yard.xml">
  <use file="shared.xml"/>
  <inherited>
    <shift start="0x10" size="0x8" by="0x60"/>
    <at table="trim" at="0x5A"/>
    <table name="overspeed_cut"><limits min="3000" max="4800"/></table>
    <gone table="egr"/>
  </inherited>
</definition>
"""
_SHARED = f"""\
<shared {_XMLNS}>
  <signals><signal name="depth" unit="m" plausible="0 100"/></signals>
</shared>
"""


def test_a_child_merges_by_its_statements_about_its_parent(yard: Yard) -> None:
    yard.write("shared.xml", _SHARED)
    yard.write("defs/child.xml", _CHILD)
    ours = _CHILD.replace('at="0x5A"', 'at="0x5B"').replace(
        '    <gone table="egr"/>', '    <gone table="egr"/>\n    <gone table="monitor"/>'
    )
    theirs = _CHILD.replace('by="0x60"', 'by="-0x8"').replace('max="4800"', 'max="4700"')
    yard.write("ours.xml", ours)
    yard.write("theirs.xml", theirs)
    arguments = ("merge", "defs/child.xml", "ours.xml", "theirs.xml", "--to", "merged.xml")
    assert "together" not in yard.call(*arguments).stdout
    expected = ours.replace('by="0x60"', 'by="-0x8"').replace('max="4800"', 'max="4700"')
    assert output(yard).decode() == expected
    yard.write("theirs.xml", _CHILD.replace('at="0x5A"', 'at="0x59"'))
    result = yard.call(*arguments)
    assert result.lines[:5] == [
        "at trim",
        "  at",
        "    base    line 5  0x5A",
        "    ours    line 5  0x5B",
        "    theirs  line 5  0x59",
    ]


def test_a_file_of_shared_parts_merges_too(yard: Yard) -> None:
    yard.write("shared.xml", _SHARED)
    yard.write("ours.xml", _SHARED.replace('unit="m"', 'unit="ft"'))
    yard.write("theirs.xml", _SHARED.replace('"0 100"', '"0 90"'))
    result = yard.call("merge", "shared.xml", "ours.xml", "theirs.xml", "--to", "merged.xml")
    assert (result.status, result.stdout) == (0, "")
    assert output(yard).decode() == _SHARED.replace('unit="m"', 'unit="ft"').replace('"0 100"', '"0 90"')


def test_init_gives_the_driver_to_files_that_definitions_build_on(repository: Scratch) -> None:
    repository.write("defs/shared.xml", _SHARED)
    repository.write("defs/child.xml", _CHILD)
    repository.write("callint.toml", POLICY.replace("yard.xml", "child.xml"))
    assert initialize(repository, "--no-hook").status == 0
    lines = (repository.root / ".gitattributes").read_text("utf-8").splitlines()
    assert {"/defs/yard.xml diff=callint-definition merge=callint", "/defs/shared.xml merge=callint"} <= {
        *lines
    }


def test_a_merged_parent_that_breaks_a_child_is_refused(yard: Yard) -> None:
    # Only in the child the two new tables lie at one address.
    shift = '<inherited><shift start="0x58" size="0x4" by="0x8"/></inherited>'
    head = _CHILD.splitlines()[0]
    yard.write("defs/child.xml", f"{head}{shift}</definition>")
    yard.write("callint.toml", POLICY.replace('"defs/yard.xml"', '["defs/yard.xml", "defs/child.xml"]'))
    yard.write("base.xml", BASE)
    yard.write("ours.xml", with_changes(HERS).replace(b"0x58", b"0x60"))
    yard.write("theirs.xml", with_changes(HIS))
    result = yard.call("merge", "base.xml", "ours.xml", "theirs.xml", "--to", DEFINITION, "--format", "json")
    assert result.status == 1
    (finding,) = result.data["broken"]
    assert finding["rule"] == "definition/overlap"
    assert "hers" in finding["message"] and "his" in finding["message"]


@pytest.mark.parametrize(
    ("base", "theirs", "message"),
    [
        (b"", BASE, "both sides added it"),
        (BASE, b"<definition", "not well-formed XML"),
        (BASE, yard_base(), "it is not a definition"),
    ],
)
def test_a_file_that_the_driver_cannot_merge_is_a_conflict_with_ours_unchanged(
    yard: Yard, base: bytes, theirs: bytes, message: str
) -> None:
    ours = with_changes(CUT)
    for name, data in ((".base", base), (".ours", ours), (".theirs", theirs)):
        yard.write(name, data)
    result = yard.call("merge", "--driver", ".base", ".ours", ".theirs", DEFINITION)
    assert (result.status, result.stdout) == (1, "")
    assert len(result.stderr.splitlines()) == 1 and message in result.stderr
    assert (yard.root / ".ours").read_bytes() == ours
