"""The text forms of images that git keeps, and when they are no longer true.

Git keeps what a textconv command printed for as long as the command reads the same. What callint prints for
an image also depends on policy and definitions, so that a key made of these is a word of the command.
"""

from __future__ import annotations

import hashlib
import re
from contextlib import suppress
from pathlib import Path

from callint import __version__
from callint.model.errors import InputError
from callint.model.policy import Policy
from callint.reading.policy import read_policy
from callint.reading.tree import POLICY, Tree, WorkingTree
from callint.versioning.git.config import read_settings, set_setting
from callint.versioning.git.repository import Repo

#: Where git keeps the text forms that ``cachetextconv`` asks it to keep.
KEPT = "refs/notes/textconv/callint"

_SETTING = "diff.callint.textconv"
#: The textconv command as callint init writes it.
_COMMAND = re.compile(
    r"(?P<before>.* show --plain(?: --policy .+)? --key )(?P<key>[0-9a-f]{16})(?P<after> --)"
)


def text_form_key(policy_text: bytes, policy: Policy, tree: Tree) -> str:
    """Sixteen hexadecimal digits that change when policy, definitions or callint do."""
    content = hashlib.sha256(__version__.encode() + b"\0")
    content.update(hashlib.sha256(policy_text).digest())
    for path in policy.definitions:
        try:
            data = tree.read(path)
        except OSError:
            data = b""
        content.update(hashlib.sha256(path.encode("utf-8", "surrogateescape")).digest())
        content.update(hashlib.sha256(data).digest())
    return content.hexdigest()[:16]


def keyless(command: str) -> str:
    """The textconv command without its key; any other text as it is."""
    found = _COMMAND.fullmatch(command)
    return f"{found['before']}{found['after']}" if found else command


def renew_key(repo: Repo, root: Path, name: str = POLICY) -> None:
    """Have git make the text forms anew where policy or definitions have changed since callint init.

    ``root`` is the policy's folder on disk, ``name`` the policy's in it. Only the key in a setting of callint
    init's own form is replaced; where that cannot be written, git goes on with what it has.
    """
    with suppress(InputError, OSError):
        values = read_settings(repo).get(_SETTING, [])
        found = _COMMAND.fullmatch(values[0]) if len(values) == 1 else None
        if found is None:
            return
        tree = WorkingTree(root)
        text = tree.read(name)
        key = text_form_key(text, read_policy(text, name), tree)
        if key != found["key"]:
            set_setting(repo, _SETTING, f"{found['before']}{key}{found['after']}")
