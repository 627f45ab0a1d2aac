"""Names and texts of strangers steer no terminal, are no options, and are no formulas to a spreadsheet."""

from __future__ import annotations

import csv
import io
import os
from pathlib import Path

import pytest

from tests.building import u16
from tests.hostile.repository import A2L, BASE, COMMANDS, DEFINITION, HERON, WAYS, Hostile, hostile_repository
from tests.running import (
    BAD,
    FUEL,
    GOOD,
    HULL,
    POLICY,
    Result,
    Scratch,
    edited,
    make_repository_yard,
    steering,
    yard_definition,
)

pytestmark = pytest.mark.skipif(os.name == "nt", reason="Windows has no such names")

#: Clears the screen, sets the title, rings, writes backwards, turns the reading direction, ends the line.
STEERING = "\x1b[2J\x1b]0;owned\x07\x9b31m\x08\u202eevil\u2066\u2028\u200f"
#: What XML 1.0 can carry of it.
IN_XML = "&#x9b;31m&#x202e;evil&#x2066;&#x2028;&#x200f;&#x85;"
FORMULA = '=HYPERLINK("http://evil.example";"x")'

#: Names that something on the way could take for more than a name. A command goes through with each of them,
#: so that one name may do for several things that it must not be.
NAMES = (
    "--output=owned --upload-pack=owned",
    "-x@{-1}",
    ":0:(top)owned:boats",
    "HEAD:boats",
    f"two\nlines, tab\tand\rreturn{STEERING}",
    "100%P %O.bin$(touch owned)`touch owned`;touch owned|touch owned&&touch owned",
    "[a-",
    "\\",
    "a" * 240,
    os.fsdecode(b"\xff\xfe\xc0\xaf"),
)
#: A name that means nothing but a file here.
PLAIN = "boats/con.bin"
#: What is refused of some names, by the beginning of the name.
_REFUSED = {
    "aaaa": ("merge", "--driver", "the name is longer than the system allows"),
    "\udcff": ("waive", "--image", "a policy cannot hold its name"),
}


#: Commands that name no image: they meet all names of a repository at once.
_OF_ALL = [arguments for arguments in WAYS.values() if not any("boats/" in word for word in arguments)]
_OF_ONE = [arguments for arguments in WAYS.values() if arguments not in _OF_ALL]


def words_for(arguments: tuple[str, ...], name: str) -> tuple[str, ...]:
    """A command with another image in place of heron's."""
    return tuple(word.replace("boats/heron.bin", name).replace("boats/auk.bin", name) for word in arguments)


def files_in(root: Path) -> list[Path]:
    """The files of a working tree."""
    return [path for path in root.rglob("*") if ".git" not in path.parts and path.is_file()]


def answer(result: Result) -> int | str:
    """The exit status of a command, or the error that it is."""
    return result.error if result.status == 2 else result.status


@pytest.mark.parametrize("names", [NAMES[::2], NAMES[1::2]], ids=range(2))
def test_a_file_name_is_a_name_and_nothing_else(hostile: Hostile, names: tuple[str, ...]) -> None:
    yard = hostile.yard
    paths = [f"boats/{name}.bin" for name in names]
    for path in (PLAIN, *paths):
        (yard.root / path).write_bytes(GOOD)
    yard.commit("Names")
    yard.must("commit", "--quiet", "--no-verify", "--allow-empty", "--message", "The files are in HEAD~1 too")
    for path in (PLAIN, *paths):
        (yard.root / path).write_bytes(BAD)
    yard.must("add", "--all")
    before = set(files_in(yard.root))
    hostile.tried_each(_OF_ALL)
    made = set(files_in(yard.root)) - before
    answers = {}
    for path in (PLAIN, *paths):
        # No output is refused because it is there already.
        yard.must("clean", "--quiet", "--force", "-d")
        commands = [words_for(arguments, path) for arguments in _OF_ONE]
        answers[path] = [answer(result) for result in hostile.tried_each(commands)]
        made |= set(files_in(yard.root)) - before
    for name, path in zip(names, paths, strict=True):
        start = next((start for start in _REFUSED if name.startswith(start)), "")
        for arguments, plain, actual in zip(_OF_ONE, answers[PLAIN], answers[path], strict=True):
            if start and set(_REFUSED[start][:2]) <= set(arguments):
                assert _REFUSED[start][2] in str(actual), arguments
            else:
                assert actual == plain, arguments
    expected = {
        "merged.bin",
        "merged.xml",
        "carried.bin",
        "imported.xml",
        "exported.a2l",
        "relocated.xml",
        "review.html",
        "explained.html",
        ".gitattributes",
        ".gitignore",
    }
    assert {item.name.replace(".conflicts.txt", "").replace(".conflicts.json", "") for item in made} <= {
        *expected,
        *(Path(path).name for path in (PLAIN, *paths)),
    }


@pytest.mark.parametrize("name", ["--output=owned.bin", "-x.bin", "--policy", "--driver"])
def test_a_file_at_the_top_may_be_called_like_an_option(hostile: Hostile, name: str) -> None:
    yard = hostile.yard
    yard.write("callint.toml", POLICY.replace("boats/*.bin", "*"))
    (yard.root / name).write_bytes(GOOD)
    yard.must("add", "--all")
    yard.must("commit", "--quiet", "--no-verify", "--message", "A name")
    listed: tuple[tuple[str, ...], ...] = (
        ("check",),
        ("check", "--staged"),
        ("diff", "HEAD~1", "HEAD"),
        ("init",),
        ("history", "--", name),
    )
    hostile.tried_each(listed)
    for arguments in (
        ("show", "--", name),
        ("check", "--", name),
        ("seal", "--", name),
        ("diff", "--", BASE, name),
    ):
        assert hostile.tried(*arguments).status in (0, 1)
    assert not (yard.root / "owned.bin").exists()


def steered(text: str) -> str:
    """A definition in which every text and name for people tries to steer."""
    for arguments in (
        "Fuel by speed and load",
        "Most fuel without smoke",
        "Fuel cut-off speed",
        "Overboost is watched",
        "Temperature trim",
        "Hull number",
        "255 leaves the temperature alone.",
        "Recirculation",
    ):
        assert arguments in text
        text = text.replace(arguments, IN_XML + arguments)
    for attribute in ('unit="rpm"', 'unit="mg"', 'unit="degC"'):
        text = text.replace(attribute, f'{attribute[:-1]}{IN_XML}"')
    return (
        text.replace(">off<", f">{IN_XML}off<")
        .replace(">on<", f">{IN_XML}on<")
        .replace('state="off"', f'state="{IN_XML}off"')
    )


def write_steering_definition(yard: Scratch) -> None:
    yard.write(DEFINITION, steered(yard_definition().decode()))
    hull = b"\x1b[2J\x9bm\x07\x08\r\n\x85"
    for name, data in ((BASE, edited(GOOD, {})), (HERON, BAD), ("boats/auk.bin", GOOD)):
        yard.write(name, edited(data, {HULL: hull}))
    yard.commit("Hulls")
    yard.write(HERON, edited(BAD, {HULL: hull[::-1], FUEL: u16(9999, 9999)}))
    yard.must("add", "--all")


_AUTHOR = STEERING.replace("\u2028", "")
_BRANCH = "\u202eevil\u2066"


def commit_as_steering_author(yard: Scratch) -> None:
    yard.write(HERON, edited(GOOD, {FUEL: u16(121, 141)}))
    yard.must("add", "--all")
    done = yard.git(
        "commit",
        "--quiet",
        "--message",
        f"{_AUTHOR}\n\n{_AUTHOR}",
        GIT_AUTHOR_NAME=_AUTHOR,
        GIT_AUTHOR_EMAIL=f"{_AUTHOR}@yard",
    )
    assert done.status == 0
    yard.must("branch", _BRANCH)
    yard.stage(HERON, BAD)


@pytest.mark.parametrize("arguments", COMMANDS.values(), ids=COMMANDS)
def test_no_text_of_a_definition_or_an_image_steers_a_terminal(
    tmp_path: Path, arguments: tuple[str, ...]
) -> None:
    with hostile_repository(tmp_path, write_steering_definition) as hostile:
        hostile.tried(*arguments)


@pytest.mark.parametrize("arguments", COMMANDS.values(), ids=COMMANDS)
def test_no_name_of_an_author_and_no_subject_steers_a_terminal(
    tmp_path: Path, arguments: tuple[str, ...]
) -> None:
    with hostile_repository(tmp_path, commit_as_steering_author) as hostile:
        hostile.tried(*arguments, GIT_AUTHOR_NAME=_AUTHOR)


def test_no_name_of_a_revision_steers_a_terminal(tmp_path: Path) -> None:
    with hostile_repository(tmp_path, commit_as_steering_author) as hostile:
        hostile.tried("diff", _BRANCH, "HEAD")
        hostile.tried("check", "--range", f"{_AUTHOR}..{_AUTHOR}")


@pytest.mark.parametrize("arguments", COMMANDS.values(), ids=COMMANDS)
def test_no_text_of_a_policy_or_a_description_steers_a_terminal(
    hostile: Hostile, arguments: tuple[str, ...]
) -> None:
    text = (
        IN_XML.replace("&#x", "\\u00")
        .replace("\\u00202", "\\u202")
        .replace("\\u00200", "\\u200")
        .replace(";", "")
    )
    hostile.yard.stage(
        "callint.toml",
        f'{POLICY}[log]\ntime = "{text}"\n[[waivers]]\nrule = "value/out-of-range"\n'
        f'image = "{HERON}"\ntable = "fuel"\n'
        f'reason = "\\u001b[2J{text} because"\nwho = "\\u001b]0;{text}"\ndigest = "sha256:{"0" * 40}"\n',
    )
    hostile.yard.write(
        "engine.a2l", A2L.replace('"rpm"', f'"{STEERING}"').replace("cut", f"cut{STEERING}", 1)
    )
    hostile.tried(*arguments)


def test_no_cell_of_a_spreadsheet_is_a_formula(tmp_path: Path) -> None:
    text = yard_definition().decode()
    for title in ("Fuel by speed and load", "Hull number"):
        text = text.replace(f'title="{title}"', f"title='{FORMULA}'")
    text = (
        text.replace('unit="rpm"', "unit='=1+1'")
        .replace('unit="mg"', "unit='@SUM(A1)'")
        .replace(">off<", ">+1|x<")
    )
    text = text.replace('state="off"', 'state="+1|x"')
    scratch = make_repository_yard(tmp_path)
    scratch.write(DEFINITION, text)
    scratch.write(HERON, edited(GOOD, {HULL: b"=cmd|'/c'!A0", 0x32: b"\0"}))
    result = scratch.call("show", HERON, "--format", "csv")
    assert result.status == 0
    cells = [cell for row in csv.reader(io.StringIO(result.stdout)) for cell in row]
    assert any("cmd|" in cell for cell in cells)
    for cell in cells:
        if cell[:1] in ("=", "+", "-", "@", "\t", "\r"):
            float(cell)  # a number is not a formula
    assert steering(result.stdout.replace("\r", "")) == []
