"""Taking back what callint init wrote.

The record alone is not believed: it lies in the clone, which may be a stranger's. Only files of the names and
in the places where callint init writes are looked at, and only what looks like its own is taken out of them.
"""

from __future__ import annotations

from pathlib import Path

from callint.reading.tree import POLICY
from callint.versioning.git.config import hooks_folder, read_settings, require_own_config
from callint.versioning.git.repository import Repo, common_folder, top_level
from callint.versioning.init.managed_block import as_text, find
from callint.versioning.init.plan import ATTRIBUTES, HOOKS, IGNORED, PRE_COMMIT, SHEBANG
from callint.versioning.init.record import Written, content_of, read_record, without
from callint.versioning.init.steps import FileStep, Plan, SettingStep, shown
from callint.versioning.textconv_cache import keyless


def undo(repo: Repo, here: Path) -> Plan:
    """How to take back what callint init wrote here: this working tree's files, the settings and the hooks.

    What was edited since stays, and the remarks say so, with paths from the folder ``here``.
    """
    require_own_config(repo)
    record = read_record(repo)
    hooks, _ = hooks_folder(repo)
    steps: list[FileStep | SettingStep] = []
    remarks: list[str] = []
    for key, written in list(record.files.items()):
        path = record.place(key)
        if not _is_place(repo, path):
            continue  # of another working tree
        del record.files[key]
        old = None if path.is_symlink() else content_of(path)
        if old is None:
            continue
        new = _without(path, old, written)
        if new is old:
            remarks.append(f"{shown(path, here)} was edited since; it stays.")
            continue
        steps.append(FileStep(path, old, new, "what callint init wrote is taken out"))
        if new is not None and path.name in HOOKS:
            remarks.append(f"{shown(path, here)} has other lines too; they stay.")
    present = read_settings(repo)
    for name, value in record.settings.items():
        values = present.get(name, [])
        if len(values) == 1 and keyless(values[0]) == keyless(value):
            steps.append(SettingStep(name, values[0], None, "what callint init set is removed"))
        elif values:
            remarks.append(f"The setting {name} was edited since; it stays.")
    record.settings.clear()
    # Folders were only made for hooks.
    folders = [one for one in map(record.place, record.folders) if hooks.is_relative_to(one)]
    record.folders.clear()
    folders.sort(key=lambda one: -len(one.parts))
    return Plan(tuple(steps), record.step(), tuple(remarks), (*folders, record.path.parent))


def _is_place(repo: Repo, path: Path) -> bool:
    """Whether callint init, called in this working tree, may have written a file at a path."""
    folder, top = path.parent.resolve(), top_level(repo)
    if path.name in HOOKS:
        return any(folder.is_relative_to(one) for one in (top, common_folder(repo)))
    if path.name == PRE_COMMIT:
        return folder == top
    return path.name in (POLICY, ATTRIBUTES, IGNORED) and folder.is_relative_to(top)


def _without(path: Path, old: bytes, written: Written) -> bytes | None:
    """As ``without``, for a file that is no more than its name says."""
    if path.name == POLICY:
        # Nothing in a policy tells who wrote it but its digest.
        return without(old, written) if written.digest else old
    if path.name in HOOKS and written.digest:
        text, _ = as_text(old)
        found = find(text)
        if found is None or text[: found.start] != SHEBANG or found.end != len(text):
            return without(old, Written(None, "", False))
    elif written.digest:
        return old
    return without(old, written)
