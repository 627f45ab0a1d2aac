"""Makes and checks signatures as git does: by ``ssh-keygen`` or ``gpg``, with the user's git settings.

The format of SSH signatures is OpenSSH's PROTOCOL.sshsig. A repository's own settings may name a program in
``gpg.program`` and ``gpg.ssh.program``, but callint never runs a program that a repository names: it runs the
installed ``ssh-keygen`` and ``gpg``.
"""

from __future__ import annotations

import os
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from callint.model.errors import InputError
from callint.model.release import GPG_SUFFIX, SSH_SUFFIX
from callint.versioning.git.process import GitError, output

#: The namespace of SSH signatures of manifests: signatures of commits or other files do not count as these.
NAMESPACE = "callint-release"

_SIGNERS, _KEY = "gpg.ssh.allowedSignersFile", "user.signingKey"
#: The prefixes of a key that git's settings give instead of a file.
_LITERALS = ("key::", "ssh-", "ecdsa-", "sk-")
#: The trust levels of gpg, least first, in git's order: "undefined" is not an objection.
_TRUST = ("UNDEFINED", "NEVER", "MARGINAL", "FULLY", "ULTIMATE")


class Trust(StrEnum):
    """The result of checking a signature."""

    GOOD = "good"
    BAD = "bad"  # not a signature of this content
    UNKNOWN = "unknown"  # a signature by a key that nobody trusts here
    UNCHECKED = "unchecked"  # a setting or a program is missing


@dataclass(frozen=True, slots=True)
class SignatureCheck:
    """The state of a signature. ``signer`` is the name of the signer, "" if unknown; ``text`` explains it."""

    trust: Trust
    signer: str = ""
    text: str = ""


@dataclass(frozen=True, slots=True)
class Signature:
    """A detached signature; ``suffix`` follows the name of the file that is signed."""

    suffix: str
    data: bytes


def is_wanted(folder: Path) -> bool:
    """Whether git's settings ask for signatures of commits or of tags."""
    return any(_setting(folder, key, "bool") == "true" for key in ("commit.gpgSign", "tag.gpgSign"))


def sign(folder: Path, content: bytes) -> Signature:
    """A signature of a content by git's settings in a folder; InputError if there is no usable key."""
    form = _setting(folder, "gpg.format") or "openpgp"
    if form == "ssh":
        return Signature(SSH_SUFFIX, _sign_by_ssh(folder, content))
    if form == "openpgp":
        return Signature(GPG_SUFFIX, _sign_by_gpg(folder, content))
    raise InputError(
        f"gpg.format: callint cannot sign by {form!r}; set it to ssh or openpgp, or pass --no-sign"
    )


def check(folder: Path, content: bytes, signature: Signature) -> SignatureCheck:
    """The state of a signature of a content, by git's settings in a folder."""
    by_format = _check_by_ssh if signature.suffix == SSH_SUFFIX else _check_by_gpg
    try:
        with _temporary_file(signature.data) as path:
            return by_format(folder, content, path)
    except FileNotFoundError as error:
        return SignatureCheck(Trust.UNCHECKED, text=f"{error.filename}: the program is not found; install it")


# SSH


def _sign_by_ssh(folder: Path, content: bytes) -> bytes:
    key = _setting(folder, _KEY)
    if not key:
        raise InputError(
            f"{_KEY}: it is not set, and gpg.format is ssh; git config {_KEY} FILE names a key, "
            "and --no-sign releases without a signature"
        )
    if key.startswith(_LITERALS):
        with _temporary_file(f"{key.removeprefix('key::')}\n".encode()) as path:
            return _signed_by_key(content, str(path), key)
    path = folder / Path(key).expanduser()
    if not path.is_file():
        raise InputError(f"{_KEY}: {path} is not a file; correct the setting, or pass --no-sign")
    return _signed_by_key(content, str(path), key)


def _signed_by_key(content: bytes, path: str, key: str) -> bytes:
    try:
        done = _run(["ssh-keygen", "-Y", "sign", "-n", NAMESPACE, "-f", path], content)
    except FileNotFoundError:
        raise InputError("ssh-keygen: the program is not found; install OpenSSH, or pass --no-sign") from None
    if done.returncode or not done.stdout:
        raise InputError(
            f"{_KEY}: ssh-keygen cannot sign with {key}: {_reason(done)}; correct the key, or pass --no-sign"
        )
    return done.stdout


def _check_by_ssh(folder: Path, content: bytes, signature: Path) -> SignatureCheck:
    listed = _setting(folder, _SIGNERS, "path")
    if not listed:
        text = f"{_SIGNERS} is not set; git config {_SIGNERS} FILE names the signers"
        return SignatureCheck(Trust.UNCHECKED, text=text)
    signers = folder / listed
    if not signers.is_file():
        text = f"{_SIGNERS}: {signers} is not a file; correct the setting"
        return SignatureCheck(Trust.UNCHECKED, text=text)
    signed = ["-n", NAMESPACE, "-s", str(signature)]
    revoked = _setting(folder, "gpg.ssh.revocationFile", "path")
    known = _run(["ssh-keygen", "-Y", "find-principals", "-f", str(signers), "-s", str(signature)], b"")
    for principal in os.fsdecode(known.stdout).splitlines() if not known.returncode else ():
        options = ["-f", str(signers), "-I", principal, *(["-r", str(folder / revoked)] if revoked else [])]
        done = _run(["ssh-keygen", "-Y", "verify", *signed, *options], content)
        if not done.returncode:
            return SignatureCheck(Trust.GOOD, principal)
    done = _run(["ssh-keygen", "-Y", "check-novalidate", *signed], content)
    if done.returncode:
        return SignatureCheck(Trust.BAD, text="it is not a signature of this manifest")
    text = f"{signers} does not list the key for {NAMESPACE}, or the key is revoked or has expired"
    return SignatureCheck(Trust.UNKNOWN, text=text)


# OpenPGP


def _sign_by_gpg(folder: Path, content: bytes) -> bytes:
    key = _setting(folder, _KEY) or _committer(folder)
    try:
        done = _run(["gpg", "--status-fd=2", "-bsau", key], content)
    except FileNotFoundError:
        raise InputError("gpg: the program is not found; install GnuPG, or pass --no-sign") from None
    if done.returncode or b"[GNUPG:] SIG_CREATED " not in done.stderr:
        reasons = [line for line in done.stderr.splitlines() if line.startswith(b"gpg: ")]
        reason = os.fsdecode(reasons[-1]).removeprefix("gpg: ") if reasons else "failed"
        raise InputError(f"{_KEY}: gpg cannot sign with {key}: {reason}; correct the key, or pass --no-sign")
    return done.stdout


def _check_by_gpg(folder: Path, content: bytes, signature: Path) -> SignatureCheck:
    command = ["gpg", "--no-auto-key-retrieve", "--status-fd=1", "--verify", str(signature), "-"]
    done = _run(command, content)
    states: dict[str, str] = {}
    for line in os.fsdecode(done.stdout).splitlines():
        mark, _, rest = line.removeprefix("[GNUPG:] ").partition(" ")
        states[mark] = rest
    if "BADSIG" in states:
        return SignatureCheck(Trust.BAD, text="it is not a signature of this manifest")
    signer = states.get("GOODSIG", "").partition(" ")[2]
    trust = next((level for level in _TRUST if f"TRUST_{level}" in states), "UNDEFINED")
    least = (_setting(folder, "gpg.minTrustLevel") or "undefined").upper()
    is_trusted = trust != "NEVER" and _TRUST.index(trust) >= (_TRUST.index(least) if least in _TRUST else 0)
    if not done.returncode and signer and is_trusted:
        return SignatureCheck(Trust.GOOD, signer)
    if signer or "ERRSIG" in states or "EXPKEYSIG" in states or "REVKEYSIG" in states or "EXPSIG" in states:
        return SignatureCheck(Trust.UNKNOWN, text="gpg does not know the key, or does not trust it")
    return SignatureCheck(Trust.BAD, text="it is not a signature of this manifest")


def _committer(folder: Path) -> str:
    """The committer, whose key gpg looks for if the settings name none; as git does."""
    try:
        identity = os.fsdecode(output(["var", "GIT_COMMITTER_IDENT"], folder))
    except GitError:
        raise InputError(
            f"{_KEY}: it is not set; git config {_KEY} KEY names a key, or pass --no-sign"
        ) from None
    return identity.rpartition(">")[0] + ">"


# Programs and settings


def _run(command: list[str], content: bytes) -> subprocess.CompletedProcess[bytes]:
    """Run a program without a shell; raises FileNotFoundError if it is not installed."""
    return subprocess.run(  # noqa: S603 - the program is one of two, and its arguments are not options
        command, input=content, capture_output=True, check=False, env={**os.environ, "LC_ALL": "C"}
    )


def _reason(done: subprocess.CompletedProcess[bytes]) -> str:
    lines = os.fsdecode(done.stderr).strip().splitlines()
    return lines[-1].strip() if lines else "failed"


def _setting(folder: Path, key: str, kind: str = "") -> str:
    """A setting of git's in a folder, which need not be in a repository; "" if it is not set."""
    options = [f"--type={kind}"] if kind else []
    try:
        return os.fsdecode(output(["config", "--null", *options, "--get", key], folder)).rstrip("\0")
    except GitError:
        return ""


@contextmanager
def _temporary_file(content: bytes) -> Iterator[Path]:
    """A file outside the repository with a content, for a program that reads no pipe."""
    with tempfile.TemporaryDirectory(prefix="callint-") as folder:
        path = Path(folder) / "file"
        path.write_bytes(content)
        yield path
