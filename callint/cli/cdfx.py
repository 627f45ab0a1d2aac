"""Changes as CDF files, and values of CDF files applied to an image."""

from __future__ import annotations

import sys

from callint import fmt
from callint.comparing.apply_cdfx import apply_values
from callint.comparing.compare import compare
from callint.decoding.decode import Decoded, decode
from callint.model.change import ChangeSet
from callint.model.errors import InputError
from callint.model.image import Image
from callint.reading.cdfx import read_cdfx
from callint.reporting.changes.cdfx import changes_cdfx
from callint.versioning.file_version import Content

#: Most names of foreign instances in a message, and most characters of each.
_MOST_NAMES, _MOST_CHARACTERS = 12, 60


def with_values(decoded: Decoded, file: Content) -> Image:
    """The decoded image with the values of a CDF file; InputError if they do not fit.

    Lists what the definition lacks on standard error.
    """
    applied = apply_values(decoded, read_cdfx(file.data, file.name))
    if applied.foreign:
        names = ", ".join(name[:_MOST_CHARACTERS] for name in applied.foreign[:_MOST_NAMES])
        more = len(applied.foreign) - _MOST_NAMES
        rest = f" and {more} more" if more > 0 else ""
        number = fmt.count(len(applied.foreign), "instance")
        message = f"{file.name}: left out {number} that the definition lacks: {names}{rest}"
        sys.stderr.write(f"callint: {fmt.clean(message)}\n")
    return applied.image


def checked_cdfx(changes: ChangeSet, decoded: Decoded, image: str, definition: str) -> str:
    """A CDF file with the values that changed tables have in the decoded image, read back as a check.

    ``image`` and ``definition`` are the names of the files. InputError if the values read back differ from
    the image in a single bit. Lists differences that a CDF file cannot hold on standard error.
    """
    data = changes_cdfx(changes, decoded, image, definition)
    try:
        back = apply_values(decoded, read_cdfx(data, image)).image
    except InputError as error:
        raise InputError(
            f"{image}: it does not fit into CDFX ({error.lines[0]}); choose tables with -t"
        ) from None
    differences = compare(decoded, decode(decoded.layout, back))
    names = [change.table.name for change in differences.tables]
    names += [change.axis.name for change in differences.axes]
    names += [change.text.name for change in differences.texts]
    if names:
        problem = "its values in engineering units do not lead back to the same bits, which CDFX needs"
        raise InputError(*(f"{image}: {name}: {problem}; choose other tables with -t" for name in names))
    _report_omissions(changes, image)
    return data.decode()


def _report_omissions(changes: ChangeSet, image: str) -> None:
    """List differences outside tables, axes and texts, but no checksums, which follow from the rest."""
    omissions = [f"identity {change.identity.name}" for change in changes.identities]
    omissions += [f"the stored count of {change.axis.name}" for change in changes.counts]
    if changes.unexplained:
        omissions.append(fmt.count(sum(run.changed for run in changes.unexplained), "byte") + " not defined")
    if changes.missing:
        lacking = fmt.count(sum(run.size for run in changes.missing), "byte")
        omissions.append(f"{lacking} that one of them lacks")
    if omissions:
        message = f"{image}: not in the CDFX, which has tables, axes and texts alone: {', '.join(omissions)}"
        sys.stderr.write(f"callint: {fmt.clean(message)}\n")
