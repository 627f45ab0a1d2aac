"""``callint waive`` as its users meet it."""

from __future__ import annotations

import os
import tomllib
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from callint.model.finding import Finding
from callint.model.waiver import Waiver
from callint.reading.policy import read_policy
from callint.reporting.waiver.toml import with_entry
from tests.building import u16
from tests.rules.example import image_digest, table_digest
from tests.running import (
    CUT,
    EGR,
    GOOD,
    POLICY,
    SMOKE,
    Result,
    Yard,
    edited,
    fuel_cell,
    make_repository_yard,
    make_yard,
    not_as_root,
    steering,
    too_wide,
    yard_base,
    yard_definition,
)

HERON, GULL = "boats/heron.bin", "boats/gull.bin"
#: Two cells beyond their limit, changed emissions, a lifted cut-off speed.
BUSY = edited(
    yard_base(),
    {fuel_cell(1, 1): u16(9990), fuel_cell(2, 1): u16(9990), CUT: u16(4750), EGR: bytes([28, 24, 12, 3])},
)
FUEL_DIGEST = table_digest(yard_definition(), BUSY, "fuel")
REASON = "measured on the brake"
FUEL = ("value/out-of-range", "--table", "fuel")


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return make_yard(tmp_path / "yard", heron=BUSY)


def policy_of(yard: Yard) -> bytes:
    return (yard.root / "callint.toml").read_bytes()


def waivers(yard: Yard) -> list[dict[str, Any]]:
    """The waivers as any reader of TOML sees them."""
    result: list[dict[str, Any]] = tomllib.loads(policy_of(yard).decode("utf-8-sig")).get("waivers", [])
    return result


def waive(yard: Yard, *arguments: str, reason: str = REASON, **env: str) -> Result:
    result = yard.call("waive", *arguments, "--reason", reason, **env)
    assert (result.status, result.stderr) == (0, ""), result
    assert too_wide(result.stdout) == [] and steering(result.stdout) == []
    return result


def refused(yard: Yard, *arguments: str, reason: str | None = REASON, **env: str) -> str:
    """The one line of a refusal, which leaves every file as it was."""
    before = yard.files()
    given_reason = () if reason is None else ("--reason", reason)
    error = yard.call("waive", *arguments, *given_reason, **env).error
    assert yard.files() == before
    return error


def findings(yard: Yard, rule: str) -> list[dict[str, Any]]:
    report = yard.call("check", "--format", "json").data
    return [finding for finding in report["findings"] if finding["rule"] == rule]


# What is written


def test_a_finding_is_accepted_in_the_name_that_git_knows(yard: Yard) -> None:
    last_day = date.today() + timedelta(days=30)
    result = yard.run("waive", *FUEL, "--reason", REASON, "--until", last_day.isoformat())
    assert (result.status, result.stderr) == (0, "")
    assert waivers(yard) == [
        {
            "rule": "value/out-of-range",
            "image": HERON,
            "table": "fuel",
            "reason": REASON,
            "who": "Ada Quay",
            "until": last_day,
            "digest": FUEL_DIGEST,
        }
    ]
    assert result.flat == (
        f"Ada Quay accepts value/out-of-range for fuel in {HERON}, until {last_day}: 2 findings. "
        f"It applies to {FUEL_DIGEST} until the table changes. "
        "It is in callint.toml, line 6. "
        "A waiver does not make a change safe: the maker's limits, local law and licensed practice come "
        "first."
    )
    assert [finding["waived"] for finding in findings(yard, "value/out-of-range")] == [True, True]


def test_a_finding_is_known_by_its_fingerprint_or_the_start_of_it(yard: Yard) -> None:
    item, other = findings(yard, "value/out-of-range")
    printed = item["fingerprint"][:8]
    assert f"  {printed} " in yard.call("check").stdout
    for mark in (item["fingerprint"], other["fingerprint"][:6].upper(), printed):
        yard.write("callint.toml", POLICY)
        waive(yard, mark)
        assert [entry["digest"] for entry in waivers(yard)] == [FUEL_DIGEST]


def causes(yard: Yard) -> dict[str, dict[str, Any]]:
    """The causes in boats/heron.bin by the name of their place."""
    report = yard.call("check", "--format", "json").data
    return {cause["places"][0].get("name", ""): cause for cause in report["causes"] if "image" in cause}


def test_a_cause_is_accepted_with_all_of_its_findings(yard: Yard) -> None:
    cause = causes(yard)["fuel"]
    assert len(cause["findings"]) > 1
    result = waive(yard, cause["id"])
    assert result.flat.count("Ada Quay accepts ") == len(waivers(yard))
    assert result.flat.count("A waiver does not make a change safe") == 1
    assert {entry["table"] for entry in waivers(yard)} == {"fuel"}
    assert causes(yard)["fuel"]["waived"]
    assert not causes(yard)["overspeed_cut"]["waived"]
    assert "is already waived here" in refused(yard, cause["id"])


def test_a_cause_is_known_by_the_start_of_its_id(yard: Yard) -> None:
    waive(yard, causes(yard)["egr"]["id"][:-2].upper())
    assert [entry["table"] for entry in waivers(yard)] == ["egr"]


def test_several_findings_are_accepted_at_once_each_table_once(yard: Yard) -> None:
    item, other = (finding["fingerprint"] for finding in findings(yard, "value/out-of-range"))
    (emissions,) = (finding["fingerprint"] for finding in findings(yard, "change/emissions"))
    waive(yard, item, other, emissions[:8])
    assert [(entry["rule"], entry["table"]) for entry in waivers(yard)] == [
        ("value/out-of-range", "fuel"),
        ("change/emissions", "egr"),
    ]
    assert waivers(yard)[0]["digest"] == FUEL_DIGEST


def test_of_several_findings_none_is_accepted_if_one_cannot_be(yard: Yard) -> None:
    mark = findings(yard, "value/out-of-range")[0]["fingerprint"]
    assert "no finding has this fingerprint" in refused(yard, mark, "0123456789abcdef")
    assert "no cause has this id" in refused(yard, mark, "cause-00000000")


def test_a_cause_of_something_else_than_what_is_named_is_refused(yard: Yard) -> None:
    assert "it is about fuel in boats/heron.bin" in refused(
        yard, causes(yard)["fuel"]["id"], "--table", "egr"
    )


def test_a_waiver_without_an_end_has_no_last_day(yard: Yard) -> None:
    assert "without an end" in waive(yard, *FUEL).flat
    assert "until" not in waivers(yard)[0]


def test_the_last_day_may_be_today(yard: Yard) -> None:
    waive(yard, *FUEL, "--until", date.today().isoformat())
    assert all(finding["waived"] for finding in findings(yard, "value/out-of-range"))


def test_a_dry_run_shows_the_entry_and_writes_nothing(yard: Yard) -> None:
    before = yard.files()
    result = waive(yard, *FUEL, "--dry-run")
    assert yard.files() == before
    shown = "".join(f"{line[2:]}\n" for line in result.lines[1:8])
    waive(yard, *FUEL)
    assert policy_of(yard).decode() == f"{POLICY}\n{shown}"
    assert "callint would add to callint.toml:" in result.stdout and "It is in" not in result.stdout


def test_a_finding_about_no_table_is_accepted_with_the_whole_image(yard: Yard) -> None:
    stale = edited(BUSY, {fuel_cell(0, 0): u16(121)}, seal=False)
    yard.write(HERON, stale)
    result = waive(yard, "image/stale-checksum")
    assert "until the image changes" in result.flat
    (entry,) = waivers(yard)
    assert "table" not in entry and entry["digest"] == image_digest(yard_definition(), stale)
    assert [finding["waived"] for finding in findings(yard, "image/stale-checksum")] == [True]


def test_a_finding_about_an_axis_or_a_definition_is_accepted_too(yard: Yard) -> None:
    yard.write(HERON, edited(BUSY, {0x02: u16(1700)}))
    yard.write("defs/yard.xml", yard_definition().replace(b'<guard state="off"/>', b""))
    for rule, table, content in (
        ("axis/shared-axis-changed", "speed_4", "axis"),
        ("definition/unguarded-protection", "monitor", "definition"),
    ):
        assert f"until the {content} changes" in waive(yard, rule, "--table", table).flat
        assert [finding["waived"] for finding in findings(yard, rule) if finding["table"] == table] == [True]
    assert not findings(yard, "waiver/outdated") and not findings(yard, "waiver/unused")


def test_an_image_is_named_as_check_prints_it_or_from_where_one_stands(yard: Yard) -> None:
    yard.write(GULL, BUSY)
    for folder, path in (("", HERON), ("", f"./boats/../{HERON}"), ("boats", "heron.bin"), ("boats", HERON)):
        yard.write("callint.toml", POLICY)
        here = Yard(yard.root / folder)
        waive(here, *FUEL, "--image", path)
        assert [entry["image"] for entry in waivers(yard)] == [HERON]


def test_a_policy_of_another_name_is_written_where_it_is_named(yard: Yard) -> None:
    (yard.root / "callint.toml").rename(yard.root / "yard.toml")
    result = waive(yard, *FUEL, "--policy", "yard.toml")
    assert "It is in yard.toml, line 6" in result.flat
    assert b"[[waivers]]" in (yard.root / "yard.toml").read_bytes()


@pytest.mark.skipif(os.name == "nt", reason="links need a right on Windows")
def test_a_policy_that_is_a_link_stays_one(yard: Yard) -> None:
    (yard.root / "callint.toml").rename(yard.root / "ours.toml")
    (yard.root / "callint.toml").symlink_to("ours.toml")
    waive(yard, *FUEL)
    assert (yard.root / "callint.toml").is_symlink()
    assert b"[[waivers]]" in (yard.root / "ours.toml").read_bytes()


# The rest of the policy stays as it is


@pytest.mark.parametrize(
    "before",
    [
        POLICY,
        POLICY.rstrip("\n"),
        f"{POLICY}# the end",
        f"{POLICY}\n\n\n",
        f"# Ours.\n{POLICY}\n[severity]   # strict\n'value/unexpected'='note'",
        f"\ufeff{POLICY}",
        POLICY.replace("\n", "\r\n"),
        f"\ufeff# Größe \u00b5 \U0001f6a2\r\n{POLICY}".replace("\r\n", "\n")
        .replace("\n", "\r\n")
        .rstrip("\r\n"),
    ],
    ids=[
        "plain",
        "no last line break",
        "a comment at the end",
        "empty lines at the end",
        "a table at the end",
        "a byte order mark",
        "Windows line ends",
        "all of it",
    ],
)
def test_the_old_content_of_the_policy_stays_to_the_byte(yard: Yard, before: str) -> None:
    yard.write("callint.toml", before)
    waive(yard, *FUEL)
    after = policy_of(yard)
    assert after.startswith(before.encode())
    added = after[len(before.encode()) :].decode()
    ends = "\r\n" if "\r\n" in before else "\n"
    assert added.count("\n") == added.count(ends)
    assert added.startswith((f"{ends}[[waivers]]", f"{ends}{ends}[[waivers]]")) and added.endswith(ends)
    assert [entry["digest"] for entry in waivers(yard)] == [FUEL_DIGEST]


def test_one_waiver_follows_another(yard: Yard) -> None:
    waive(yard, *FUEL)
    once = policy_of(yard)
    waive(yard, "change/emissions", "--table", "egr")
    assert policy_of(yard).startswith(once)
    assert [entry["rule"] for entry in waivers(yard)] == ["value/out-of-range", "change/emissions"]


@pytest.mark.parametrize(
    "reason",
    [
        "a \"quoted\" and 'singly' quoted word",
        "C:\\new\\table and \\u0041",
        "Größe 5 \u00b5m, \u6e2c\u5b9a, \U0001f6a2",
        "# no comment = [[waivers]]",
        '"""three quotes"""',
        "joined \U0001f469\u200d\U0001f527 by an invisible sign",
        "turned \u202eround",
    ],
)
def test_a_reason_is_read_back_as_it_was_given(yard: Yard, reason: str) -> None:
    waive(yard, *FUEL, reason=reason)
    assert [entry["reason"] for entry in waivers(yard)] == [reason]


def test_spaces_in_a_reason_are_drawn_together(yard: Yard) -> None:
    waive(yard, *FUEL, reason="  measured   on the  brake ")
    assert [entry["reason"] for entry in waivers(yard)] == [REASON]


_TEXT = st.text(st.characters(codec="utf-8"), min_size=1, max_size=40)


@given(
    reason=_TEXT.map(lambda text: " ".join(f"{text} is the reason".split())),
    image=_TEXT,
    table=_TEXT,
    who=_TEXT.map(lambda text: f"{text} Quay".strip()),
    until=st.none() | st.dates(date(1900, 1, 1)),
    before=st.sampled_from([b"", b"\xef\xbb\xbf", POLICY.encode(), POLICY.replace("\n", "\r\n").encode()]),
)
def test_every_waiver_is_read_back_as_it_was_written(
    reason: str, image: str, table: str, who: str, until: date | None, before: bytes
) -> None:
    item = Waiver("value/out-of-range", image, table, reason, who, until, FUEL_DIGEST, line=0)
    after = with_entry(before, item)
    assert after.startswith(before)
    (read,) = read_policy(after, "callint.toml").waivers
    assert (read.subject, read.reason, read.who, read.until) == (item.subject, reason, who, until)


# Waivers that are dead already


def test_a_waiver_that_died_is_left_alone_and_may_be_removed(yard: Yard) -> None:
    waive(yard, *FUEL)
    changed = edited(BUSY, {fuel_cell(3, 1): u16(9990)})
    yard.write(HERON, changed)
    assert [finding["line"] for finding in findings(yard, "waiver/outdated")] == [6]
    result = waive(yard, *FUEL, reason="measured once more", GIT_AUTHOR_NAME="Ines Falk")
    assert "Ada Quay's waiver in line 6 no longer counts and can be removed." in result.flat
    assert [entry["who"] for entry in waivers(yard)] == ["Ada Quay", "Ines Falk"]
    assert all(finding["waived"] for finding in findings(yard, "value/out-of-range"))
    (dead,) = findings(yard, "waiver/outdated")
    assert (dead["line"], dead["hint"]) == (6, "Remove this waiver: the waiver in line 14 replaces it.")


def test_a_waiver_that_ended_may_be_written_again(yard: Yard) -> None:
    yesterday = date.today() - timedelta(days=1)
    waive(yard, *FUEL, "--until", date.today().isoformat())
    ended = policy_of(yard).decode().replace(date.today().isoformat(), yesterday.isoformat())
    yard.write("callint.toml", ended)
    result = waive(yard, *FUEL)
    assert "waiver in line 6 no longer counts" in result.flat
    assert [finding["hint"] for finding in findings(yard, "waiver/expired")] == [
        "Remove this waiver: the waiver in line 15 replaces it."
    ]


# Refusals


def test_a_finding_that_is_not_there_is_refused_with_what_is_near(yard: Yard) -> None:
    error = refused(yard, "value/too-steep", "--table", "fuel")
    assert error.startswith(
        "callint: value/too-steep: fuel has no such finding, but has findings of value/out-of-range; "
    )
    error = refused(yard, "value/out-of-range", "--table", "egr")
    assert "egr has no such finding, but has findings of change/emissions; " in error
    assert "; the rule has findings about fuel in boats/heron.bin; " in error
    assert "there is no finding about trim" in refused(yard, "value/too-steep", "--table", "trim")
    assert "there is no such finding" in refused(yard, "value/too-steep")
    error = refused(yard, *FUEL, "--image", "boats/petrel.bin")
    assert "there is no finding about fuel; the rule has findings about fuel in boats/heron.bin" in error
    for arguments in (("abcdef",), ("0123456789abcdef",)):
        assert "no finding has this fingerprint; callint check --all" in refused(yard, *arguments)


def test_a_finding_that_could_be_several_is_refused_with_the_option_that_settles_it(yard: Yard) -> None:
    assert "it has findings about fuel in boats/heron.bin; select one with --table" in refused(
        yard, "value/out-of-range"
    )
    yard.write(HERON, edited(BUSY, {SMOKE: u16(1010)}))
    assert "it has findings about fuel, smoke_cap in boats/heron.bin; select one with --table" in refused(
        yard, "value/out-of-range"
    )
    yard.write(GULL, BUSY)
    assert "it has findings in boats/gull.bin, boats/heron.bin; select one with --image" in refused(
        yard, *FUEL
    )


def test_a_fingerprint_that_many_findings_share_the_start_of_is_refused(
    yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    marks = {1: "abcdef0000000001", 2: "abcdef0000000002"}
    monkeypatch.setattr(
        Finding, "fingerprint", property(lambda item: marks.get(item.cell.x if item.cell else 0, "9" * 16))
    )
    error = refused(yard, "abcdef")
    assert "2 fingerprints start with it; give more digits: abcdef0000000001, abcdef0000000002" in error


@pytest.mark.parametrize(
    ("word", "message"),
    [
        ("abcde", "give the first 6 of them or more"),
        ("0123456789abcdef0", "a fingerprint has 16 digits"),
        ("overspeed", "neither a fingerprint nor the id of a cause or a rule"),
        ("", "neither a fingerprint nor the id of a cause or a rule"),
        ("value/out-of-rage", "did you mean value/out-of-range?"),
        ("weather/rain", "callint rules lists them"),
    ],
)
def test_an_argument_that_is_neither_fingerprint_nor_rule_is_refused(
    yard: Yard, word: str, message: str
) -> None:
    assert message in refused(yard, word)


def test_a_fingerprint_of_something_else_than_what_is_named_is_refused(yard: Yard) -> None:
    mark = findings(yard, "value/out-of-range")[0]["fingerprint"]
    assert "it is about fuel in boats/heron.bin" in refused(yard, mark, "--table", "egr")


def test_a_finding_that_is_waived_already_is_refused_with_the_line(yard: Yard) -> None:
    waive(yard, *FUEL)
    error = refused(yard, *FUEL)
    assert error.startswith(
        "callint: callint.toml:6: value/out-of-range for fuel in boats/heron.bin is already waived"
    )


@pytest.mark.parametrize(
    ("reason", "message"),
    [
        ("too short", "at least 10 characters"),
        ("a         b", "at least 10 characters"),
        ("", "at least 10 characters"),
        ("two lines\nof a reason", "control characters"),
        ("a tab\tin the reason", "control characters"),
        ("a bell \x07 in the reason", "control characters"),
        ("half \udc80 a character", "control characters"),
        (None, "missing option '--reason'"),
    ],
)
def test_a_reason_that_is_none_is_refused(yard: Yard, reason: str | None, message: str) -> None:
    assert message in refused(yard, *FUEL, reason=reason)


@pytest.mark.parametrize("until", ["2031-02-30", "next summer", "31.3.2031", "20310331", "2031-3-1", ""])
def test_a_last_day_that_is_not_a_date_is_refused(yard: Yard, until: str) -> None:
    error = refused(yard, *FUEL, "--until", until)
    assert error.startswith(f"callint: --until: {until!r} is not a date; write YYYY-MM-DD")


def test_a_last_day_that_is_past_is_refused(yard: Yard) -> None:
    yesterday = (date.today() - timedelta(days=1)).isoformat()
    assert f"--until: {yesterday} is in the past" in refused(yard, *FUEL, "--until", yesterday)


def test_findings_about_waivers_are_refused(yard: Yard) -> None:
    waive(yard, *FUEL)
    yard.write(HERON, GOOD)
    (mark,) = (finding["fingerprint"] for finding in findings(yard, "waiver/unused"))
    for word in (mark, "waiver/unused"):
        error = refused(yard, word)
        assert "a finding about a waiver cannot be waived" in error
        assert "in line 6 of callint.toml" in error


def test_a_finding_without_content_is_refused(yard: Yard) -> None:
    yard.write("defs/yard.xml", "<definition")
    error = refused(yard, "definition/invalid")
    assert error.startswith("callint: defs/yard.xml: definition/invalid is about unreadable content")


def test_without_a_policy_nothing_can_be_waived(yard: Yard) -> None:
    (yard.root / "callint.toml").unlink()
    assert refused(yard, *FUEL).startswith("callint: no callint.toml in this folder or any parent")
    assert "the policy does not exist" in refused(yard, *FUEL, "--policy", "other.toml")


def test_a_broken_policy_is_refused_with_its_line(yard: Yard) -> None:
    yard.write("callint.toml", f"{POLICY}fail_on = 3\n")
    assert refused(yard, *FUEL).startswith("callint: callint.toml:5: ")
    yard.write("callint.toml", f"{POLICY}[severity]\nweather = 'off'\n")
    assert "there is no rule 'weather'" in refused(yard, *FUEL)


@pytest.mark.parametrize("written", ["waivers = []\n", "waivers = [\n  # none yet\n]\n"])
def test_a_policy_with_its_waivers_in_an_inline_list_is_refused(yard: Yard, written: str) -> None:
    yard.write("callint.toml", written + POLICY)
    error = refused(yard, *FUEL)
    assert error.startswith("callint: callint.toml: a waiver cannot be added at its end; give each waiver")


def test_a_person_whom_git_does_not_know_may_not_waive(yard: Yard) -> None:
    error = refused(yard, *FUEL, GIT_AUTHOR_NAME="")
    assert error == "callint: git: it does not know who you are; set user.name and user.email with git config"
    assert "cannot name the author of a waiver" in refused(yard, *FUEL, GIT_AUTHOR_NAME="Ad\udcff Quay")
    assert "'I' cannot name the author of a waiver" in refused(yard, *FUEL, GIT_AUTHOR_NAME="I")


def test_a_name_of_a_stranger_is_written_as_text(yard: Yard) -> None:
    odd = 'Ada "\\" \u202eQuay'
    waive(yard, *FUEL, GIT_AUTHOR_NAME=odd)
    (entry,) = waivers(yard)
    assert "\u202e" in entry["who"] and "\u202e" not in policy_of(yard).decode()


@not_as_root
def test_a_policy_that_cannot_be_written_stays_as_it_is(yard: Yard) -> None:
    yard.root.chmod(0o555)
    try:
        assert "it cannot be written" in refused(yard, *FUEL)
    finally:
        yard.root.chmod(0o755)


# A second person


def test_nobody_waives_their_own_change_where_a_second_person_is_asked_for(tmp_path: Path) -> None:
    yard = make_repository_yard(tmp_path, heron=yard_base())
    yard.write("callint.toml", f"second-person = true\n\n{POLICY}")
    yard.write(HERON, BUSY)
    yard.commit("Faster")
    cut = ("protection/disabled", "--table", "overspeed_cut")
    error = refused(yard, *cut)
    assert error == (
        "callint: callint.toml: it says second-person = true, so the waiver would have no effect: it was "
        "written by the author of the change, Ada Quay; ask a colleague to look at the change and to "
        "write the waiver"
    )
    assert "would have no effect" in refused(yard, *cut, "--dry-run")
    # What is about neither protection nor emissions needs nobody else.
    waive(yard, *FUEL)
    ines = {"GIT_AUTHOR_NAME": "Ines Falk", "GIT_AUTHOR_EMAIL": "ines@yard.example"}
    waive(yard, *cut, **ines)
    yard.must("add", "--all")
    assert yard.git("commit", "--quiet", "-m", "Accept", env=ines).status == 0
    assert [finding["waived"] for finding in findings(yard, "protection/disabled")] == [True]


def test_outside_git_nobody_waives_where_a_second_person_is_asked_for(yard: Yard) -> None:
    yard.write("callint.toml", f"second-person = true\n\n{POLICY}")
    error = refused(yard, "protection/disabled", "--table", "overspeed_cut")
    assert "without git, callint cannot tell who made the change; run the check in" in error
