"""The same findings in every format, each read back by somebody else's reader."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import date
from html import unescape
from pathlib import Path
from typing import Any
from urllib.parse import unquote_to_bytes

import jsonschema_rs
import junitparser
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from markdown_it import MarkdownIt
from markdown_it.token import Token

from callint.checking.report import Report, merge_reports
from callint.fmt import clean
from callint.model.finding import Cell, Finding, Severity
from callint.model.waiver import Waiver
from callint.reporting.findings.github import findings_github
from callint.reporting.findings.gitlab import findings_gitlab
from callint.reporting.findings.json import findings_json
from callint.reporting.findings.junit import findings_junit
from callint.reporting.findings.lines import findings_lines
from callint.reporting.findings.markdown import findings_markdown, prose
from callint.reporting.findings.sarif import findings_sarif
from callint.rules.registry import RULES
from tests.building import inspect, u16
from tests.running import (
    BAD,
    GOOD,
    POLICY,
    Scratch,
    Yard,
    edited,
    fuel_cell,
    make_repository,
    make_repository_yard,
    make_yard,
    steering,
    valid_sarif,
    yard_definition,
)

FORMATS = ("text", "json", "sarif", "junit", "markdown", "lines", "github", "gitlab")

#: What a stranger's definition, path or policy may say: HTML, links, mentions, placeholders, steering, ends.
HOSTILE = (
    "<script>alert(1)</script> </details> [click](javascript:alert(1)) ![x](http://evil.example/x.png) "
    "@everyone #1 https://evil.example www.evil.example a@evil.example GH-7 {0} `code` ``` | \\| \\ "
    "\x1b[2J\u202e ]]> &amp; \ufffe\udcff :boat: $x$ *a* _b_ ~~c~~ <!-- \n\n# heading\r\n- item\u2028end"
)
WAIVER = Waiver(
    rule="change/too-large",
    image="boats/heron.bin",
    table="smoke_limit",
    reason=f"Measured on the brake. {HOSTILE}",
    who=f"Ines Falk {HOSTILE}",
    until=date(2027, 3, 31),
    digest="sha256:" + "0" * 40,
    line=12,
)
PATH = "boats/grå häger #1 50%:[x]|`y` <b>\udcff.bin"
COMMIT = "0123456789abcdef0123456789abcdef01234567"

FINDINGS = (
    Finding(
        rule="value/out-of-range",
        severity=Severity.ERROR,
        message="2100.0 bar is above the limit of 1650 bar",
        hint="Correct the cell; the limits are what the hardware withstands.",
        image="boats/petrel.bin",
        definition="definitions/skerry-28.xml",
        line=409,
        table="rail_pressure_demand",
        cell=Cell(3, 7),
        at={"engine_speed": 2800.0, "fuel_quantity": 58.0},
        place="at 2800 rpm, 58 mg/stroke",
        address=0x40C1A,
        size=2,
        offset=0xC1A,
        raw=21000,
        physical=2100.0,
        base_physical=1198.5,
        base="1198.5 bar",
        unit="bar",
    ),
    Finding(
        rule="value/unexpected",
        severity=Severity.WARNING,
        message=HOSTILE,
        hint=HOSTILE,
        image=PATH,
        definition=f"definitions/{HOSTILE}.xml",
        line=3,
        table="limits[0].x_y",
        cell=Cell(0, 0),
        place=f"at {HOSTILE}",
        unit=HOSTILE,
        base=HOSTILE,
    ),
    Finding(
        rule="change/too-large",
        severity=Severity.ERROR,
        message="41.0 mg became 47.5 mg, +6.5 mg; at most 6 mg is accepted",
        image="boats/heron.bin",
        definition="definitions/skerry-28.xml",
        line=118,
        table="smoke_limit",
        cell=Cell(1, 2),
        address=0x40D00,
        size=1,
        waiver=WAIVER,
    ),
    Finding(
        rule="value/too-steep",
        severity=Severity.NOTE,
        message="30.0 mg to 41.0 mg is 0.05 mg per rpm, steeper than 0.02",
        image="boats/heron.bin",
        definition="definitions/skerry-28.xml",
        line=118,
        table="smoke_limit",
        cell=Cell(2, 2),
        inherited=True,
    ),
    Finding(
        rule="relation/exceeds-bound",
        severity=Severity.ERROR,
        message="2100.0 bar is above rail_pressure_ceiling, 1596.2 bar there",
        image="boats/petrel.bin",
        definition="definitions/skerry-28.xml",
        line=1403,
        table="rail_pressure_demand",
        other="rail_pressure_ceiling",
        address=0x40C00,
        size=384,
        offset=0xC00,
        commit=COMMIT,
    ),
    Finding(
        rule="image/unreadable",
        severity=Severity.ERROR,
        message="the image cannot be read: it does not exist",
        image="../elsewhere/tern.bin",
        definition="definitions/skerry-28.xml",
    ),
    Finding(
        rule="definition/no-limits",
        severity=Severity.NOTE,
        message="nothing says what fuel may hold",
        definition="definitions/skerry-28.xml",
        line=77,
        table="fuel",
    ),
    Finding(
        rule="waiver/unused",
        severity=Severity.WARNING,
        message=f"{HOSTILE}'s waiver accepts nothing",
        policy="callint.toml",
        line=12,
    ),
)
REPORT = Report(
    findings=FINDINGS,
    images=5,
    tables=12,
    cells=480,
    files=("boats/petrel.bin", PATH, "boats/heron.bin", "boats/clean.bin", "definitions/skerry-28.xml"),
    policy="callint.toml",
)


@dataclass(frozen=True, order=True)
class Read:
    """What a reader finds of a finding; cell and table only where the format keeps them apart."""

    fingerprint: str
    rule: str
    severity: str
    source: str
    waived: bool
    table: str | None = None
    cell: tuple[int, int] | None = None
    words: str = ""


def source(finding: Finding) -> str:
    return finding.image or finding.definition or finding.policy


def expected(finding: Finding) -> Read:
    cell = (finding.cell.x, finding.cell.y) if finding.cell else None
    return Read(
        finding.fingerprint,
        finding.rule,
        finding.severity.value,
        source(finding),
        finding.waived,
        finding.table,
        cell,
        finding.message,
    )


def read_json(report: Report) -> Iterator[Read]:
    for item in json.loads(findings_json(report))["findings"]:
        cell = item.get("cell")
        yield Read(
            item["fingerprint"],
            item["rule"],
            item["severity"],
            item.get("image") or item.get("definition") or item["policy"],
            item["waived"],
            item.get("table", ""),
            (cell["x"], cell["y"]) if cell else None,
            item["message"],
        )


def read_log(text: str) -> Any:
    return valid_sarif(json.loads(text))


def path_of(location: Any) -> str:
    assert re.fullmatch(r"[A-Za-z0-9_.~/%-]*", location["uri"]), location
    return unquote_to_bytes(location["uri"]).decode("utf-8", "surrogateescape")


def read_sarif(report: Report) -> Iterator[Read]:
    (run,) = read_log(findings_sarif([report]))["runs"]
    rules = run["tool"]["driver"]["rules"]
    for result in run["results"]:
        (location,) = result["locations"]
        target = result.get("analysisTarget") or location["physicalLocation"]["artifactLocation"]
        assert rules[result["ruleIndex"]]["id"] == result["ruleId"]
        assert path_of(run["artifacts"][target["index"]]["location"]) == path_of(target)
        (logical,) = location.get("logicalLocations") or [{"fullyQualifiedName": "", "kind": "table"}]
        table, _, cell = logical["fullyQualifiedName"].partition("/")
        assert logical["kind"] == ("cell" if cell else "table")
        x, _, y = cell.partition(",")
        yield Read(
            result["partialFingerprints"]["callint/v1"],
            result["ruleId"],
            result["level"],
            path_of(target),
            bool(result["suppressions"]),
            table,
            (int(x), int(y)) if cell else None,
            re.sub(r"([{}])\1", r"\1", result["message"]["text"]).replace(r"\](", "]("),
        )


def read_junit(report: Report) -> Iterator[Read]:
    suites = junitparser.JUnitXml.fromstring(findings_junit([report], [Severity.NOTE]).encode())
    for suite in suites:
        for case in suite:
            properties = case.child(junitparser.Properties)  # type: ignore[no-untyped-call]
            if properties is None:
                assert case.is_passed and case.name == "nothing found"
                continue
            kept = {item.name: item.value for item in properties}
            x, _, y = kept.get("cell", "").partition(",")
            (result,) = case.result
            assert result.type == kept["rule"]
            yield Read(
                kept["fingerprint"],
                kept["rule"],
                kept["severity"],
                str(case.classname),
                case.is_skipped,
                kept.get("table", ""),
                (int(x), int(y)) if x else None,
                str(case.system_out if case.is_skipped else result.text),
            )


MARKDOWN = MarkdownIt("commonmark", {"html": True}).enable("table")


def plain(token: Token) -> str:
    """The text of an inline token as it is seen."""
    return "".join(
        " " if child.type == "softbreak" else child.content
        for child in token.children or ()
        if child.type in ("text", "code_inline", "softbreak", "text_special")
    )


def read_markdown(report: Report) -> Iterator[Read]:
    file = ""
    within = False
    for token in MARKDOWN.parse(findings_markdown(report)):
        if token.type == "html_block" and (result := re.search("<summary><code>(.*)</code>", token.content)):
            file = unescape(result[1])
        within = (within or token.type == "list_item_open") and token.type != "list_item_close"
        if within and token.type == "inline":
            codes = [child.content for child in token.children or () if child.type == "code_inline"]
            plain_text = plain(token)
            yield Read(
                codes[-1], codes[0], plain_text.split()[0], file, "Waived by" in plain_text, words=plain_text
            )


def read_lines(report: Report) -> Iterator[Read]:
    for text, finding in zip(findings_lines(report).splitlines(), report.findings, strict=True):
        result = re.fullmatch(
            r"(.+?):(\d+): (error|warning|note): ([a-z]+/[a-z-]+): (.*) "
            r"\[([0-9a-f]{8})\](?: (error|warning|note) waived by .*)?",
            text,
        )
        assert result, text
        file = finding.image if finding.line is None else finding.policy or finding.definition
        assert result[1] == clean(file)
        assert int(result[2]) == (finding.line or 1)
        severity = result[3]
        if result[7]:
            assert severity == "note"
            severity = result[7]
        assert finding.fingerprint.startswith(result[6])
        yield Read(
            finding.fingerprint, result[4], severity, source(finding), bool(result[7]), words=result[5]
        )


READERS: dict[str, Callable[[Report], Iterator[Read]]] = {
    "json": read_json,
    "sarif": read_sarif,
    "junit": read_junit,
    "markdown": read_markdown,
    "lines": read_lines,
}


def seen(text: str) -> str:
    """Words as they come out of any format: cleaned, and every space alike."""
    return " ".join(clean(text).replace("\ufffe", "\ufffd").split())


@pytest.mark.parametrize("form", READERS)
def test_every_format_has_the_same_findings(form: str) -> None:
    read = sorted(READERS[form](REPORT), key=lambda item: item.fingerprint)
    wanted = sorted((expected(finding) for finding in FINDINGS), key=lambda item: item.fingerprint)
    assert len(read) == len(wanted) == len(FINDINGS)
    for item, other in zip(read, wanted, strict=True):
        assert (item.fingerprint, item.rule, item.severity, item.waived) == (
            other.fingerprint,
            other.rule,
            other.severity,
            other.waived,
        )
        lead = f"{COMMIT[:10]}:" if form == "markdown" and other.rule == "relation/exceeds-bound" else ""
        assert seen(item.source) == seen(lead + other.source)
        assert seen(other.words) in seen(item.words)
        assert item.table in (None, other.table) and (item.table is None or item.cell == other.cell)
        assert item.table is not None or seen(str(other.table)) in seen(item.words)


@pytest.mark.parametrize("form", FORMATS)
def test_a_format_is_the_same_each_time(tmp_path: Path, form: str) -> None:
    yard = make_yard(tmp_path, heron=GOOD, petrel=BAD)
    first, second = (yard.call("check", "--format", form) for _ in range(2))
    assert first.stdout == second.stdout != ""
    assert first.status == second.status == 1


@pytest.mark.parametrize("form", ["sarif", "junit", "markdown", "lines", "github", "gitlab"])
def test_nothing_in_a_format_steers_a_terminal(form: str) -> None:
    text = {
        "sarif": lambda: findings_sarif([REPORT]),
        "junit": lambda: findings_junit([REPORT], [Severity.ERROR]),
        "markdown": lambda: findings_markdown(REPORT),
        "lines": lambda: findings_lines(REPORT),
        "github": lambda: findings_github(REPORT),
        "gitlab": lambda: findings_gitlab(REPORT),
    }[form]()
    assert "evil" in text
    assert steering(text) == []
    text.encode()


# SARIF


def strings(document: Any) -> Iterator[str]:
    """Every text in a JSON document."""
    if isinstance(document, str):
        yield document
    for item in (
        document.values() if isinstance(document, dict) else document if isinstance(document, list) else ()
    ):
        yield from strings(item)


def test_whoever_shows_a_text_of_sarif_is_not_steered_by_it() -> None:
    log = read_log(findings_sarif([REPORT]))
    for rule in log["runs"][0]["tool"]["driver"]["rules"]:
        for form, page in rule.pop("help").items():  # callint's own paragraphs
            assert steering(page.replace("\n", "")) == [], form
    for text in strings(log):
        assert steering(text) == [], text
        text.encode()


def sarif_of(*findings: Finding, **more: Any) -> Any:
    (run,) = read_log(findings_sarif([replace(REPORT, findings=findings, **more)]))["runs"]
    return run


def test_sarif_explains_every_rule() -> None:
    driver = sarif_of()["tool"]["driver"]
    assert driver["name"] == "callint"
    assert [rule["id"] for rule in driver["rules"]] == list(RULES)
    for rule in driver["rules"]:
        assert rule["shortDescription"]["text"] and rule["defaultConfiguration"]["level"]
        assert "Why it matters:" in rule["help"]["text"] and "Fix:" in rule["help"]["markdown"]
        for page in rule["help"].values():
            assert "\\x" not in page
            assert len(page.split("\n\n")) >= 4


def test_sarif_points_to_line_cell_and_bytes() -> None:
    (result,) = sarif_of(FINDINGS[0])["results"]
    (location,) = result["locations"]
    assert location["physicalLocation"]["artifactLocation"]["uri"] == "definitions/skerry-28.xml"
    assert location["physicalLocation"]["region"] == {"startLine": 409}
    assert location["logicalLocations"] == [
        {"name": "3,7", "fullyQualifiedName": "rail_pressure_demand/3,7", "kind": "cell"}
    ]
    (related,) = result["relatedLocations"]
    assert related["physicalLocation"]["artifactLocation"]["uri"] == "boats/petrel.bin"
    assert related["physicalLocation"]["region"] == {"byteOffset": 0xC1A, "byteLength": 2}
    assert related["physicalLocation"]["address"] == {
        "absoluteAddress": 0x40C1A,
        "length": 2,
        "kind": "data",
    }


def test_sarif_proposes_the_bytes_of_the_base_for_a_finding_that_is_not_waived() -> None:
    finding = replace(FINDINGS[0], base_bytes=b"\x2e\xd1")
    (fix,) = sarif_of(finding)["results"][0]["fixes"]
    assert fix["description"]["text"] == "Restore the bytes of the base (1198.5 bar), then run callint seal."
    (change,) = fix["artifactChanges"]
    assert change["artifactLocation"]["uri"] == "boats/petrel.bin"
    assert change["replacements"] == [
        {
            "deletedRegion": {"byteOffset": 0xC1A, "byteLength": 2},
            "insertedContent": {"binary": "LtE="},
        }
    ]
    for other in (replace(finding, waiver=WAIVER), replace(finding, offset=None), FINDINGS[0]):
        assert "fixes" not in sarif_of(other)["results"][0]


def test_sarif_names_the_other_table_of_a_relation() -> None:
    (result,) = sarif_of(FINDINGS[4])["results"]
    assert result["relatedLocations"][1]["logicalLocations"][0]["name"] == "rail_pressure_ceiling"


def test_sarif_has_no_region_where_the_bytes_lie_in_no_one_piece_of_a_file() -> None:
    (result,) = sarif_of(replace(FINDINGS[0], offset=None))["results"]
    (related,) = result["relatedLocations"]
    assert "region" not in related["physicalLocation"]
    assert related["physicalLocation"]["address"]["absoluteAddress"] == 0x40C1A


def test_a_waiver_is_an_accepted_suppression_with_its_reason_and_its_line() -> None:
    plain_one, waived = sarif_of(FINDINGS[0], FINDINGS[2])["results"]
    assert plain_one["suppressions"] == []
    (suppression,) = waived["suppressions"]
    assert (suppression["kind"], suppression["status"]) == ("external", "accepted")
    assert suppression["justification"] == clean(WAIVER.reason)
    assert suppression["properties"] == {"who": clean(WAIVER.who), "until": "2027-03-31"}
    place = suppression["location"]["physicalLocation"]
    assert (place["artifactLocation"]["uri"], place["region"]) == ("callint.toml", {"startLine": 12})
    (alone,) = sarif_of(FINDINGS[0])["results"]
    assert "suppressions" not in alone


def test_without_a_range_nothing_has_a_base_state_and_with_one_everything_has() -> None:
    (result,) = sarif_of(FINDINGS[0])["results"]
    assert "baselineState" not in result
    new, same = sarif_of(FINDINGS[0], known=(FINDINGS[3],))["results"]
    assert (new["baselineState"], same["baselineState"]) == ("new", "unchanged")
    assert [finding["baselineState"] for finding in sarif_of(FINDINGS[0], known=())["results"]] == ["new"]


def test_sarif_of_absolute_paths_has_them_as_places_of_their_own() -> None:
    on_posix, on_windows = (
        replace(FINDINGS[5], image=path) for path in ("/srv/tern 1.bin", "C:/boats/tern 1.bin")
    )
    uris = [item["analysisTarget"] for item in sarif_of(on_posix, on_windows)["results"]]
    assert [item["uri"] for item in uris] == ["file:///srv/tern%201.bin", "file:///C:/boats/tern%201.bin"]
    assert all("uriBaseId" not in item for item in uris)


NASTY = st.text(
    st.sampled_from("a1 -+.*_~`|\\<>&[](){}!@#:/$\"'\n\u202e\u2028\x1b\ufffe\udcff鷺"), max_size=30
)


# Most of a document explains the rules, so that one document has many texts.
@given(st.lists(NASTY, min_size=10, max_size=10))
@settings(max_examples=20, deadline=None)
def test_no_text_becomes_a_link_or_a_placeholder_in_sarif(texts: list[str]) -> None:
    results = sarif_of(*(replace(FINDINGS[5], message=text) for text in texts))["results"]
    assert len(results) == len(texts)
    for result in results:
        said = result["message"]["text"]
        assert not re.search(r"(?<!\\)\]\(", said)
        assert not re.search(r"[{}]", said.replace("{{", "").replace("}}", ""))


# JUnit XML


def test_a_file_without_findings_is_a_test_that_passes() -> None:
    suites = junitparser.JUnitXml.fromstring(findings_junit([REPORT], [Severity.ERROR]).encode())
    clean_suite = next(suite for suite in suites if suite.name == "boats/clean.bin")
    assert (clean_suite.tests, clean_suite.failures) == (1, 0)
    (case,) = clean_suite
    assert case.is_passed


@pytest.mark.parametrize(("level", "failures"), [("error", 3), ("warning", 5), ("note", 7)])
def test_findings_fail_at_the_level_are_skipped_if_waived_and_pass_otherwise(
    level: str, failures: int
) -> None:
    suites = junitparser.JUnitXml.fromstring(findings_junit([REPORT], [Severity(level)]).encode())
    assert (suites.tests, suites.failures, suites.skipped) == (len(FINDINGS) + 1, failures, 1)
    cases = [case for suite in suites for case in suite]
    assert sum(case.is_failure for case in cases) == failures
    assert sum(case.is_skipped for case in cases) == 1


@given(NASTY)
@settings(max_examples=200, deadline=None)
def test_junit_holds_any_text(text: str) -> None:
    report = replace(REPORT, findings=(replace(FINDINGS[1], message=text, image=f"x{text}"),))
    (read,) = read_junit(report)
    assert seen(text) in seen(read.words) and seen(f"x{text}") == seen(read.source)


# Markdown


def markup(text: str) -> list[Token]:
    """All tokens of a page, those inside of lines too."""
    tokens = MARKDOWN.parse(text)
    return [child for token in tokens for child in (token, *(token.children or ()))]


def test_markdown_starts_with_the_counts_and_the_worst() -> None:
    worst_first = sorted(REPORT.findings, key=lambda finding: finding.severity.rank)
    lines = findings_markdown(replace(REPORT, findings=tuple(worst_first))).splitlines()
    assert (
        lines[0] == "### callint: 3 errors, 2 warnings, 2 notes, 1 waived in 5 images, 12 tables, 480 cells"
    )
    rows = [line.split(" | ")[0].lstrip("| ") for line in lines if line.startswith("| ")]
    assert rows == ["severity", "---", "error", "error", "error", "warning", "warning", "note", "note"]


def test_markdown_is_short_before_anything_is_unfolded() -> None:
    many = replace(REPORT, findings=FINDINGS * 40)
    text = findings_markdown(many)
    assert len(text.partition("<details>")[0].splitlines()) < 20
    assert "272 more findings below." in text


def test_markdown_of_nothing_reports_that() -> None:
    text = findings_markdown(replace(REPORT, findings=()))
    assert text == "### callint: nothing found in 5 images, 12 tables, 480 cells\n"


def check_harmless(text: str) -> None:
    """Nothing of a stranger's is more than text or code."""
    for token in markup(text):
        if token.type == "html_block":
            assert re.fullmatch(
                r"<details>\n<summary><code>[^<>]*</code>: [^<>]*</summary>\n?|</details>\n?", token.content
            ), token.content
        else:
            assert token.type not in ("link_open", "image", "html_inline", "em_open", "s_open", "fence"), (
                token
            )
        if token.type == "text":
            assert not re.search(r"[@#$|<>`\\\[\]]|://|www\.|:\w+:|GH-", token.content), token.content


def test_no_html_link_or_mention_survives_in_markdown() -> None:
    check_harmless(findings_markdown(REPORT))


@given(NASTY, NASTY)
@settings(max_examples=200, deadline=None)
def test_no_text_breaks_out_of_a_row_or_an_item_of_markdown(text: str, path: str) -> None:
    finding = replace(
        FINDINGS[1], message=text, hint=f"x {text}", image=f"x{path}", place=f"at {path}", base=""
    )
    page = findings_markdown(replace(REPORT, findings=(finding, replace(finding, waiver=WAIVER))))
    check_harmless(page)
    kinds = [token.type for token in markup(page)]
    assert kinds.count("td_open") == 3 and kinds.count("tr_open") == 2
    assert kinds.count("list_item_open") == 2 and kinds.count("heading_open") == 1
    # A bar behind a backslash ends a cell in some dialects and not in others.
    assert all(line.count("|") == 4 for line in page.splitlines() if line.startswith("|"))


@given(NASTY)
@settings(max_examples=300, deadline=None)
def test_prose_is_seen_as_it_was_written(text: str) -> None:
    (inline,) = (token for token in MARKDOWN.parse(f"x {prose(text)} x") if token.type == "inline")
    assert " ".join(plain(inline).split()) == " ".join(["x", *clean(text).split(), "x"])


# Lines


@given(NASTY)
@settings(max_examples=100, deadline=None)
def test_a_finding_is_one_line_regardless_of_its_text(text: str) -> None:
    report = replace(REPORT, findings=(replace(FINDINGS[1], message=text),) * 2)
    assert len(findings_lines(report).splitlines()) == findings_lines(report).count("\n") == 2


def test_a_line_is_what_editors_jump_to() -> None:
    first, *_ = findings_lines(REPORT).splitlines()
    assert first == (
        "definitions/skerry-28.xml:409: error: value/out-of-range: boats/petrel.bin: rail_pressure_demand at "
        "2800 rpm, 58 mg/stroke: 2100.0 bar is above the limit of 1650 bar (base: 1198.5 bar) "
        f"[{FINDINGS[0].fingerprint[:8]}]"
    )


DAMAGED = Finding(
    rule="image/damaged-record",
    message="line 17: the checksum is 0x1F, but its bytes give 0x1E",
    image="boats/tern.hex",
    definition="definitions/skerry-28.xml",
    image_line=17,
)


def test_a_damaged_record_has_the_line_of_its_own_file() -> None:
    report = replace(REPORT, findings=(DAMAGED,), files=())
    assert findings_lines(report).startswith("boats/tern.hex:17: error: image/damaged-record: ")
    (result,) = sarif_of(DAMAGED)["results"]
    place = result["locations"][0]["physicalLocation"]
    assert (place["artifactLocation"]["uri"], place["region"]) == ("boats/tern.hex", {"startLine": 17})
    case = next(
        iter(next(iter(junitparser.JUnitXml.fromstring(findings_junit([report], [Severity.NOTE]).encode()))))
    )
    assert (case._elem.get("file"), case._elem.get("line")) == ("boats/tern.hex", "17")
    assert "file=boats/tern.hex,line=17," in findings_github(report)
    (entry,) = json.loads(findings_gitlab(report))
    assert entry["location"] == {"path": "boats/tern.hex", "lines": {"begin": 17}}


# Annotations of forges


#: The documented form of workflow commands (from memory).
COMMAND = re.compile(r"::(error|warning|notice) ((?:\w+=[^,:\r\n]*)(?:,\w+=[^,:\r\n]*)*)::([^\r\n]*)\n")


def decoded_property(text: str) -> str:
    for code, character in (("%2C", ","), ("%3A", ":"), ("%0A", "\n"), ("%0D", "\r"), ("%25", "%")):
        text = text.replace(code, character)
    return text


def decoded_message(text: str) -> str:
    return text.replace("%0A", "\n").replace("%0D", "\r").replace("%25", "%")


def commands(text: str) -> list[tuple[str, dict[str, str], str]]:
    """The level, the properties and the message of each workflow command."""
    lines = text.splitlines(keepends=True)
    matches = [COMMAND.fullmatch(line) for line in lines]
    assert None not in matches, text
    return [
        (
            match[1],
            {
                name: decoded_property(value)
                for name, _, value in (item.partition("=") for item in match[2].split(","))
            },
            decoded_message(match[3]),
        )
        for match in matches
        if match
    ]


#: The documented form of a code quality report (from memory).
CODE_QUALITY = jsonschema_rs.Draft202012Validator(
    {
        "type": "array",
        "items": {
            "type": "object",
            "required": ["description", "check_name", "fingerprint", "severity", "location"],
            "additionalProperties": False,
            "properties": {
                "description": {"type": "string", "minLength": 1},
                "check_name": {"type": "string", "minLength": 1},
                "fingerprint": {"type": "string", "minLength": 1},
                "severity": {"enum": ["info", "minor", "major", "critical", "blocker"]},
                "location": {
                    "type": "object",
                    "required": ["path", "lines"],
                    "properties": {
                        "path": {"type": "string", "minLength": 1, "pattern": r"^(?!\./)"},
                        "lines": {
                            "type": "object",
                            "required": ["begin"],
                            "properties": {"begin": {"type": "integer", "minimum": 1}},
                        },
                    },
                },
            },
        },
    }
)


def code_quality(text: str) -> Any:
    report = json.loads(text)
    CODE_QUALITY.validate(report)
    return report


ACTIVE = [finding for finding in FINDINGS if not finding.waived]


def test_workflow_commands_have_the_findings_that_are_not_waived() -> None:
    levels = {"error": "error", "warning": "warning", "note": "notice"}
    result = commands(findings_github(REPORT))
    assert len(result) == len(ACTIVE) < len(FINDINGS)
    for (level, properties, message), finding in zip(result, ACTIVE, strict=True):
        assert level == levels[finding.severity.value]
        assert properties["title"] == f"{finding.rule} [{finding.fingerprint[:8]}]"
        assert clean(finding.message) in message and message.endswith(clean(finding.hint))
    assert result[0][1]["file"] == "definitions/skerry-28.xml" and result[0][1]["line"] == "409"


def test_a_workflow_command_names_no_file_outside_the_repository() -> None:
    for path in ("../elsewhere/tern.bin", "/srv/tern.bin", "C:/boats/tern.bin"):
        ((_, properties, message),) = commands(
            findings_github(replace(REPORT, findings=(replace(FINDINGS[5], image=path),)))
        )
        assert properties.keys() == {"title"} and path in message
    inside = replace(REPORT, findings=(replace(FINDINGS[5], image="../tern.bin"),))
    ((_, properties, _),) = commands(findings_github(inside, "harbour"))
    assert properties["file"] == "tern.bin"


def test_a_workflow_command_encodes_what_would_end_a_property_or_a_line() -> None:
    finding = replace(
        FINDINGS[0],
        definition="defs/50 %25, a:b%0A,line=9.xml",
        message="7 %2C is above 5 %, at 3:4",
        hint="Restore 50 %0A.",
    )
    text = findings_github(replace(REPORT, findings=(finding,)))
    assert text.startswith("::error file=defs/50 %2525%2C a%3Ab%250A%2Cline=9.xml,line=409,title=")
    assert "7 %252C is above 5 %25, at 3:4" in text and text.endswith("%0ARestore 50 %250A.\n")
    ((_, properties, message),) = commands(text)
    assert (properties["file"], properties["line"]) == (finding.definition, "409")
    assert finding.message in message and message.endswith(f"\n{finding.hint}")


@given(NASTY)
@settings(max_examples=200, deadline=None)
def test_no_text_breaks_out_of_a_workflow_command(text: str) -> None:
    finding = replace(FINDINGS[1], message=text, hint=text, image=f"x{text}", definition=f"yy{text}")
    ((_, properties, message),) = commands(findings_github(replace(REPORT, findings=(finding,))))
    assert properties.keys() == {"file", "line", "title"}
    assert clean(text) in message


def test_a_code_quality_report_has_the_findings_that_are_not_waived() -> None:
    severities = {"error": "critical", "warning": "major", "note": "info"}
    result = code_quality(findings_gitlab(REPORT))
    assert [entry["fingerprint"] for entry in result] == [finding.fingerprint for finding in ACTIVE]
    for entry, finding in zip(result, ACTIVE, strict=True):
        assert entry["check_name"] == finding.rule
        assert entry["severity"] == severities[finding.severity.value]
        assert clean(finding.message) in entry["description"]
    assert code_quality(findings_gitlab(replace(REPORT, findings=()))) == []


def test_a_code_quality_report_has_each_fingerprint_once() -> None:
    twice = replace(REPORT, findings=(FINDINGS[0], replace(FINDINGS[0], commit=COMMIT)))
    assert len(code_quality(findings_gitlab(twice))) == 1


# The command


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return make_yard(tmp_path / "yard", heron=GOOD, petrel=BAD)


@pytest.mark.parametrize("form", FORMATS)
def test_output_goes_to_a_file_in_every_format(yard: Yard, form: str) -> None:
    printed = yard.call("check", "--format", form)
    written = yard.call("check", "--format", form, "--output", "found")
    assert (printed.status, written.status, written.stdout) == (1, 1, "")
    assert (yard.root / "found").read_text("utf-8") == printed.stdout


def test_every_format_of_the_command_has_the_findings_of_its_json(yard: Yard) -> None:
    wanted = [item["fingerprint"] for item in yard.call("check", "--format", "json").data["findings"]]
    assert len(wanted) == 2
    for form in ("sarif", "junit", "markdown"):
        assert all(item in yard.call("check", "--format", form).stdout for item in wanted), form
    lines = yard.call("check", "--format", "lines").lines
    assert [re.findall(r"\[(\w{8})\]", line) for line in lines] == [[item[:8]] for item in wanted]


@pytest.mark.parametrize("form", ["sarif", "junit", "markdown"])
def test_a_document_is_whole_where_nothing_is_found(yard: Yard, form: str) -> None:
    result = yard.call("check", "boats/heron.bin", "--format", form)
    assert result.status == 0 and result.stdout
    if form == "sarif":
        assert read_log(result.stdout)["runs"][0]["results"] == []
    if form == "junit":
        suites = junitparser.JUnitXml.fromstring(result.stdout.encode())
        assert (suites.tests, suites.failures) == (2, 0)


def test_lines_are_silent_where_nothing_is_found(yard: Yard) -> None:
    result = yard.call("check", "boats/heron.bin", "--format", "lines")
    assert (result.status, result.stdout) == (0, "")


@pytest.mark.parametrize("form", FORMATS)
@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("boats/missing.bin",), "boats/missing.bin: it does not exist; check the path"),
        (("--output", "nowhere/found"), "there is no folder nowhere; make it first"),
        (("--output", "boats/petrel.bin"), "boats/petrel.bin"),
        (("--policy", "none.toml"), "none.toml"),
    ],
)
def test_a_wrong_call_is_one_line_in_every_format(
    yard: Yard, form: str, arguments: tuple[str, ...], message: str
) -> None:
    before = yard.files()
    assert message in yard.call("check", "--format", form, *arguments).error
    assert yard.files() == before


def test_the_level_of_the_policy_decides_what_fails_in_junit(yard: Yard) -> None:
    for policy, failures in ((POLICY, 1), (f'fail-on = "warning"\n{POLICY}', 2)):
        yard.write("callint.toml", policy)
        suites = junitparser.JUnitXml.fromstring(yard.call("check", "--format", "junit").stdout.encode())
        assert suites.failures == failures


def test_the_byte_region_is_where_the_cell_lies_in_the_file(yard: Yard) -> None:
    (run,) = read_log(yard.call("check", "--format", "sarif").stdout)["runs"]
    (result,) = (result for result in run["results"] if result["ruleId"] == "value/out-of-range")
    region = result["relatedLocations"][0]["physicalLocation"]["region"]
    start, size = region["byteOffset"], region["byteLength"]
    assert (yard.root / "boats/petrel.bin").read_bytes()[start : start + size] == u16(9990)


def test_the_byte_region_counts_from_the_files_start_and_not_from_address_0() -> None:
    tables = (
        '<scalar name="cut" title="Cut" purpose="demand" at="0x104" type="uint16" conversion="rpm">'
        '<limits min="0" max="9"/></scalar>'
    )
    xml = yard_definition(tables, axes="", memory="").replace(b'start="0"', b'start="0x100"')
    report = inspect(xml, bytes(4) + u16(5000) + bytes(0xA0 - 6))
    (finding,) = (finding for finding in report.findings if finding.rule == "value/out-of-range")
    assert (finding.address, finding.offset, finding.size) == (0x104, 4, 2)


def test_every_address_that_a_rule_names_has_its_bytes_in_the_file(yard: Yard) -> None:
    many = edited(
        BAD, {0x30: u16(4800), 0x32: b"\x00", 0x44: bytes([61, 24, 12, 3]), 0x70: b"\x01\x02"}, seal=False
    )
    yard.write("boats/petrel.bin", many)
    (run,) = read_log(yard.call("check", "--format", "sarif").stdout)["runs"]
    rules = set()
    for result in run["results"]:
        for item in result.get("relatedLocations", ()):
            place = item["physicalLocation"]
            assert place["region"]["byteOffset"] == place["address"]["absoluteAddress"]
            assert place["region"]["byteLength"] == place["address"]["length"] > 0
            rules.add(result["ruleId"])
    assert rules >= {
        "image/stale-checksum",
        "change/unexplained-bytes",
        "change/emissions",
        "protection/disabled",
    }


def test_annotations_count_paths_from_the_top_of_the_repository(tmp_path: Path) -> None:
    scratch = make_repository(tmp_path / "fleet")
    yard = make_yard(scratch.root / "harbour 1", petrel=BAD)
    for place, lead in ((yard, "harbour 1/"), (make_yard(tmp_path / "alone", petrel=BAD), "")):
        files = {
            properties["file"]
            for _, properties, _ in commands(place.call("check", "--format", "github").stdout)
        }
        assert files == {f"{lead}defs/yard.xml"}
        report = code_quality(place.call("check", "--format", "gitlab").stdout)
        assert {entry["location"]["path"] for entry in report} == files
    assert yard.call("check", "boats/heron.bin", "--format", "github").status == 2
    yard.write("boats/petrel.bin", GOOD)
    assert yard.call("check", "--format", "github").stdout == ""
    assert code_quality(yard.call("check", "--format", "gitlab").stdout) == []


@pytest.mark.parametrize("form", FORMATS)
def test_waived_findings_can_be_left_out_of_every_format(tmp_path: Path, form: str) -> None:
    scratch = make_repository_yard(tmp_path / "yard", petrel=BAD)
    assert (
        scratch.call(
            "waive", "value/out-of-range", "--table", "fuel", "--reason", "Measured on the brake."
        ).status
        == 0
    )
    full, short = (scratch.call("check", "--format", form, *more) for more in ((), ("--without-waived",)))
    assert full.status == short.status == 0
    assert "change/suspicious-cell" in short.stdout
    assert not re.search("Measured|suppressions|skipped/|[1-9] waived", short.stdout)
    if form not in ("github", "gitlab"):
        assert short.stdout != full.stdout


# Ranges


@pytest.fixture
def scratch(tmp_path: Path) -> Scratch:
    """A slip in the first commit, another one in the second, the first put right in the third."""
    scratch = make_repository_yard(tmp_path / "yard", petrel=BAD)
    scratch.write("boats/petrel.bin", edited(BAD, {fuel_cell(2, 2): u16(9500)}))
    scratch.commit("Another slip")
    scratch.write("boats/petrel.bin", edited(GOOD, {fuel_cell(2, 2): u16(9500)}))
    scratch.commit("The first put right")
    return scratch


def states(run: Any, rule: str = "value/out-of-range") -> list[tuple[str, str]]:
    return [
        (result["baselineState"], result["locations"][0]["logicalLocations"][0]["name"])
        for result in run["results"]
        if result["ruleId"] == rule
    ]


def test_sarif_of_a_range_distinguishes_new_findings_from_old_ones(scratch: Scratch) -> None:
    result = scratch.call("check", "--range", "HEAD~2..HEAD~1", "--format", "sarif")
    (run,) = read_log(result.stdout)["runs"]
    assert states(run) == [("new", "2,2"), ("unchanged", "1,1")]
    assert result.status == 1


def test_the_working_tree_since_a_revision_has_base_states_too(scratch: Scratch) -> None:
    scratch.write("boats/petrel.bin", edited(BAD, {fuel_cell(2, 2): u16(9500)}))
    (run,) = read_log(scratch.call("check", "--since", "HEAD", "--format", "sarif").stdout)["runs"]
    assert states(run) == [("new", "1,1"), ("unchanged", "2,2")]


def test_known_findings_are_in_no_other_format_and_fail_nothing(scratch: Scratch) -> None:
    for form in ("junit", "markdown", "lines"):
        assert "999.0" not in scratch.call("check", "--range", "HEAD~2..HEAD~1", "--format", form).stdout
    report = scratch.call("check", "--range", "HEAD~2..HEAD~1", "--format", "json").data
    assert not any("999.0" in finding["message"] for finding in report["findings"])
    last = scratch.call("check", "--range", "HEAD~1..HEAD", "--format", "sarif")
    assert last.status == 0
    (run,) = read_log(last.stdout)["runs"]
    assert states(run) == [("unchanged", "2,2")]


def test_commit_by_commit_sarif_has_a_run_for_each(scratch: Scratch) -> None:
    commits = scratch.must("rev-list", "--reverse", "HEAD~2..HEAD").split()
    log = read_log(scratch.call("check", "--range", "HEAD~2..HEAD", "--each", "--format", "sarif").stdout)
    assert [run["automationDetails"]["id"] for run in log["runs"]] == [
        f"callint/{commit}" for commit in commits
    ]
    first, second = log["runs"]
    assert states(first) == [("new", "2,2"), ("unchanged", "1,1")]
    assert states(second) == [("unchanged", "2,2")]


def test_reports_of_several_commits_are_one_in_the_formats_without_runs() -> None:
    two = merge_reports([replace(REPORT, findings=FINDINGS[:2]), replace(REPORT, findings=FINDINGS[2:])])
    assert two.findings == FINDINGS and two.files == REPORT.files
