"""The files of a release."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping

from callint.checking.report import Report
from callint.cli.review_builder import ReviewOptions, review_of_images
from callint.model.release import MANIFEST, PAGE, FileDigest, ImageFormat
from callint.reading.workspace import Workspace
from callint.reporting.release.image_file import format_of, image_name, released_file
from callint.reporting.release.manifest import ReleaseAcceptance, manifest
from callint.reporting.review.html import page
from callint.reporting.review.json import review_document
from callint.versioning import signatures
from callint.versioning.release_gate import ReleaseGate
from callint.versioning.review import ImageState, Review, ReviewedImage

#: The number of digits by which the review page names the commit.
_SHORT = 12


def file_names(path: str, form: ImageFormat | None) -> set[str]:
    """The names that the files of a release of an image may have, without that of a signature."""
    return {image_name(path, form), image_name(path, None), PAGE, MANIFEST}


def release_files(
    gate: ReleaseGate, report: Report, form: ImageFormat | None, *, is_signed: bool
) -> Mapping[str, bytes]:
    """The files of the release that a gate lets through, by name; the same inputs give the same bytes.

    ``form`` is the format of the image, None for that of its file. InputError if the format cannot hold the
    image, or if the release cannot be signed.
    """
    source = gate.image_file
    name, content = released_file(source, gate.assigned.image, form or format_of(source))
    review = page(review_document(_review(gate, report))).encode()
    release = gate.release(_digest(name, content), _digest(PAGE, review))
    waivers = dict.fromkeys(finding.waiver for finding in report.findings if finding.waiver)
    acceptances = [ReleaseAcceptance(waiver, gate.waiver_author(waiver)) for waiver in waivers]
    text = manifest(release, report, acceptances, gate.policy.second_person)
    files = {name: content, PAGE: review, MANIFEST: text}
    if is_signed:
        signature = signatures.sign(gate.repo.working_dir, text)
        files[f"{MANIFEST}{signature.suffix}"] = signature.data
    return files


def _digest(name: str, content: bytes) -> FileDigest:
    return FileDigest(name, hashlib.sha256(content).hexdigest())


def _review(gate: ReleaseGate, report: Report) -> Review:
    """The review of the change from the base to the image; of an added image without a base."""
    workspace = Workspace(gate.workspace.root, gate.policy, gate.tree)
    image = gate.assigned.image
    revision = gate.commit.id[:_SHORT]
    name = f"{revision}:{gate.tree.from_top(image)}"
    if base := gate.base_path:
        arguments = (f"{revision}:{gate.tree.from_top(base)}", name)
        return review_of_images(workspace, arguments, ReviewOptions())[0]
    reviewed = ReviewedImage(image, ImageState.ADDED, new=name, context=gate.context)
    authored = gate.commit.authored
    day = authored.date() if authored else None
    return Review(name, "", name, (reviewed,), report, gate.commit, day)
