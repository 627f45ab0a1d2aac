"""Adding a waiver to the policy."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from callint.model.errors import InputError
from callint.model.policy import Policy
from callint.model.waiver import Waiver
from callint.reading.locks import exclusive_update
from callint.reading.policy import read_policy
from callint.reading.tree import read_file, reason
from callint.reading.workspace import Workspace


class PolicyChangedError(Exception):
    """The policy has changed since it was read, so it may say something else about the finding."""


def add_waivers(workspace: Workspace, waivers: Sequence[Waiver], dry_run: bool) -> list[Waiver]:
    """Add waivers to the policy and return them with their lines; nothing else in the policy changes.

    All are written, or none. PolicyChangedError if the policy on disk says something else about one of the
    findings by now.
    """
    from callint.reporting.files.atomic_write import replace_file
    from callint.reporting.files.destinations import in_place

    # callint writes to the target of a symbolic link, so that the link stays.
    destination = in_place(workspace.root / workspace.policy.path)
    path, name = destination.place(), workspace.policy.path
    data = _read(path, name)
    content, added = _with_waivers(data, workspace.policy, waivers)
    if dry_run:
        return added
    # Two runs at once must not each write without the other's waiver. The lock is held only for writing; if
    # another run wrote in between, the entry is made again from its policy.
    with exclusive_update(path, name):
        if (present := _read(path, name)) != data:
            content, added = _with_waivers(present, workspace.policy, waivers)
        replace_file(destination, content)
    return added


def _read(path: Path, name: str) -> bytes:
    try:
        return read_file(path)
    except OSError as error:
        raise InputError(f"{name}: {reason(error)}; correct that first") from None


def _with_waivers(data: bytes, checked: Policy, waivers: Sequence[Waiver]) -> tuple[bytes, list[Waiver]]:
    """A policy's file with the waivers, and the waivers with their lines.

    ``checked`` is the policy by which the findings were checked. PolicyChangedError if the file says
    something else about one of them by now.
    """
    present = read_policy(data, checked.path)
    if not all(_is_same_for(waiver, checked, present) for waiver in waivers):
        raise PolicyChangedError
    added = []
    for waiver in waivers:
        data, with_line = _with_waiver(data, checked.path, waiver)
        added.append(with_line)
    return data, added


def _with_waiver(data: bytes, name: str, waiver: Waiver) -> tuple[bytes, Waiver]:
    """A policy's file with the waiver, and the waiver with its line."""
    from callint.reporting.waiver.toml import with_entry

    present = read_policy(data, name)
    try:
        content = with_entry(data, waiver)
    except UnicodeEncodeError:
        raise InputError(f"{waiver.image}: a policy cannot hold its name; rename it") from None
    try:
        policy = read_policy(content, name)
    except InputError:
        policy = Policy()
    if not _adds(present, policy, waiver):
        raise InputError(
            f"{name}: a waiver cannot be added at its end; give each waiver its own [[waivers]] heading first"
        )
    return content, policy.waivers[-1]


def _is_same_for(waiver: Waiver, checked: Policy, present: Policy) -> bool:
    """Whether a policy still says about a waiver's finding what it said when the finding was checked.

    Other processes may have added waivers of other findings meanwhile.
    """
    before, now = (Counter(map(_without_line, policy.waivers)) for policy in (checked, present))
    is_about_others = all(added.subject != waiver.subject for added in now - before)
    return not before - now and is_about_others and _without_waivers(checked) == _without_waivers(present)


def _adds(old: Policy, new: Policy, waiver: Waiver) -> bool:
    """Whether the new policy is the old one with the waiver as its last."""
    is_last = [*map(_without_line, new.waivers)] == [*map(_without_line, old.waivers), waiver]
    return is_last and _without_waivers(old) == _without_waivers(new)


def _without_line(waiver: Waiver) -> Waiver:
    return replace(waiver, line=0)


def _without_waivers(policy: Policy) -> Policy:
    return replace(policy, waivers=())
