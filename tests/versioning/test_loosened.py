"""Definitions and policies that demand less, in the hook and in ranges of real repositories."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import pytest

from tests.building import u16
from tests.running import (
    CUT,
    GOOD,
    POLICY,
    Scratch,
    edited,
    fuel_cell,
    make_repository_yard,
    valid,
    yard_definition,
)
from tests.test_families import child

HERON, DEFINITION = "boats/heron.bin", "defs/yard.xml"
XML = yard_definition().decode()
#: The limits of the fuel map and of the cut-off speed, each a little wider.
FUEL_WIDER = XML.replace('<limits min="0" max="90"/>', '<limits min="0" max="95"/>')
CUT_WIDER = XML.replace('max="4800"', 'max="4900"')
LOOSENED = "definition/loosened"


@pytest.fixture
def scratch(tmp_path: Path) -> Scratch:
    return make_repository_yard(tmp_path / "repo", heron=GOOD)


def loosened(findings: Iterable[Mapping[str, Any]], rule: str = LOOSENED) -> list[tuple[str, str]]:
    """Severity and message of the findings of a rule that are not waived."""
    return [
        (finding["severity"], finding["message"])
        for finding in findings
        if finding["rule"] == rule and not finding["waived"]
    ]


def document(scratch: Scratch, *arguments: str) -> dict[str, Any]:
    result = scratch.call("check", *arguments, "--format", "json")
    assert result.status in (0, 1), result
    checked: dict[str, Any] = valid(result.data, "findings.schema.json")
    return checked


def commit(scratch: Scratch, message: str = "Work", **files: str | bytes) -> None:
    for name, content in files.items():
        path = {"heron": HERON, "definition": DEFINITION, "policy": "callint.toml"}[name]
        scratch.write(path, content)
    scratch.commit(message)


def test_the_hook_stops_a_limit_of_a_protection_that_goes_up(scratch: Scratch) -> None:
    scratch.stage(DEFINITION, CUT_WIDER)
    result = scratch.call("check", "--staged", "--format", "json")

    assert result.status == 1
    said = "overspeed_cut (protection) demands less: limits max: 4800 rpm became 4900 rpm"
    assert loosened(result.data["findings"]) == [("error", said)]


def test_the_hook_passes_a_definition_that_only_looks_different(scratch: Scratch) -> None:
    scratch.stage(DEFINITION, XML.replace("<tables>", "<!-- new -->\n<tables>").replace('"90"', '"90.0"'))
    result = scratch.call("check", "--staged")

    assert (result.status, result.stdout) == (0, "")


def test_a_range_names_what_its_end_demands_less(scratch: Scratch) -> None:
    commit(scratch, definition=FUEL_WIDER)
    commit(scratch, definition=FUEL_WIDER.replace('max="4800"', 'max="4900"'))

    messages = loosened(document(scratch, "--range", "HEAD~2..HEAD")["findings"])
    assert [severity for severity, _ in messages] == ["error", "warning"]
    assert loosened(document(scratch, "--range", "HEAD~2..HEAD~1")["findings"]) == [
        ("warning", "fuel demands less: limits max: 90 mg became 95 mg")
    ]
    assert loosened(document(scratch, "--since", "HEAD~2")["findings"]) == messages
    each = document(scratch, "--range", "HEAD~2..HEAD", "--each")["findings"]
    assert sorted(loosened(each)) == sorted(messages)
    assert loosened(document(scratch)["findings"]) == []


def test_a_demand_that_came_back_is_not_loosened_in_the_range(scratch: Scratch) -> None:
    commit(scratch, definition=CUT_WIDER)
    commit(scratch, definition=XML)

    assert loosened(document(scratch, "--range", "HEAD~2..HEAD")["findings"]) == []
    assert len(loosened(document(scratch, "--range", "HEAD~2..HEAD", "--each")["findings"])) == 1


def test_a_merge_does_not_loosen_what_one_parent_had_loosened(scratch: Scratch) -> None:
    scratch.must("checkout", "--quiet", "-b", "side")
    commit(scratch, "Wider", definition=CUT_WIDER)
    scratch.must("checkout", "--quiet", "main")
    scratch.write("notes.txt", "other work")
    scratch.commit("Other work")
    scratch.must("merge", "--quiet", "--no-verify", "side", "-m", "Merge")

    each = document(scratch, "--range", "HEAD~2..HEAD", "--each")["findings"]
    (finding,) = [finding for finding in each if finding["rule"] == LOOSENED]
    assert finding["commit"] == scratch.must("rev-parse", "side").strip()


def test_a_commit_that_uses_the_slack_reports_both_in_one_cause(scratch: Scratch) -> None:
    heron = edited(GOOD, {fuel_cell(1, 1): u16(930)})
    commit(scratch, definition=FUEL_WIDER, heron=heron)

    report = document(scratch, "--range", "HEAD~1..HEAD")
    ((severity, message),) = loosened(report["findings"])
    assert severity == "warning"
    assert "limits max: 90 mg became 95 mg; in use: boats/heron.bin has fuel at 1600 rpm, 40 mg" in message
    assert "93.0 mg is above the limit of 90 mg" in message
    (finding,) = [finding for finding in report["findings"] if finding["rule"] == LOOSENED]
    (cause,) = [cause for cause in report["causes"] if finding["fingerprint"] in cause["findings"]]
    assert [place["text"] for place in cause["places"]] == [
        "fuel: limits max: 90 mg → 95 mg",
        "boats/heron.bin: fuel at 1600 rpm, 40 mg: 45.0 mg → 93.0 mg",
    ]


def test_a_value_that_broke_the_old_limit_before_is_not_a_new_use(scratch: Scratch) -> None:
    commit(scratch, heron=edited(GOOD, {fuel_cell(1, 1): u16(930)}))
    commit(scratch, definition=FUEL_WIDER)

    ((_, message),) = loosened(document(scratch, "--range", "HEAD~1..HEAD")["findings"])
    assert "in use" not in message


def test_a_definition_cannot_escape_under_another_name(scratch: Scratch) -> None:
    (scratch.root / DEFINITION).unlink()
    scratch.write("defs/new.xml", CUT_WIDER)
    commit(scratch, policy=POLICY.replace("yard.xml", "new.xml"))

    ((severity, message),) = loosened(document(scratch, "--range", "HEAD~1..HEAD")["findings"])
    assert severity == "error"
    assert message.endswith("4800 rpm became 4900 rpm (in defs/yard.xml before)")


def test_a_dropped_protection_is_an_error(scratch: Scratch) -> None:
    start, end = XML.index('<scalar name="monitor"'), XML.index('<curve name="trim"')
    commit(scratch, definition=XML[:start] + XML[end:])

    assert loosened(document(scratch, "--range", "HEAD~1..HEAD")["findings"]) == [
        ("error", "monitor (protection) is gone, and nothing is demanded of it any more")
    ]


def test_waive_accepts_the_demand_before_the_commit_and_check_keeps_the_record(scratch: Scratch) -> None:
    scratch.must("config", "user.name", "Ines Falk")
    scratch.write(DEFINITION, CUT_WIDER)
    result = scratch.call("waive", LOOSENED, "--table", "overspeed_cut", "--reason", "the maker's letter 12")
    assert result.status == 0, result
    assert "until the demand changes" in result.flat

    scratch.must("add", "--all")
    assert scratch.call("check", "--staged").status == 0
    scratch.commit("Higher cut")
    assert loosened(document(scratch, "--range", "HEAD~1..HEAD")["findings"]) == []
    whole = scratch.call("check", "--all")
    assert (whole.status, "waiver/" in whole.stdout) == (0, False)


STRICT = f"second-person = true\n\n{POLICY}"


def by(scratch: Scratch, name: str, message: str = "Work") -> None:
    scratch.must("add", "--all")
    env = {"GIT_AUTHOR_NAME": name, "GIT_AUTHOR_EMAIL": f"{name.lower()}@yard.example"}
    assert scratch.git("commit", "--quiet", "--no-verify", "-m", message, env=env).status == 0


@pytest.mark.parametrize(("author", "counts"), [("Ada", False), ("Ines", True)])
def test_a_second_person_accepts_a_loosened_protection(scratch: Scratch, author: str, counts: bool) -> None:
    entry = waiver_of(scratch)
    commit(scratch, policy=STRICT)
    scratch.write(DEFINITION, CUT_WIDER)
    by(scratch, "Ada", "Higher cut")
    scratch.write("callint.toml", STRICT + entry)
    by(scratch, author, "Accept")

    remaining = loosened(document(scratch, "--range", "HEAD~2..HEAD")["findings"])
    assert (remaining == []) is counts


def test_nobody_waives_a_protection_of_their_own_that_demands_less(scratch: Scratch) -> None:
    commit(scratch, policy=STRICT)
    scratch.write(DEFINITION, CUT_WIDER)
    waived = scratch.call("waive", LOOSENED, "--table", "overspeed_cut", "--reason", "the maker's letter 12")

    assert waived.status == 2
    assert "second-person = true" in waived.error


def waiver_of(scratch: Scratch) -> str:
    """The entry of the policy that accepts the higher cut, as callint waive writes it."""
    scratch.write(DEFINITION, CUT_WIDER)
    result = scratch.call("waive", LOOSENED, "--table", "overspeed_cut", "--reason", "the maker's letter 12")
    assert result.status == 0, result
    entry = (scratch.root / "callint.toml").read_text("utf-8").removeprefix(POLICY)
    scratch.must("reset", "--quiet", "--hard", "HEAD")
    return entry


# Policies


def test_the_hook_stops_a_policy_that_silences_a_rule(scratch: Scratch) -> None:
    scratch.stage("callint.toml", f'{POLICY}\n[severity]\n"protection" = "note"\n')
    result = scratch.call("check", "--staged", "--format", "json")

    assert result.status == 1
    messages = [message for _, message in loosened(result.data["findings"], "policy/loosened")]
    assert (
        "the policy demands less: protection/disabled is a note with its family protection, and was an error"
        in (messages)
    )


def test_a_pattern_that_no_longer_reaches_an_image_is_an_error(scratch: Scratch) -> None:
    commit(scratch, policy=POLICY.replace("boats/*.bin", "boats/h*n.bin"))
    assert loosened(document(scratch, "--range", "HEAD~1..HEAD")["findings"], "policy/loosened") == []
    commit(scratch, policy=POLICY.replace("boats/*.bin", "boats/auk.bin"))

    assert loosened(document(scratch, "--range", "HEAD~1..HEAD")["findings"], "policy/loosened") == [
        ("error", f"the policy demands less: no entry of [[images]] reaches {HERON} any more")
    ]


def test_a_base_under_another_name_is_the_same_base(scratch: Scratch) -> None:
    scratch.must("mv", "factory/base.bin", "factory/yard-01.bin")
    commit(scratch, policy=POLICY.replace("base.bin", "yard-01.bin"))

    assert loosened(document(scratch, "--range", "HEAD~1..HEAD")["findings"], "policy/loosened") == []


def test_only_a_second_person_accepts_that_none_is_demanded_any_more(scratch: Scratch) -> None:
    commit(scratch, policy=STRICT)
    scratch.write("callint.toml", POLICY)
    (finding,) = [
        finding
        for finding in document(scratch, "--since", "HEAD")["findings"]
        if finding["rule"] == "policy/loosened"
    ]
    assert finding["message"].startswith("the policy demands less: second-person is off")
    waived = scratch.call("waive", "policy/loosened", "--reason", "we are only two here")

    assert waived.status == 2
    assert "second-person" in waived.error


def test_waive_accepts_a_policy_that_demands_less(scratch: Scratch) -> None:
    scratch.must("config", "user.name", "Ines Falk")
    scratch.write("callint.toml", f'{POLICY}\n[severity]\n"value/too-steep" = "off"\n')
    result = scratch.call("waive", "policy/loosened", "--reason", "this engine has no slopes")
    assert result.status == 0, result

    scratch.must("add", "--all")
    staged = scratch.call("check", "--staged", "--format", "json").data
    assert loosened(staged["findings"], "policy/loosened") == []


# Families


CHILD = child('<table name="fuel"><limits min="0" max="80"/></table>', extends="yard.xml")


def test_a_demand_that_a_parent_loosens_is_loosened_in_its_children(scratch: Scratch) -> None:
    scratch.write("defs/child.xml", CHILD)
    commit(scratch, policy=POLICY.replace("yard.xml", "child.xml"))
    assert scratch.call("check").status == 0
    scratch.stage(DEFINITION, CUT_WIDER)

    result = scratch.call("check", "--staged", "--format", "json")
    said = "overspeed_cut (protection) demands less: limits max: 4800 rpm became 4900 rpm"
    assert loosened(result.data["findings"]) == [("error", said)]
    scratch.commit("Wider")
    assert loosened(document(scratch, "--range", "HEAD~1..HEAD")["findings"]) == [("error", said)]


def test_one_waiver_accepts_a_demand_of_a_parent_and_its_children(scratch: Scratch) -> None:
    scratch.must("config", "user.name", "Ines Falk")
    scratch.write("defs/child.xml", CHILD)
    commit(scratch, policy=POLICY.replace('"defs/yard.xml"', '["defs/yard.xml", "defs/child.xml"]'))
    scratch.write(DEFINITION, CUT_WIDER)
    result = scratch.call("waive", LOOSENED, "--table", "overspeed_cut", "--reason", "the maker's letter 12")
    assert result.status == 0, result
    assert "without an end: 1 finding." in result.flat

    scratch.must("add", "--all")
    assert scratch.call("check", "--staged").status == 0


# Other readings


#: The cut-off speed in a conversion of its own, and with a factor that reads 2 % more of the same bytes.
CONVERSION = '<linear name="cut_speed" unit="rpm" factor="{}"/>'


def with_cut_factor(factor: str, at: str = f"{CUT:#x}") -> str:
    """The yard's definition, in which overspeed_cut has a conversion of its own."""
    start = XML.index('<scalar name="overspeed_cut"')
    head = XML[start : XML.index(">", start)]
    changed = re.sub(
        r' at="\w+"', f' at="{at}"', re.sub(r' conversion="\w+"', ' conversion="cut_speed"', head)
    )
    xml = XML.replace(head, changed)
    return xml.replace("</conversions>", f"{CONVERSION.format(factor)}\n</conversions>")


def test_another_factor_of_a_protection_is_an_error_with_what_it_does(scratch: Scratch) -> None:
    commit(scratch, definition=with_cut_factor("1"))
    commit(scratch, definition=with_cut_factor("1.02"))

    (message,) = loosened(document(scratch, "--range", "HEAD~1..HEAD")["findings"])
    assert message == (
        "error",
        "conversion cut_speed (protection) reads differently: raw rpm became raw * 1.02 rpm; "
        "reads 2 % higher everywhere; in boats/heron.bin, overspeed_cut reads 4200 rpm → 4284 rpm",
    )


def test_another_address_of_a_protection_is_reported_once(scratch: Scratch) -> None:
    commit(scratch, definition=with_cut_factor("1"))
    commit(scratch, definition=with_cut_factor("1", at="0x2"))

    (message,) = loosened(document(scratch, "--range", "HEAD~1..HEAD")["findings"])
    assert message == (
        "error",
        f"overspeed_cut (protection) reads differently: at: 0x{CUT:05X} became 0x00002; "
        "in boats/heron.bin, overspeed_cut reads 4200 rpm → 1600 rpm",
    )


def test_an_image_that_moved_with_the_definition_reads_as_before(scratch: Scratch) -> None:
    commit(scratch, definition=with_cut_factor("1"))
    moved = edited(GOOD, {CUT: u16(2100)})
    commit(scratch, definition=with_cut_factor("2"), heron=moved)
    assert loosened(document(scratch, "--range", "HEAD~1..HEAD")["findings"]) == []

    # One raw step of the new factor more than before.
    commit(scratch, definition=with_cut_factor("1"), heron=GOOD)
    commit(scratch, definition=with_cut_factor("2"), heron=edited(GOOD, {CUT: u16(2101)}))
    ((_, message),) = loosened(document(scratch, "--range", "HEAD~1..HEAD")["findings"])
    assert message.endswith("overspeed_cut reads 4200 rpm → 4202 rpm")


def test_another_factor_of_a_table_that_is_not_a_protection_is_not_an_error(scratch: Scratch) -> None:
    commit(scratch, definition=XML.replace('offset="-40"', 'offset="-41"'))

    assert loosened(document(scratch, "--range", "HEAD~1..HEAD")["findings"]) == []
