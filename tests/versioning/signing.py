"""Keys of real people of the yard, made by OpenSSH and GnuPG themselves."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.running import Scratch, environment

needs_ssh = pytest.mark.skipif(
    shutil.which("ssh-keygen") is None and not os.environ.get("CALLINT_CI"), reason="OpenSSH is not installed"
)
needs_gpg = pytest.mark.skipif(
    shutil.which("gpg") is None and not os.environ.get("CALLINT_CI"), reason="GnuPG is not installed"
)


def make_ssh_keys(folder: Path) -> Path:
    """A folder with keys of Ines and Tomas; ``signers`` lists only hers as one that counts."""
    for name in ("ines", "tomas"):
        command = ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", name, "-f", str(folder / name)]
        subprocess.run(command, check=True, env=environment(), stdin=subprocess.DEVNULL)
    public = (folder / "ines.pub").read_text("utf-8")
    (folder / "signers").write_text(f"ines@yard.example {public}", "utf-8")
    return folder


def sign_by_ssh(yard: Scratch, key: Path) -> None:
    """Let git's settings of a repository name an SSH key."""
    yard.must("config", "gpg.format", "ssh")
    yard.must("config", "user.signingKey", str(key))


@contextmanager
def gpg_home() -> Iterator[str]:
    """A home of GnuPG with a key of Ines, which lasts as long as the agent that serves it."""
    folder = tempfile.mkdtemp(prefix="gpg-", dir="/tmp")  # the path of its socket must be short
    env = environment(GNUPGHOME=folder)
    person = "Ines Falk <ines@yard.example>"
    command = [
        "gpg",
        "--batch",
        "--quiet",
        "--passphrase",
        "",
        "--quick-generate-key",
        person,
        "ed25519",
        "sign",
    ]
    try:
        subprocess.run(command, check=True, env=env, capture_output=True)
        yield folder
    finally:
        subprocess.run(["gpgconf", "--kill", "all"], check=False, env=env)
        shutil.rmtree(folder, ignore_errors=True)
