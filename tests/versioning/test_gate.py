"""What must not pass a range, a commit by commit check or the hook, each as somebody tried to get it past."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

import pytest

from callint.decoding.digest import base_digest
from callint.model.image import Image
from tests.building import u16
from tests.rules.example import table_digest
from tests.running import (
    CUT,
    EGR,
    GOOD,
    MONITOR,
    NOTHING,
    POLICY,
    SMOKE,
    Result,
    Scratch,
    call,
    edited,
    fuel_cell,
    make_repository_yard,
    yard_base,
    yard_definition,
)

HERON, BASE, DEFINITION = "boats/heron.bin", "factory/base.bin", "defs/yard.xml"
STRICT = f'{POLICY}\n[severity]\n"change/emissions" = "error"\n'
EMISSIONS = edited(GOOD, {EGR: bytes([28])})
WRONG = edited(GOOD, {MONITOR: b"\x00"})


def waiver(rule: str, table: str, data: bytes, xml: bytes = yard_definition()) -> str:
    return (
        f'\n[[waivers]]\nrule = "{rule}"\nimage = "{HERON}"\ntable = "{table}"\n'
        f'reason = "agreed on at the quay"\nwho = "Ines Falk"\ndigest = "{table_digest(xml, data, table)}"\n'
    )


WAIVED = STRICT + waiver("change/emissions", "egr", EMISSIONS)


@pytest.fixture
def scratch(tmp_path: Path) -> Scratch:
    return make_repository_yard(tmp_path / "repo", heron=GOOD)


def start(scratch: Scratch, files: Mapping[str, bytes | str] | None = None) -> None:
    """Commit some files and call that the start."""
    if files:
        put(scratch, files)
    scratch.must("tag", "start")


def put(scratch: Scratch, files: Mapping[str, bytes | str]) -> None:
    for path, content in files.items():
        scratch.write(path, content)
    scratch.commit()


def checks(scratch: Scratch, old: str = "start") -> dict[str, Result]:
    """The three ways to ask what is new since the start."""
    return {
        "range": scratch.call("check", "--range", f"{old}..HEAD", "--format", "json"),
        "each": scratch.call("check", "--range", f"{old}..HEAD", "--each", "--format", "json"),
        "since": scratch.call("check", "--since", old, "--format", "json"),
    }


def failing(results: dict[str, Result], rule: str) -> bool:
    """Whether every way fails, and says so by the rule."""
    return all(result.status == 1 and rule in rules(result.data["findings"]) for result in results.values())


def rules(findings: Iterable[Mapping[str, object]]) -> set[object]:
    return {finding["rule"] for finding in findings}


# Waivers


def test_an_error_whose_waiver_died_is_new(scratch: Scratch) -> None:
    start(scratch, {"callint.toml": WAIVED, HERON: EMISSIONS})
    assert scratch.call("check").status == 0
    put(scratch, {HERON: edited(GOOD, {EGR: bytes([28, 22, 11])})})
    assert failing(checks(scratch), "change/emissions")


def test_an_error_whose_waiver_was_deleted_is_new(scratch: Scratch) -> None:
    start(scratch, {"callint.toml": WAIVED, HERON: EMISSIONS})
    put(scratch, {"callint.toml": STRICT})
    assert failing(checks(scratch), "change/emissions")


def test_an_error_whose_waiver_died_of_the_definition_is_new(scratch: Scratch) -> None:
    start(scratch, {"callint.toml": WAIVED, HERON: EMISSIONS})
    put(scratch, {DEFINITION: yard_definition().replace(b'<limits min="0" max="60"/>', b"")})
    assert failing(checks(scratch), "change/emissions")


def test_an_error_that_an_earlier_state_lacks_is_new(scratch: Scratch) -> None:
    start(scratch, {HERON: EMISSIONS})
    put(scratch, {"callint.toml": STRICT})
    assert failing(checks(scratch), "change/emissions")
    scratch.must("tag", "strict")
    put(scratch, {"callint.toml": f'fail-on = "warning"\n{POLICY}'})
    scratch.must("reset", "--quiet", "--hard", "start")
    put(scratch, {"callint.toml": f'fail-on = "warning"\n{POLICY}'})
    assert failing(checks(scratch), "change/emissions")


def test_a_finding_that_stays_waived_is_not_new(scratch: Scratch) -> None:
    start(scratch, {"callint.toml": WAIVED, HERON: EMISSIONS})
    put(scratch, {HERON: edited(EMISSIONS, {fuel_cell(1, 1): u16(451)})})
    assert {name: result.status for name, result in checks(scratch).items()} == dict.fromkeys(
        checks(scratch), 0
    )


# The same kind of finding, of other content


@pytest.mark.parametrize(
    ("before", "after", "rule"),
    [
        ({SMOKE + 4: u16(850)}, {SMOKE: u16(610)}, "protection/weakened"),
        ({EGR: b"\x1c"}, {EGR + 1: b"\x17"}, "change/emissions"),
        ({0x04: u16(1500)}, {0x02: u16(1550)}, "axis/not-increasing"),
        ({NOTHING: bytes(range(1, 15))}, {NOTHING + 13: b"\xff"}, "change/unexplained-bytes"),
    ],
    ids=[
        "another cell of a protection, while one is worse",
        "one more cell of an emissions table",
        "the breakpoint before one that does not rise",
        "the end of a run of bytes",
    ],
)
def test_a_finding_of_other_content_is_new(
    scratch: Scratch, before: dict[int, bytes], after: dict[int, bytes], rule: str
) -> None:
    policy = f'fail-on = "warning"\n{POLICY}'
    start(scratch, {"callint.toml": policy, HERON: edited(GOOD, before)})
    assert rule in rules(scratch.call("check", "--format", "json").data["findings"])
    put(scratch, {HERON: edited(GOOD, {**before, **after})})
    assert failing(checks(scratch), rule)


def test_a_ceiling_that_is_lowered_under_the_same_demand_is_new(scratch: Scratch) -> None:
    relation = yard_definition(relations='<at-most table="fuel" bound="smoke_cap"/>')
    start(scratch, {DEFINITION: relation, HERON: edited(GOOD, {fuel_cell(0, 2): u16(720)})})
    assert "relation/exceeds-bound" in rules(scratch.call("check", "--format", "json").data["findings"])
    put(scratch, {HERON: edited(GOOD, {fuel_cell(0, 2): u16(720), SMOKE: u16(599)})})
    assert failing(checks(scratch), "relation/exceeds-bound")


def test_an_error_that_was_there_is_not_new_when_another_cell_changes(scratch: Scratch) -> None:
    bad = {fuel_cell(1, 1): u16(9990)}
    start(scratch, {HERON: edited(GOOD, bad)})
    put(scratch, {HERON: edited(GOOD, {**bad, SMOKE + 2: u16(690)})})
    assert all(result.status == 0 for result in checks(scratch).values())


def test_a_changed_image_of_the_wrong_software_is_new(scratch: Scratch) -> None:
    foreign = edited(GOOD, {0x80: b"YARD-09"})
    start(scratch, {HERON: foreign})
    put(scratch, {HERON: edited(foreign, {CUT: u16(4790)})})
    assert failing(checks(scratch), "image/wrong-identity")


def test_a_broken_definition_excuses_nothing(scratch: Scratch) -> None:
    start(scratch, {DEFINITION: "<definition"})
    put(scratch, {HERON: WRONG})
    assert failing(checks(scratch), "definition/invalid")


# Merges


def test_a_merge_that_itself_sets_a_protection_wrong_is_judged(scratch: Scratch) -> None:
    start(scratch)
    scratch.must("switch", "--quiet", "--create", "branch")
    put(scratch, {"notes.txt": "branch\n"})
    scratch.must("switch", "--quiet", "main")
    put(scratch, {HERON: edited(GOOD, {SMOKE: u16(590)})})
    scratch.must("merge", "--quiet", "--no-commit", "branch")
    put(scratch, {HERON: WRONG})
    results = checks(scratch)
    assert failing(results, "protection/disabled")
    merge = scratch.must("rev-parse", "HEAD").strip()
    (finding,) = [
        finding for finding in results["each"].data["findings"] if finding["rule"] == "protection/disabled"
    ]
    assert finding["commit"] == merge


def test_a_merge_gets_no_findings_that_one_of_its_parents_has(scratch: Scratch) -> None:
    start(scratch)
    scratch.must("switch", "--quiet", "--create", "branch")
    put(scratch, {HERON: WRONG})
    wrong = scratch.must("rev-parse", "HEAD").strip()
    scratch.must("switch", "--quiet", "main")
    put(scratch, {"notes.txt": "main\n"})
    scratch.must("merge", "--quiet", "--no-ff", "-m", "Merge", "branch")
    each = checks(scratch)["each"]
    disabled = [finding for finding in each.data["findings"] if finding["rule"] == "protection/disabled"]
    assert each.status == 1
    assert [item["commit"] for item in disabled] == [wrong]


def test_a_merge_that_puts_an_image_of_one_side_under_a_definition_of_the_other_is_judged(
    scratch: Scratch,
) -> None:
    start(scratch)
    scratch.must("switch", "--quiet", "--create", "branch")
    put(scratch, {DEFINITION: yard_definition().replace(b'<guard above="4700"/>', b'<guard above="4250"/>')})
    scratch.must("switch", "--quiet", "main")
    put(scratch, {HERON: edited(GOOD, {CUT: u16(4300)})})
    scratch.must("merge", "--quiet", "--no-ff", "-m", "Merge", "branch")
    assert failing(checks(scratch), "protection/disabled")


def test_an_error_that_a_merge_brings_back_is_found_in_the_sum(scratch: Scratch) -> None:
    put(scratch, {HERON: WRONG})
    scratch.must("branch", "old")
    put(scratch, {HERON: GOOD})
    scratch.must("tag", "start")
    scratch.must("switch", "--quiet", "old")
    put(scratch, {"notes.txt": "old\n"})
    scratch.must("switch", "--quiet", "main")
    scratch.must("merge", "--quiet", "--no-commit", "old")
    put(scratch, {HERON: WRONG})
    results = checks(scratch)
    assert failing(results, "protection/disabled")
    (finding,) = [
        finding for finding in results["each"].data["findings"] if finding["rule"] == "protection/disabled"
    ]
    assert not finding.get("commit")


def test_an_octopus_is_judged_beside_each_of_its_parents(scratch: Scratch) -> None:
    start(scratch)
    for number in range(3):
        scratch.must("switch", "--quiet", "--create", f"b{number}", "start")
        put(scratch, {f"notes{number}.txt": "x\n"})
    scratch.must("merge", "--quiet", "--no-commit", "b0", "b1")
    put(scratch, {HERON: WRONG})
    assert failing(checks(scratch), "protection/disabled")


# Bases


def test_a_base_that_is_edited_with_its_images_is_a_finding_of_its_own(scratch: Scratch) -> None:
    start(scratch)
    scratch.stage(BASE, edited(yard_base(), {MONITOR: b"\x00"}))
    scratch.stage(HERON, WRONG)
    staged = scratch.call("check", "--staged", "--format", "json")
    assert staged.status == 1
    assert "base/changed" in rules(staged.data["findings"])
    put(scratch, {})
    assert failing(checks(scratch), "base/changed")
    # A check of one state cannot tell: there the protection is off "as in the base".
    assert scratch.call("check").status == 0


def test_a_changed_base_can_be_waived_and_the_waiver_stays(scratch: Scratch) -> None:
    start(scratch)
    base = edited(yard_base(), {SMOKE: u16(610)})
    scratch.write(BASE, base)
    done = scratch.call("waive", "base/changed", "--reason", "the maker sent another file, see mail")
    assert done.status == 0, done
    assert str(base_digest(Image.raw(base))) in (scratch.root / "callint.toml").read_text("utf-8")
    scratch.must("add", "--all")
    assert scratch.call("check", "--staged").status == 0
    scratch.commit()
    results = checks(scratch)
    assert all(result.status == 0 for result in results.values())
    plain = scratch.call("check", "--format", "json").data["findings"]
    assert not [finding for finding in plain if finding["rule"].startswith("waiver/")]
    put(scratch, {BASE: edited(base, {SMOKE: u16(620)})})
    assert failing(checks(scratch), "base/changed")


def test_a_policy_that_leads_to_an_edited_copy_of_the_base_is_found(scratch: Scratch) -> None:
    start(scratch)
    scratch.stage("factory/copy.bin", edited(yard_base(), {MONITOR: b"\x00"}))
    scratch.stage(HERON, WRONG)
    scratch.stage("callint.toml", POLICY.replace("base.bin", "copy.bin"))
    staged = scratch.call("check", "--staged", "--format", "json")
    assert staged.status == 1 and "base/changed" in rules(staged.data["findings"])
    put(scratch, {})
    assert failing(checks(scratch), "base/changed")


def test_a_merge_gets_no_finding_about_a_base_that_one_side_changed(scratch: Scratch) -> None:
    start(scratch)
    scratch.must("switch", "--quiet", "--create", "branch")
    put(scratch, {BASE: edited(yard_base(), {SMOKE: u16(610)})})
    changed = scratch.must("rev-parse", "HEAD").strip()
    scratch.must("switch", "--quiet", "main")
    put(scratch, {"notes.txt": "main\n"})
    scratch.must("merge", "--quiet", "--no-commit", "--no-ff", "branch")
    # The hook does not know whether the other side was judged.
    assert "base/changed" in rules(scratch.call("check", "--staged", "--format", "json").data["findings"])
    put(scratch, {})
    each = checks(scratch)["each"].data["findings"]
    assert [finding["commit"] for finding in each if finding["rule"] == "base/changed"] == [changed]


def test_a_base_that_was_removed_and_came_back_edited_is_found_commit_by_commit(scratch: Scratch) -> None:
    start(scratch)
    for path in (HERON, BASE):
        (scratch.root / path).unlink()
    scratch.must("add", "--all")
    assert "base/changed" in rules(scratch.call("check", "--staged", "--format", "json").data["findings"])
    put(scratch, {})
    put(scratch, {HERON: WRONG, BASE: edited(yard_base(), {MONITOR: b"\x00"})})
    assert failing(checks(scratch), "base/changed")


def test_a_base_that_was_edited_while_there_was_no_policy_is_found(scratch: Scratch) -> None:
    start(scratch)
    (scratch.root / "callint.toml").unlink()
    put(scratch, {})
    put(scratch, {HERON: WRONG, BASE: edited(yard_base(), {MONITOR: b"\x00"})})
    put(scratch, {"callint.toml": POLICY})
    assert failing(checks(scratch), "base/changed")


def test_a_base_that_is_edited_as_a_broken_policy_is_mended_is_found(scratch: Scratch) -> None:
    put(scratch, {"callint.toml": "images = 3\n"})
    start(scratch)
    put(scratch, {"callint.toml": POLICY, HERON: WRONG, BASE: edited(yard_base(), {MONITOR: b"\x00"})})
    assert failing(checks(scratch), "base/changed")


def test_a_base_that_is_edited_as_everything_moves_to_another_folder_is_found(scratch: Scratch) -> None:
    start(scratch)
    (scratch.root / "yard").mkdir()
    for name in ("boats", "factory", "defs", "callint.toml"):
        scratch.must("mv", name, f"yard/{name}")
    scratch.write(f"yard/{HERON}", WRONG)
    scratch.write(f"yard/{BASE}", edited(yard_base(), {MONITOR: b"\x00"}))
    scratch.must("add", "--all")
    inside = scratch.root / "yard"
    staged = call("check", "--staged", "--format", "json", cwd=inside)
    assert "base/changed" in rules(staged.data["findings"])
    scratch.commit()
    for arguments in (("--range", "start..HEAD"), ("--range", "start..HEAD", "--each"), ("--since", "start")):
        result = call("check", *arguments, "--format", "json", cwd=inside)
        assert result.status == 1 and "base/changed" in rules(result.data["findings"]), arguments


def test_another_base_does_not_stand_in_for_one_that_cannot_be_read(scratch: Scratch) -> None:
    two = POLICY.replace('base = "factory/base.bin"', 'base = ["factory/base.bin", "factory/b.bin"]')
    start(scratch, {"callint.toml": two, "factory/b.bin": yard_base()})
    (scratch.root / BASE).unlink()
    put(scratch, {HERON: edited(GOOD, {CUT: u16(4300)})})
    assert failing(checks(scratch), "image/missing-base")


# Ranges


def test_a_range_without_commits_replaces_no_image_by_its_report(scratch: Scratch) -> None:
    start(scratch)
    for path in (HERON, DEFINITION, BASE, "callint.toml"):
        arguments = ("check", "--range", "HEAD..HEAD", "--each", "--output", path)
        assert scratch.call(*arguments).status == 2, path
    assert (scratch.root / HERON).read_bytes() == GOOD


@pytest.mark.parametrize("path", [HERON, BASE, DEFINITION])
def test_a_file_that_becomes_a_link_of_the_same_content_is_judged(scratch: Scratch, path: str) -> None:
    start(scratch)
    blob = scratch.must("rev-parse", f"HEAD:{path}").strip()
    scratch.must("update-index", "--cacheinfo", f"120000,{blob},{path}")
    scratch.must("commit", "--quiet", "--no-verify", "-m", "A link")
    for arguments in ((), ("--each",)):
        assert scratch.call("check", "--range", "start..HEAD", *arguments).status == 1


def test_a_known_finding_that_got_worse_is_new(scratch: Scratch) -> None:
    baseless = POLICY.replace('base = "factory/base.bin"\n', "")
    start(scratch, {"callint.toml": baseless, HERON: GOOD[:-8]})
    put(scratch, {HERON: GOOD[:0x40]})
    assert failing(checks(scratch), "image/wrong-size")


def test_a_range_since_two_parted_at_several_commits_is_refused(scratch: Scratch) -> None:
    start(scratch)
    scratch.must("switch", "--quiet", "--create", "topic")
    put(scratch, {"a.txt": "a\n"})
    scratch.must("branch", "t1")
    scratch.must("switch", "--quiet", "main")
    put(scratch, {"b.txt": "b\n"})
    scratch.must("branch", "m1")
    scratch.must("merge", "--quiet", "-m", "One", "t1")
    scratch.must("switch", "--quiet", "topic")
    scratch.must("merge", "--quiet", "-m", "Other", "m1")
    put(scratch, {"c.txt": "c\n"})
    error = scratch.call("check", "--range", "main...topic").error
    assert "they have 2 merge bases" in error
    assert scratch.call("check", "--range", "main..topic").status == 0


# Line ends


def test_a_waiver_about_a_definition_holds_where_git_converts_its_line_ends(scratch: Scratch) -> None:
    unused = yard_definition().replace(
        b"</axes>", b'<fixed-axis name="spare" signal="load" values="1 2"/></axes>'
    )
    start(scratch, {DEFINITION: unused, "callint.toml": f'fail-on = "warning"\n{POLICY}'})
    done = scratch.call("waive", "definition/unused", "--reason", "for the next software")
    assert done.status == 0, done
    scratch.commit()
    assert scratch.call("check").status == 0
    scratch.must("config", "core.autocrlf", "true")
    scratch.must("rm", "--quiet", "--cached", "-r", ".")
    scratch.must("reset", "--quiet", "--hard")
    assert b"\r\n" in (scratch.root / DEFINITION).read_bytes()
    assert scratch.call("check").status == 0
    assert scratch.call("check", "--range", "start..HEAD").status == 0
