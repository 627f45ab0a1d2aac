"""Removes what callint init wrote.

callint does not trust the record alone, which may be a stranger's. It looks only at files with the names and
in the places that callint init writes, and removes only content that looks like its own.
"""

from __future__ import annotations

from pathlib import Path

from callint.reading.tree import POLICY
from callint.versioning.git.config import hooks_folder, read_settings, require_own_config
from callint.versioning.git.repository import Repo, common_folder, top_level
from callint.versioning.init.hooks import HOOKS, PRE_COMMIT, SHEBANG
from callint.versioning.init.managed_block import as_text, find
from callint.versioning.init.plan import ATTRIBUTES, IGNORED
from callint.versioning.init.record import RecordedFile, content_of, read_record, remove_own_content
from callint.versioning.init.steps import FileStep, Plan, SettingStep, relative_name
from callint.versioning.textconv_cache import keyless


def undo(repo: Repo, here: Path) -> Plan:
    """The plan that undoes callint init: for this working tree's files, the settings and the hooks.

    Edited content stays, and the remarks say so, with paths from the folder ``here``.
    """
    require_own_config(repo)
    record = read_record(repo)
    hooks, _ = hooks_folder(repo)
    steps: list[FileStep | SettingStep] = []
    remarks: list[str] = []
    for key, recorded in list(record.files.items()):
        path = record.place(key)
        if not _may_have_written(repo, path):
            continue  # a file of another working tree
        del record.files[key]
        old = None if path.is_symlink() else content_of(path)
        if old is None:
            continue
        new = _remove_own_content(path, old, recorded)
        if new is old:
            remarks.append(f"{relative_name(path, here)} was edited since; it stays.")
            continue
        steps.append(FileStep(path, old, new, "callint init's lines removed"))
        if new is not None and path.name in HOOKS:
            remarks.append(f"{relative_name(path, here)} has other lines too; they stay.")
    present = read_settings(repo)
    for name, value in record.settings.items():
        values = present.get(name, [])
        if len(values) == 1 and keyless(values[0]) == keyless(value):
            steps.append(SettingStep(name, values[0], None, "callint init's setting removed"))
        elif values:
            remarks.append(f"The setting {name} was edited since; it stays.")
    record.settings.clear()
    # callint init creates folders only for hooks.
    folders = [folder for folder in map(record.place, record.folders) if hooks.is_relative_to(folder)]
    record.folders.clear()
    folders.sort(key=lambda folder: -len(folder.parts))
    return Plan(tuple(steps), record.step(), tuple(remarks), (*folders, record.path.parent))


def _may_have_written(repo: Repo, path: Path) -> bool:
    """Whether callint init, called in this working tree, may have written a file at a path."""
    folder, top = path.parent.resolve(), top_level(repo)
    if path.name in HOOKS:
        return folder.is_relative_to(top) or folder.is_relative_to(common_folder(repo))
    if path.name == PRE_COMMIT:
        return folder == top
    return path.name in (POLICY, ATTRIBUTES, IGNORED) and folder.is_relative_to(top)


def _remove_own_content(path: Path, old: bytes, recorded: RecordedFile) -> bytes | None:
    """As ``remove_own_content``, but removes a whole file only if its name and content allow that."""
    if path.name == POLICY:
        # Only the digest of a policy tells that callint init wrote it.
        return remove_own_content(old, recorded) if recorded.digest else old
    if path.name in HOOKS and recorded.digest:
        text, _ = as_text(old)
        own_block = find(text)
        if own_block is None or text[: own_block.start] != SHEBANG or own_block.end != len(text):
            return remove_own_content(old, RecordedFile(None, "", False))
    elif recorded.digest:
        return old
    return remove_own_content(old, recorded)
