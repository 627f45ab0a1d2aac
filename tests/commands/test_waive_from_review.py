"""``callint waive --from-review``: what a reviewer accepted on the page of a review becomes waivers."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.building import u16
from tests.reviewing import REASON, Json, reviewed, sign_off
from tests.running import (
    CUT,
    EGR,
    HULL,
    Scratch,
    copy_of,
    edited,
    fuel_cell,
    make_repository_yard,
    yard_base,
)

#: One cell beyond its limit and changed emissions: two mistakes.
BUSY = edited(yard_base(), {fuel_cell(1, 1): u16(9990), EGR: bytes([28, 24, 12, 3])})
HERON, BASE = "boats/heron.bin", "factory/base.bin"
FILE = "heron.sign-off.json"


@pytest.fixture(scope="module")
def start(tmp_path_factory: pytest.TempPathFactory) -> tuple[Scratch, Json]:
    """A repository with a change that somebody else made, and what its reviewer saved."""
    yard = make_repository_yard(tmp_path_factory.mktemp("start") / "yard", heron=BUSY)
    return yard, sign_off(reviewed(yard))


@pytest.fixture
def yard(start: tuple[Scratch, Json], tmp_path: Path) -> Scratch:
    copy = Scratch(copy_of(start[0].root, tmp_path / "yard"))
    copy.write(FILE, json.dumps(start[1]))
    return copy


def changed(yard: Scratch, change: Callable[[Json], Any]) -> None:
    """The saved file with a change."""
    saved = json.loads((yard.root / FILE).read_text("utf-8"))
    change(saved)
    yard.write(FILE, json.dumps(saved))


def waivers(yard: Scratch) -> list[Json]:
    policy = tomllib.loads((yard.root / "callint.toml").read_text("utf-8"))
    return policy.get("waivers", [])  # type: ignore[no-any-return]


def refused(yard: Scratch, *more: str) -> str:
    """The one line of a refusal, which leaves the policy as it was."""
    before = (yard.root / "callint.toml").read_bytes()
    error = yard.call("waive", "--from-review", FILE, *more).error
    assert (yard.root / "callint.toml").read_bytes() == before
    return error


def test_every_accepted_mistake_gets_waivers_in_the_reviewers_name(yard: Scratch) -> None:
    assert yard.call("check").status == 1
    result = yard.call("waive", "--from-review", FILE)
    assert (result.status, result.stderr) == (0, "")
    assert {entry["table"] for entry in waivers(yard)} == {"fuel", "egr"}
    assert {(entry["who"], entry["reason"]) for entry in waivers(yard)} == {("Ada Quay", REASON)}
    assert yard.call("check").status == 0
    assert "is already waived here" in refused(yard)


def test_a_dry_run_shows_the_waivers_of_a_review_and_writes_nothing(yard: Scratch) -> None:
    result = yard.call("waive", "--from-review", FILE, "--dry-run", "--until", "2099-01-31")
    assert result.stdout.count("until = 2099-01-31") >= 2
    assert waivers(yard) == []


def test_the_waivers_of_a_review_end_with_their_number_and_with_what_was_not_read(yard: Scratch) -> None:
    changed(yard, lambda saved: saved.update(unread=[{"image": HERON, "table": "egr"}]))
    output = " ".join(yard.call("waive", "--from-review", FILE, "--dry-run").stdout.split())
    amount = output.count("[[waivers]]")
    assert f"{amount} waivers for " in output
    assert "The reviewer left 1 changed part unread, such as tables and checksums." in output


def test_what_the_reviewer_did_not_accept_stays_open(yard: Scratch) -> None:
    changed(yard, lambda saved: saved["accepted"].remove(
        next(entry for entry in saved["accepted"] if entry["findings"][0].get("table") == "egr")
    ))  # fmt: skip
    assert yard.call("waive", "--from-review", FILE).status == 0
    assert {entry["table"] for entry in waivers(yard)} == {"fuel"}


def test_the_remarks_on_two_mistakes_that_one_waiver_accepts_are_both_its_reason(tmp_path: Path) -> None:
    two = edited(yard_base(), {fuel_cell(0, 1): u16(9990), fuel_cell(3, 1): u16(9980)})
    yard = make_repository_yard(tmp_path / "yard", heron=two)
    saved = sign_off(reviewed(yard))
    rules = [{finding["rule"] for finding in entry["findings"]} for entry in saved["accepted"]]
    assert len(rules) == 2 and rules[0] & rules[1]
    saved["accepted"][1]["remark"] = "The other cell\nwas measured too."
    yard.write(FILE, json.dumps(saved))
    assert yard.call("waive", "--from-review", FILE).status == 0
    reasons = {entry["reason"] for entry in waivers(yard)}
    assert f"{REASON}; The other cell was measured too." in reasons


def test_a_waiver_that_would_accept_another_mistake_too_is_refused(tmp_path: Path) -> None:
    two = edited(yard_base(), {fuel_cell(0, 1): u16(9990), fuel_cell(3, 1): u16(9980)})
    yard = make_repository_yard(tmp_path / "yard", heron=two)
    saved = sign_off(reviewed(yard))
    del saved["accepted"][1]
    yard.write(FILE, json.dumps(saved))
    assert "which Ada Quay does not accept; accept that on the page too" in refused(yard)


# Whether it is what was reviewed


def test_another_image_than_the_reviewed_one_is_refused(yard: Scratch) -> None:
    yard.write(HERON, edited(BUSY, {CUT: u16(4100)}))
    assert f"{HERON} is not what was reviewed: its SHA-256 was " in refused(yard)


def test_another_definition_than_the_reviewed_one_is_refused(yard: Scratch) -> None:
    path = yard.root / "defs/yard.xml"
    path.write_bytes(path.read_bytes() + b"<!-- looser -->\n")
    assert f"the definition of {HERON}, defs/yard.xml, is not what was reviewed" in refused(yard)


def test_a_definition_with_other_line_ends_is_the_reviewed_one(yard: Scratch) -> None:
    path = yard.root / "defs/yard.xml"
    path.write_bytes(path.read_bytes().replace(b"\n", b"\r\n"))
    assert yard.call("waive", "--from-review", FILE, "--dry-run").status == 0


def test_another_base_than_the_reviewed_one_is_refused(yard: Scratch) -> None:
    yard.write(BASE, edited(yard_base(), {HULL: b"OTHER       "}))
    assert f"the base of {HERON}, {BASE}, is not what was reviewed" in refused(yard)


def test_an_image_that_the_policy_no_longer_names_is_refused(yard: Scratch) -> None:
    path = yard.root / "callint.toml"
    path.write_text(path.read_text("utf-8").replace("boats/", "ships/"), "utf-8")
    assert f"the policy names no image {HERON}" in refused(yard)


def test_a_finding_that_check_does_not_find_is_refused(yard: Scratch) -> None:
    changed(yard, lambda saved: saved["accepted"][-1]["findings"][0].update(fingerprint="0" * 16))
    assert "callint check does not find" in refused(yard)


# Whether the reviewer accepts it


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (lambda saved: saved.update(signed=False), "it is not signed; sign it on the page"),
        (lambda saved: saved.update(decision="changes"), "Ada Quay did not agree to the change"),
        (lambda saved: saved.update(accepted=[]), "Ada Quay accepts no finding in it"),
        (lambda saved: saved["reviewer"].update(name=" "), "it does not name the reviewer"),
        (lambda saved: saved["accepted"][0].update(remark="short"), "is not a reason of 10 characters"),
        (lambda saved: saved["accepted"][0].update(remark="a reason \x1b[2J steers"), "is not a reason"),
        (lambda saved: saved.update(version=2), "version does not fit the schema of a sign-off"),
        (lambda saved: saved["accepted"][0].update(image="a\nb\x1b[2J"), "it has no digest of a"),
        (lambda saved: saved.update(images=[]), f"it has no digest of {HERON}"),
    ],
)
def test_a_file_without_a_signed_agreement_is_refused(
    yard: Scratch, change: Callable[[Json], Any], reason: str
) -> None:
    changed(yard, change)
    error = refused(yard)
    assert error.startswith(f"callint: {FILE}: ") and reason in error


def test_nobody_accepts_in_the_name_of_another_person_by_accident(yard: Scratch) -> None:
    changed(yard, lambda saved: saved["reviewer"].update(name="Bo Lund"))
    assert "Bo Lund signed it, but git knows you as Ada Quay; let Bo Lund run this" in refused(yard)
    assert yard.call("waive", "--from-review", FILE, "--on-behalf").status == 0
    assert {(entry["who"], entry["reason"]) for entry in waivers(yard)} == {
        ("Bo Lund", f"{REASON} (written by Ada Quay from the sign-off of Bo Lund)")
    }


def test_the_spelling_of_the_reviewers_name_does_not_matter(yard: Scratch) -> None:
    changed(yard, lambda saved: saved["reviewer"].update(name=" ada  QUAY "))
    assert yard.call("waive", "--from-review", FILE).status == 0
    assert {entry["who"] for entry in waivers(yard)} == {"Ada Quay"}


def test_where_a_second_person_is_demanded_the_author_of_the_change_cannot_use_a_sign_off(
    yard: Scratch,
) -> None:
    path = yard.root / "callint.toml"
    path.write_text(f"second-person = true\n{path.read_text('utf-8')}", "utf-8")
    changed(yard, lambda saved: saved["reviewer"].update(name="Bo Lund"))
    assert "was written by the author of the change, Ada Quay" in refused(yard, "--on-behalf")
    env = {"GIT_AUTHOR_NAME": "Bo Lund", "GIT_AUTHOR_EMAIL": "bo@yard.example"}
    assert yard.call("waive", "--from-review", FILE, **env).status == 0
    yard.git("add", "callint.toml")
    yard.git("commit", "--quiet", "--message", "Accepted", "--author", "Bo Lund <bo@yard.example>")
    assert yard.call("check").status == 0


# The command line


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        ((), "missing argument 'FINDING...'"),
        (("123456",), "missing option '--reason'"),
        (("123456", "--reason", REASON, "--on-behalf"), "--on-behalf needs --from-review"),
        (("123456", "--from-review", FILE), "--from-review excludes FINDING"),
        (("--from-review", FILE, "--reason", REASON), "--from-review excludes"),
        (("--from-review", FILE, "--table", "fuel"), "--from-review excludes"),
    ],
)
def test_findings_and_a_review_exclude_each_other(
    yard: Scratch, arguments: tuple[str, ...], reason: str
) -> None:
    result = yard.call("waive", *arguments)
    assert result.status == 2 and reason in result.stderr
    assert waivers(yard) == []


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (None, "it does not exist"),
        (b"no JSON", "it is not JSON"),
        (b"[" * 100_000, "it is not JSON"),
        (b"{}", "the document does not fit the schema of a sign-off"),
        (b" " * (2**24 + 1), "it is larger than 16 MiB"),
    ],
)
def test_a_file_that_is_not_a_sign_off_is_wrong_input(
    yard: Scratch, content: bytes | None, reason: str
) -> None:
    (yard.root / FILE).unlink()
    if content is not None:
        (yard.root / FILE).write_bytes(content)
    error = refused(yard)
    assert error.startswith(f"callint: {FILE}: ") and reason in error
