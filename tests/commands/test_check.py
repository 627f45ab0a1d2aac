"""``callint check`` as its users meet it."""

from __future__ import annotations

import os
import re
import stat
import sys
from pathlib import Path
from typing import Any

import click
import pytest

from callint.commands import rules as rules_command
from callint.reporting.findings import cause_text
from tests.building import definition_xml, u16
from tests.running import (
    BAD,
    CUT,
    EGR,
    GOOD,
    HULL,
    MONITOR,
    NOTHING,
    POLICY,
    SEAL,
    SMOKE,
    SOFTWARE,
    Yard,
    call,
    edited,
    fuel_cell,
    make_yard,
    not_as_root,
    run_unread,
    steering,
    too_wide,
    valid,
    yard_base,
    yard_definition,
)

posix = pytest.mark.skipif(os.name == "nt", reason="Windows has no such files")

#: One image with something for every severity: a cell beyond its limit, a soft limit, a lifted protection.
MANY = edited(
    yard_base(),
    {
        fuel_cell(3, 2): u16(9000),
        fuel_cell(0, 0): u16(9500),
        CUT: u16(4650),
        SMOKE: u16(600, 700, 800, 900),
        EGR: bytes([28, 24, 12, 3]),
        NOTHING: b"\x01\x02",
    },
)


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return make_yard(tmp_path / "yard", heron=GOOD, petrel=BAD)


def checked(yard: Yard, *arguments: str) -> Any:
    """The JSON report of a check, which keeps to its contract."""
    return valid(yard.call("check", "--format", "json", *arguments).data, "findings.schema.json")


def rules_of(report: Any) -> set[str]:
    return {finding["rule"] for finding in report["findings"]}


# Text


def test_a_clean_check_prints_nothing(yard: Yard) -> None:
    result = yard.run("check", "boats/heron.bin")
    assert (result.status, result.stdout, result.stderr) == (0, "", "")


def test_a_cause_names_place_change_and_slip_then_the_broken_demands_and_the_remedy(yard: Yard) -> None:
    result = yard.call("check", "boats/petrel.bin")
    assert (result.status, result.stderr) == (1, "")
    report = checked(yard, "boats/petrel.bin")
    marks = {finding["rule"]: finding["fingerprint"][:8] for finding in report["findings"]}
    (cause,) = report["causes"]
    assert result.lines == [
        "1 mistake in boats/petrel.bin.",
        "1 error, 1 warning in 1 image, 6 tables, 26 cells.",
        "",
        "error    fuel at 1600 rpm, 40 mg: 44.0 → 999.0 mg, 43.5 would fit",
        f"  {marks['value/out-of-range']} 999.0 mg is above the limit of 90 mg",
        f"  {marks['change/suspicious-cell']} warning: change/suspicious-cell",
        "  Look up the intended value and enter it again, or waive the finding with a",
        f"  reason. ({cause['id']})",
    ]


def test_all_prints_rule_hint_address_and_line_of_each_finding(yard: Yard) -> None:
    findings = checked(yard, "boats/petrel.bin")["findings"]
    (mark,) = (finding["fingerprint"] for finding in findings if finding["rule"] == "value/out-of-range")
    line = next(
        number
        for number, text in enumerate(yard_definition().decode().splitlines(), 1)
        if '<map name="fuel"' in text
    )
    lines = yard.call("check", "boats/petrel.bin", "--all").lines
    start = lines.index("error    fuel at 1600 rpm, 40 mg: 44.0 → 999.0 mg, 43.5 would fit")
    assert lines[start + 1 : start + 6] == [
        "         fuel at 1600 rpm, 40 mg: 999.0 mg is above the limit of 90 mg (base:",
        "         44.0 mg)",
        f"           error, value/out-of-range ({mark[:8]}): Correct the cell; the limits",
        "           are what the hardware withstands.",
        f"           0x0001A, defs/yard.xml line {line}",
    ]


def test_disabled_protections_come_first_then_weakened_ones_then_the_order_is_by_severity(yard: Yard) -> None:
    off_and_more = edited(MANY, {CUT: u16(5600)})
    weakened = edited(yard_base(), {CUT: u16(4650), fuel_cell(3, 2): u16(9000)})
    yard.write("boats/auk.bin", weakened)
    yard.write("boats/tern.bin", off_and_more)
    causes = checked(yard)["causes"]
    dangers = [cause.get("danger", "") for cause in causes]
    assert dangers == sorted(dangers, key=["disabled protection", "weakened protection", ""].index)
    assert set(dangers) == {"disabled protection", "weakened protection", ""}
    ranks = [["error", "warning", "note"].index(c["severity"]) for c in causes if not c.get("danger")]
    assert ranks == sorted(ranks)
    headings = [text for text in yard.call("check").lines if re.match("(error|warning|note) ", text)]
    for heading, cause in zip(headings, causes, strict=True):
        assert heading.startswith(f"{cause['severity']:<9}{cause['image']}: "[:60])


def test_every_format_keeps_the_order_of_the_causes(yard: Yard) -> None:
    yard.write("boats/auk.bin", edited(MANY, {CUT: u16(5600)}))
    report = checked(yard, "boats/auk.bin")
    order = [finding["fingerprint"] for finding in report["findings"]]
    assert [mark for cause in report["causes"] for mark in cause["findings"]] == order
    assert len(order) == len(set(order)) > 5
    for form in ("sarif", "junit", "markdown", "lines"):
        text = yard.call("check", "boats/auk.bin", "--format", form).stdout
        marks = [mark[:8] for mark in re.findall(r"\b(?:[0-9a-f]{16}|[0-9a-f]{8}(?=\]))\b", text)]
        assert marks == [mark[:8] for mark in order], form


def test_the_summary_counts_mistakes_and_what_they_do_to_protections(yard: Yard) -> None:
    yard.write("boats/auk.bin", edited(yard_base(), {CUT: u16(5600), SMOKE: u16(600, 700, 800, 900)}))
    result = yard.call("check", "boats/auk.bin")
    summary = result.lines[: result.lines.index("")]
    assert len(summary) <= 6
    causes = checked(yard, "boats/auk.bin")["causes"]
    assert summary[0].startswith(f"{len(causes)} mistakes in boats/auk.bin, 1 disables a protection")


def test_what_the_base_has_too_is_one_line_for_each_image(yard: Yard) -> None:
    yard.write("factory/base.bin", BAD)
    inherited = "1 note as in the base; --all shows it"
    assert yard.call("check", "boats/petrel.bin").lines == [
        "1 note in 1 image, 6 tables, 26 cells.",
        inherited,
    ]
    yard.write("boats/auk.bin", edited(BAD, {CUT: u16(4650)}))
    lines = yard.call("check", "boats/auk.bin", "boats/petrel.bin").lines
    assert f"boats/auk.bin: {inherited}" in lines
    assert f"boats/petrel.bin: {inherited}" in lines
    assert not any("999.0" in text for text in lines)
    assert "999.0 mg is above" in yard.call("check", "boats/petrel.bin", "--all").flat


def test_no_line_to_a_pipe_is_wider_than_80_columns(yard: Yard) -> None:
    title = "The title of a table that somebody wrote with very much love for detail " * 6
    yard.write("defs/yard.xml", yard_definition().replace(b"Fuel cut-off speed", title.strip().encode()))
    yard.write("boats/auk.bin", edited(MANY, {CUT: u16(5000), MONITOR: b"\x00"}))
    result = yard.call("check", "--all")
    assert len(result.lines) > 40
    assert too_wide(result.stdout) == []


def test_a_number_is_not_torn_from_its_unit(yard: Yard) -> None:
    for rpm in (4650, 4801, 5000, 65535):
        yard.write("boats/auk.bin", edited(yard_base(), {CUT: u16(rpm)}))
        for text in yard.call("check", "boats/auk.bin").lines:
            assert not re.search(r"\d$", text) or "line" in text, text


def test_a_pipe_gets_no_colour(yard: Yard) -> None:
    assert "\x1b" not in yard.call("check").stdout


def test_force_color_colours_a_pipe_and_the_words_stay_the_same(yard: Yard) -> None:
    plain = yard.run("check").stdout
    coloured = yard.run("check", FORCE_COLOR="1").stdout
    assert "\x1b[" in coloured
    assert re.sub(r"\x1b\[[0-9;]*m", "", coloured).split() == plain.split()


def test_no_color_wins_over_a_terminal_that_could_show_colour(yard: Yard) -> None:
    def colours(output: str) -> set[str]:
        # Bold and dim are not colours; the colours of SGR are 30 and above.
        codes = {code for codes in re.findall(r"\x1b\[([0-9;]*)m", output) for code in codes.split(";")}
        return {code for code in codes if code and int(code) >= 30}

    assert colours(yard.run("check", FORCE_COLOR="1").stdout)
    assert not colours(yard.run("check", FORCE_COLOR="1", NO_COLOR="1").stdout)


def test_an_ascii_terminal_gets_the_findings_too(yard: Yard) -> None:
    hot = yard_definition().replace(b'min="-40" max="150"', b'min="-40" max="25"')
    yard.write("defs/yard.xml", hot)
    yard.write("boats/petrel.bin", edited(yard_base(), {0x33: bytes([70, 62, 64, 66])}))
    result = yard.run("check", "boats/petrel.bin", PYTHONUTF8="0", PYTHONIOENCODING="ascii")
    assert result.status == 1, result
    assert "above the limit of 25" in result.flat


@pytest.mark.parametrize("arguments", [("check",), ("show", "boats/heron.bin"), ("rules",), ("--help",)])
def test_a_closed_pipe_is_neither_success_nor_error(yard: Yard, arguments: tuple[str, ...]) -> None:
    result = run_unread(*arguments, cwd=yard.root)
    # As shells report a program that writes into a pipe without a reader.
    assert (result.status, result.stderr) == (141, "")


@pytest.mark.parametrize("victim", [".git/config", "boats/new.bin", "boats/petrel.bin", "factory/base.bin"])
@pytest.mark.parametrize(
    "arguments",
    [
        ("check", "boats/heron.bin"),
        ("show", "boats/heron.bin", "--format", "csv"),
        ("diff", "factory/base.bin", "boats/heron.bin", "--format", "json"),
        ("review", "factory/base.bin", "boats/heron.bin"),
    ],
    ids=" ".join,
)
def test_no_output_replaces_what_is_named_or_gits_own(
    yard: Yard, arguments: tuple[str, ...], victim: str
) -> None:
    yard.write(".git/config", "[core]\n")
    before = yard.files()
    error = yard.call(*arguments, "--output", victim).error
    assert "choose another" in error
    assert yard.files() == before


# Folding


def blocks(amount: int, cells: int) -> tuple[bytes, bytes]:
    """A definition with some curves of some number of cells, and an image that breaks all their limits."""
    curves = "".join(
        f'<curve name="block_{number:02}" title="Block {number}" purpose="demand" '
        f'at="{number * cells}" type="uint8" conversion="mg">'
        '<x axis="steps"/><limits min="0" max="9"/></curve>'
        for number in range(amount)
    )
    values = " ".join(str(number * 100) for number in range(cells))
    axis = f'<fixed-axis name="steps" signal="speed" values="{values}"/>'
    size = amount * cells
    definition = definition_xml(
        curves,
        axes=axis,
        signals='<signal name="speed" unit="rpm" plausible="0 6000">Engine speed</signal>',
        conversions='<linear name="mg" unit="mg" factor="0.1" decimals="1"/>',
        size=size,
    )
    return definition, bytes([200]) * size


@pytest.fixture
def broken_blocks(tmp_path: Path) -> Yard:
    yard = Yard(tmp_path)
    definition, image = blocks(amount=12, cells=5)
    yard.write("test.xml", definition)
    yard.write("new.bin", image)
    return yard


CHECK_BLOCKS = ("check", "new.bin", "--definition", "test.xml")


def test_of_one_rule_in_one_cause_three_findings_are_printed_and_the_rest_is_counted(
    broken_blocks: Yard,
) -> None:
    result = broken_blocks.call(*CHECK_BLOCKS)
    first = result.stdout.split("\n\n")[1].splitlines()
    assert first[0] == "error    block_00"
    assert sum(" is above the limit " in text for text in first) == 3
    assert "  and 2 more of value/out-of-range" in first


def test_of_many_causes_the_first_are_printed_and_the_rest_is_counted(
    broken_blocks: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cause_text, "_MOST_CAUSES", 10)
    result = broken_blocks.call(*CHECK_BLOCKS)
    headings = [text for text in result.lines if text.startswith("error ")]
    assert headings == [f"error    block_{number:02}" for number in range(10)]
    assert result.lines[:2] == ["12 mistakes in new.bin.", "60 errors in 1 image, 12 tables, 60 cells."]
    assert result.lines[-1] == "2 more mistakes not shown; --all shows them"
    assert too_wide(result.stdout) == []


def test_all_spells_out_every_finding(broken_blocks: Yard) -> None:
    result = broken_blocks.call(*CHECK_BLOCKS, "--all")
    assert result.stdout.count("value/out-of-range (") == 60
    assert "more" not in result.stdout
    assert result.lines[1] == "60 errors in 1 image, 12 tables, 60 cells."


def test_json_is_never_folded(broken_blocks: Yard) -> None:
    report = checked(broken_blocks, *CHECK_BLOCKS[1:])
    assert len(report["findings"]) == 60


# JSON


def test_json_keeps_to_its_contract_and_its_summary_counts_its_findings(yard: Yard) -> None:
    waiver = (
        '[[waivers]]\nrule = "change/emissions"\nimage = "boats/auk.bin"\ntable = "egr"\n'
        f'reason = "the surveyor has agreed"\nwho = "Ada Quay"\ndigest = "{"sha256:" + "0" * 40}"\n'
    )
    yard.write("boats/auk.bin", MANY)
    yard.write("callint.toml", POLICY + waiver)
    outdated = next(f for f in checked(yard)["findings"] if f["rule"] == "waiver/outdated")
    digest = re.search(r"sha256:[0-9a-f]{28}(?:/[0-9a-f]{14}){2}", outdated["message"])
    assert digest is not None
    yard.write("callint.toml", POLICY + waiver.replace("sha256:" + "0" * 40, digest[0]))
    report = checked(yard)
    findings, summary = report["findings"], report["summary"]
    for severity in ("error", "warning", "note"):
        live = [f for f in findings if f["severity"] == severity and not f["waived"]]
        assert summary[severity] == len(live)
    assert summary["waived"] == sum(f["waived"] for f in findings) == 1
    assert (summary["images"], summary["tables"], summary["cells"]) == (3, 18, 78)
    assert len({f["fingerprint"] for f in findings}) == len(findings)


def test_json_names_the_cell_by_index_breakpoints_address_raw_and_physical(yard: Yard) -> None:
    finding, _ = checked(yard, "boats/petrel.bin")["findings"]
    assert finding["rule"] == "value/out-of-range"
    assert finding["severity"] == "error"
    assert (finding["image"], finding["definition"]) == ("boats/petrel.bin", "defs/yard.xml")
    assert (finding["table"], finding["unit"]) == ("fuel", "mg")
    assert finding["cell"] == {"x": 1, "y": 1}
    assert finding["at"] == {"speed": 1600.0, "load": 40.0}
    assert finding["address"] == fuel_cell(1, 1)
    assert finding["raw"] == 9990
    assert finding["physical"] == pytest.approx(999.0)
    assert finding["base_physical"] == pytest.approx(44.0)
    assert "policy" not in finding


def test_json_is_a_whole_document_where_nothing_is_found(yard: Yard) -> None:
    result = yard.call("check", "boats/heron.bin", "--format", "json")
    assert result.status == 0
    report = valid(result.data, "findings.schema.json")
    assert report["findings"] == []
    assert report["summary"]["images"] == 1


def test_a_fingerprint_survives_unrelated_edits_and_changes_with_the_value(yard: Yard) -> None:
    first, _ = checked(yard, "boats/petrel.bin")["findings"]
    yard.write(
        "defs/yard.xml",
        b"\n"
        + yard_definition().replace(b"\n", b"\n\n")[0:0]
        + yard_definition()
        .replace(b"<tables>", b"\n\n<tables>")
        .replace(b'title="Recirculation"', b'title="Exhaust back"'),
    )
    yard.write("boats/petrel.bin", edited(BAD, {HULL: b"OTHER       ", fuel_cell(2, 2): u16(735)}))
    yard.write("defs/yard.xml", (yard.root / "defs/yard.xml").read_bytes().lstrip())
    second, _ = checked(yard, "boats/petrel.bin")["findings"]
    assert second["line"] != first["line"]
    assert second["fingerprint"] == first["fingerprint"]
    yard.write("boats/petrel.bin", edited(BAD, {fuel_cell(1, 1): u16(9991)}))
    third, _ = checked(yard, "boats/petrel.bin")["findings"]
    assert third["fingerprint"] != first["fingerprint"]


def test_an_ascii_pipe_gets_valid_json(yard: Yard) -> None:
    yard.write("boats/grå.bin", BAD)
    result = yard.run(
        "check",
        "boats/grå.bin",
        "--format",
        "json",
        PYTHONUTF8="0",
        PYTHONIOENCODING="ascii",
        LC_ALL="C.UTF-8",
    )
    assert result.status == 1, result
    finding, _ = valid(result.data, "findings.schema.json")["findings"]
    assert finding["image"] == "boats/grå.bin"


# Writing to a file


@pytest.mark.parametrize("form", ["text", "json"])
def test_output_writes_to_the_file_what_would_be_printed(yard: Yard, form: str) -> None:
    printed = yard.run("check", "--format", form)
    before = set(yard.files())
    written = yard.run("check", "--format", form, "--output", "report.txt")
    assert (written.status, written.stdout, written.stderr) == (1, "", "")
    assert (yard.root / "report.txt").read_bytes().decode() == printed.stdout
    assert set(yard.files()) == {*before, "report.txt"}


def test_output_replaces_an_older_report_and_keeps_its_mode(yard: Yard) -> None:
    report = yard.write("report.txt", "old")
    report.chmod(0o640)
    assert yard.call("check", "boats/heron.bin", "--output", "report.txt").status == 0
    assert "nothing found" in report.read_text("utf-8") or report.read_text("utf-8") == ""
    if os.name != "nt":
        assert stat.S_IMODE(report.stat().st_mode) == 0o640


@pytest.mark.parametrize(
    ("arguments", "victim"),
    [
        (("boats/heron.bin",), "boats/heron.bin"),
        (("boats/heron.bin",), "./boats/../boats/heron.bin"),
        (("defs/yard.xml",), "defs/yard.xml"),
        (("boats/heron.bin", "--base", "factory/base.bin"), "factory/base.bin"),
        (("boats/heron.bin", "--definition", "defs/yard.xml"), "defs/yard.xml"),
        (("boats/heron.bin",), "callint.toml"),
        (("boats/heron.bin",), "defs/yard.xml"),
        (("boats/heron.bin",), "factory/base.bin"),
        ((), "boats/petrel.bin"),
        ((), "defs/yard.xml"),
        ((), "factory/base.bin"),
        (("defs/yard.xml",), "factory/base.bin"),
        (("boats",), "boats/petrel.bin"),
    ],
)
def test_output_never_replaces_an_input(yard: Yard, arguments: tuple[str, ...], victim: str) -> None:
    before = yard.files()
    result = yard.call("check", *arguments, "--output", victim)
    assert yard.files() == before
    assert "would replace an input" in result.error


@posix
def test_output_never_replaces_an_input_under_another_name(yard: Yard) -> None:
    (yard.root / "alias").symlink_to("boats", target_is_directory=True)
    before = yard.files()
    result = yard.call("check", "boats/petrel.bin", "--output", "alias/petrel.bin")
    assert yard.files() == before
    assert "would replace an input" in result.error


@posix
def test_an_output_takes_no_pipes_or_devices_place(yard: Yard) -> None:
    pipe = yard.root / "pipe"
    os.mkfifo(pipe)
    error = yard.call("check", "--output", "pipe").error
    assert error == "callint: pipe: it cannot be written: it is not a regular file; choose another place"
    assert pipe.is_fifo()


def test_a_range_that_is_none_is_refused_with_an_example(yard: Yard) -> None:
    for text in ("main", "..", "..main", "...main", "a....b"):
        assert "A..B" in yard.call("check", "--range", text).error


def test_an_output_that_cannot_be_written_is_an_input_error_and_leaves_nothing(yard: Yard) -> None:
    before = yard.files()
    for target in ("nowhere/report.txt", "boats"):
        error = yard.call("check", "--output", target).error
        assert target in error
        assert "cannot be written" in error
    assert yard.files() == before


# When it fails


def test_the_exit_status_is_1_from_the_fail_level_on(yard: Yard) -> None:
    yard.write("boats/auk.bin", edited(yard_base(), {CUT: u16(4440)}))
    report = checked(yard, "boats/auk.bin")
    assert {f["severity"] for f in report["findings"]} == {"warning"}
    assert yard.call("check", "boats/auk.bin").status == 0
    assert yard.call("check", "boats/auk.bin", "--fail-on", "error").status == 0
    assert yard.call("check", "boats/auk.bin", "--fail-on", "warning").status == 1
    assert yard.call("check", "boats/auk.bin", "--fail-on", "note").status == 1


def test_the_policy_sets_the_fail_level_and_the_command_line_overrules_it(yard: Yard) -> None:
    yard.write("boats/auk.bin", edited(yard_base(), {CUT: u16(4440)}))
    yard.write("callint.toml", 'fail-on = "warning"\n' + POLICY)
    assert yard.call("check", "boats/auk.bin").status == 1
    assert yard.call("check", "boats/auk.bin", "--fail-on", "error").status == 0


def test_a_finding_is_printed_even_where_it_does_not_fail(yard: Yard) -> None:
    yard.write("boats/auk.bin", edited(yard_base(), {CUT: u16(4440)}))
    result = yard.call("check", "boats/auk.bin")
    assert result.status == 0
    assert "warning  overspeed_cut: 4200 → 4440 rpm" in result.lines


def test_a_note_fails_only_where_notes_do(yard: Yard) -> None:
    # What the base has too is a note.
    yard.write("factory/base.bin", BAD)
    assert {f["severity"] for f in checked(yard, "boats/petrel.bin")["findings"]} == {"note"}
    assert yard.call("check", "boats/petrel.bin", "--fail-on", "warning").status == 0
    assert yard.call("check", "boats/petrel.bin", "--fail-on", "note").status == 1


def test_waived_findings_do_not_fail(yard: Yard) -> None:
    digest = next(
        re.findall(r"sha256:[0-9a-f]{28}(?:/[0-9a-f]{14}){2}", text)[0]
        for text in [yard.call("show", "boats/petrel.bin", "fuel").flat]
    )
    yard.write(
        "callint.toml",
        POLICY
        + "".join(
            f'[[waivers]]\nrule = "{rule}"\nimage = "boats/petrel.bin"\ntable = "fuel"\n'
            f'reason = "agreed with the maker"\nwho = "Ada Quay"\ndigest = "{digest}"\n'
            for rule in ("value/out-of-range", "change/suspicious-cell")
        ),
    )
    result = yard.call("check", "boats/petrel.bin", "--fail-on", "note")
    assert result.status == 0
    assert result.stdout == "2 waived in 1 image, 6 tables, 26 cells.\n"


def test_an_internal_error_is_status_3_in_one_line(yard: Yard, monkeypatch: pytest.MonkeyPatch) -> None:
    @click.command()
    def broken() -> int:
        raise ZeroDivisionError("a slip\nof two lines")

    monkeypatch.setattr(rules_command, "command", broken)
    result = yard.call("rules")
    assert result.status == 3
    assert result.stdout == ""
    (line,) = result.stderr.splitlines()
    assert "callint itself failed (ZeroDivisionError: a slip)" in line
    assert "CALLINT_TRACEBACK" in line
    with pytest.raises(ZeroDivisionError):
        yard.call("rules", CALLINT_TRACEBACK="1")


# What is checked


@pytest.mark.parametrize(
    ("path", "folder"),
    [
        ("boats/petrel.bin", "."),
        ("./boats/petrel.bin", "."),
        ("boats/../boats//petrel.bin", "."),
        ("petrel.bin", "boats"),
        ("../boats/petrel.bin", "defs"),
    ],
)
def test_an_image_is_reported_by_its_path_from_the_policy_wherever_it_is_named_from(
    yard: Yard, path: str, folder: str
) -> None:
    result = call("check", path, "--format", "json", cwd=yard.root / folder)
    finding, _ = result.data["findings"]
    assert finding["image"] == "boats/petrel.bin"
    assert finding["definition"] == "defs/yard.xml"


def test_an_absolute_path_is_the_same_image(yard: Yard) -> None:
    finding, _ = checked(yard, str(yard.root / "boats" / "petrel.bin"))["findings"]
    assert finding["image"] == "boats/petrel.bin"


def test_without_paths_everything_that_the_policy_names_is_checked_from_any_folder(yard: Yard) -> None:
    for folder in (".", "defs"):
        report = call("check", "--format", "json", cwd=yard.root / folder).data
        assert report["summary"]["images"] == 2
        assert {f["image"] for f in report["findings"]} == {"boats/petrel.bin"}


@pytest.mark.parametrize("path", ["boats", "boats/", "./boats", "."])
def test_a_folder_stands_for_the_policys_images_below_it(yard: Yard, path: str) -> None:
    yard.write("boats/notes.txt", "no image")
    yard.write("spare/tern.bin", BAD)
    assert checked(yard, path)["summary"]["images"] == 2


def test_a_folder_stands_for_the_policys_definitions_below_it_too(yard: Yard) -> None:
    yard.write("defs/yard.xml", yard_definition().replace(b'max="90"', b'max="9O"'))
    result = yard.call("check", "defs")
    assert result.status == 1 and "defs/yard.xml" in result.stdout


def test_a_folder_without_anything_of_the_policy_is_an_error(yard: Yard) -> None:
    yard.write("spare/notes.txt", "no image")
    assert "names no image below this folder" in yard.call("check", "spare").error


def test_a_base_that_is_named_is_checked_by_the_definition_that_it_has_in_the_policy(yard: Yard) -> None:
    assert yard.call("check", "factory/base.bin").status == 0
    yard.write("factory/base.bin", edited(yard_base(), {fuel_cell(0, 0): u16(9990)}))
    assert rules_of(checked(yard, "factory/base.bin")) == {"value/out-of-range"}


def test_a_base_with_a_stale_checksum_is_doubted(yard: Yard) -> None:
    yard.write("factory/base.bin", edited(yard_base(), {HULL: b"OTHER"}, seal=False))
    (finding,) = (
        f for f in checked(yard, "boats/heron.bin")["findings"] if f["rule"] == "image/missing-base"
    )
    assert "stale checksum sum" in finding["message"]


def test_an_image_of_unknown_software_has_no_other_finding(yard: Yard) -> None:
    other = b"YARD-99"
    yard.write("factory/other.bin", edited(yard_base(), {SOFTWARE: other}))
    yard.write(
        "callint.toml", POLICY.replace('"factory/base.bin"', '["factory/base.bin", "factory/other.bin"]')
    )
    yard.write("boats/heron.bin", edited(yard_base(), {SOFTWARE: other}))
    assert rules_of(checked(yard, "boats/heron.bin")) == {"image/wrong-identity"}
    # Not so of an image whose software is known, but whose base is not among the named ones.
    yard.write("factory/base.bin", edited(yard_base(), {SOFTWARE: b"YARD-98"}))
    yard.write("boats/heron.bin", yard_base())
    assert rules_of(checked(yard, "boats/heron.bin")) == {"image/missing-base"}


def test_a_waiver_of_an_image_that_does_not_exist_is_unused(yard: Yard) -> None:
    waiver = """
[[waivers]]
rule = "value/out-of-range"
image = "boats/heorn.bin"
reason = "A name that nobody has."
who = "Ines"
digest = "sha256:0123456789012345678901234567890123456789"
"""
    yard.write("callint.toml", POLICY + waiver)
    assert "waiver/unused" in yard.call("check").stdout
    assert "waiver/unused" not in yard.call("check", "boats/heron.bin").stdout


def test_a_waiver_of_a_renamed_image_names_its_possible_new_path(yard: Yard) -> None:
    about = ("--table", "fuel", "--image", "boats/petrel.bin", "--reason", "as the surveyor wants it")
    assert yard.call("waive", "value/out-of-range", *about).status == 0
    (yard.root / "boats/petrel.bin").rename(yard.root / "boats/tern.bin")
    (unused,) = (f for f in checked(yard)["findings"] if f["rule"] == "waiver/unused")
    assert unused["hint"] == (
        "boats/tern.bin has the accepted content: if the image was renamed, correct its name here."
    )
    # Other content is nothing that was accepted.
    yard.write("boats/tern.bin", edited(BAD, {fuel_cell(0, 0): u16(121)}))
    (unused,) = (f for f in checked(yard)["findings"] if f["rule"] == "waiver/unused")
    assert unused["hint"] == "Remove the waiver, or correct its rule, image or table."


def test_a_definition_is_checked_alone(yard: Yard) -> None:
    yard.write("defs/yard.xml", yard_definition().replace(b'max="60"', b'max="-60"'))
    report = checked(yard, "defs/yard.xml")
    assert report["summary"]["images"] == 0
    assert "definition/limits-inverted" in rules_of(report)
    assert all(f["definition"] == "defs/yard.xml" for f in report["findings"])


def test_a_definition_needs_no_policy(tmp_path: Path) -> None:
    yard = Yard(tmp_path)
    yard.write("yard.xml", b"<definition")
    result = yard.call("check", "yard.xml")
    assert result.status == 1
    assert "definition/invalid" in result.stdout


@pytest.mark.parametrize("name", ["-heron.bin", "the heron.bin", "grå häger 鷺.bin", "[heron].bin", "#1.bin"])
def test_an_image_may_have_any_name(yard: Yard, name: str) -> None:
    yard.write(f"boats/{name}", BAD)
    result = call("check", "--format", "json", "--", name, cwd=yard.root / "boats")
    assert result.status == 1, result
    finding, _ = valid(result.data, "findings.schema.json")["findings"]
    assert finding["image"] == f"boats/{name}"


@pytest.mark.skipif(sys.platform != "linux", reason="other systems refuse names that are not text")
def test_an_image_whose_name_is_not_text_can_be_checked(yard: Yard) -> None:
    name = os.fsdecode(b"her\xffon.bin")
    yard.write(f"boats/{name}", BAD)
    plain = yard.call("check", f"boats/{name}")
    assert plain.status == 1, plain
    assert "above the limit of 90 mg" in plain.stdout
    result = yard.call("check", f"boats/{name}", "--format", "json")
    assert result.status == 1, result
    assert steering(result.stdout) == []
    valid(result.data, "findings.schema.json")


def test_definition_takes_the_place_of_the_policys(yard: Yard) -> None:
    yard.write("defs/strict.xml", yard_definition().replace(b'max="90"', b'max="40"'))
    report = checked(yard, "boats/heron.bin", "--definition", "defs/strict.xml")
    assert {f["definition"] for f in report["findings"]} == {"defs/strict.xml"}
    assert "value/out-of-range" in rules_of(report)


def test_base_takes_the_place_of_the_policys(yard: Yard) -> None:
    yard.write("spare.bin", edited(GOOD, {NOTHING: b"\x07"}))
    report = checked(yard, "boats/heron.bin", "--base", "spare.bin")
    assert rules_of(report) == {"change/unexplained-bytes"}


def test_an_image_and_its_definition_need_no_policy(tmp_path: Path) -> None:
    yard = Yard(tmp_path)
    yard.write("any.xml", yard_definition())
    yard.write("old.bin", yard_base())
    yard.write("new.bin", edited(BAD, {NOTHING: b"\x01"}))
    report = checked(yard, "new.bin", "--definition", "any.xml")
    assert rules_of(report) == {"value/out-of-range"}
    report = checked(yard, "new.bin", "--definition", "any.xml", "--base", "old.bin")
    assert rules_of(report) == {"value/out-of-range", "change/suspicious-cell", "change/unexplained-bytes"}


def test_files_outside_the_policys_folder_may_be_named(yard: Yard, tmp_path: Path) -> None:
    elsewhere = Yard(tmp_path / "elsewhere")
    elsewhere.write("tern.bin", BAD)
    report = checked(yard, "../elsewhere/tern.bin", "--definition", "defs/yard.xml")
    assert {f["image"] for f in report["findings"]} == {"../elsewhere/tern.bin"}


def test_policy_names_another_policy_and_its_folder_is_the_root(yard: Yard, tmp_path: Path) -> None:
    other = make_yard(tmp_path / "other", petrel=BAD)
    (other.root / "callint.toml").rename(other.root / "yard policy.toml")
    report = checked(yard, "--policy", "../other/yard policy.toml")
    assert report["summary"]["images"] == 1
    assert {f["image"] for f in report["findings"]} == {"boats/petrel.bin"}


def test_the_nearest_policy_counts_and_none_beyond_the_repositorys_top(yard: Yard) -> None:
    inner = make_yard(yard.root / "inner", tern=GOOD)
    assert checked(inner)["summary"]["images"] == 1
    (yard.root / "boats" / ".git").mkdir()
    assert "no callint.toml in this folder or any parent" in call("check", cwd=yard.root / "boats").error


# Wrong calls: one line that names file, place and remedy


@pytest.mark.parametrize(
    ("arguments", "messages"),
    [
        (("check", "boats/missing.bin"), ["boats/missing.bin", "does not exist", "check the path"]),
        (("check", "callint.toml"), ["callint.toml", "--definition"]),
        (("check", "--definition", "none.xml"), ["none.xml", "does not exist"]),
        (("check", "boats/heron.bin", "--base", "none.bin"), ["none.bin", "does not exist"]),
        (("check", "--policy", "none.toml"), ["none.toml", "the policy does not exist", "check the path"]),
        (("check", "--policy", "boats"), ["boats", "policy"]),
        (("check", "--fromat", "json"), ["--fromat", "--format", "callint check --help"]),
        (("check", "--format", "yaml"), ["yaml", "text", "json", "callint check --help"]),
        (("check", "--fail-on", "fatal"), ["fatal", "warning", "callint check --help"]),
        (("check", "--output"), ["--output", "callint check --help"]),
        (("chekc",), ["'chekc'", "did you mean 'check'"]),
        (("",), ["callint --help"]),
        (("vypnout",), ["'vypnout'", "callint --help"]),
        (("check", "--staged", "boats/heron.bin"), ["--staged", "use only one"]),
        (("check", "--staged", "--base", "factory/base.bin"), ["--staged", "remove --definition"]),
    ],
)
def test_a_wrong_call_is_one_line_that_says_what_to_do(
    yard: Yard, arguments: tuple[str, ...], messages: list[str]
) -> None:
    error = yard.call(*arguments).error
    for message in messages:
        assert message in error


@pytest.mark.parametrize(
    ("policy", "phrases"),
    [
        ("images = ]\n", ["callint.toml", "not valid TOML", "line 1"]),
        (b"\n\n# \xff\n", ["callint.toml:3", "UTF-8"]),
        ('fail-on = "fatal"\n', ["callint.toml:1", "'fatal'", "error, warning, note"]),
        ('\nfail_on = "note"\n', ["callint.toml:2", "'fail_on'", "did you mean 'fail-on'"]),
        ('[[images]]\npaths = ["a"]\n', ["callint.toml:1", "definition is missing"]),
        (
            POLICY + '[severity]\n"value/out-of-rnage" = "note"\n',
            ["value/out-of-rnage", "value/out-of-range"],
        ),
        (POLICY.replace("boats/*", "../*"), ["callint.toml:2", "../*.bin", "leads out of the repository"]),
        (POLICY.replace("defs/yard.xml", "/etc/yard.xml"), ["callint.toml:3", "/etc/yard.xml", "leads out"]),
        (POLICY.replace("defs/yard.xml", "C:/yard.xml"), ["callint.toml:3", "C:/yard.xml", "leads out"]),
        (POLICY.replace("boats/*", "ships/*"), ["callint.toml", "no file matches"]),
    ],
)
def test_a_mistake_in_the_policy_is_one_line_with_its_place(
    yard: Yard, policy: str | bytes, phrases: list[str]
) -> None:
    yard.write("callint.toml", policy)
    error = yard.call("check").error
    for phrase in phrases:
        assert phrase in error


def test_every_mistake_in_the_policy_is_named_in_a_line_of_its_own(yard: Yard) -> None:
    yard.write("callint.toml", 'fail-on = "fatal"\n\n[severities]\n"value" = "off"\n')
    result = yard.call("check")
    assert result.status == 2
    assert len(result.stderr.splitlines()) == 2
    assert all(text.startswith("callint: callint.toml:") for text in result.stderr.splitlines())


def test_a_policy_that_is_too_large_is_refused(yard: Yard) -> None:
    yard.write("callint.toml", "#" * (4 * 2**20 + 1))
    assert "callint.toml: it is larger than 4 MiB" in yard.call("check").error


def test_a_policy_that_is_a_folder_is_refused_and_not_passed_over(tmp_path: Path) -> None:
    (tmp_path / "boats/callint.toml").mkdir(parents=True)
    (tmp_path / "callint.toml").write_text(POLICY)
    error = call("check", cwd=tmp_path / "boats").error
    assert error.endswith("callint.toml: it is a folder; put a policy in its place")


def test_a_policy_without_images_differs_from_one_whose_images_are_missing(yard: Yard) -> None:
    yard.write("callint.toml", "# nothing yet\n")
    assert yard.call("check").error == ("callint: callint.toml: it names no images; add [[images]] entries")
    yard.write("callint.toml", POLICY.replace("boats/*", "ships/*"))
    assert "no file matches its paths" in yard.call("check").error


def test_a_rule_that_is_not_known_is_named_with_its_line(yard: Yard) -> None:
    severities = '[severity]\n"value/unexpected" = "note"\n"value/unexpectd" = "error"\n'
    yard.write("callint.toml", POLICY + severities)
    line = POLICY.count("\n") + 3
    assert yard.call("check").error == (
        f"callint: callint.toml:{line}: severity: there is no rule 'value/unexpectd'; "
        "did you mean 'value/unexpected'?"
    )


def test_without_any_policy_the_line_says_how_to_go_on(tmp_path: Path) -> None:
    error = call("check", cwd=tmp_path).error
    assert "callint.toml" in error
    assert "--definition" in error


@posix
def test_a_name_with_a_line_break_does_not_make_an_error_of_two_lines(yard: Yard) -> None:
    for name in ("no\nsuch.bin", "no\u2028such.bin", "no\x0bsuch.bin", "no\r\nsuch.bin"):
        assert "does not exist" in yard.call("check", name).error


# Images that are none


@posix
@pytest.mark.parametrize("arguments", [("boats/pipe.bin",), ("boats",), ()])
def test_a_fifo_is_not_waited_for(yard: Yard, arguments: tuple[str, ...]) -> None:
    os.mkfifo(yard.root / "boats" / "pipe.bin")
    (finding,) = (f for f in checked(yard, *arguments)["findings"] if f["image"] == "boats/pipe.bin")
    assert finding["rule"] == "image/unreadable"
    assert "not a regular file" in finding["message"]


@posix
def test_a_fifo_as_policy_is_not_waited_for(yard: Yard) -> None:
    os.mkfifo(yard.root / "pipe.toml")
    assert "pipe.toml" in yard.call("check", "--policy", "pipe.toml").error


@not_as_root
def test_a_file_without_permission_is_a_finding_and_the_others_are_checked(yard: Yard) -> None:
    (yard.root / "boats" / "heron.bin").chmod(0)
    report = checked(yard)
    unreadable, slip = sorted(report["findings"], key=lambda f: str(f["rule"]))
    assert (unreadable["rule"], unreadable["image"]) == ("image/unreadable", "boats/heron.bin")
    assert "permission is missing" in unreadable["message"]
    assert slip["image"] == "boats/petrel.bin"


def test_a_file_over_the_bound_is_not_read(yard: Yard) -> None:
    with (yard.root / "boats" / "huge.bin").open("wb") as file:
        file.truncate(256 * 2**20 + 1)
    (finding,) = (f for f in checked(yard)["findings"] if f["image"] == "boats/huge.bin")
    assert finding["rule"] == "image/unreadable"
    assert "256 MiB" in finding["message"]


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "the image is empty"),
        (GOOD[:-1], "truncated: it has 159 bytes, but the memory has 160 (1 byte missing)"),
        (GOOD[:0x30], "it lacks 4 tables"),
        (GOOD + bytes(4), "too long: it has 164 bytes, but the memory has 160 (4 bytes too many)"),
    ],
    ids=["empty", "one byte short", "cut off", "too long"],
)
def test_an_image_of_another_size_is_reported(yard: Yard, data: bytes, message: str) -> None:
    yard.write("boats/auk.bin", data)
    report = checked(yard, "boats/auk.bin")
    (finding,) = (f for f in report["findings"] if f["rule"] == "image/wrong-size")
    assert message in finding["message"]
    assert finding["raw"] == len(data)
    result = yard.call("check", "boats/auk.bin")
    assert result.status == 1
    assert too_wide(result.stdout) == []


def test_an_image_of_other_software_has_no_other_finding(yard: Yard) -> None:
    other = edited(bytes(0xFF - byte for byte in MANY), {SOFTWARE: b"YARD-02"})
    yard.write("boats/auk.bin", other)
    assert rules_of(checked(yard, "boats/auk.bin")) == {"image/wrong-identity"}


def test_an_image_whose_software_number_alone_changed_is_reported_as_such(yard: Yard) -> None:
    yard.write("boats/auk.bin", edited(GOOD, {SOFTWARE: b"YARD-02"}))
    assert rules_of(checked(yard, "boats/auk.bin")) == {"image/wrong-identity", "change/identity"}


@posix
def test_a_link_to_the_outside_in_the_policys_paths_is_refused_as_a_finding(
    yard: Yard, tmp_path: Path
) -> None:
    secret = tmp_path / "secret.bin"
    secret.write_bytes(BAD)
    (yard.root / "boats" / "link.bin").symlink_to(secret)
    for arguments in ((), ("boats",)):
        (finding,) = (f for f in checked(yard, *arguments)["findings"] if f["image"] == "boats/link.bin")
        assert finding["rule"] == "image/unreadable"
        assert "leads out of the repository" in finding["message"]


@posix
def test_a_definition_or_base_behind_a_link_to_the_outside_is_refused_as_a_finding(
    yard: Yard, tmp_path: Path
) -> None:
    for name, rule in (("defs/yard.xml", "definition/invalid"), ("factory/base.bin", "image/missing-base")):
        kept = (yard.root / name).read_bytes()
        outside = tmp_path / Path(name).name
        outside.write_bytes(kept)
        (yard.root / name).unlink()
        (yard.root / name).symlink_to(outside)
        findings = [f for f in checked(yard)["findings"] if f["rule"] == rule]
        assert findings
        assert all("leads out of the repository" in f["message"] for f in findings)
        (yard.root / name).unlink()
        yard.write(name, kept)


@posix
def test_a_link_that_stays_inside_is_followed(yard: Yard) -> None:
    (yard.root / "boats" / "twin.bin").symlink_to("petrel.bin")
    finding, _ = (f for f in checked(yard)["findings"] if f["image"] == "boats/twin.bin")
    assert finding["rule"] == "value/out-of-range"


@posix
def test_a_circular_link_is_a_finding(yard: Yard) -> None:
    (yard.root / "boats" / "ring.bin").symlink_to("ring.bin")
    (finding,) = (f for f in checked(yard)["findings"] if f["image"] == "boats/ring.bin")
    assert finding["rule"] == "image/unreadable"


# Strangers' characters

#: An escape sequence, its eight-bit form, a bell, an override of the reading direction, a line separator.
NASTY = "\x1b[2J\x9b31m\x07\u202eevil\u2066\u2028"


@posix
def test_a_file_name_never_reaches_the_terminal_raw(yard: Yard) -> None:
    yard.write(f"boats/{NASTY}.bin", BAD)
    result = yard.call("check")
    assert "evil" in result.stdout
    assert steering(result.stdout) == []
    error = yard.call("check", f"boats/{NASTY}.nothing").error
    assert "evil" in error
    assert steering(error) == []


@posix
def test_a_file_name_is_never_unescaped_in_json(yard: Yard) -> None:
    yard.write(f"boats/{NASTY}.bin", BAD)
    result = yard.call("check", f"boats/{NASTY}.bin", "--format", "json")
    assert result.data["findings"][0]["image"] == f"boats/{NASTY}.bin"
    assert steering(result.stdout) == []


def test_titles_and_states_never_reach_the_terminal_raw(yard: Yard) -> None:
    # XML itself forbids most control characters, but neither C1 nor the overrides.
    nasty = "\x9b31m\u202eevil\u2066"
    xml = yard_definition().decode().replace("Overboost is watched", nasty).replace(">off<", f">{nasty}<")
    yard.write("defs/yard.xml", xml.replace('guard state="off"', f'guard state="{nasty}"'))
    yard.write("boats/auk.bin", edited(yard_base(), {MONITOR: b"\x00"}))
    for form in ("text", "json"):
        result = yard.call("check", "boats/auk.bin", "--format", form)
        assert "evil" in result.stdout
        assert steering(result.stdout) == []


def test_identities_never_reach_the_terminal_raw(yard: Yard) -> None:
    yard.write("boats/auk.bin", edited(yard_base(), {SOFTWARE: b"\x1b[31m\x9b\x07"}))
    result = yard.call("check", "boats/auk.bin")
    assert "image/wrong-identity" in result.stdout
    assert steering(result.stdout) == []


def test_a_policys_words_never_reach_the_terminal_raw(yard: Yard) -> None:
    yard.write("callint.toml", '"fail-on" = "\\u001b[2J\\u202eevil\\u009b"\n')
    error = yard.call("check").error
    assert "evil" in error
    assert steering(error) == []
    waiver = (
        '[[waivers]]\nrule = "value/flat"\nimage = "boats/heron.bin"\nreason = "because of reasons"\n'
        f'who = "\\u001b[2J\\u202eevil"\ndigest = "sha256:{"0" * 40}"\n'
    )
    yard.write("callint.toml", POLICY + waiver.replace("value/flat", "value/too-steep"))
    result = yard.call("check")
    assert "waiver/unused" in result.stdout
    assert "evil" in result.stdout
    assert steering(result.stdout) == []


def test_markup_in_a_name_is_shown_as_it_is(yard: Yard) -> None:
    yard.write("boats/[bold]x :boat:.bin", BAD)
    assert "boats/[bold]x :boat:.bin" in yard.call("check", "boats/[bold]x :boat:.bin").stdout


def test_fix_prints_the_command_of_each_mistake_and_changes_nothing(tmp_path: Path) -> None:
    yard = make_yard(tmp_path / "yard", heron=edited(BAD, {MONITOR: b"\x00", SEAL: u16(1)}, seal=False))
    result = yard.call("check", "boats/heron.bin", "--fix")
    commands = [line.split() for line in result.lines if line.startswith("  callint ")]
    assert [command[1] for command in commands] == ["restore", "restore", "seal"]
    for command in commands:
        yard.run(*command[1:])
    assert yard.call("check").stdout == ""
    assert yard.call("check", "--fix", "--format", "json").status == 2


def test_a_check_of_all_files_compares_tables_in_the_bases_of_the_policy(tmp_path: Path) -> None:
    copy = (
        '<curve name="smoke_copy" title="Copy" purpose="protection" at="0x50" type="uint16" conversion="mg">'
    )
    copy += '<x axis="speed_4"/><limits min="0" max="100"/><guard above="95" share="0.5"/></curve>'
    xml = yard_definition().decode().replace('<curve name="trim"', f'{copy}<curve name="trim"')
    base = edited(yard_base(), {0x50: u16(600, 700, 800, 850)})
    yard = make_yard(tmp_path / "yard", heron=base, petrel=base)
    yard.write("factory/base.bin", base)
    yard.write("defs/yard.xml", xml)

    def mirrors(*arguments: str) -> list[tuple[str, str]]:
        findings = yard.call("check", *arguments, "--format", "json").data["findings"]
        return [(f["severity"], f["message"]) for f in findings if f["rule"] == "definition/unstated-mirror"]

    said = "smoke_cap and smoke_copy are equal in factory/base.bin, and no relation says that they must be"
    assert mirrors() == [("note", said)]
    assert mirrors("boats/heron.bin") == []
    equal = '<relations><equal table="smoke_cap" mirror="smoke_copy"/></relations>'
    yard.write("defs/yard.xml", re.sub(r"<relations>\s*</relations>", equal, xml))
    assert mirrors() == []


@pytest.mark.parametrize("option", ["--definition", "--base"])
def test_with_another_definition_or_base_no_waiver_is_called_unused(yard: Yard, option: str) -> None:
    rule = "value/out-of-range" if option == "--definition" else "change/suspicious-cell"
    waived = (
        f'[[waivers]]\nrule = "{rule}"\nimage = "boats/petrel.bin"\ntable = "fuel"\n'
        'reason = "agreed with the maker"\nwho = "Ada Quay"\n'
        f'digest = "sha256:{"0" * 28}/{"0" * 14}/{"0" * 14}"\n'
    )
    yard.write("callint.toml", POLICY + waived)
    definition = (yard.root / "defs/yard.xml").read_text()
    yard.write("other.xml", re.sub(r'<limits [^>]*max="[^>]*>', "", definition))
    yard.write("other.bin", BAD)
    other = "other.xml" if option == "--definition" else "other.bin"
    rules = rules_of(checked(yard, "boats/petrel.bin", option, other))
    assert rules and rules.isdisjoint({rule, "waiver/unused"})
    yard.write("defs/yard.xml", (yard.root / "other.xml").read_text())
    yard.write("factory/base.bin", BAD)
    assert "waiver/unused" in rules_of(checked(yard, "boats/petrel.bin"))
