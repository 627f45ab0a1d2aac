"""The hooks that callint init installs: git's own, or an entry for the pre-commit framework."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator
from pathlib import Path

from callint.model.errors import InputError
from callint.versioning.git.config import hooks_folder
from callint.versioning.git.repository import common_folder
from callint.versioning.init.managed_block import as_bytes, as_text, block, find
from callint.versioning.init.plan_context import PlanContext
from callint.versioning.init.record import RecordedFile, content_of, digest_of, remove_own_content
from callint.versioning.init.steps import FileStep, relative_name

PRE_COMMIT = ".pre-commit-config.yaml"
#: git commit runs pre-commit, a clean merge pre-merge-commit, git am pre-applypatch.
_CHECK_HOOKS = ("pre-commit", "pre-merge-commit", "pre-applypatch")
#: git cherry-pick and git rebase --continue run this hook in place of those, git commit in addition to them.
_MESSAGE_HOOK = "prepare-commit-msg"
HOOKS = (*_CHECK_HOOKS, _MESSAGE_HOOK)
#: The hooks that the pre-commit framework supports.
_FRAMEWORK_HOOKS = ("pre-commit", "pre-merge-commit")
SHEBANG = "#!/bin/sh\n"
#: The actions that stay unchecked if a hook is the user's own.
_UNCHECKED = {
    "pre-applypatch": "git am commits unchecked",
    _MESSAGE_HOOK: "git cherry-pick commits unchecked, and so does git rebase --continue",
}


def has_framework_entry(context: PlanContext) -> bool:
    """Whether the framework's file has callint's entry already."""
    content = content_of(context.top / PRE_COMMIT)
    return content is not None and find(as_text(content)[0]) is not None


def framework_entry(context: PlanContext) -> Iterator[FileStep]:
    """The step that adds callint to the configuration of the pre-commit framework."""
    path, purpose = context.top / PRE_COMMIT, "an entry that checks what a commit touches"
    old = context.read(path)
    if old is None:
        raise InputError(f"{path}: the file does not exist; create it first, or remove --pre-commit")
    call = context.check_command(context.options.short)
    lines = (
        "- repo: local",
        "  hooks:",
        "    - id: callint",
        "      name: callint",
        f"      entry: {json.dumps(call, ensure_ascii=False)}",
        "      language: system",
        "      always_run: true",
        "      pass_filenames: false",
        # Neither a default of the file nor other hooks that are installed decide when it runs.
        f"      stages: [{', '.join(_FRAMEWORK_HOOKS)}]",
    )
    if not _are_framework_hooks_installed(context):
        types = " ".join(f"--hook-type {name}" for name in _FRAMEWORK_HOOKS)
        context.remarks.append(
            f"The framework needs both of its hooks to check commits and merges: pre-commit install {types}."
        )
    text, newline = as_text(old)
    if find(text):
        yield from context.replace_block(path, old, lines, purpose)
        return
    head = re.search(r"^repos:[ \t]*(?:#[^\n]*)?\r?\n", text, re.MULTILINE)
    item = re.compile(r"(?:[ \t]*(?:#[^\n]*)?\r?\n)*([ ]*)- ")
    first = item.match(text, head.end()) if head else None
    if head is None or first is None:
        raise InputError(
            f"{path}: there is no list below repos:; add a local hook by hand that calls {call}, "
            "and give --no-hook"
        )
    new = text[: head.end()] + block(lines, first[1]).replace("\n", newline) + text[head.end() :]
    context.record_file(path, RecordedFile(None, "", False))
    yield FileStep(path, old, as_bytes(new), purpose)


def _are_framework_hooks_installed(context: PlanContext) -> bool:
    """Whether each hook that the framework supports exists, and is not callint init's own."""
    folder, _ = hooks_folder(context.repo)
    hooks = [content_of(folder / name) for name in _FRAMEWORK_HOOKS]
    return all(hook is not None and find(as_text(hook)[0]) is None for hook in hooks)


def git_hooks(context: PlanContext, wanted: bool) -> Iterator[FileStep]:
    """Write git's hooks, or remove those in the record if they are not ``wanted``."""
    folder, is_shared = hooks_folder(context.repo)
    if not wanted:
        for name in HOOKS:
            yield from _remove_hook(context, folder / name)
        return
    # A hooks folder in the working tree is committed, so the path of this machine's callint is useless.
    common = common_folder(context.repo)
    is_committed = folder.is_relative_to(context.top) and not folder.is_relative_to(common)
    call = context.check_command(context.options.short if is_committed else context.options.program)
    for name in HOOKS:
        yield from _write_hook(context, folder / name, block(_hook_lines(name, call)), is_shared)


def _remove_hook(context: PlanContext, path: Path) -> Iterator[FileStep]:
    old = content_of(path)
    recorded = context.record.files.pop(context.record.key(path), None)
    if recorded and old is not None and (remaining := remove_own_content(old, recorded)) is not old:
        yield FileStep(path, old, remaining, "the hook")


def _write_hook(context: PlanContext, path: Path, own_text: str, is_shared: bool) -> Iterator[FileStep]:
    """Write one hook; a remark if the hook is the user's own and not essential, else InputError."""
    old = content_of(path)
    text, _ = as_text(old)
    own_block = find(text)
    is_ours = own_block is not None and not own_block.is_edited and not path.is_symlink()
    new = as_bytes(f"{SHEBANG}{own_text}")
    if own_block and is_ours:
        new = as_bytes(text[: own_block.start] + own_text + text[own_block.end :])
    if old == new and os.access(path, os.X_OK):
        return  # git ignores a hook that is not executable
    if is_shared:
        raise InputError(
            f"{path.parent}: core.hooksPath is set outside this repository, or leads out of it, so its "
            f"hooks may be other repositories' too; call {context.check_command('callint')} in {path.name} "
            "there, and give --no-hook"
        )
    if path.is_symlink() or (old is not None and not is_ours):
        if path.name not in _FRAMEWORK_HOOKS:
            # Even without this hook most commits are checked.
            name = relative_name(path, context.options.here)
            context.remarks.append(f"{name} is not callint init's, and stays: {_UNCHECKED[path.name]}.")
            return
        raise InputError(
            f"{path}: this hook already exists; add {context.check_command('callint')} to it and give "
            "--no-hook, or give --pre-commit"
        )
    recorded = context.record.files.get(context.record.key(path))
    if old is None or (recorded and recorded.digest == digest_of(old)):
        context.record_file(path, RecordedFile(digest_of(new), "", True))
    yield FileStep(path, old, new, "checks what a commit touches", executable=True)


def _hook_lines(name: str, call: str) -> list[str]:
    """The lines of a hook. They exit only if the check fails, as lines of the user's own may follow."""
    if name != _MESSAGE_HOOK:
        return [f"{call} || exit $?"]
    # git runs this hook for git cherry-pick and git rebase, and also for git commit, which has run pre-commit
    # already or, with --no-verify, must not be checked. A rebase that stopped commits what somebody changed
    # by hand; a rebase that does not stop commits again what was committed and checked before.
    return [
        'if test "$2" = message &&',
        '  if test -e "$(git rev-parse --git-path rebase-merge)"',
        '  then test -e "$(git rev-parse --git-path rebase-merge/stopped-sha)"',
        "  else git rev-parse --quiet --verify CHERRY_PICK_HEAD > /dev/null",
        "  fi",
        f"then {call} || exit $?",
        "fi",
    ]
