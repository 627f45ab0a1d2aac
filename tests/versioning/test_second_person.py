"""``second-person = true``: nobody accepts their own change to protection or emissions, by the commits."""

from __future__ import annotations

import json
import shutil
import stat
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest

import callint
from callint.decoding.digest import whole_digest
from callint.model.image import Image
from tests.building import read, u16
from tests.rules.example import table_digest
from tests.running import (
    CUT,
    HULL,
    POLICY,
    SMOKE,
    Result,
    Scratch,
    call,
    copy_of,
    edited,
    environment,
    folder_for_copies,
    launcher,
    make_repository,
    make_yard,
    refreshed,
    run,
    steering,
    valid,
    yard_base,
    yard_definition,
)

HERON = "boats/heron.bin"
STRICT = f"second-person = true\n\n{POLICY}"


#: The cut-off speed no longer protects: above 4700 rpm.
def test_a_mailmap_does_not_make_two_of_one_person(pair: Pair) -> None:
    pair.by(Person("Ada W", ADA.email), "Accept", policy=WAIVED)
    assert not pair.counts()
    pair.write(".mailmap", f"Bob Bo <bob@yard.example> Ada W <{ADA.email}>\n")
    assert not pair.counts()


@pytest.mark.parametrize(
    ("rule", "data"),
    [
        ("image/wrong-size", edited(yard_base(), {})[:0x30]),
        ("image/wrong-identity", edited(yard_base(), {0x80: b"YARD-99"})),
    ],
)
def test_a_waiver_that_keeps_the_other_rules_from_running_is_a_second_persons_too(
    pair: Pair, rule: str, data: bytes
) -> None:
    """Nobody accepts a protection of their own by accepting that it is not looked at."""
    pair.by(ADA, "Another image", heron=data)
    image = Image.raw(data)
    digest = whole_digest(image, read(yard_definition()))
    entry = (
        f'\n[[waivers]]\nrule = "{rule}"\nimage = "{HERON}"\nreason = "agreed after the trial"\n'
        f'who = "Ada Quay"\ndigest = "{digest}"\n'
    )
    for who, counts in ((ADA, False), (INES, True)):
        pair.by(who, "Accept", policy=STRICT + entry)
        findings = pair.report()["findings"]
        assert [finding["waived"] for finding in findings if finding["rule"] == rule] == [counts]
        pair.by(who, "Withdraw", policy=STRICT)


LIFTED = edited(yard_base(), {CUT: u16(4750)})


@dataclass(frozen=True)
class Person:
    """Somebody who commits."""

    name: str
    email: str

    @property
    def env(self) -> dict[str, str]:
        return {"GIT_AUTHOR_NAME": self.name, "GIT_AUTHOR_EMAIL": self.email}


ADA = Person("Ada Quay", "ada@yard.example")
INES = Person("Ines Falk", "ines@yard.example")
TOMAS = Person("Tomas Rook", "tomas@yard.example")


def waiver(
    data: bytes, table: str = "overspeed_cut", image: str = HERON, reason: str = "agreed after the trial"
) -> str:
    """A waiver of a table's disabled protection, as it stands in a policy."""
    digest = table_digest(yard_definition(), data, table)
    return (
        f'\n[[waivers]]\nrule = "protection/disabled"\nimage = "{image}"\ntable = "{table}"\n'
        f'reason = "{reason}"\nwho = "Ines Falk"\ndigest = "{digest}"\n'
    )


@dataclass(frozen=True)
class Pair(Scratch):
    """A repository in which several people work."""

    def by(self, who: Person, message: str, **files: bytes | str) -> str:
        """Write the image ``heron`` or the ``policy``, commit everything as somebody, and return the id."""
        self.lay(**files)
        self.must("add", "--all")
        done = self.git("commit", "--quiet", "--allow-empty", "--no-verify", "-m", message, env=who.env)
        assert done.status == 0, done
        return self.id()

    def lay(self, **files: bytes | str) -> None:
        for name, content in files.items():
            self.write({"heron": HERON, "policy": "callint.toml"}[name], content)

    def id(self, revision: str = "HEAD") -> str:
        return self.must("rev-parse", revision).strip()

    def report(self, *arguments: str, who: Person = TOMAS, folder: Path | None = None) -> Any:
        """What check says when somebody calls it."""
        done = call("check", *arguments, "--format", "json", cwd=folder or self.root, **who.env)
        assert done.status in (0, 1) and not done.stderr, done
        return valid(done.data, "findings.schema.json")

    def counts(self, *arguments: str, who: Person = TOMAS, folder: Path | None = None) -> bool:
        """Whether the waiver of the disabled protection counts; where it does not, a finding says so."""
        findings = self.report(*arguments, who=who, folder=folder)["findings"]
        (waived,) = {finding["waived"] for finding in findings if finding["rule"] == "protection/disabled"}
        said = [finding for finding in findings if finding["rule"].startswith("waiver/")]
        assert [finding["rule"] for finding in said] == ([] if waived else ["waiver/same-person"])
        return bool(waived)

    def complaint(self, *arguments: str, who: Person = TOMAS) -> str:
        """What is said of the waiver that does not count."""
        (item,) = (
            f for f in self.report(*arguments, who=who)["findings"] if f["rule"] == "waiver/same-person"
        )
        return f"{item['message']}. {item['hint']}"


@cache
def _template() -> Path:
    pair = Pair(make_repository(folder_for_copies()).root)
    make_yard(pair.root, heron=yard_base())
    pair.by(INES, "The yard", policy=STRICT)
    pair.by(ADA, "Faster", heron=LIFTED)
    return pair.root


@pytest.fixture
def pair(tmp_path: Path) -> Pair:
    """Ines committed the factory image, Ada lifted the protection."""
    return Pair(refreshed(copy_of(_template(), tmp_path / "repo")).root)


WAIVED = STRICT + waiver(LIFTED)


# Who wrote the waiver


@pytest.mark.parametrize("what", ["change", "waiver"])
@pytest.mark.parametrize("how", ["encoding", "nobody"])
def test_an_author_that_git_cannot_read_is_nobody_else(pair: Pair, what: str, how: str) -> None:
    if what == "waiver":
        pair.by(ADA, "Accept", policy=WAIVED)
    # In these encodings the line of the author is none, and git prints its placeholders in place of a name.
    head, text = pair.must("cat-file", "commit", "HEAD").split("\n\n", 1)
    if how == "encoding":
        head += "\nencoding UTF-16BE"
    else:
        head = head.replace(f"author {ADA.name} <{ADA.email}>", "author  <>")
    content = f"{head}\n\n{text}"
    path = pair.write("../commit", content + "\n" * (len(content) % 2))  # whole characters of two bytes
    made = pair.must("hash-object", "-t", "commit", "-w", "--literally", str(path)).strip()
    pair.must("reset", "--quiet", "--hard", made)
    if what == "change":
        pair.by(INES, "Accept", policy=WAIVED)
    assert not pair.counts()
    assert "names no author" in pair.complaint()


def test_a_waiver_by_somebody_else_counts(pair: Pair) -> None:
    pair.by(INES, "Accept", policy=WAIVED)
    assert pair.counts()
    assert call("check", cwd=pair.root).status == 0


def test_a_waiver_by_the_one_who_made_the_change_does_not_count(pair: Pair) -> None:
    pair.by(ADA, "Accept", policy=WAIVED)
    assert not pair.counts()
    done = call("check", cwd=pair.root)
    assert done.status == 1
    assert (
        "Ines Falk's waiver of protection/disabled for overspeed_cut in boats/heron.bin was written by the "
        "author of the change, Ada Quay waiver/same-person Ask a colleague to look at the change and to "
        "write the waiver." in done.flat
    )


def test_a_policy_that_does_not_ask_for_a_second_person_takes_any_waiver(pair: Pair) -> None:
    pair.by(ADA, "Accept", policy=WAIVED.replace("second-person = true", "second-person = false"))
    assert pair.counts()


def test_a_change_and_its_waiver_in_one_commit_are_one_persons(pair: Pair) -> None:
    faster = edited(LIFTED, {CUT: u16(4760)})
    pair.by(INES, "Faster still", heron=faster, policy=STRICT + waiver(faster))
    assert not pair.counts()


@pytest.mark.parametrize(
    ("other", "counts"),
    [
        (Person("A. Quay", "ada@yard.example"), False),
        (Person("Somebody", "ADA@Yard.Example"), False),
        (Person("Ada Quay", "ada@elsewhere.example"), True),
        (Person("Ada Quay", ""), False),
        (Person("ada quay", ""), False),
        (Person("Ines Falk", ""), True),
    ],
)
def test_people_are_distinguished_by_e_mail_and_without_one_by_name(
    pair: Pair, other: Person, counts: bool
) -> None:
    pair.by(other, "Accept", policy=WAIVED)
    assert pair.counts() is counts


def test_two_addresses_that_the_mailmap_joins_are_one_person(pair: Pair) -> None:
    home = Person("Ada at home", "ada@home.example")
    pair.by(home, "Accept", policy=WAIVED)
    assert pair.counts()
    pair.write(".mailmap", "Ada Quay <ada@yard.example> <ada@home.example>\n")
    assert not pair.counts()
    # The same goes for what is not committed yet.
    pair.by(home, "Another reason", policy=STRICT)
    pair.lay(policy=WAIVED)
    assert not pair.counts(who=home)


def test_somebody_who_rewords_a_waiver_has_written_it(pair: Pair) -> None:
    pair.by(INES, "Accept", policy=WAIVED)
    pair.by(ADA, "Reword", policy=STRICT + waiver(LIFTED, reason="agreed on before the trial"))
    assert not pair.counts()


def test_somebody_who_moves_a_waiver_in_the_policy_has_not_written_it(pair: Pair) -> None:
    pair.by(INES, "Accept", policy=WAIVED)
    moved = f"# Ours.\n{STRICT}\n[severity]\n'value/unexpected' = 'note'\n\n# Agreed.{waiver(LIFTED)}"
    pair.by(ADA, "Tidy up", policy=moved.replace("reason", "reason  "))
    assert pair.counts()


def test_a_waiver_that_was_removed_belongs_to_who_brings_it_back(pair: Pair) -> None:
    pair.by(INES, "Accept", policy=WAIVED)
    pair.by(INES, "No longer", policy=STRICT)
    assert not pair.report()["summary"]["waived"]
    pair.by(ADA, "Accept again", policy=WAIVED)
    assert not pair.counts()


def test_a_policy_that_could_not_be_read_for_a_while_had_no_waivers(pair: Pair) -> None:
    pair.by(INES, "Accept", policy=WAIVED)
    pair.by(ADA, "Break it", policy="[[broken\n")
    pair.by(TOMAS, "Mend it", policy=WAIVED)
    assert pair.counts()
    pair.by(ADA, "Break it again", policy="[[broken\n")
    pair.by(ADA, "Mend it myself", policy=WAIVED)
    assert not pair.counts()


# Who made the change


def test_a_value_of_the_base_is_nobodys_change(pair: Pair) -> None:
    # Ines committed the image first, but none of her cells differs from the base.
    pair.by(INES, "Back", heron=yard_base())
    pair.by(ADA, "Faster again", heron=LIFTED)
    pair.by(INES, "Accept", policy=WAIVED)
    assert pair.counts()


def test_nobody_who_set_one_of_the_cells_may_waive(pair: Pair) -> None:
    first = edited(yard_base(), {SMOKE: u16(970, 980)})
    both = edited(first, {SMOKE + 4: u16(990)})
    pair.by(ADA, "More smoke", heron=first)
    pair.by(TOMAS, "Even more", heron=both)
    for who, counts in ((ADA, False), (TOMAS, False), (INES, True)):
        text = STRICT + waiver(both, "smoke_cap", reason=f"agreed with {who.name}")
        pair.by(who, "Accept", policy=text)
        assert pair.counts() is counts


def test_nobody_who_moved_an_axis_of_the_table_may_waive(pair: Pair) -> None:
    smoky = edited(yard_base(), {SMOKE: u16(970, 980, 990)})
    moved = edited(smoky, {0x02: u16(1700)})
    pair.by(ADA, "More smoke", heron=smoky)
    pair.by(TOMAS, "Move the axis", heron=moved)
    pair.by(TOMAS, "Accept", policy=STRICT + waiver(moved, "smoke_cap"))
    assert not pair.counts()
    pair.by(INES, "Accept", policy=STRICT + waiver(moved, "smoke_cap", reason="seen on the brake"))
    assert pair.counts()


def test_a_person_who_edits_another_table_may_waive(pair: Pair) -> None:
    other = edited(LIFTED, {SMOKE: u16(610)})
    pair.by(INES, "A little smoke", heron=other)
    pair.by(INES, "Accept", policy=STRICT + waiver(other))
    assert pair.counts()


def test_an_image_without_a_base_is_all_change(pair: Pair) -> None:
    baseless = STRICT.replace('base = "factory/base.bin"\n', "") + waiver(LIFTED)
    pair.by(INES, "Accept", policy=baseless)
    assert pair.counts()
    smoky = edited(yard_base(), {SMOKE: u16(970, 980, 990)})
    pair.by(ADA, "Smoke", heron=smoky)
    # Ines set the fourth cell and the axis, when she committed the image.
    pair.by(INES, "Accept", policy=baseless + waiver(smoky, "smoke_cap"))
    findings = pair.report()["findings"]
    assert [finding["waived"] for finding in findings if finding["rule"] == "protection/disabled"] == [False]


def test_a_finding_about_a_definition_is_the_work_of_who_last_wrote_the_definition(pair: Pair) -> None:
    bare = yard_definition().replace(b'<guard state="off"/>', b"")
    pair.write("defs/yard.xml", bare)
    pair.by(ADA, "No guard", heron=yard_base())
    (rule,) = {finding["rule"] for finding in pair.report()["findings"]}
    assert rule.startswith("definition/")
    for who, counts in ((ADA, False), (INES, True)):
        pair.by(who, "Start afresh", policy=STRICT)
        arguments = ("waive", rule, "--table", "monitor", "--reason", "watched by hand")
        done = call(*arguments, cwd=pair.root, **TOMAS.env)
        assert done.status == 0, done
        pair.by(who, "Accept", policy=(pair.root / "callint.toml").read_text())
        assert [finding["waived"] for finding in pair.report()["findings"] if finding["rule"] == rule] == [
            counts
        ]


# What is not committed yet


@pytest.mark.parametrize(("who", "counts"), [(INES, True), (ADA, False)])
def test_a_waiver_that_is_not_committed_is_the_present_authors(pair: Pair, who: Person, counts: bool) -> None:
    pair.lay(policy=WAIVED)
    assert pair.counts(who=who) is counts
    pair.must("add", "--all")
    assert pair.counts("--staged", who=who) is counts


@pytest.mark.parametrize(("who", "counts"), [(ADA, True), (INES, False)])
def test_a_change_that_is_not_committed_is_the_present_authors(pair: Pair, who: Person, counts: bool) -> None:
    faster = edited(LIFTED, {CUT: u16(4760)})
    pair.by(INES, "Accept beforehand", policy=STRICT + waiver(faster))
    pair.lay(heron=faster)
    assert pair.counts(who=who) is counts
    pair.must("add", "--all")
    assert pair.counts("--staged", who=who) is counts


def test_the_index_is_judged_and_not_the_working_tree(pair: Pair) -> None:
    pair.by(INES, "Accept", policy=WAIVED)
    pair.stage(HERON, edited(LIFTED, {SMOKE: u16(610)}))
    pair.lay(policy=STRICT + waiver(LIFTED, reason="reworded by Ada herself"))
    assert pair.counts("--staged", who=ADA)
    assert not pair.counts(who=ADA)


def hook(pair: Pair) -> None:
    """A commit hook that checks what is staged."""
    path = pair.root / ".git/hooks/pre-commit"
    path.parent.mkdir(exist_ok=True)
    path.write_text(f"#!/bin/sh\nexec '{launcher()}' check --staged\n")
    path.chmod(path.stat().st_mode | stat.S_IXUSR)


def commit(pair: Pair, *arguments: str, who: Person = ADA) -> Result:
    pair.must("add", "--all")
    return pair.git("commit", "--quiet", "-m", "Accept", *arguments, env=who.env)


def test_a_hook_goes_by_the_author_that_the_commit_will_have(pair: Pair) -> None:
    hook(pair)
    pair.lay(policy=WAIVED)
    refused = commit(pair)
    assert refused.status == 1 and "waiver/same-person" in refused.stdout + refused.stderr
    accepted = commit(pair, "--author", f"{INES.name} <{INES.email}>")
    assert accepted.status == 0, accepted
    assert pair.counts()


# Rewritten commits


def test_a_rebase_keeps_the_authors(pair: Pair) -> None:
    pair.must("checkout", "--quiet", "-b", "topic")
    pair.by(INES, "Accept", policy=WAIVED)
    pair.must("checkout", "--quiet", "main")
    pair.write("notes.txt", "elsewhere")
    pair.by(ADA, "Elsewhere")
    pair.must("rebase", "--quiet", "main", "topic")
    assert pair.must("log", "-1", "--format=%aN, %cN").strip() == "Ines Falk, Ada Quay"
    assert pair.counts()


def test_an_amended_waiver_stays_its_authors_until_somebody_takes_it_over(pair: Pair) -> None:
    hook(pair)
    pair.by(INES, "Accept", policy=WAIVED)
    kept = pair.git("commit", "--amend", "--quiet", "-m", "Accept it", env=ADA.env)
    assert kept.status == 0, kept
    assert pair.counts()
    taken = pair.git("commit", "--amend", "--no-verify", "--reset-author", "-m", "Mine", env=ADA.env)
    assert taken.status == 0, taken
    assert not pair.counts()


# Merges


def branches(pair: Pair, who: Person) -> None:
    """A change of Ada's on main and somebody's waiver of it on a branch, not merged yet."""
    pair.must("checkout", "--quiet", "-b", "topic")
    pair.by(who, "Accept", policy=WAIVED)
    pair.must("checkout", "--quiet", "main")
    pair.write("notes.txt", "elsewhere")
    pair.by(ADA, "Elsewhere")


@pytest.mark.parametrize(("who", "counts"), [(INES, True), (ADA, False)])
def test_a_merged_waiver_belongs_to_its_author_on_its_own_side(pair: Pair, who: Person, counts: bool) -> None:
    branches(pair, who)
    done = pair.git("merge", "--quiet", "--no-ff", "--no-edit", "topic", env=TOMAS.env)
    assert done.status == 0, done
    assert pair.counts() is counts


@pytest.mark.parametrize(("who", "counts"), [(INES, True), (ADA, False)])
def test_a_merge_that_is_not_committed_yet_is_judged_by_all_its_sides(
    pair: Pair, who: Person, counts: bool
) -> None:
    branches(pair, who)
    # Whoever merges, be it the other of the two, has neither changed nor written anything.
    merging = ADA if who is INES else INES
    pair.git("merge", "--quiet", "--no-ff", "--no-commit", "topic", env=merging.env)
    assert pair.counts(who=merging) is counts
    assert pair.counts("--staged", who=merging) is counts


def test_a_change_that_a_merge_under_way_brings_is_its_authors(pair: Pair) -> None:
    pair.by(INES, "Back", heron=yard_base())
    pair.must("checkout", "--quiet", "-b", "topic")
    pair.by(ADA, "Faster again", heron=LIFTED)
    pair.must("checkout", "--quiet", "main")
    pair.by(INES, "Accept beforehand", policy=WAIVED)
    pair.git("merge", "--quiet", "--no-ff", "--no-commit", "topic", env=INES.env)
    assert pair.counts(who=INES)
    assert pair.counts("--staged", who=INES)


def test_a_waiver_that_only_the_merge_brought_is_the_mergers(pair: Pair) -> None:
    branches(pair, INES)
    pair.git("merge", "--quiet", "--no-ff", "--no-commit", "topic")
    pair.by(ADA, "Merge", policy=STRICT + waiver(LIFTED, reason="as it suits the merger"))
    assert not pair.counts()


# Renames


def test_an_image_that_was_renamed_keeps_the_authors_of_its_cells(pair: Pair) -> None:
    pair.must("mv", HERON, "boats/gull.bin")
    pair.by(INES, "Rename and accept", policy=STRICT + waiver(LIFTED, image="boats/gull.bin"))
    assert pair.counts()
    pair.by(ADA, "Reword", policy=STRICT + waiver(LIFTED, image="boats/gull.bin", reason="reworded by Ada"))
    assert not pair.counts()


def test_an_image_that_is_being_renamed_keeps_the_authors_of_its_cells(pair: Pair) -> None:
    pair.must("mv", HERON, "boats/gull.bin")
    pair.stage("callint.toml", STRICT + waiver(LIFTED, image="boats/gull.bin"))
    assert pair.counts("--staged", who=INES)
    assert not pair.counts("--staged", who=ADA)


@pytest.mark.parametrize(("who", "counts"), [(INES, True), (ADA, False)])
def test_a_policy_that_was_renamed_keeps_the_authors_of_its_waivers(
    pair: Pair, who: Person, counts: bool
) -> None:
    pair.by(who, "Accept", policy=WAIVED)
    pair.must("mv", "callint.toml", "yard.toml")
    pair.by(ADA if who is INES else INES, "Rename")
    assert pair.counts("--policy", "yard.toml") is counts


def test_a_policy_may_lie_in_a_folder(tmp_path: Path) -> None:
    pair = Pair(make_repository(tmp_path / "repo").root)
    make_yard(pair.root / "engines", heron=yard_base())
    pair.write("engines/callint.toml", STRICT)
    pair.by(INES, "The yard")
    pair.write("engines/boats/heron.bin", LIFTED)
    pair.by(ADA, "Faster")
    pair.write("engines/callint.toml", WAIVED)
    folder = pair.root / "engines"
    assert pair.counts(folder=folder, who=INES)
    assert not pair.counts(folder=folder, who=ADA)
    pair.by(ADA, "Accept")
    assert not pair.counts(folder=folder)
    assert not pair.counts("--policy", "engines/callint.toml")
    assert not pair.counts("--range", "HEAD~2..HEAD", folder=folder)


# Ranges


@pytest.mark.parametrize(("who", "counts"), [(INES, True), (ADA, False)])
def test_a_range_is_judged_at_its_end(pair: Pair, who: Person, counts: bool) -> None:
    pair.by(who, "Accept", policy=WAIVED)
    pair.by(TOMAS, "Another reason", policy=STRICT + waiver(LIFTED, reason="by a third person"))
    assert pair.counts("--range", "HEAD~3..HEAD")
    assert pair.counts("--range", "HEAD~3..HEAD~1") is counts
    assert pair.counts("--since", "HEAD~3")


def test_each_commit_of_a_range_is_judged_at_its_own_time(pair: Pair) -> None:
    own = pair.by(ADA, "Accept", policy=WAIVED)
    pair.by(INES, "Accept too", policy=STRICT + waiver(LIFTED, reason="seen by Ines on the brake"))
    findings = pair.report("--range", "HEAD~3..HEAD", "--each")["findings"]
    assert [finding["commit"] for finding in findings if finding["rule"] == "waiver/same-person"] == [own]


def test_a_waiver_of_ones_own_is_news_though_what_it_covers_is_not(pair: Pair) -> None:
    pair.by(ADA, "Accept", policy=WAIVED)
    (item,) = pair.report("--range", "HEAD~1..HEAD")["findings"]
    assert item["rule"] == "waiver/same-person"
    pair.by(TOMAS, "A comment", policy=WAIVED + "# Well.\n")
    assert pair.report("--range", "HEAD~1..HEAD")["findings"] == []


@pytest.mark.parametrize(("who", "counts"), [(INES, True), (ADA, False)])
def test_a_bare_repository_shows_who_did_what(pair: Pair, tmp_path: Path, who: Person, counts: bool) -> None:
    pair.by(who, "Accept", policy=WAIVED)
    pair.must("clone", "--quiet", "--bare", str(pair.root), str(tmp_path / "bare.git"))
    assert pair.counts("--range", "main~2..main", folder=tmp_path / "bare.git") is counts


# Where nobody can tell


def test_a_shallow_clone_lacks_the_authors_and_the_message_names_the_remedy(
    pair: Pair, tmp_path: Path
) -> None:
    pair.by(INES, "Accept", policy=WAIVED)
    pair.write("notes.txt", "elsewhere")
    pair.by(TOMAS, "Elsewhere")
    clone = Pair(tmp_path / "clone")
    pair.must("clone", "--quiet", "--depth", "1", pair.root.as_uri(), str(clone.root))
    assert not clone.counts()
    assert "the clone is shallow" in clone.complaint()
    assert "git fetch --unshallow" in clone.complaint()
    clone.must("fetch", "--quiet", "--unshallow")
    assert clone.counts()


def test_a_shallow_clone_that_has_the_commits_in_question_can_tell(pair: Pair, tmp_path: Path) -> None:
    pair.by(INES, "Accept", policy=WAIVED)
    clone = Pair(tmp_path / "clone")
    pair.must("clone", "--quiet", "--depth", "3", pair.root.as_uri(), str(clone.root))
    pair.by(TOMAS, "Elsewhere")
    assert clone.counts()


def test_outside_git_no_such_waiver_counts(pair: Pair, tmp_path: Path) -> None:
    pair.by(INES, "Accept", policy=WAIVED)
    outside = Pair(tmp_path / "outside")
    shutil.copytree(pair.root, outside.root, ignore=shutil.ignore_patterns(".git"))
    assert not outside.counts()
    assert "does not count: without git, callint cannot tell who made the change" in outside.complaint()


def test_without_the_program_no_such_waiver_counts(pair: Pair) -> None:
    pair.by(INES, "Accept", policy=WAIVED)
    done = run("check", cwd=pair.root, PATH="")
    assert done.status == 1 and not done.stderr
    assert "without git, callint cannot tell who made the change" in done.flat


@pytest.mark.parametrize("path", ["callint.toml", HERON])
def test_an_untracked_file_has_no_author(pair: Pair, path: str) -> None:
    pair.by(INES, "Accept", policy=WAIVED)
    pair.must("rm", "--quiet", "--cached", path)
    assert not pair.counts()
    assert f"does not count: git does not track {path}" in pair.complaint()
    assert f"git add {path}" in pair.complaint()


def test_a_repository_without_a_commit_is_all_the_present_authors(tmp_path: Path) -> None:
    pair = Pair(make_repository(tmp_path).root)
    make_yard(pair.root, heron=LIFTED)
    pair.write("callint.toml", WAIVED)
    pair.must("add", "--all")
    assert not pair.counts(who=INES)
    assert "was written by the author of the change, Ines Falk" in pair.complaint(who=INES)


def test_somebody_whom_git_does_not_know_has_written_nothing(pair: Pair) -> None:
    pair.lay(policy=WAIVED)
    nobody = Person("", "")
    assert not pair.counts(who=nobody)
    assert "git does not know who you are" in pair.complaint(who=nobody)
    assert "Set user.name" in pair.complaint(who=nobody)


def test_a_missing_older_image_makes_it_unknown_who_set_its_cells(pair: Pair) -> None:
    before = pair.id(f"HEAD~1:{HERON}")
    pair.by(INES, "Accept", policy=WAIVED)
    (pair.root / ".git/objects" / before[:2] / before[2:]).unlink()
    assert not pair.counts()
    assert "could not be read" in pair.complaint()


# Strangers


def test_the_name_of_a_stranger_cannot_steer_the_terminal(pair: Pair) -> None:
    odd = Person("Ada\x1b[2J\u202eQuay", "ada@yard.example")
    pair.by(odd, "Accept", policy=WAIVED)
    done = call("check", cwd=pair.root)
    assert "waiver/same-person" in done.stdout
    assert steering(done.stdout) == []


@pytest.mark.parametrize("name", ["--stdin", "-h", "Größe \U0001f6a2", "\udcff half"])
def test_any_name_may_be_the_present_authors(pair: Pair, name: str) -> None:
    pair.lay(policy=WAIVED)
    assert not pair.counts(who=Person(name, ADA.email))
    assert pair.counts(who=Person(name, "somebody@yard.example"))


def imported(pair: Pair) -> Iterator[str]:
    """What a check has imported when it ends."""
    program = (
        "import sys\nfrom callint.__main__ import main\nmain(['check'])\n"
        "sys.stderr.write('\\n'.join(sys.modules))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program],
        cwd=pair.root,
        env=environment(),
        capture_output=True,
        text=True,
        check=True,
    )
    yield from done.stderr.splitlines()


GIT = "callint.versioning.git.repository"


def test_git_is_imported_only_where_a_waiver_has_to_be_a_second_persons(pair: Pair) -> None:
    assert GIT not in imported(pair)
    pair.lay(policy=WAIVED.replace("true", "false"))
    assert GIT not in imported(pair)
    pair.lay(policy=WAIVED)
    assert GIT in imported(pair)


# Callers from Python


@pytest.mark.parametrize("who", [ADA, INES])
def test_callers_from_python_get_the_same_errors(
    who: Person, pair: Pair, monkeypatch: pytest.MonkeyPatch
) -> None:
    pair.by(who, "Accept", policy=WAIVED)
    for name, value in environment().items():
        monkeypatch.setenv(name, value)
    monkeypatch.chdir(pair.root)
    definition, policy = callint.load_definition("defs/yard.xml"), callint.load_policy("callint.toml")
    report = callint.check(callint.read_image(HERON), definition, policy=policy)
    assert json.loads(report.to_json()) == pair.report(HERON)
    assert report.summary["waived"] == (1 if who is INES else 0)
    # Git knows nothing of bytes that only bear the name of the file.
    other = callint.read_image(edited(LIFTED, {HULL: b"HERON-4     "}), name=HERON)
    (said,) = (
        item
        for item in callint.check(other, definition, policy=policy).findings
        if item.rule.startswith("waiver/")
    )
    assert "without git, callint cannot tell who made the change" in said.message
