"""What a repository's settings do to git's output does nothing to callint's."""

from __future__ import annotations

import shutil
from functools import cache
from pathlib import Path

import pytest

from tests.building import u16
from tests.copying import copy_tree
from tests.hostile.repository import COMMANDS, HERON, Hostile, hostile_repository
from tests.running import (
    BAD,
    EGR,
    FUEL,
    GOOD,
    HULL,
    Result,
    Scratch,
    call,
    copy_of,
    edited,
    folder_for_copies,
    fuel_cell,
)

#: Settings that change what git prints, in what encoding, colour, order or length, or what it compares.
#: Of every git since 2.39; those that only start a program stand in ``test_programs``.
SETTINGS = {
    "advice.objectNameWarning": "true",
    "blame.coloring": "highlightRecent",
    "blame.date": "relative",
    "branch.sort": "-committerdate",
    "color.advice": "always",
    "color.branch": "always",
    "color.diff": "always",
    "color.diff.meta": "red",
    "color.grep": "always",
    "color.pager": "true",
    "color.status": "always",
    "color.ui": "always",
    "column.branch": "always",
    "column.status": "always",
    "column.ui": "always,dense",
    "commit.verbose": "true",
    "core.abbrev": "4",
    "core.autocrlf": "true",
    "core.bigFileThreshold": "1",
    "core.checkStat": "minimal",
    "core.commentChar": "%",
    "core.eol": "crlf",
    "core.excludesFile": "/nowhere",
    "core.ignoreCase": "true",
    "core.ignoreStat": "true",
    "core.logAllRefUpdates": "false",
    "core.multiPackIndex": "false",
    "core.notesRef": "refs/notes/evil",
    "core.precomposeUnicode": "true",
    "core.preloadIndex": "false",
    "core.protectHFS": "true",
    "core.protectNTFS": "true",
    "core.quotePath": "true",
    "core.safecrlf": "true",
    "core.splitIndex": "true",
    "core.trustctime": "false",
    "core.useReplaceRefs": "true",
    "core.warnAmbiguousRefs": "false",
    "core.whitespace": "cr-at-eol",
    "diff.algorithm": "histogram",
    "diff.autoRefreshIndex": "false",
    "diff.colorMoved": "zebra",
    "diff.colorMovedWS": "ignore-all-space",
    "diff.context": "0",
    "diff.dirstat": "files,cumulative",
    "diff.ignoreSubmodules": "all",
    "diff.indentHeuristic": "false",
    "diff.interHunkContext": "9",
    "diff.mnemonicPrefix": "true",
    "diff.noprefix": "true",
    "diff.orderFile": "/nowhere",
    "diff.relative": "true",
    "diff.renameLimit": "1",
    "diff.renames": "copies",
    "diff.statGraphWidth": "1",
    "diff.statNameWidth": "1",
    "diff.submodule": "log",
    "diff.suppressBlankEmpty": "true",
    "diff.trustExitCode": "true",
    "diff.wordRegex": ".",
    "diff.wsErrorHighlight": "all",
    "feature.experimental": "true",
    "format.notes": "true",
    "format.pretty": "fuller",
    "format.signature": "evil",
    "grep.lineNumber": "true",
    "help.autoCorrect": "immediate",
    "i18n.commitEncoding": "ISO-8859-1",
    "i18n.logOutputEncoding": "UTF-16",
    "log.abbrevCommit": "true",
    "log.date": "format:%Y%n%n",
    "log.decorate": "full",
    "log.diffMerges": "combined",
    "log.excludeDecoration": "refs/heads/*",
    "log.follow": "true",
    "log.graphColors": "red",
    "log.initialDecorationSet": "all",
    "log.mailmap": "false",
    "log.showRoot": "false",
    "log.showSignature": "true",
    "merge.renames": "false",
    "notes.displayRef": "refs/notes/*",
    "pretty.raw": "format:evil",
    "sparse.expectFilesOutsideOfPatterns": "true",
    "status.relativePaths": "false",
    "status.renames": "copies",
    "status.short": "true",
    "status.showUntrackedFiles": "no",
    "submodule.recurse": "true",
    "tag.sort": "-version:refname",
    "versionsort.suffix": "-evil",
}

#: Those that git fails of where they stand alone, in the encodings that there are.
ENCODINGS = ("UTF-16", "UTF-16LE", "UTF-32", "UTF-7", "EBCDIC-US", "ISO-2022-JP", "no such encoding", "")


def furnish(yard: Scratch) -> None:
    """A history with what git prints in ways of its own: renames, merges, notes, letters beyond ASCII."""
    yard.must("reset", "--quiet", "--hard")
    yard.write(".mailmap", "Ines Falk <ines@yard.example> <ada@yard.example>\n")
    yard.write("boats/sørøy.bin", edited(GOOD, {HULL: b"SOROY       "}))
    yard.write("empty", b"")
    yard.commit("Sørøy, 北 and a tab\there")
    yard.must("checkout", "--quiet", "-b", "side", "HEAD~1")
    for number in range(4):
        yard.write(f"boats/tern-{number}.bin", edited(GOOD, {EGR: bytes([number + 1])}))
    yard.commit("Terns")
    yard.must("checkout", "--quiet", "main")
    yard.must("merge", "--quiet", "--no-verify", "-m", "Both", "side")
    for number in range(4):
        yard.must("mv", f"boats/tern-{number}.bin", f"boats/gull-{number}.bin")
        yard.write(f"boats/gull-{number}.bin", edited(GOOD, {EGR: bytes([number + 2])}))
    yard.must("mv", "boats/auk.bin", "boats/aük.bin")
    yard.must("mv", "boats/aük.bin", "boats/auk.bin")
    yard.commit("Gulls")
    yard.must("notes", "add", "-m", "A note", "HEAD")
    yard.must("update-ref", "refs/notes/evil", "refs/notes/commits")
    yard.must("config", "user.email", "ines@yard.example")
    yard.write(HERON, edited(GOOD, {FUEL: u16(121, 141)}))
    yard.commit("Fuel")
    yard.stage(HERON, BAD)
    yard.stage("boats/new\nline.bin", BAD)
    yard.must("add", "--intent-to-add", "engine.a2l")


@cache
def _furnished() -> Path:
    """A furnished repository, to be copied."""
    folder = folder_for_copies()
    with hostile_repository(folder) as hostile:
        furnish(hostile.yard)
    return folder / "yard"


@pytest.fixture
def furnished(hostile: Hostile) -> Hostile:
    """The hostile repository, furnished."""
    shutil.rmtree(hostile.yard.root)
    copy_of(_furnished(), hostile.yard.root)
    return hostile


MORE = {
    "history of a renamed image": ("history", "boats/gull-2.bin", "--format", "json"),
    "history of a letter": ("history", "boats/sørøy.bin"),
    "review of revisions": ("review", "HEAD~3", "HEAD", "--output", "review.html"),
    "review as JSON": ("review", "HEAD~3", "HEAD", "--format", "json", "--output", "review.html"),
    "diff over renames": ("diff", "HEAD~2", "HEAD"),
    "check over a merge": ("check", "--range", "HEAD~4..HEAD", "--each", "--format", "json"),
}


def outcome(root: Path, arguments: tuple[str, ...], copy: Path) -> tuple[Result, bytes]:
    """What a command prints and writes in a copy of a repository."""
    copy_tree(root, copy)
    result = call(*arguments, cwd=copy)
    page = copy / "review.html"
    written = page.read_bytes() if page.exists() else b""
    shutil.rmtree(copy)
    return result, written


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The same repository twice, the second with every setting."""
    folder = tmp_path_factory.mktemp("settings")
    copy_tree(_furnished(), folder / "hostile")
    for name, value in SETTINGS.items():
        Scratch(folder / "hostile").must("config", name, value)
    return _furnished(), folder / "hostile"


@pytest.mark.parametrize("arguments", (COMMANDS | MORE).values(), ids=COMMANDS | MORE)
def test_no_setting_changes_the_findings(
    pair: tuple[Path, Path], tmp_path: Path, arguments: tuple[str, ...]
) -> None:
    plain, hostile = pair
    expected = outcome(plain, arguments, tmp_path / "yard")
    assert expected[0].status in (0, 1), expected
    assert outcome(hostile, arguments, tmp_path / "yard") == expected


def test_the_settings_change_what_git_says(pair: tuple[Path, Path]) -> None:
    plain, hostile = map(Scratch, pair)
    assert plain.git("log", "-1").stdout != hostile.git("log", "-1").stdout
    assert hostile.git("diff", "--cached", "--name-only").status != 0
    assert "\0" in hostile.git("log", "-1", "--format=%s").stdout


EACH = MORE["check over a merge"]


@cache
def _findings_of_each() -> Result:
    """What a check of each commit finds in the furnished repository, without any setting."""
    return call(*EACH, cwd=_furnished())


@pytest.mark.parametrize("encoding", ENCODINGS)
def test_no_encoding_of_the_log_changes_the_history(furnished: Hostile, encoding: str) -> None:
    expected = _findings_of_each()
    for name in ("i18n.logOutputEncoding", "i18n.commitEncoding"):
        furnished.yard.must("config", name, encoding)
    assert furnished.tried(*EACH) == expected
    for more in (*MORE.values(), COMMANDS["history"]):
        assert more == EACH or furnished.tried(*more).status in (0, 1), more


#: Names and subjects that become something else, or nothing, when git takes them for text in an encoding.
_TEXTS = (b"\xff\xfe\x00s\x00l", b"+AAA-+AAo-slip", b"a\0b\tc\x1b[2J", "slip".encode("utf-16"), b"")
_NAMES = (b"Ada Quay", b"\xff\0", b"", b"+AAA-+AAo-", "Ada".encode("utf-16-le"))
#: What a commit puts into a cell of fuel, one for each name.
_SLIPS = tuple(range(9990, 9990 - len(_NAMES), -1))


def commit_slips(yard: Scratch) -> None:
    """A commit for each slip, with the same slip in another number each time."""
    yard.must("reset", "--quiet", "--hard")
    for slip in _SLIPS:
        yard.write(HERON, edited(GOOD, {fuel_cell(1, 1): u16(slip)}))
        yard.commit("A slip")


def sign_as_stranger(yard: Scratch, encoding: bytes) -> None:
    """Give the commits of all slips the names and subjects that a stranger made without git."""
    parent = yard.must("rev-parse", f"HEAD~{len(_SLIPS)}").strip()
    trees = yard.must("log", "--reverse", "--format=%T", f"{parent}..HEAD").split()
    for tree, name, subject in zip(trees, _NAMES, _TEXTS, strict=True):
        people = (
            b"author %b <ada@yard.example> 1781517600 +0000\ncommitter Ada <a@yard.example> 1781517600 +0000"
        )
        head = f"tree {tree}\nparent {parent}\n".encode() + people % name
        path = yard.write("../commit", head + b"\nencoding " + encoding + b"\n\n" + subject)
        parent = yard.must("hash-object", "-t", "commit", "-w", "--literally", str(path)).strip()
    yard.must("update-ref", "refs/heads/main", parent)


@pytest.mark.parametrize("encoding", [*ENCODINGS, "UTF-8"])
def test_no_commit_can_forge_the_log(tmp_path: Path, encoding: str) -> None:
    with hostile_repository(tmp_path, commit_slips) as hostile:
        sign_as_stranger(hostile.yard, encoding.encode())
        span = ("--range", f"HEAD~{len(_SLIPS)}..HEAD")
        each = hostile.tried("check", *span, "--each")
        assert each.status == 1
        for slip, name, subject in zip(_SLIPS, _NAMES, _TEXTS, strict=True):
            assert f"{slip / 10} mg is above" in each.flat, (name, subject, each)
        for number, slip in enumerate(_SLIPS, 1):
            newest = len(_SLIPS) - number
            result = hostile.tried("check", "--range", f"HEAD~{newest + 1}..HEAD~{newest}")
            assert result.status == 1 and f"{slip / 10} mg is above" in result.flat, (number, result)
        history = hostile.tried("history", HERON, "fuel", "--cell", "1600,40")
        ids = hostile.yard.must("rev-list", f"HEAD~{len(_SLIPS)}..HEAD").split()
        assert history.status == 0 and len(ids) == len(_SLIPS)
        assert all(commit[:8] in history.stdout for commit in ids), history
        assert hostile.tried("review", *span, "--output", "review.html").status in (0, 1)


# Other names for authors


#: Places in which a repository's own settings may name a file of names, and their content.
_MAILMAPS = {
    "plain": {"config": "[mailmap]\n\tfile = {names}\n"},
    "in capitals": {"config": "[MAILMAP]\n\tFILE = {names}\n"},
    "in one line": {"config": "[MailMap] file = {names}\n"},
    "included": {"config": "[include]\n\tpath = more\n", "more": "[mailmap]\n\tfile = {names}\n"},
    "included on a condition": {
        "config": '[INCLUDEIF "onbranch:main"]\n\tpath = more\n',
        "more": "[mailmap]\n\tfile = {names}\n",
    },
    "of the working tree": {
        "config": "[core]\n\trepositoryformatversion = 1\n[extensions]\n\tworktreeConfig = true\n",
        "config.worktree": "[mailmap]\n\tfile = {names}\n",
    },
}
_AUTHORS = ("history", HERON, "fuel", "--cell", "1600,40", "--format", "json")


def _name_mallory(yard: Scratch) -> Path:
    """A file that gives Ada another name."""
    return yard.write("../names", "Mallory <mallory@yard.example> <ada@yard.example>\n")


@pytest.mark.parametrize("files", _MAILMAPS.values(), ids=_MAILMAPS)
def test_no_setting_of_the_repository_renames_an_author(hostile: Hostile, files: dict[str, str]) -> None:
    yard = hostile.yard
    names = _name_mallory(yard)
    expected = yard.call(*_AUTHORS)
    assert "Ada Quay" in expected.stdout
    for name, content in files.items():
        with (yard.root / ".git" / name).open("a", encoding="utf-8") as file:
            file.write(content.format(names=names))
    assert "Mallory" in yard.must("log", "--format=%aN"), "git does not read the setting"
    assert hostile.tried(*_AUTHORS) == expected


def test_the_users_own_setting_renames_an_author(hostile: Hostile) -> None:
    names = _name_mallory(hostile.yard)
    mine = hostile.yard.write("../mine", f"[mailmap]\n\tfile = {names}\n")
    assert "Mallory" in hostile.yard.call(*_AUTHORS, GIT_CONFIG_GLOBAL=str(mine)).stdout
