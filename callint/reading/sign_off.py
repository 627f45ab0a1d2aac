"""Reads the sign-off that the page of a review saved, by ``schemas/sign-off.schema.json``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from callint.model.errors import InputError
from callint.model.release import FileDigest
from callint.model.sign_off import Acceptance, AcceptedFinding, SignedImage, SignOff
from callint.reading.json_document import read_document
from callint.reading.tree import read_file, reason

#: The largest sign-off that is read, in bytes: some ten thousand findings with remarks.
MAX_SIGN_OFF = 16 * 2**20
_REMEDY = "name the file that was saved on the page of callint review"


def open_sign_off(path: Path) -> SignOff:
    """The sign-off in a file; InputError if it cannot be read or is not one."""
    try:
        data = read_file(path, MAX_SIGN_OFF)
    except OSError as error:
        raise InputError(f"{path}: {reason(error)}; {_REMEDY}") from None
    return read_sign_off(data, str(path))


def read_sign_off(data: bytes, name: str) -> SignOff:
    """The sign-off in the content of a file; InputError if it is not one."""
    if len(data) > MAX_SIGN_OFF:
        raise InputError(
            f"{name}: it is larger than {MAX_SIGN_OFF >> 20} MiB, the most that callint reads; {_REMEDY}"
        )
    document = read_document(data, name, "sign-off", "a sign-off", _REMEDY)
    return SignOff(
        reviewer=document["reviewer"]["name"],
        decision=document["decision"],
        is_signed=document["signed"],
        images=tuple(map(_image, document["images"])),
        policy=_file(document.get("policy")),
        accepted=tuple(map(_acceptance, document["accepted"])),
        unread=len(document["unread"]),
    )


def _image(fields: dict[str, Any]) -> SignedImage:
    return SignedImage(
        path=fields["path"],
        new=fields.get("new", ""),
        base=_file(fields.get("base")),
        definition=_file(fields.get("definition")),
    )


def _file(fields: dict[str, Any] | None) -> FileDigest | None:
    return None if fields is None else FileDigest(fields["path"], fields["sha256"])


def _acceptance(fields: dict[str, Any]) -> Acceptance:
    findings = (
        AcceptedFinding(finding["fingerprint"], finding["rule"], finding.get("table", ""))
        for finding in fields["findings"]
    )
    return Acceptance(
        fields.get("image", ""),
        fields.get("source", ""),
        fields["title"],
        fields["remark"],
        tuple(findings),
    )
