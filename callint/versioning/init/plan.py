"""What makes a repository a callint repository, as a plan: to be shown, carried out, or taken back.

A plan is made whole before anything is written, and every refusal falls while it is made. What was written
is kept in a record (``versioning/record.py``), so that it can be told from what somebody else wrote there and
be taken back to the byte (``versioning/undoing.py``). The record belongs to a clone: what a colleague
committed is not taken back.
"""

from __future__ import annotations

import glob
import json
import os
import re
import shlex
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from callint.checking.assignments import assignments
from callint.model.errors import InputError
from callint.model.policy import Policy
from callint.reading.policy import read_policy
from callint.reading.tree import (
    CONFLICT_DATA,
    CONFLICT_TEXT,
    POLICY,
    WorkingTree,
    find_root,
    reason,
    resolved,
)
from callint.versioning.git.attributes import read_attributes
from callint.versioning.git.config import hooks_folder, read_settings, require_own_config
from callint.versioning.git.repository import Repo, common_folder, top_level
from callint.versioning.init.first_policy import policy_text
from callint.versioning.init.gitattributes_patterns import attribute_pattern, ignore_pattern
from callint.versioning.init.managed_block import as_bytes, as_text, block, find
from callint.versioning.init.record import Record, Written, content_of, digest_of, read_record, without
from callint.versioning.init.steps import FileStep, Plan, SettingStep, shown
from callint.versioning.textconv_cache import keyless, text_form_key

ATTRIBUTES, IGNORED, PRE_COMMIT = ".gitattributes", ".gitignore", ".pre-commit-config.yaml"
#: A clean merge asks pre-merge-commit, git am pre-applypatch, git commit pre-commit.
_ASKED = ("pre-commit", "pre-merge-commit", "pre-applypatch")
#: What git cherry-pick, and git rebase when it goes on, ask in place of those, and git commit beside them.
_PREPARING = "prepare-commit-msg"
HOOKS = (*_ASKED, _PREPARING)
#: Those for which the pre-commit framework has an entry's hook; it does not know all of git's.
_FRAMEWORK = ("pre-commit", "pre-merge-commit")
SHEBANG = "#!/bin/sh\n"

#: The attributes of so many images are looked at; they mostly go by their folder.
_LOOKED_AT = 200

#: What may stand before the first < of an XML file: byte order marks, halves of characters, spaces.
_BEFORE_XML = b"\xef\xbb\xbf\xff\xfe\0 \t\r\n"

#: What is committed unchecked where a hook is somebody else's.
_UNASKED = {
    "pre-applypatch": "git am commits unchecked",
    _PREPARING: "git cherry-pick commits unchecked, and so does git rebase --continue",
}

_DRIVEN_BY = re.compile(r" diff --driver(?: --policy (?P<policy>.+))? --$")


@dataclass(frozen=True, slots=True)
class InitOptions:
    """What the user asks for. Paths are globs and files from the folder ``here``.

    ``program`` is how a shell calls callint from anywhere, ``short`` how colleagues' shells do.
    """

    here: Path
    program: str
    short: str = "callint"
    images: tuple[str, ...] = ()
    definitions: tuple[str, ...] = ()
    bases: tuple[str, ...] = ()
    pre_commit: bool = False
    hook: bool = True


def plan(repo: Repo, wishes: InitOptions) -> Plan:
    """All that is missing. InputError for whatever is in the way; nothing is written here."""
    require_own_config(repo)
    record = read_record(repo)
    planner = _Planner(repo, record, wishes)
    steps = tuple(planner.steps())
    return Plan(steps, record.step(), tuple(planner.remarks))


class _Planner:
    """Makes the steps of one plan, noting each down in the record."""

    def __init__(self, repo: Repo, record: Record, wishes: InitOptions) -> None:
        self.remarks: list[str] = []
        self._repo = repo
        self._record = record
        self._wishes = wishes
        self._top = top_level(repo)
        here = wishes.here.resolve()
        self._root = find_root(here) or self._top
        if not here.is_relative_to(self._top) or not self._root.is_relative_to(self._top):
            raise InputError(
                f"{here}: it is not inside the working tree {self._top}; call callint init there"
            )

    def steps(self) -> Iterator[FileStep | SettingStep]:
        text, step = self._policy_file()
        policy = read_policy(text, POLICY)
        if step:
            yield step
        images = dict.fromkeys(one for entry in policy.images for one in entry.paths)
        # A base is named as it is, not by a glob.
        bases = dict.fromkeys(glob.escape(one) for entry in policy.images for one in entry.bases)
        patterns = dict.fromkeys(attribute_pattern(one) for one in (*images, *bases))
        lines = [f"{pattern} -text diff=callint merge=callint" for pattern in patterns]
        yield from self._block(self._root / ATTRIBUTES, lines, "git's drivers for the images")
        lines = [ignore_pattern(one, ending) for one in images for ending in (CONFLICT_TEXT, CONFLICT_DATA)]
        yield from self._block(self._root / IGNORED, lines, "conflict lists are not committed")
        yield from self._settings(text, policy)
        is_entered = self._wishes.pre_commit or self._has_entry()
        if is_entered:
            yield from self._entry()
        yield from self._hooks(wanted=self._wishes.hook and not is_entered)
        if not images:
            self.remarks.append(f"Name your images in {POLICY}, then call callint init again.")
        elif not assignments(policy, WorkingTree(self._root)):
            self.remarks.append(f"No file matches the paths in {POLICY} yet.")

    # The policy

    def _policy_file(self) -> tuple[bytes, FileStep | None]:
        """The policy's content, and the step that writes it where it is not there yet."""
        path, wishes = self._root / POLICY, self._wishes
        old = self._readable(path)
        if (wishes.definitions or wishes.bases) and not wishes.images:
            raise InputError("--definition and --base go with the images; name them, as in 'boats/*.bin'")
        if old is not None and not wishes.images:
            return old, None
        new = self._policy_text().encode()
        if new == old:
            return old, None
        known = self._record.files.get(self._record.key(path))
        if old is not None and (known is None or known.digest != digest_of(old)):
            raise InputError(
                f"{path}: it already exists; add the images to it and run callint init without images"
            )
        self._note(path, Written(digest_of(new), "", True))
        return new, FileStep(path, old, new, "the policy: which images belong to what")

    def _policy_text(self) -> str:
        wishes = self._wishes
        if wishes.images and not wishes.definitions:
            raise InputError("--definition is missing; give the definition of the images")
        images = dict.fromkeys(self._inside(one) for one in wishes.images)
        for one in images:
            if not glob.has_magic(one) and not (self._root / one).exists():
                raise InputError(f"{one}: it does not exist; check the path, or give a glob in quotes")
        definitions = [self._existing(one) for one in wishes.definitions]
        for path, given in zip(definitions, wishes.definitions, strict=True):
            if not (self._readable(self._root / path) or b"").lstrip(_BEFORE_XML).startswith(b"<"):
                raise InputError(
                    f"{given}: it is not a definition; name the XML file that describes the images"
                )
        return policy_text(tuple(images), definitions, [self._existing(one) for one in wishes.bases])

    def _inside(self, path: str) -> str:
        """A path from the user's folder as one from the policy's."""
        whole = Path(os.path.normpath(self._wishes.here.resolve() / path))
        if not whole.is_relative_to(self._root):
            raise InputError(f"{path}: it leads out of {self._root}; give a path inside it")
        return whole.relative_to(self._root).as_posix()

    def _existing(self, path: str) -> str:
        inside = self._inside(path)
        if self._readable(self._root / inside) is None:
            raise InputError(f"{path}: it does not exist; check the path")
        return inside

    # Files

    def _readable(self, path: Path) -> bytes | None:
        """A file's content, None where there is none; InputError where it is no plain file inside the top."""
        if path.is_symlink():
            raise InputError(f"{path}: it is a symbolic link; put a file in its place")
        try:
            is_inside = resolved(path.parent).is_relative_to(self._top)
        except OSError as error:
            raise InputError(f"{path}: it cannot be read: {reason(error)}; correct that first") from None
        if not is_inside:
            raise InputError(f"{path}: a link leads out of the repository; give a path inside it")
        return content_of(path)

    def _note(self, path: Path, written: Written) -> None:
        self._record.files[self._record.key(path)] = written
        for folder in path.parents:
            if folder.exists():
                break
            self._record.folders.add(self._record.key(folder))

    def _block(self, path: Path, lines: Sequence[str], words: str) -> Iterator[FileStep]:
        """Lines at the end of a file, in the place of those that were written before."""
        old = self._readable(path)
        text, newline = as_text(old)
        if find(text):
            yield from self._renewed(path, old or b"", lines, words)
        elif lines:
            gap = "" if not text else newline if text.endswith("\n") else 2 * newline
            new = as_bytes(text + gap + block(lines).replace("\n", newline))
            self._note(path, Written(None, gap, old is None))
            yield FileStep(path, old, new, words)

    def _renewed(self, path: Path, old: bytes, lines: Sequence[str], words: str) -> Iterator[FileStep]:
        """Other lines in the block of a file.

        A block that is not in the record came with a commit, and is none of this clone's then either.
        """
        text, newline = as_text(old)
        found = find(text)
        assert found is not None
        if found.is_edited:
            raise InputError(
                f"{path}:{found.line}: lines that callint init wrote were edited; put your own lines outside "
                "the marks and remove the block"
            )
        if not lines:
            known = self._record.files.pop(self._record.key(path), Written(None, "", False))
            yield FileStep(path, old, without(old, known), words)
            return
        present = text[found.start : found.end]
        indent = present[: len(present) - len(present.lstrip(" \t"))]
        written = block(lines, indent)
        if present.replace("\r\n", "\n") != written:
            new = text[: found.start] + written.replace("\n", newline) + text[found.end :]
            yield FileStep(path, old, as_bytes(new), words)

    # The pre-commit framework

    def _has_entry(self) -> bool:
        """Whether the framework's file has our entry already."""
        content = content_of(self._top / PRE_COMMIT)
        return content is not None and find(as_text(content)[0]) is not None

    def _entry(self) -> Iterator[FileStep]:
        path, words = self._top / PRE_COMMIT, "an entry that checks what a commit touches"
        old = self._readable(path)
        if old is None:
            raise InputError(f"{path}: the file does not exist; create it first, or remove --pre-commit")
        call = self._check(self._wishes.short)
        lines = (
            "- repo: local",
            "  hooks:",
            "    - id: callint",
            "      name: callint",
            f"      entry: {json.dumps(call, ensure_ascii=False)}",
            "      language: system",
            "      always_run: true",
            "      pass_filenames: false",
        )
        text, newline = as_text(old)
        if find(text):
            yield from self._renewed(path, old, lines, words)
            return
        head = re.search(r"^repos:[ \t]*(?:#[^\n]*)?\r?\n", text, re.MULTILINE)
        item = re.compile(r"(?:[ \t]*(?:#[^\n]*)?\r?\n)*([ ]*)- ")
        first = item.match(text, head.end()) if head else None
        if head is None or first is None:
            raise InputError(
                f"{path}: no list below repos: is found; add a local hook by hand that calls {call}, "
                "and give --no-hook"
            )
        new = text[: head.end()] + block(lines, first[1]).replace("\n", newline) + text[head.end() :]
        self._note(path, Written(None, "", False))
        yield FileStep(path, old, as_bytes(new), words)
        types = " ".join(f"--hook-type {name}" for name in _FRAMEWORK)
        self.remarks.append(f"Where that is not done yet: pre-commit install {types}.")

    # Git's own hooks

    def _check(self, program: str) -> str:
        return f"{program} check --staged{self._policy_option()}"

    def _policy_option(self) -> str:
        """Drivers and hooks are called at the top, which is not always where the policy lies."""
        return "" if self._root == self._top else f" --policy {shlex.quote(self._policy_from_top())}"

    def _policy_from_top(self) -> str:
        return (self._root.relative_to(self._top) / POLICY).as_posix()

    def _hooks(self, wanted: bool) -> Iterator[FileStep]:
        folder, is_shared = hooks_folder(self._repo)
        # A folder in the working tree is committed, where the path of this machine's callint is of no use.
        common = common_folder(self._repo)
        is_committed = folder.is_relative_to(self._top) and not folder.is_relative_to(common)
        call = self._check(self._wishes.short if is_committed else self._wishes.program)
        for name in HOOKS:
            path = folder / name
            key = self._record.key(path)
            old = content_of(path)
            if not wanted:
                known = self._record.files.pop(key, None)
                if known and old is not None and (rest := without(old, known)) is not old:
                    yield FileStep(path, old, rest, "the hook")
                continue
            written = block(_lines(name, call))
            text, _ = as_text(old)
            found = find(text)
            is_ours = found is not None and not found.is_edited and not path.is_symlink()
            new = as_bytes(f"{SHEBANG}{written}")
            if found and is_ours:
                new = as_bytes(text[: found.start] + written + text[found.end :])
            if old == new and os.access(path, os.X_OK):
                continue  # git passes over a hook that may not be run
            if is_shared:
                raise InputError(
                    f"{folder}: core.hooksPath is set outside this repository, or leads out of it, so its "
                    f"hooks may be other repositories' too; call {self._check('callint')} in {name} there, "
                    "and give --no-hook"
                )
            if path.is_symlink() or (old is not None and not is_ours):
                if name not in _FRAMEWORK:
                    # Without this one most commits are checked nevertheless.
                    where = shown(path, self._wishes.here)
                    self.remarks.append(f"{where} is not callint init's, and stays: {_UNASKED[name]}.")
                    continue
                raise InputError(
                    f"{path}: this hook already exists; add {self._check('callint')} to it and give "
                    "--no-hook, or give --pre-commit"
                )
            known = self._record.files.get(key)
            if old is None or (known and known.digest == digest_of(old)):
                self._note(path, Written(digest_of(new), "", True))
            yield FileStep(path, old, new, "checks what a commit touches", executable=True)

    # Settings

    def _settings(self, text: bytes, policy: Policy) -> Iterator[SettingStep]:
        program, option = self._wishes.program, self._policy_option()
        key = text_form_key(text, policy, WorkingTree(self._root))
        # git puts names in the places of %O and the like; a percent sign of the path's own is doubled.
        merge = f"{program} merge --driver{option}".replace("%", "%%")
        wanted = {
            "diff.callint.command": (
                f"{program} diff --driver{option} --",
                "git diff shows images table by table",
            ),
            "diff.callint.textconv": (
                f"{program} show --plain{option} --key {key} --",
                "git log -p, git show and git blame read their text form",
            ),
            "diff.callint.cachetextconv": ("true", "git keeps that text form"),
            # Images need have no NUL among their first bytes, and git would take them for text.
            "diff.callint.binary": ("true", "git add -p and patches do not take images for text"),
            "merge.callint.name": ("engine calibrations, cell by cell", "what git calls the merge"),
            "merge.callint.driver": (f"{merge} -- %O %A %B %P", "git merge merges images cell by cell"),
        }
        present = read_settings(self._repo)
        self._refuse_second_policy(present)
        for name, (value, words) in wanted.items():
            values = present.get(name, [])
            if values == [value]:
                continue
            if values and (len(values) > 1 or not self._is_recorded(name, values[0])):
                raise InputError(
                    f"{name}: it is {values[-1]!r} and was not set by callint init; "
                    f"git config --remove-section {name.rpartition('.')[0]} clears it"
                )
            self._record.settings[name] = value
            yield SettingStep(name, values[0] if values else None, value, words)

    def _is_recorded(self, name: str, value: str) -> bool:
        return keyless(self._record.settings.get(name, "")) == keyless(value)

    def _refuse_second_policy(self, present: dict[str, list[str]]) -> None:
        """InputError where git's drivers follow another policy: of these a repository has one set."""
        found = [_DRIVEN_BY.search(value) for value in present.get("diff.callint.command", [])]
        for one in filter(None, found):
            other = shlex.split(one["policy"])[0] if one["policy"] else POLICY
            if other != self._policy_from_top() and (self._top / other).is_file():
                raise InputError(
                    f"{self._root / POLICY}: git's drivers follow {other} here, and can follow one policy "
                    "only; move the entries into one, or call callint init --undo first"
                )


def _lines(name: str, call: str) -> list[str]:
    """The lines of a hook. Lines of the user's own may follow, so that a check that finds nothing goes on."""
    if name != _PREPARING:
        return [f"{call} || exit $?"]
    # Beside git commit, which has asked pre-commit already and with --no-verify is not to ask, git calls
    # this hook for git cherry-pick and for git rebase. A rebase that goes on commits what somebody put there
    # by hand; where it does not stop it commits again what was committed once.
    return [
        'if test "$2" = message &&',
        '  if test -e "$(git rev-parse --git-path rebase-merge)"',
        '  then test -e "$(git rev-parse --git-path rebase-merge/stopped-sha)"',
        "  else git rev-parse --quiet --verify CHERRY_PICK_HEAD > /dev/null",
        "  fi",
        f"then {call} || exit $?",
        "fi",
    ]


def foreign_attributes(repo: Repo, here: Path) -> list[str]:
    """Sentences about images whose attributes somebody else's lines override."""
    top = top_level(repo)
    root = find_root(here.resolve()) or top
    tree = WorkingTree(root)
    policy = read_policy(tree.read(POLICY), POLICY)
    prefix = root.relative_to(top)
    paths = [(prefix / one.image).as_posix() for one in assignments(policy, tree)][:_LOOKED_AT]
    wanted = {"diff": "callint", "merge": "callint", "text": "unset"}
    for path, values in read_attributes(repo, paths, *wanted).items():
        if set(values.values()) == {"unspecified"}:
            return [
                f"{path}: no line of {(prefix / ATTRIBUTES).as_posix()} reaches it, as to git ? and [...] "
                f"stand for one byte; write * in {POLICY} in their place."
            ]
        wrong = [f"{name}={value}" for name, value in values.items() if value != wanted[name]]
        if wrong:
            return [
                f"{path}: git's attributes for it are {' '.join(wrong)}, by a line that is not callint "
                f"init's; take it out, or move it above the block in {(prefix / ATTRIBUTES).as_posix()}."
            ]
    return []
