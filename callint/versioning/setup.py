"""What makes a repository a callint repository, as a plan: to be shown, carried out, or taken back.

A plan is made whole before anything is written, and every refusal falls while it is made. What was written is
kept in a record (``versioning/record.py``), so that it can be told from what somebody else wrote there and be
taken back to the byte. The record belongs to a clone: what a colleague committed is not taken back.
"""

from __future__ import annotations

import json
import os
import re
import shlex
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from callint.model.errors import InputError
from callint.model.policy import Policy
from callint.reading.policy import read_policy
from callint.reading.tree import POLICY, WorkingTree, find_root
from callint.rules.inspection import assignments
from callint.versioning import git
from callint.versioning.blocks import as_bytes, as_text, block, find
from callint.versioning.record import FileStep, Record, Written, content_of, digest_of, read_record, without
from callint.versioning.text_forms import text_form_key

PRE_COMMIT = ".pre-commit-config.yaml"
#: A clean merge asks pre-merge-commit, every other commit pre-commit.
HOOKS = ("pre-commit", "pre-merge-commit")
#: Where git keeps the text forms that ``cachetextconv`` asks it to keep.
KEPT_TEXT_FORMS = "refs/notes/textconv/callint"

#: The attributes of so many images are looked at; they mostly go by their folder.
_LOOKED_AT = 200

_KEY = re.compile(r" --key \S+")


@dataclass(frozen=True, slots=True)
class SettingStep:
    """A setting of the repository that gets a value, or is removed where ``new`` is None."""

    key: str
    old: str | None
    new: str | None


@dataclass(frozen=True, slots=True)
class Plan:
    """What is to be done, in order; ``record`` is the step that notes it down, None where nothing is left.

    ``remarks`` are sentences for the user. ``folders`` are to be removed if they are empty then.
    """

    steps: tuple[FileStep | SettingStep, ...]
    record: FileStep | None
    remarks: tuple[str, ...] = ()
    folders: tuple[Path, ...] = ()


@dataclass(frozen=True, slots=True)
class Wishes:
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


# Making a plan


def plan(repo: git.Repo, wishes: Wishes) -> Plan:
    """All that is missing. InputError for whatever is in the way; nothing is written here."""
    record = read_record(repo)
    planner = _Planner(repo, record, wishes)
    steps = tuple(planner.steps())
    return Plan(steps, record.step(), tuple(planner.remarks))


class _Planner:
    """Makes the steps of one plan, noting each down in the record."""

    def __init__(self, repo: git.Repo, record: Record, wishes: Wishes) -> None:
        self.remarks: list[str] = []
        self._repo = repo
        self._record = record
        self._wishes = wishes
        self._top = git.top_level(repo)
        self._root = find_root(wishes.here.resolve()) or self._top

    def steps(self) -> Iterator[FileStep | SettingStep]:
        text, step = self._policy_file()
        policy = read_policy(text, POLICY)
        if step:
            yield step
        globs = [glob for entry in policy.images for glob in (*entry.paths, *entry.bases)]
        globs = list(dict.fromkeys(globs))
        lines = [f"{_pattern(glob)} -text diff=callint merge=callint" for glob in globs]
        yield from self._block(self._root / ".gitattributes", lines, "git's drivers for the images")
        images = dict.fromkeys(glob for entry in policy.images for glob in entry.paths)
        lines = [f"/{glob}.conflicts.{ending}" for glob in images for ending in ("txt", "json")]
        yield from self._block(self._root / ".gitignore", lines, "conflict lists are not committed")
        yield from self._settings(text, policy)
        is_entered = self._wishes.pre_commit or self._has_entry()
        if is_entered:
            yield from self._entry()
        yield from self._hooks(wanted=self._wishes.hook and not is_entered)
        if not globs:
            self.remarks.append(f"Name your images in {POLICY}, then call callint init again.")

    # The policy

    def _policy_file(self) -> tuple[bytes, FileStep | None]:
        """The policy's content, and the step that writes it where it is not there yet."""
        path = self._root / POLICY
        old = self._readable(path)
        known = self._record.files.get(self._record.key(path))
        is_ours = old is not None and known is not None and known.digest == digest_of(old)
        if self._wishes.images or old is None:
            if old is not None and not is_ours:
                raise InputError(
                    f"{path}: it is there already; name the images in it and call callint init without any"
                )
            new = self._policy_text().encode()
            if new != old:
                return new, self._whole(path, old, new, "the policy: which images belong to what")
        assert old is not None
        return old, None

    def _policy_text(self) -> str:
        wishes = self._wishes
        if not wishes.images:
            if wishes.definitions or wishes.bases:
                raise InputError("--definition and --base go with the images; name them, as in 'boats/*.bin'")
            return _policy_text(["boats/*.bin"], ["definitions/first.xml"], ["factory/first.bin"])
        if not wishes.definitions:
            raise InputError("--definition is missing; give the definition of the images")
        images = [self._inside(one) for one in wishes.images]
        definitions = [self._existing(one) for one in wishes.definitions]
        return _policy_text(images, definitions, [self._existing(one) for one in wishes.bases], True)

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
        if not path.parent.resolve().is_relative_to(self._top):
            raise InputError(f"{path}: a link leads out of the repository; give a path inside it")
        return content_of(path)

    def _whole(
        self, path: Path, old: bytes | None, new: bytes, words: str, executable: bool = False
    ) -> FileStep:
        """The step that writes a file which is ours alone."""
        self._note(path, Written(None, digest_of(new), True))
        return FileStep(path, old, new, words, executable)

    def _note(self, path: Path, written: Written) -> None:
        self._record.files[self._record.key(path)] = written
        for folder in path.parents:
            if folder.exists():
                break
            self._record.folders.append(self._record.key(folder))

    def _block(self, path: Path, lines: Sequence[str], words: str) -> Iterator[FileStep]:
        """Lines at the end of a file, in the place of those that were written before."""
        old = self._readable(path)
        text, newline = as_text(old)
        found = find(text)
        if found and found.is_edited:
            raise InputError(
                f"{path}:{found.line}: lines that callint init wrote were edited; put your own lines outside "
                "the marks and remove the block"
            )
        written = block(lines).replace("\n", newline) if lines else ""
        if found:
            new = text[: found.start] + written + text[found.end :]
            if text[found.start : found.end].replace("\r\n", "\n") == written.replace("\r\n", "\n"):
                return
        elif written:
            gap = "" if not text else newline if text.endswith("\n") else 2 * newline
            written = gap + written
            new = text + written
        else:
            return
        yield self._step_of_block(path, old, text, new, words)

    def _step_of_block(self, path: Path, old: bytes | None, text: str, new: str, words: str) -> FileStep:
        """The step from one text to another; what stands in the new one alone is noted down."""
        key = self._record.key(path)
        known = self._record.files.get(key)
        inserted = _inserted(text, new, known.text if known else None)
        content = as_bytes(new)
        if inserted is None:
            self._record.files.pop(key, None)
        else:
            self._note(path, Written(inserted, digest_of(content), known.created if known else old is None))
        return FileStep(path, old, content, words)

    # The pre-commit framework

    def _has_entry(self) -> bool:
        """Whether the framework's file has our entry already."""
        content = content_of(self._top / PRE_COMMIT)
        return content is not None and find(as_text(content)[0]) is not None

    def _entry(self) -> Iterator[FileStep]:
        path = self._top / PRE_COMMIT
        old = self._readable(path)
        if old is None:
            raise InputError(f"{path}: there is none; write one first, or leave --pre-commit out")
        text, newline = as_text(old)
        found = find(text)
        if found and found.is_edited:
            raise InputError(
                f"{path}:{found.line}: lines that callint init wrote were edited; remove the block"
            )
        if found:
            return
        head = re.search(r"^repos:[ \t]*(?:#[^\n]*)?\r?\n", text, re.MULTILINE)
        first = re.compile(r"(?:[ \t]*(?:#[^\n]*)?\r?\n)*([ ]*)- ").match(text, head.end()) if head else None
        if head is None or first is None:
            raise InputError(
                f"{path}: no list below repos: is found; add a local hook by hand that calls "
                f"{self._check(self._wishes.short)}"
            )
        lines = (
            "- repo: local",
            "  hooks:",
            "    - id: callint",
            "      name: callint",
            f"      entry: {json.dumps(self._check(self._wishes.short), ensure_ascii=False)}",
            "      language: system",
            "      always_run: true",
            "      pass_filenames: false",
        )
        written = block(lines, first[1]).replace("\n", newline)
        new = text[: head.end()] + written + text[head.end() :]
        yield self._step_of_block(path, old, text, new, "an entry that checks what a commit touches")
        self.remarks.append("Where that is not done yet: pre-commit install.")

    # Git's own hooks

    def _check(self, program: str) -> str:
        return f"{program} check --staged{self._policy_option()}"

    def _policy_option(self) -> str:
        """Drivers and hooks are called at the top, which is not always where the policy lies."""
        if self._root == self._top:
            return ""
        return f" --policy {shlex.quote((self._root.relative_to(self._top) / POLICY).as_posix())}"

    def _hooks(self, wanted: bool) -> Iterator[FileStep]:
        folder, is_shared = git.hooks_folder(self._repo)
        # A folder in the working tree is committed, where the path of this machine's callint is of no use.
        is_committed = folder.resolve().is_relative_to(self._top) and not folder.resolve().is_relative_to(
            git.common_folder(self._repo)
        )
        program = self._wishes.short if is_committed else self._wishes.program
        for name in HOOKS:
            path = folder / name
            old = content_of(path)
            written = block([f"exec {self._check(program)}"])
            new = as_bytes(f"#!/bin/sh\n{written}")
            found = find(as_text(old)[0])
            if not wanted:
                known = self._record.files.pop(self._record.key(path), None)
                if known and old is not None and (rest := without(old, known)) is not old:
                    yield FileStep(path, old, rest, "the hook")
                continue
            if found and not found.is_edited and old is not None:
                text = as_text(old)[0]
                new = as_bytes(text[: found.start] + written + text[found.end :])
            if old == new:
                continue
            if is_shared:
                raise InputError(
                    f"{folder}: core.hooksPath is set outside this repository, so its hooks are other "
                    f"repositories' too; call {self._check('callint')} in {name} there, and give --no-hook"
                )
            if path.is_symlink() or (old is not None and (found is None or found.is_edited)):
                raise InputError(
                    f"{path}: there is such a hook already; add {self._check('callint')} to it and give "
                    "--no-hook, or give --pre-commit"
                )
            yield self._whole(path, old, new, "checks what a commit touches", executable=True)

    # Settings

    def _settings(self, text: bytes, policy: Policy) -> Iterator[SettingStep]:
        program, option = self._wishes.program, self._policy_option()
        key = text_form_key(text, policy, WorkingTree(self._root))
        wanted = {
            "diff.callint.command": f"{program} diff --driver{option} --",
            "diff.callint.textconv": f"{program} show --plain{option} --key {key} --",
            "diff.callint.cachetextconv": "true",
            "merge.callint.name": "engine calibrations, cell by cell",
            # git puts names in the places of %O and the like; a percent sign of the path's own is doubled.
            "merge.callint.driver": f"{program.replace('%', '%%')} merge --driver"
            f"{option.replace('%', '%%')} -- %O %A %B %P",
        }
        present = git.settings(self._repo)
        for name, value in wanted.items():
            values = present.get(name, [])
            if values == [value]:
                continue
            if values and (len(values) > 1 or not self._is_recorded(name, values[0])):
                raise InputError(
                    f"{name}: it is {values[-1]!r} and was not set by callint init; "
                    f"git config --unset-all {name} clears it"
                )
            self._record.settings[name] = value
            yield SettingStep(name, values[0] if values else None, value)

    def _is_recorded(self, name: str, value: str) -> bool:
        return _keyless(self._record.settings.get(name, "")) == _keyless(value)


def foreign_attributes(repo: git.Repo, here: Path) -> list[str]:
    """Sentences about images whose attributes somebody else's lines override."""
    root = find_root(here.resolve()) or git.top_level(repo)
    tree = WorkingTree(root)
    policy = read_policy(tree.read(POLICY), POLICY)
    prefix = Path(os.path.relpath(root, git.top_level(repo)))
    paths = [(prefix / one.image).as_posix() for one in assignments(policy, tree)][:_LOOKED_AT]
    found = []
    for path, values in git.attributes(repo, paths, "diff", "merge", "text").items():
        wanted = {"diff": "callint", "merge": "callint", "text": "unset"}
        wrong = [f"{name}={value}" for name, value in values.items() if value != wanted[name]]
        if wrong:
            found.append(f"{path}: another line of .gitattributes makes it {' '.join(wrong)}; move it up.")
    return found[:1]


# Taking it back


def undo(repo: git.Repo) -> Plan:
    """How to take back what callint init wrote here: this working tree's files, the settings and the hooks.

    What was edited since stays, and the remarks say so.
    """
    record = read_record(repo)
    top, common = git.top_level(repo), git.common_folder(repo)
    hooks, _ = git.hooks_folder(repo)
    steps: list[FileStep | SettingStep] = []
    remarks: list[str] = []
    for key, written in list(record.files.items()):
        path = record.place(key)
        is_hook = path.name in HOOKS and path.parent.resolve() == hooks.resolve()
        if not is_hook and not any(path.is_relative_to(place) for place in (top, common)):
            continue  # of another working tree
        del record.files[key]
        old = content_of(path) if not path.is_symlink() else None
        if old is None:
            continue
        new = without(old, written)
        if new is old:
            remarks.append(f"{path} was edited since; it stays.")
        else:
            steps.append(FileStep(path, old, new, "what callint init wrote"))
    present = git.settings(repo)
    for name, value in record.settings.items():
        values = present.get(name, [])
        if len(values) == 1 and _keyless(values[0]) == _keyless(value):
            steps.append(SettingStep(name, values[0], None))
        elif values:
            remarks.append(f"The setting {name} was edited since; it stays.")
    record.settings.clear()
    folders = [record.place(key) for key in record.folders]
    record.folders.clear()
    inside = [one for one in folders if any(one.is_relative_to(place) for place in (top, common, hooks))]
    folders = sorted(inside, key=lambda one: -len(one.parts))
    return Plan(tuple(steps), record.step(), tuple(remarks), (*folders, record.path.parent))


# Texts


def _policy_text(
    images: Sequence[str], definitions: Sequence[str], bases: Sequence[str], live: bool = False
) -> str:
    """A small policy; without ``live`` its entry is an example in comments."""
    lines = ["[[images]]", f"paths = {_toml(images)}"]
    lines.append(f"definition = {_toml(definitions) if len(definitions) > 1 else _toml(definitions[0])}")
    if bases:
        lines.append(f"base = {_toml(bases) if len(bases) > 1 else _toml(bases[0])}")
    entry = "\n".join(lines if live else [f"# {line}" for line in lines])
    return f"""\
# What callint checks here. callint check checks all of it, callint check --staged
# what the next commit touches. A wrong calibration can destroy an engine and hurt
# people: the maker's limits, local law and licensed practice come first.

# From which severity on a check fails: "error", "warning" or "note".
# fail-on = "error"

# Which images belong to which definition and factory base.
{entry}

# How severe a rule's findings are, by rule or by family; callint rules lists them.
# [severity]
# "change/emissions" = "error"

# callint waive writes down here what was accepted, by whom and why.
"""


def _toml(value: str | Sequence[str]) -> str:
    """A TOML string or list of strings; JSON's are TOML's but for one control character."""
    for one in [value] if isinstance(value, str) else value:
        if not one.isprintable():
            raise InputError(f"{one!r}: a path with control characters cannot be named; rename it")
    return json.dumps(value, ensure_ascii=False)


def _pattern(glob: str) -> str:
    """A glob of the policy as a pattern of .gitattributes, from the file's own folder."""
    pattern = f"/{glob}"
    # With white space or quotes it has to be quoted, in which a quote and a backslash are escaped.
    return json.dumps(pattern, ensure_ascii=False) if re.search(r'[\s"]', pattern) else pattern


def _inserted(text: str, new: str, known: str | None) -> str | None:
    """What one has to take out of the new text to have the file without callint; None if nothing."""
    found = find(new)
    if found is None:
        return None
    if known is None or find(text) is None:
        lead = new[: found.start]
        # The gap before the block was written with it where it is not in the old text.
        start = len(text) if new.startswith(text) else found.start
        return new[min(start, len(lead)) : found.end]
    lead = known[: known.index("# callint init")].rstrip(" ")
    return lead + new[found.start : found.end]


def _keyless(value: str) -> str:
    return _KEY.sub("", value)
