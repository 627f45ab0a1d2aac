"""``callint.toml`` into a policy: its settings, and its mistakes line by line."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

import pytest

from callint.checking.assignments import Assignment, assignment, assignments
from callint.model.errors import InputError
from callint.model.finding import Severity
from callint.model.policy import ImageRule, Policy
from callint.model.waiver import Waiver
from callint.reading.globs import matches
from callint.reading.policy import read_policy
from callint.rules.registry import RULES
from tests.building import Files

WHOLE = """\
fail-on = "warning"

[[images]]
paths = ["boats/*.bin", "quay/**/*.bin"]
definition = "definitions/skerry-28.xml"
base = "factory/sk28-0412.bin"

[[images]]
paths = ["trial/*.bin"]
definition = ["definitions/a.xml", "definitions/b.xml"]
base = ["factory/a.bin", "factory/b.bin"]

[severity]
"change/emissions" = "error"
value = "note"
"value/unexpected" = "off"

[[waivers]]
rule = "change/emissions"
image = "boats/heron.bin"
table = "egr_release"
reason = \"\"\"\\
    She lies still between trips; \\
    the surveyor was told.\"\"\"
who = "Ines Falk"
until = 2031-03-31
digest = "sha256:0123456789abcdef0123456789abcdef01234567"

[[waivers]]
rule = "definition/overlap"
reason = "both readings are meant"
who = "Tomas Rook"
digest = "sha256:0000000000000000000000000000000000000000"
"""

WAIVER = """\
[[waivers]]
rule = "change/emissions"
reason = "the surveyor was told"
who = "Ines Falk"
digest = "sha256:0123456789abcdef0123456789abcdef01234567"
"""
IMAGES = """\
[[images]]
paths = ["boats/*.bin"]
definition = "skerry.xml"
"""


def policy(text: str) -> Policy:
    return read_policy(text.encode(), "callint.toml")


def complaints(text: str | bytes) -> list[str]:
    """The lines that are printed for a policy that is refused."""
    with pytest.raises(InputError) as refused:
        read_policy(text if isinstance(text, bytes) else text.encode(), "callint.toml")
    return str(refused.value).split("\n")


def complaint(text: str | bytes) -> str:
    """The one line that is printed."""
    (line,) = complaints(text)
    return line


# What it says


def test_a_policy_assigns_definitions_and_bases_to_images() -> None:
    assert policy(WHOLE).images == (
        ImageRule(
            ("boats/*.bin", "quay/**/*.bin"), ("definitions/skerry-28.xml",), ("factory/sk28-0412.bin",), 3
        ),
        ImageRule(
            ("trial/*.bin",),
            ("definitions/a.xml", "definitions/b.xml"),
            ("factory/a.bin", "factory/b.bin"),
            8,
        ),
    )


def test_a_policy_gives_the_start_of_raw_images_of_part_of_the_memory() -> None:
    assert policy(IMAGES).images[0].start is None
    assert policy(f"{IMAGES}start = 0x40000\n").images[0].start == 0x40000


@pytest.mark.parametrize("start", ["-1", "0x1_0000_0000"])
def test_a_start_is_an_address(start: str) -> None:
    text = "callint.toml:4: images entry 1 start: it must be an address, 0 to 0xFFFFFFFF"
    assert complaint(f"{IMAGES}start = {start}\n") == text


@pytest.mark.parametrize("start", ['"0x40000"', "1.5", "true"])
def test_a_start_is_a_number_without_quotes(start: str) -> None:
    text = "callint.toml:4: images entry 1 start: write an address without quotes, as in 0x40000"
    assert complaint(f"{IMAGES}start = {start}\n") == text


def test_a_policy_states_what_is_waived_by_whom_why_and_until_when() -> None:
    assert policy(WHOLE).waivers == (
        Waiver(
            rule="change/emissions",
            image="boats/heron.bin",
            table="egr_release",
            reason="She lies still between trips; the surveyor was told.",
            who="Ines Falk",
            until=date(2031, 3, 31),
            digest="sha256:0123456789abcdef0123456789abcdef01234567",
            line=18,
        ),
        Waiver(
            rule="definition/overlap",
            image="",
            table="",
            reason="both readings are meant",
            who="Tomas Rook",
            until=None,
            digest=f"sha256:{'0' * 40}",
            line=29,
        ),
    )


def test_a_day_may_be_written_with_or_without_quotes() -> None:
    for day in ("2031-03-31", '"2031-03-31"'):
        assert policy(f"{WAIVER}until = {day}\n").waivers[0].until == date(2031, 3, 31)


def test_a_policy_sets_the_severity_at_which_a_check_fails() -> None:
    assert policy(WHOLE).fail_on is Severity.WARNING
    assert policy("").fail_on is Severity.ERROR


def test_a_policy_may_ask_for_a_second_person() -> None:
    assert policy("").second_person is False
    assert policy("second-person = false").second_person is False
    assert policy("second-person = true").second_person is True


def test_an_empty_policy_is_a_policy() -> None:
    assert policy("# nothing yet\n") == Policy(path="callint.toml")


def test_a_byte_order_mark_or_windows_line_ends_change_nothing() -> None:
    assert policy(WHOLE.replace("\n", "\r\n")) == policy(WHOLE)


# Severities


def test_a_rule_has_its_own_severity_or_its_familys_or_its_default() -> None:
    result = policy(WHOLE)
    assert result.severity("change/emissions", Severity.WARNING) is Severity.ERROR
    assert result.severity("value/out-of-range", Severity.ERROR) is Severity.NOTE
    assert result.severity("value/unexpected", Severity.WARNING) is None
    assert result.severity("axis/changed", Severity.WARNING) is Severity.WARNING


def test_a_family_that_is_off_leaves_on_the_rule_that_is_named() -> None:
    result = policy('[severity]\nvalue = "off"\n"value/unexpected" = "warning"\n')
    assert result.severity("value/out-of-range", Severity.ERROR) is None
    assert result.severity("value/unexpected", Severity.WARNING) is Severity.WARNING


def test_a_family_does_not_match_rules_that_only_begin_with_its_name() -> None:
    result = policy('[severity]\nval = "off"\n')
    assert result.severity("value/out-of-range", Severity.ERROR) is Severity.ERROR


@pytest.mark.parametrize("rule", RULES)
def test_every_rule_may_be_named(rule: str) -> None:
    assert policy(f'[severity]\n"{rule}" = "off"\n').severities == {rule: None}


# What is wrong with it

MISTAKES = [
    ('fail-on = "fatal"\n', 1, ("fail-on", "'fatal'", "error, warning, note")),
    ('\nfail_on = "error"\n', 2, ("unknown key 'fail_on'", "did you mean 'fail-on'?")),
    ("\n[[image]]\n", 2, ("unknown key 'image'", "did you mean 'images'?")),
    ("\n[[waiver]]\n", 2, ("unknown key 'waiver'", "did you mean 'waivers'?")),
    ('[weather]\nrain = "often"\n', 1, ("unknown key 'weather'", "fail-on, images, severity, log, waivers")),
    ("[images]\n", 1, ("images", "[[images]]")),
    ("fail-on = 3\n", 1, ("fail-on", "3")),
    ('second-person = "yes"\n', 1, ("second-person", "write true or false")),
    ("\nsecond_person = true\n", 2, ("unknown key 'second_person'", "did you mean 'second-person'?")),
    (f"{IMAGES}bases = 'a.bin'\n", 4, ("unknown key 'bases'", "did you mean 'base'?")),
    (f"{IMAGES}base = 3\n", 4, ("base", "a path or a list of paths")),
    (f"{IMAGES}base = []\n", 4, ("base", "a path or a list of paths")),
    (f"{IMAGES}base = ''\n", 4, ("base",)),
    ('\n[[images]]\npaths = ["boats/*.bin"]\n', 2, ("images entry 1", "definition", "missing")),
    ('\n[[images]]\ndefinition = "skerry.xml"\n', 2, ("images entry 1", "paths", "missing")),
    ('[[images]]\ndefinition = "skerry.xml"\npaths = "boats/*.bin"\n', 3, ("paths", "list")),
    ('[[images]]\ndefinition = "skerry.xml"\npaths = []\n', 3, ("paths",)),
    ('[[images]]\ndefinition = "skerry.xml"\npaths = [3]\n', 3, ("paths", "3")),
    (
        f"{IMAGES}\n{IMAGES}defintion = 'x.xml'\n",
        8,
        ("unknown key 'defintion'", "did you mean 'definition'?"),
    ),
    (
        '[severity]\n"value/unexpected" = "loud"\n',
        2,
        ("value/unexpected", "'loud'", "error, warning, note, off"),
    ),
    ('[severity]\nvalue = "errror"\n', 2, ("'errror'", "did you mean 'error'?")),
    ('[severity]\n"Value/Unexpected" = "off"\n', 2, ("Value/Unexpected",)),
    ("[severity]\nvalue = true\n", 2, ("value", "error, warning, note, off")),
    (WAIVER.replace("who", "# who"), 1, ("waivers entry 1", "who", "missing")),
    (WAIVER.replace("reason", "# reason"), 1, ("waivers entry 1", "reason", "missing")),
    (WAIVER.replace("digest", "# digest"), 1, ("waivers entry 1", "digest", "missing")),
    (WAIVER.replace("rule", "# rule"), 1, ("waivers entry 1", "rule", "missing")),
    (WAIVER + 'woh = "Tomas Rook"\n', 6, ("unknown key 'woh'", "did you mean 'who'?")),
    (WAIVER.replace("the surveyor was told", "fine"), 3, ("reason", "10 characters")),
    (WAIVER.replace("Ines Falk", "I"), 4, ("who", "2 characters")),
    (WAIVER.replace("sha256:0", "sha256:x"), 5, ("digest", "28/14/14 hexadecimal digits")),
    (WAIVER.replace("4567", "456"), 5, ("digest", "28/14/14 hexadecimal digits")),
    (WAIVER.replace("change/emissions", "change"), 2, ("rule", "'change'")),
    (WAIVER + "until = 2031-02-30\n", None, ("TOML",)),
    (WAIVER + 'until = "2031-02-30"\n', 6, ("until", "'2031-02-30'", "YYYY-MM-DD")),
    (WAIVER + 'until = "next summer"\n', 6, ("until", "'next summer'", "YYYY-MM-DD")),
    (WAIVER + 'until = "31.3.2031"\n', 6, ("until", "'31.3.2031'", "YYYY-MM-DD")),
    (WAIVER + "until = 2031-03-31T12:00:00\n", 6, ("until", "YYYY-MM-DD")),
    (WAIVER + "until = 2031\n", 6, ("until", "2031")),
    (WAIVER + "table = ''\n", 6, ("table", "1 character")),
]


def ids(value: object) -> str | None:
    return value.replace("\n", " ").strip()[-50:] if isinstance(value, str) else None


@pytest.mark.parametrize(("text", "line", "phrases"), MISTAKES, ids=ids)
def test_a_mistake_is_reported_in_one_line_with_file_and_line(
    text: str, line: int | None, phrases: tuple[str, ...]
) -> None:
    result = complaint(text)
    assert result.startswith(f"callint.toml:{line}: " if line else "callint.toml")
    for phrase in phrases:
        assert phrase in result
    assert len(result) < 300


def test_each_unknown_rule_is_reported_in_the_line_of_its_own() -> None:
    lines = complaints('[severity]\n"Nope/x" = "off"\nvalue = "off"\n"BAD y" = "error"\n')
    assert [line.partition(" is not ")[0] for line in lines] == [
        "callint.toml:2: 'Nope/x'",
        "callint.toml:4: 'BAD y'",
    ]


@pytest.mark.parametrize("text", [text for text, _, _ in MISTAKES], ids=ids)
def test_a_mistake_is_reported_without_regular_expressions(text: str) -> None:
    result = complaint(text)
    for jargon in ("^", "does not match", "$", "schema"):
        assert jargon not in result


BROKEN = """\
fail-on = "fatal"

[[images]]
paths = ["boats/*.bin"]
bases = "factory.bin"

[severity]
value = "loud"

[[waivers]]
rule = "change/emissions"
reason = "fine"
who = "Ines Falk"
digest = "sha256:0"
"""


def test_all_mistakes_of_a_policy_are_reported_together() -> None:
    # Line 3 lacks a definition; each of the other lines has a mistake of its own.
    assert sorted(int(line.split(":")[1]) for line in complaints(BROKEN)) == [1, 3, 5, 8, 12, 14]


def test_broken_toml_is_one_line_with_file_and_place() -> None:
    result = complaint('fail-on = "error"\n[[images\n')
    assert result.startswith("callint.toml")
    assert "TOML" in result
    assert "line 2" in result or result.startswith("callint.toml:2:")


@pytest.mark.parametrize(
    ("text", "phrases"),
    [
        (b"\n\nfail-on = '\xff'\n", ("callint.toml:3:", "UTF-8")),
        (b"#" * (4 * 2**20 + 1), ("larger than 4 MiB",)),
        (b"fail-on = " + b"[" * 100_000, ("nested too deeply",)),
        (b'fail-on = "error"\nfail-on = "note"\n', ("TOML",)),
    ],
    ids=["not UTF-8", "too large", "too deep", "a key twice"],
)
def test_a_file_that_is_not_a_policy_is_refused_in_one_line(text: bytes, phrases: tuple[str, ...]) -> None:
    result = complaint(text)
    for phrase in phrases:
        assert phrase in result


# Paths stay inside the repository


def in_paths(path: str) -> str:
    return f"[[images]]\npaths = ['{path}']\ndefinition = 'skerry.xml'\n"


def in_definition(path: str) -> str:
    return f"[[images]]\npaths = ['boats/*.bin']\ndefinition = '{path}'\n"


def in_base(path: str) -> str:
    return f"{IMAGES}base = ['a.bin', '{path}']\n"


@pytest.mark.parametrize("place", [in_paths, in_definition, in_base])
@pytest.mark.parametrize(
    "path",
    [
        "/etc/passwd",
        "//server/share/a.bin",
        "../outside.bin",
        "boats/../../outside.bin",
        "boats/..",
        "..",
        r"..\outside.bin",
        r"boats\..\..\outside.bin",
        r"\outside.bin",
        r"\\server\share\a.bin",
        r"C:\outside.bin",
        "C:/outside.bin",
        "c:outside.bin",
    ],
)
def test_a_path_out_of_the_repository_is_refused(place: Callable[[str], str], path: str) -> None:
    result = complaint(place(path))
    assert result.startswith("callint.toml:")
    assert repr(path) in result
    assert "out of the repository" in result


def test_a_null_byte_in_a_path_is_refused() -> None:
    assert "out of the repository" in complaint(in_definition("x").replace("'x'", '"a\\u0000.xml"'))


@pytest.mark.parametrize(
    ("path", "read"),
    [
        ("boats/a.bin", "boats/a.bin"),
        ("./boats//a.bin", "boats/a.bin"),
        (r"boats\a.bin", "boats/a.bin"),
        ("boats/..bin", "boats/..bin"),
        ("boats/a..b.bin", "boats/a..b.bin"),
        ("...", "..."),
        ("boats/a:b.bin", "boats/a:b.bin"),
    ],
)
def test_a_path_inside_the_repository_is_read_with_forward_slashes(path: str, read: str) -> None:
    assert policy(in_definition(path)).images[0].definitions == (read,)


def test_every_path_out_of_the_repository_is_named_in_one_go() -> None:
    result = complaints(in_paths("../a.bin") + in_definition("/b.xml") + in_base("C:/c.bin"))
    assert [repr(path) in line for path, line in zip(("../a.bin", "/b.xml", "C:/c.bin"), result, strict=True)]


# Globs


@pytest.mark.parametrize(
    ("path", "glob"),
    [
        ("a.bin", "*.bin"),
        ("boats/a.bin", "boats/*.bin"),
        ("boats/a.bin", "*/*.bin"),
        ("boats/a.bin", "boats/?.bin"),
        ("boats/a.bin", "boats/[ab].bin"),
        ("boats/a.bin", "boats/a.bin"),
        ("boats/a.bin", "**/*.bin"),
        ("a.bin", "**/*.bin"),
        ("boats/2026/june/a.bin", "boats/**/*.bin"),
        ("boats/a.bin", "boats/**/*.bin"),
        ("boats/2026/june/a.bin", "boats/**"),
        ("boats/2026/june/a.bin", "**"),
        ("boats/2026/june/a.bin", "**/june/**"),
        ("boats/2026/june/a.bin", "**/**/a.bin"),
        ("boats/2026/june/a.bin", "boats/*/june/*"),
        ("x/a/b/a/b/c", "**/a/b/c"),
    ],
)
def test_a_glob_matches(path: str, glob: str) -> None:
    assert matches(path, glob)


@pytest.mark.parametrize(
    ("path", "glob"),
    [
        ("boats/a.bin", "*.bin"),
        ("boats/2026/a.bin", "boats/*.bin"),
        ("boats/2026/a.bin", "*/*.bin"),
        ("boats/a.bin", "boats?a.bin"),
        ("boats/a.bin", "boats[/]a.bin"),
        ("boats/a.bin", "boats/[!ab].bin"),
        ("boats/a.BIN", "boats/*.bin"),
        ("boats/a.bin", "Boats/*.bin"),
        ("boats/a.bin", "boats"),
        ("boats/a.bin", "boats/*/a.bin"),
        ("old/boats/a.bin", "boats/**/*.bin"),
        ("boats/june/b.bin", "**/june/a.bin"),
        ("boats/a.bin.orig", "boats/*.bin"),
        ("boats/aXbin", "boats/a.bin"),
        ("a.bin", "*/a.bin"),
    ],
)
def test_a_glob_does_not_match(path: str, glob: str) -> None:
    assert not matches(path, glob)


def test_a_glob_of_many_stars_finds_what_it_should_and_comes_to_an_end() -> None:
    deep = "/".join("a" * 40)
    assert matches(deep, "**/a/" * 20 + "**")
    assert not matches(deep, "**/a/" * 20 + "**/b")
    assert not matches(deep, "**/" * 40 + "b")
    long = "a" * 120
    assert matches(long, "*a" * 30 + "*")
    assert not matches(long, "*a" * 30 + "*b")


def test_the_first_entry_that_matches_an_image_counts() -> None:
    result = policy(
        "[[images]]\npaths = ['boats/heron.bin']\ndefinition = 'heron.xml'\n"
        "[[images]]\npaths = ['quay/*.bin', 'boats/*.bin']\ndefinition = 'all.xml'\nbase = 'base.bin'\n"
    )
    assert assignment(result, "boats/heron.bin") == Assignment("boats/heron.bin", ("heron.xml",), ())
    assert assignment(result, "boats/petrel.bin") == Assignment(
        "boats/petrel.bin", ("all.xml",), ("base.bin",)
    )
    assert assignment(result, "elsewhere/petrel.bin") is None


def test_the_images_of_a_repository_are_the_files_that_the_policy_names() -> None:
    files = Files()
    files.files = dict.fromkeys(
        ("boats/b.bin", "boats/a.bin", "boats/a.txt", "boats/old/a.bin", "a.bin"), b""
    )
    assert [image.image for image in assignments(policy(IMAGES), files)] == ["boats/a.bin", "boats/b.bin"]
    assert assignments(policy(""), files) == []
