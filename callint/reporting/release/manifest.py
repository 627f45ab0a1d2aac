"""The manifest of a release as JSON, by ``schemas/release.schema.json``.

It has no time of its own: the same commit, options and version of callint give the same bytes.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from callint import __version__
from callint.checking.report import Report
from callint.model.finding import Finding
from callint.model.release import FileDigest, Release
from callint.model.waiver import Waiver
from callint.reporting.findings.json import brief
from callint.reporting.findings.summary import summary
from callint.reporting.json_fields import without_none
from callint.versioning.git.authors import Person


@dataclass(frozen=True, slots=True)
class ReleaseAcceptance:
    """A waiver that accepts findings, and who committed it; None if git cannot tell."""

    waiver: Waiver
    author: Person | None


def manifest(
    release: Release, report: Report, acceptances: Sequence[ReleaseAcceptance], second_person: bool
) -> bytes:
    """The manifest of a release, with its findings and who accepted them."""
    memory = release.memory
    document = {
        "format": "callint-release",
        "version": 1,
        "callint": __version__,
        "image": {
            **_digest(release.image),
            "content": release.content,
            "start": release.start,
            "memory": {"start": memory.start, "size": memory.size, "fill": memory.fill},
        },
        "commit": _commit(release),
        "folder": release.folder,
        "files": {"image": _digest(release.file), "review": _digest(release.page)},
        "definition": {**_digest(release.definition), "parts": list(map(_digest, release.parts))},
        **({} if release.base is None else {"base": _digest(release.base)}),
        "policy": {**_digest(release.policy), "second_person": second_person},
        "findings": [_finding(finding) for finding in report.findings],
        "waivers": [_acceptance(acceptance, report) for acceptance in acceptances],
        "summary": summary(report),
    }
    return (json.dumps(document, indent=1, allow_nan=False) + "\n").encode()


def _commit(release: Release) -> dict[str, str]:
    commit = release.commit
    fields = {
        "id": commit.id,
        "author": commit.author,
        "email": commit.email,
        "date": commit.date or None,
        "subject": commit.subject,
    }
    return without_none(fields)


def _digest(file: FileDigest) -> dict[str, str]:
    return {"path": file.path, "sha256": file.sha256}


def _finding(finding: Finding) -> dict[str, Any]:
    return {"severity": finding.severity.value, **brief(finding), "waived": finding.waived}


def _acceptance(acceptance: ReleaseAcceptance, report: Report) -> dict[str, Any]:
    waiver, author = acceptance.waiver, acceptance.author
    accepted = [finding.fingerprint for finding in report.findings if finding.waiver == waiver]
    fields = {
        "rule": waiver.rule,
        "table": waiver.table or None,
        "reason": waiver.reason,
        "who": waiver.who,
        "until": waiver.until.isoformat() if waiver.until else None,
        "digest": waiver.digest,
        "committed_by": None if author is None else {"name": author.name, "email": author.email},
        "findings": accepted,
    }
    return without_none(fields)
