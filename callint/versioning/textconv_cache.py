"""The text forms of images that git caches, and the key that makes git renew them.

Git caches the output of a textconv command as long as the command stays the same. The text form of an image
also depends on policy and definitions, so callint puts a digest of these into the command as an option.
"""

from __future__ import annotations

import hashlib
import re
from contextlib import suppress
from pathlib import Path

from callint import __version__
from callint.checking.assignments import definition_parts
from callint.model.errors import InputError
from callint.model.policy import Policy
from callint.reading.policy import read_policy
from callint.reading.tree import POLICY, Tree, WorkingTree
from callint.versioning.git.config import read_settings, set_setting
from callint.versioning.git.repository import Repo

#: The reference under which git caches text forms, by ``cachetextconv``.
CACHE_REFERENCE = "refs/notes/textconv/callint"

_SETTING = "diff.callint.textconv"
#: The textconv command as callint init writes it.
_COMMAND = re.compile(
    r"(?P<before>.* show --plain(?: --policy .+)? --key )(?P<key>[0-9a-f]{16})(?P<after> --)"
)


def text_form_key(policy_text: bytes, policy: Policy, tree: Tree) -> str:
    """Sixteen hexadecimal digits that change when the policy, a definition or callint's version changes."""
    content = hashlib.sha256(__version__.encode() + b"\0")
    content.update(hashlib.sha256(policy_text).digest())
    parts = definition_parts(policy.definitions, tree)
    paths = [path for definition in policy.definitions for path in (definition, *parts.get(definition, ()))]
    for path in paths:
        try:
            data = tree.read(path)
        except OSError:
            data = b""
        content.update(hashlib.sha256(path.encode("utf-8", "surrogateescape")).digest())
        content.update(hashlib.sha256(data).digest())
    return content.hexdigest()[:16]


def keyless(command: str) -> str:
    """The textconv command without its key; any other command unchanged."""
    match = _COMMAND.fullmatch(command)
    return f"{match['before']}{match['after']}" if match else command


def renew_key(repo: Repo, root: Path, name: str = POLICY) -> None:
    """Make git discard its cached text forms if policy or definitions have changed since the last call.

    ``root`` is the policy's folder on disk, ``name`` the policy's name in it. callint replaces only the key
    in a setting that callint init wrote. If it cannot write the setting, git keeps its cache.
    """
    with suppress(InputError, OSError):
        values = read_settings(repo).get(_SETTING, [])
        match = _COMMAND.fullmatch(values[0]) if len(values) == 1 else None
        if match is None:
            return
        tree = WorkingTree(root)
        text = tree.read(name)
        key = text_form_key(text, read_policy(text, name), tree)
        if key != match["key"]:
            set_setting(repo, _SETTING, f"{match['before']}{key}{match['after']}")
