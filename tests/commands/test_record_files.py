"""Every command on Intel HEX files, S-records and raw files of part of the memory."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from callint.model.image import Segment
from callint.reading.records import kind_of, read_records
from tests.building import hex_file, s_file, u16
from tests.running import (
    BAD,
    CUT,
    EGR,
    GOOD,
    HULL,
    POLICY,
    SEAL,
    SIZE,
    Result,
    Yard,
    edited,
    fuel_cell,
    make_repository_yard,
    make_yard,
    valid,
    with_drivers,
    yard_base,
    yard_definition,
)

BASE = yard_base()
#: What a workshop's tool writes: the calibration, the software number and the checksum, with a gap between.
CALIBRATION, NUMBERS = slice(0, 0x80), slice(0x80, 0x92)
APART = edited(BASE, {fuel_cell(2, 2): u16(741), EGR: b"\x1c"})
TOGETHER = edited(GOOD, {fuel_cell(2, 2): u16(741), EGR: b"\x1c"})
#: Policies that name files of any form.
ANY = POLICY.replace("boats/*.bin", "boats/*")


def as_hex(data: bytes) -> bytes:
    return hex_file({0: data}, end="\r\n")


def as_lower_hex(data: bytes) -> bytes:
    return hex_file({0: data}, size=32).lower()


def as_s1(data: bytes) -> bytes:
    return s_file({0: data}, 1)


def as_s3(data: bytes) -> bytes:
    return s_file({0: data}, 3, size=7)


FORMS = [as_hex, as_lower_hex, as_s1, as_s3]
forms = pytest.mark.parametrize("form", FORMS)


def part(data: bytes) -> bytes:
    """The calibration, the software number and the checksum of an image as S-records."""
    return s_file({0: data[CALIBRATION], 0x80: data[NUMBERS]}, 2)


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    yard = make_yard(tmp_path / "yard")
    yard.write("callint.toml", ANY)
    return yard


def content(yard: Yard, path: str) -> tuple[Segment, ...]:
    data = (yard.root / path).read_bytes()
    kind = kind_of(data)
    assert kind is not None
    return read_records(data, kind).segments


# check


@forms
def test_check_finds_in_records_what_it_finds_in_a_raw_file(
    yard: Yard, form: Callable[[bytes], bytes]
) -> None:
    yard.write("boats/heron", BAD)
    raw = yard.call("check", "--all")
    yard.write("boats/heron", form(BAD))
    assert raw.status == 1
    assert yard.call("check", "--all") == raw
    yard.write("factory/base.bin", form(BASE))
    assert yard.call("check", "--all") == raw


def test_a_part_of_the_memory_is_complete_where_everything_defined_is_in_it(yard: Yard) -> None:
    yard.write("boats/heron.s19", part(GOOD))
    assert "wrong-size" not in yard.call("check", "--all").stdout
    assert yard.call("check").status == 0


def test_damaged_records_are_the_only_findings_and_have_their_lines(yard: Yard) -> None:
    lines = as_hex(BAD).splitlines()
    lines[3] = lines[3][:-2] + b"00"
    yard.write("boats/heron.hex", b"\n".join(lines[:-1]))
    findings = valid(yard.call("check", "--format", "json").data, "findings.schema.json")["findings"]
    assert {(finding["rule"], finding["image_line"]) for finding in findings} == {
        ("image/damaged-record", 4),
        ("image/damaged-record", len(lines) - 1),
    }
    text = yard.call("check").flat
    assert "line 4: its checksum is 0x00" in text
    assert "ends without an end record" in text


def test_a_damaged_file_does_not_hide_the_others(yard: Yard) -> None:
    yard.write("boats/heron.hex", as_hex(GOOD)[:-20])
    yard.write("boats/petrel.hex", as_hex(BAD))
    findings = yard.call("check", "--format", "json").data["findings"]
    assert {item["image"] for item in findings} == {"boats/heron.hex", "boats/petrel.hex"}


def test_a_damaged_base_does_not_serve_as_base(yard: Yard) -> None:
    yard.write("boats/heron.hex", as_hex(GOOD))
    yard.write("factory/base.bin", as_hex(BASE)[:-20])
    assert "the base factory/base.bin is damaged: line" in yard.call("check").flat


def test_staged_records_are_checked(tmp_path: Path) -> None:
    scratch = make_repository_yard(tmp_path / "yard")
    scratch.stage("boats/heron.bin", as_s1(BAD))
    assert "value/out-of-range" in scratch.staged().stdout
    scratch.stage("boats/heron.bin", as_s1(BAD)[:-3])
    assert "image/damaged-record" in scratch.staged().stdout


def test_records_that_were_damaged_before_are_still_errors(tmp_path: Path) -> None:
    scratch = make_repository_yard(tmp_path / "yard", heron=as_s1(GOOD)[:-3])
    scratch.write("boats/heron.bin", as_s1(BAD)[:-3])
    result = scratch.call("check", "--since", "HEAD")
    assert result.status == 1
    assert "image/damaged-record" in result.stdout


# A raw file of part of the memory

PART = f"{ANY}start = 0x10\n"


def test_a_raw_part_begins_where_the_policy_says(yard: Yard) -> None:
    yard.write("callint.toml", PART)
    yard.write("boats/heron", BAD[0x10:0x92])
    result = yard.call("check", "--all")
    assert "fuel at 1600" not in result.flat  # the axes are missing
    assert "999.0 mg is above the limit of 90 mg" in result.flat
    assert "speed_4 lies in a gap" in result.flat
    assert "cannot check the checksum sum: the image lacks 16 bytes" in result.flat
    assert "wrong-size" not in result.stdout
    shown = yard.call("diff", "factory/base.bin", "boats/heron")
    assert "44.0 → 999.0 mg" in shown.flat
    assert "0x00000 to 0x0000F" in shown.flat


def test_a_raw_file_of_the_size_of_the_memory_is_complete_regardless_of_start(yard: Yard) -> None:
    yard.write("boats/heron", BAD)
    whole = yard.call("check", "--all")
    yard.write("callint.toml", PART)
    assert yard.call("check", "--all") == whole


def test_a_raw_part_is_shown_and_merged_and_keeps_its_size(yard: Yard) -> None:
    yard.write("callint.toml", ANY + "start = 0x08\n")
    yard.write(
        "defs/yard.xml",
        (yard.root / "defs/yard.xml")
        .read_bytes()
        .replace(b'start="0x00" size="0x80"', b'start="0x08" size="0x78"'),
    )
    files = {}
    for name, data in (("base", BASE), ("ours", GOOD), ("theirs", APART)):
        files[name] = data[0x08:0x92]
        yard.write(f"boats/{name}", files[name])
    assert yard.call("seal", "boats/base").status == 0
    assert "45.0" in yard.call("show", "boats/ours", "fuel").stdout
    result = yard.call("merge", "boats/base", "boats/ours", "boats/theirs", "--to", "boats/merged")
    assert (result.status, result.stderr) == (0, "")
    merged = (yard.root / "boats/merged").read_bytes()
    assert merged[: 0x80 - 0x08] == TOGETHER[0x08:0x80]
    assert len(merged) == 0x92 - 0x08


def test_a_wrong_start_is_reported_as_leading_outside(yard: Yard) -> None:
    yard.write("callint.toml", f"{ANY}start = 0x2000\n")
    yard.write("boats/heron", GOOD[:0x92])
    assert "all bytes of the image lie outside the memory" in yard.call("check").flat
    assert "no byte of it lies in the memory" in yard.call("seal", "boats/heron").error


# diff, show, whatif


@forms
def test_records_are_compared_with_a_raw_base(yard: Yard, form: Callable[[bytes], bytes]) -> None:
    yard.write("boats/heron.bin", GOOD)
    yard.write("boats/heron.hex", form(GOOD))
    raw = yard.call("diff", "factory/base.bin", "boats/heron.bin")
    assert raw.status == 1
    assert yard.call("diff", "factory/base.bin", "boats/heron.hex") == raw
    nothing = yard.call("diff", "boats/heron.bin", "boats/heron.hex")
    assert (nothing.status, nothing.stdout) == (0, "")


@forms
def test_tables_are_shown_and_read_at_a_point(yard: Yard, form: Callable[[bytes], bytes]) -> None:
    yard.write("boats/raw", GOOD)
    yard.write("boats/text", form(GOOD))
    for arguments in ((), ("--list",), ("--plain",), ("fuel", "--at", "speed=1700,load=30")):
        raw, text = (yard.call("show", f"boats/{name}", *arguments) for name in ("raw", "text"))
        assert raw.status == 0
        assert text.stdout == raw.stdout.replace("boats/raw", "boats/text")
    raw, text = (
        yard.call("whatif", f"boats/{name}", "--true", "load=30", "--reads", "50") for name in ("raw", "text")
    )
    assert raw.status == 0
    assert text.stdout == raw.stdout.replace("boats/raw", "boats/text")


def test_a_table_in_a_gap_is_shown_without_values(yard: Yard) -> None:
    yard.write("boats/heron.s19", s_file({0: GOOD[: fuel_cell(2, 2)]}, 1))
    shown = yard.call("show", "boats/heron.s19", "fuel", "egr").stdout
    assert ["-", "-", "-", "-"] in [line.split() for line in shown.splitlines()]
    assert ["70", "70.0", "72.0", "-", "-"] in [line.split() for line in shown.splitlines()]
    assert "    speed, rpm\n" in shown, "no blocks stand for a curve without values"


@pytest.mark.parametrize(
    "command", ["show", "seal", "set", "restore", "apply", "whatif", "diff", "merge", "carry"]
)
def test_a_damaged_file_is_one_line_with_place_and_remedy(yard: Yard, command: str) -> None:
    damaged = as_hex(GOOD).replace(b":10000000", b":10000001")
    yard.write("boats/heron.hex", damaged)
    yard.write("values.csv", "table,value\noverspeed_cut,4100\n")
    options = {
        "set": ("overspeed_cut", "--to", "4100"),
        "restore": ("--table", "fuel"),
        "apply": ("values.csv",),
        "whatif": ("--true", "load=30", "--reads", "50"),
        "diff": ("factory/base.bin",),
        "merge": ("factory/base.bin", "factory/base.bin", "--to", "boats/new"),
        "carry": ("factory/base.bin", "factory/base.bin", "--to", "boats/new"),
    }.get(command, ())
    before = yard.files()
    error = yard.call(command, "boats/heron.hex", *options).error
    assert error.startswith("callint: boats/heron.hex:1: its checksum is 0x")
    assert error.endswith("; get the file from its source again")
    assert yard.files() == before


# What is written


@forms
def test_sealing_writes_the_record_with_the_checksum_and_no_other(
    yard: Yard, form: Callable[[bytes], bytes]
) -> None:
    stale = edited(GOOD, {SEAL: b"\0\0"}, seal=False)
    target = yard.write("boats/heron.hex", form(stale))
    assert yard.call("seal", "boats/heron.hex").status == 0
    before, after = form(stale).splitlines(keepends=True), target.read_bytes().splitlines(keepends=True)
    assert len(before) == len(after)
    differing = [number for number in range(len(before)) if before[number] != after[number]]
    # The two bytes may stand in two records.
    assert 1 <= len(differing) <= (2 if form is as_s3 else 1)
    assert target.read_bytes() == form(GOOD)


GAP = hex_file({0: GOOD[:0x20], 0x30: GOOD[0x30:]})


def fill_in_gaps(yard: Yard, fill: int = 0xFF) -> None:
    """Let the yard's definition say that control units have fill in the gaps of image files."""
    definition = yard_definition().replace(b"<memory ", f'<memory fill="0x{fill:02X}" '.encode(), 1)
    definition = definition.replace(b"<checksum ", b'<checksum gaps="fill" ', 1)
    yard.write("defs/yard.xml", definition)


def test_a_checksum_over_a_gap_is_refused_and_the_check_of_it_fails(yard: Yard) -> None:
    target = yard.write("boats/heron.hex", GAP)
    assert yard.call("seal", "boats/heron.hex").error == (
        "callint: boats/heron.hex: checksum sum also covers 0x00020 to 0x0002F, which the image lacks; "
        'export these bytes too, or write gaps="fill" in defs/yard.xml:6 if the control unit has fill there'
    )
    assert target.read_bytes() == GAP
    checked = yard.call("seal", "boats/heron.hex", "--check")
    assert (checked.status, checked.stderr) == (1, "")
    assert checked.flat == "boats/heron.hex: cannot check checksum sum: the image lacks bytes that it needs"


def test_a_gap_counts_as_fill_if_the_definition_states_it(yard: Yard) -> None:
    fill_in_gaps(yard, 0xA5)
    target = yard.write("boats/heron.hex", GAP)
    expected = (sum(GOOD[:0x20]) + 16 * 0xA5 + sum(GOOD[0x30:0x80])) & 0xFFFF
    stored = int.from_bytes(GOOD[SEAL : SEAL + 2], "big")
    assert expected != stored
    text = f"checksum sum is stored as 0x{stored:04X}, but must be 0x{expected:04X}"
    checked = yard.call("seal", "--check", "boats/heron.hex")
    assert (checked.status, checked.flat) == (1, f"boats/heron.hex: {text}")
    assert "image/stale-checksum" in yard.call("check", "boats/heron.hex").stdout
    sealed = yard.call("seal", "boats/heron.hex")
    assert (sealed.status, sealed.stderr) == (0, "")
    assert f"checksum sum was 0x{stored:04X} and is now 0x{expected:04X}" in sealed.flat
    right = GOOD[:SEAL] + u16(expected) + GOOD[SEAL + 2 :]
    assert target.read_bytes() == hex_file({0: right[:0x20], 0x30: right[0x30:]})
    again = yard.call("seal", "--check", "boats/heron.hex")
    assert (again.status, again.stdout, again.stderr) == (0, "", "")
    found = yard.call("check", "boats/heron.hex", "--all").stdout
    assert "image/stale-checksum" not in found and "image/uncovered-checksum" not in found


def test_a_checksum_over_bytes_that_a_file_lacks_is_left_alone_under_every_definition(
    yard: Yard,
) -> None:
    fill_in_gaps(yard)
    target = yard.write("boats/heron.hex", hex_file({0x80: GOOD[0x80:]}))
    before = target.read_bytes()
    sealed = yard.call("seal", "boats/heron.hex")
    assert (sealed.status, sealed.stderr) == (0, "")
    text = "the image lacks bytes that checksum sum needs; the checksum is left as it is"
    assert sealed.flat == f"boats/heron.hex: {text}"
    assert target.read_bytes() == before
    assert "lacks 128 bytes that it covers" in yard.call("check", "boats/heron.hex").flat


@pytest.mark.parametrize("command", ["merge", "carry"])
def test_no_command_writes_an_edited_image_with_a_checksum_over_unknown_bytes(
    yard: Yard, command: str
) -> None:
    def gap(data: bytes) -> bytes:
        return hex_file({0: data[:0x70], 0x78: data[0x78:]})

    def run() -> Result:
        if command == "merge":
            return merged(yard, gap(BASE), gap(GOOD), gap(APART))
        arguments = ("factory/base.bin", "boats/ours", "boats/base", "--new-definition", "defs/yard.xml")
        return yard.call("carry", *arguments, "--to", "boats/merged")

    yard.write("boats/base", gap(BASE))
    yard.write("boats/ours", as_hex(GOOD))
    assert "checksum sum also covers 0x00070 to 0x00077, which the image lacks" in run().error
    assert not (yard.root / "boats/merged").exists()
    fill_in_gaps(yard)
    result = run()
    assert (result.status, result.stderr) == (0, ""), result
    checked = yard.call("seal", "--check", "boats/merged")
    assert (checked.status, checked.stdout) == (0, "")


def test_a_checksum_whose_stored_bytes_are_absent_fails_the_check(yard: Yard) -> None:
    yard.write("boats/heron.hex", hex_file({0: GOOD[:SEAL], SEAL + 2: GOOD[SEAL + 2 :]}))
    checked = yard.call("seal", "boats/heron.hex", "--check")
    assert (checked.status, checked.stderr) == (1, "")
    assert "cannot check checksum sum: the image lacks bytes that it needs" in checked.flat


def test_a_complete_checksum_is_renewed_beside_one_that_is_stored_elsewhere(yard: Yard) -> None:
    second = '<checksum name="head" algorithm="sum8" start="0x00" size="0x10" stored-at="0x94"/>'
    yard.write("defs/yard.xml", yard_definition().replace(b"</memory>", second.encode() + b"</memory>"))
    rest = {0: GOOD[:SEAL], SEAL + 2: GOOD[SEAL + 2 :]}
    target = yard.write("boats/heron.hex", hex_file(rest))
    result = yard.call("seal", "boats/heron.hex")
    assert result.status == 0
    assert f"checksum head was 0x00 and is now 0x{sum(GOOD[:0x10]) & 0xFF:02X}" in result.flat
    assert "bytes that checksum sum needs" in result.flat
    checked = yard.call("seal", "--check", "boats/heron.hex")
    assert checked.status == 1
    assert "head" not in checked.stdout
    assert target.read_bytes() != hex_file(rest)


def test_no_checksum_is_renewed_beside_one_that_is_refused(yard: Yard) -> None:
    second = '<checksum name="head" algorithm="sum8" start="0x00" size="0x10" stored-at="0x94"/>'
    yard.write("defs/yard.xml", yard_definition().replace(b"</memory>", second.encode() + b"</memory>"))
    target = yard.write("boats/heron.hex", GAP)
    assert "checksum sum also covers" in yard.call("seal", "boats/heron.hex").error
    assert target.read_bytes() == GAP


def test_a_file_of_records_that_lie_elsewhere_is_refused_by_every_command(yard: Yard) -> None:
    yard.write("boats/heron.hex", hex_file({0x8000: GOOD}))
    for arguments in (("show",), ("diff", "factory/base.bin"), ("seal",)):
        error = yard.call(arguments[0], *arguments[1:], "boats/heron.hex").error
        assert "boats/heron.hex: no byte of it lies in the memory that defs/yard.xml describes" in error
    # The policy's start is for raw files.
    assert "correct the memory in the definition" in yard.call("check").flat


@forms
@pytest.mark.parametrize("command", ["set", "restore", "apply"])
def test_an_edit_writes_the_records_that_it_changes_and_no_other(
    yard: Yard, form: Callable[[bytes], bytes], command: str
) -> None:
    target = yard.write("boats/heron.hex", form(edited(GOOD, {CUT: u16(4300)})))
    yard.write("values.csv", "table,value\noverspeed_cut,4200\n")
    options = {
        "set": ("overspeed_cut", "--to", "4200 rpm"),
        "restore": ("--table", "overspeed_cut"),
        "apply": ("values.csv",),
    }[command]
    result = yard.call(command, "boats/heron.hex", *options)
    assert (result.status, result.stderr) == (0, "")
    assert target.read_bytes() == form(GOOD)


@forms
def test_a_merge_is_written_as_ours_is(yard: Yard, form: Callable[[bytes], bytes]) -> None:
    for name, data in (("base", BASE), ("ours", form(GOOD)), ("theirs", APART)):
        yard.write(f"boats/{name}", data)
    result = yard.call("merge", "boats/base", "boats/ours", "boats/theirs", "--to", "boats/merged")
    assert (result.status, result.stderr) == (0, "")
    assert (yard.root / "boats/merged").read_bytes() == form(TOGETHER)


def test_a_merge_is_written_as_theirs_where_they_alone_changed_the_form(yard: Yard) -> None:
    for name, data in (("base", as_hex(BASE)), ("ours", as_hex(GOOD)), ("theirs", as_s3(APART))):
        yard.write(f"boats/{name}", data)
    assert yard.call("merge", "boats/base", "boats/ours", "boats/theirs", "--to", "boats/merged").status == 0
    assert (yard.root / "boats/merged").read_bytes() == as_s3(TOGETHER)


def merged(yard: Yard, base: bytes, ours: bytes, theirs: bytes) -> Result:
    for name, data in (("base", base), ("ours", ours), ("theirs", theirs)):
        yard.write(f"boats/{name}", data)
    return yard.call("merge", "boats/base", "boats/ours", "boats/theirs", "--to", "boats/merged")


@pytest.mark.parametrize("whole", [as_hex, bytes], ids=["whole records", "a whole raw file"])
def test_a_file_of_the_calibration_is_not_merged_with_one_of_other_bytes(
    yard: Yard, whole: Callable[[bytes], bytes]
) -> None:
    error = merged(yard, part(BASE), part(GOOD), whole(APART)).error
    assert error == (
        "callint: boats/base: it lacks the byte at 0x00092, which is not fill in boats/theirs, so they "
        "cannot be merged; write both with the same addresses"
    )
    assert not (yard.root / "boats/merged").exists()


def zero_filled(yard: Yard) -> None:
    """The yard's images have zeros where its parts of the memory end; now its definition says so."""
    definition = yard_definition().replace(b"<memory ", b'<memory fill="0x00" ', 1)
    yard.write("defs/yard.xml", definition)


@pytest.mark.parametrize(
    ("base", "ours", "theirs", "expected"),
    [
        (part(BASE), part(GOOD), as_hex(APART), as_hex(TOGETHER)),
        (BASE, part(GOOD), as_hex(APART), part(TOGETHER)),
        (BASE, GOOD, part(APART), part(TOGETHER)),
        (part(BASE), GOOD, part(APART), TOGETHER),
    ],
    ids=["theirs is whole", "ours is a part", "theirs alone is a part", "ours is whole"],
)
def test_bytes_that_are_fill_in_one_file_may_be_absent_from_another(
    yard: Yard, base: bytes, ours: bytes, theirs: bytes, expected: bytes
) -> None:
    zero_filled(yard)
    result = merged(yard, base, ours, theirs)
    assert (result.status, result.stderr) == (0, ""), result
    assert (yard.root / "boats/merged").read_bytes() == expected


def test_a_changed_byte_of_fill_is_not_lost_in_a_merge(yard: Yard) -> None:
    zero_filled(yard)
    error = merged(yard, part(BASE), part(GOOD), as_hex(edited(APART, {0x98: b"\x01"}))).error
    assert "it lacks the byte at 0x00098, which is not fill in boats/theirs" in error
    assert not (yard.root / "boats/merged").exists()


def test_a_rework_is_carried_into_the_form_of_the_new_base(yard: Yard) -> None:
    yard.write("boats/heron.hex", as_hex(GOOD))
    newer = edited(BASE, {fuel_cell(0, 0): u16(130)})
    yard.write("factory/newer.s19", part(newer))
    arguments = ("--new-definition", "defs/yard.xml", "--to", "boats/new.s19")
    result = yard.call("carry", "factory/base.bin", "boats/heron.hex", "factory/newer.s19", *arguments)
    assert (result.status, result.stderr) == (0, "")
    wanted = edited(newer, {fuel_cell(1, 1): u16(450), HULL: b"HERON-3     "})
    assert (yard.root / "boats/new.s19").read_bytes() == part(wanted)


# In git


def test_history_goes_through_a_change_of_form_and_ends_where_addresses_differ(tmp_path: Path) -> None:
    scratch = make_repository_yard(tmp_path / "yard", heron=BASE)
    for message, data in (
        ("Only a part", part(BASE)),
        ("All again", as_hex(BASE)),
        ("Raise a cell", as_hex(edited(BASE, {fuel_cell(1, 1): u16(450)}))),
        ("Raw", edited(BASE, {fuel_cell(1, 1): u16(450)})),
        ("As S-records, and another cell", as_s3(TOGETHER)),
    ):
        scratch.write("boats/heron.bin", data)
        scratch.commit(message)
    shown = scratch.call("history", "boats/heron.bin", "fuel").stdout
    assert "Raise a cell" in shown
    assert "As S-records" in shown
    assert "Only a part" not in shown.split("All again")[0]
    values = scratch.call("history", "boats/heron.bin", "fuel", "--cell", "1600,40").stdout
    assert [line.split()[0] for line in values.splitlines() if line.strip()[:2] in ("44", "45")] != []


def test_git_diff_and_git_merge_work_on_records(tmp_path: Path) -> None:
    scratch = make_repository_yard(tmp_path / "yard", heron=as_hex(BASE))
    scratch.write(".gitattributes", "*.bin -text diff=callint merge=callint\n")
    scratch.commit("Attributes")
    env = with_drivers(scratch, tmp_path / "bin")
    scratch.must("checkout", "--quiet", "-b", "theirs")
    scratch.write("boats/heron.bin", as_hex(APART))
    scratch.commit("Theirs")
    scratch.must("checkout", "--quiet", "main")
    scratch.write("boats/heron.bin", as_hex(GOOD))
    assert "44.0 → 45.0 mg" in scratch.git("diff", env=env).stdout
    scratch.commit("Ours")
    log = scratch.git("log", "-p", "--no-ext-diff", "--textconv", "-1", env=env).stdout
    assert "+checksum sum: 0x11B5" in log
    merged = scratch.git("merge", "--quiet", "--no-edit", "theirs", env=env)
    assert merged.status == 0, merged
    assert (scratch.root / "boats/heron.bin").read_bytes() == as_hex(TOGETHER)


def test_git_shows_a_raw_part_by_the_one_start_of_the_policy(tmp_path: Path) -> None:
    scratch = make_repository_yard(tmp_path / "yard", heron=GOOD[0x08:0x92])
    scratch.write("callint.toml", f"{POLICY}start = 0x08\n")
    copy = scratch.write("copy-of-git.bin", GOOD[0x08:0x92])
    shown = scratch.call("show", "--plain", copy.name).stdout
    assert "identity software number: YARD-01" in shown
    assert "checksum sum: 0x11B5" in shown


def test_the_size_of_the_yard_is_what_these_tests_take_it_for() -> None:
    assert (len(BASE), SIZE) == (0xA0, 0xA0)
