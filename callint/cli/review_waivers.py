"""The findings that a reviewer accepted, and whether the files are still those that were reviewed."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Sequence

from callint.checking.assignments import Assignment
from callint.checking.checker import Checker
from callint.cli.finding_selection import FindingFilter, place_of, select_findings, waived_key
from callint.model.errors import InputError
from callint.model.finding import Finding
from callint.model.release import FileDigest
from callint.model.sign_off import Acceptance, AcceptedFinding, SignedImage, SignOff
from callint.versioning.review import file_digest, policy_file

_REVIEW_AGAIN = "write the page again with callint review, and review that"
_EVERYTHING = FindingFilter(frozenset(), None)
#: The digits of a digest in messages.
_DIGITS = 16


def require_agreement(sign_off: SignOff, name: str) -> None:
    """InputError if the reviewer in the file ``name`` has not agreed to the change, or accepts nothing."""
    if not sign_off.is_signed:
        raise InputError(f"{name}: it is not signed; sign it on the page of the review and save it again")
    if sign_off.decision != "agreed":
        raise InputError(
            f"{name}: {sign_off.reviewer} did not agree to the change; choose Agreed, sign and save it again"
        )
    if not sign_off.accepted:
        raise InputError(f"{name}: {sign_off.reviewer} accepts no finding in it; waive nothing")


def is_same_name(first: str, second: str) -> bool:
    """Whether two names are equal, however they are spaced and in whatever case."""

    def normal(name: str) -> str:
        return " ".join(unicodedata.normalize("NFKC", name).casefold().split())

    return normal(first) == normal(second)


class ReviewedState:
    """What ``checker`` finds in the present files, beside what a reviewer accepted in the file ``name``."""

    def __init__(self, sign_off: SignOff, name: str, checker: Checker, images: Sequence[Assignment]) -> None:
        self._sign_off = sign_off
        self._name = name
        self._checker = checker
        self._assigned = {image.image: image for image in images}

    def accepted(self, findings: Sequence[Finding]) -> list[tuple[list[Finding], str]]:
        """The findings that each needed waiver accepts, with the reviewer's remarks as its reason.

        InputError if a file is not the reviewed one, if an accepted finding is gone, or if a waiver would
        accept a finding that the reviewer does not accept.
        """
        for path in dict.fromkeys(entry.image for entry in self._sign_off.accepted):
            if path:
                self._require_reviewed(self._image(path))
        for path in dict.fromkeys(entry.source for entry in self._sign_off.accepted if not entry.image):
            self._require_reviewed_source(path)
        groups: dict[tuple[str, ...], list[Finding]] = {}
        remarks: dict[tuple[str, ...], list[str]] = {}
        chosen: list[Finding] = []
        for entry, accepted in self._accepted_findings():
            finding = self._present(entry, accepted, findings)
            chosen.append(finding)
            for group in select_findings(findings, finding.fingerprint, _EVERYTHING):
                key = waived_key(group[0])
                groups[key] = group
                remarks.setdefault(key, []).append(entry.remark)
        for group in groups.values():
            self._require_accepted(group, chosen)
        return [(group, "; ".join(dict.fromkeys(remarks[key]))) for key, group in groups.items()]

    def _accepted_findings(self) -> Iterator[tuple[Acceptance, AcceptedFinding]]:
        for entry in self._sign_off.accepted:
            for finding in entry.findings:
                yield entry, finding

    def _present(self, entry: Acceptance, accepted: AcceptedFinding, findings: Sequence[Finding]) -> Finding:
        for finding in findings:
            if finding.fingerprint == accepted.fingerprint:
                return finding
        place = " in ".join(filter(None, (accepted.table, entry.image or entry.source)))
        raise InputError(
            f"{self._name}: callint check does not find {accepted.rule} for {place} "
            f"({accepted.fingerprint[:8]}) in these files; withdraw it on the page, or write the page again"
        )

    def _require_accepted(self, group: Sequence[Finding], chosen: Sequence[Finding]) -> None:
        """InputError if a waiver would accept another mistake in the same table."""
        fingerprints = {finding.fingerprint for finding in chosen}
        causes = {finding.cause for finding in chosen if finding.cause}
        for finding in group:
            is_accepted = finding.fingerprint in fingerprints or finding.cause in causes
            if not (is_accepted or finding.waived or finding.inherited):
                raise InputError(
                    f"{self._name}: a waiver of {finding.rule} for {place_of(finding)} would also accept "
                    f"{finding.fingerprint[:8]}, which {self._sign_off.reviewer} does not accept; "
                    "accept that on the page too"
                )

    # Whether the files are those of the review

    def _image(self, path: str) -> SignedImage:
        for image in self._sign_off.images:
            if image.path == path:
                return image
        raise InputError(f"{self._name}: it has no digest of {path}; save it again on the page of the review")

    def _require_reviewed(self, image: SignedImage) -> None:
        """InputError if an image, its definition or its base is not the reviewed one."""
        assigned = self._assigned.get(image.path)
        if assigned is None:
            raise InputError(f"{self._name}: the policy names no image {image.path}; {_REVIEW_AGAIN}")
        self._require_same(image.path, image.new, file_digest(self._checker.tree, image.path))
        context = self._checker.loader.context(assigned)
        definition, base = ("", ""), ("", "")
        if context is not None:
            definition = context.file.path, context.loaded.definition.digest
        if context is not None and context.base_path:
            base = context.base_path, file_digest(self._checker.tree, context.base_path)
        self._require_file(f"the definition of {image.path}", image.definition, *definition)
        self._require_file(f"the base of {image.path}", image.base, *base)

    def _require_reviewed_source(self, path: str) -> None:
        """InputError if a definition or the policy is not the reviewed one."""
        policy = self._sign_off.policy
        if policy is not None and policy.path == path:
            present = policy_file(self._checker.policy, self._checker.tree)
            self._require_same(path, policy.sha256, present.sha256 if present else "")
            return
        definitions = [image.definition for image in self._sign_off.images]
        for definition in definitions:
            if definition is not None and definition.path == path:
                loaded = self._checker.loader.peek(path)
                self._require_same(path, definition.sha256, loaded.definition.digest if loaded else "")
                return
        raise InputError(
            f"{self._name}: it has no digest of {path}; waive its findings by their fingerprints"
        )

    def _require_file(self, subject: str, reviewed: FileDigest | None, path: str, digest: str) -> None:
        if reviewed is None and not digest:
            return
        if reviewed is None:
            raise InputError(f"{self._name}: {subject} is {path} now, and there was none; {_REVIEW_AGAIN}")
        if not path:
            raise InputError(
                f"{self._name}: {subject} was {reviewed.path}, and there is none now; {_REVIEW_AGAIN}"
            )
        self._require_same(f"{subject}, {path},", reviewed.sha256, digest)

    def _require_same(self, subject: str, reviewed: str, present: str) -> None:
        if reviewed != present or not present:
            was, now = (digest[:_DIGITS] or "absent" for digest in (reviewed, present))
            raise InputError(
                f"{self._name}: {subject} is not what was reviewed: its SHA-256 was {was}, and is {now}; "
                f"{_REVIEW_AGAIN}"
            )
