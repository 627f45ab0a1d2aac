"""Changes in files that other tools read, and such files beside an image."""

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


def with_values(decoded: Decoded, file: Content) -> Image:
    """What the decoded image would be with the values of a CDFX file; InputError where it cannot be."""
    return apply_values(decoded, read_cdfx(file.data, file.name))


def checked_cdfx(changes: ChangeSet, decoded: Decoded, image: str, definition: str) -> str:
    """Changed tables, as they are in the decoded image, as a CDFX file that was read back.

    InputError where what is read back differs from the image in a single bit. ``image`` and ``definition``
    are the names of the files. What differs and has no place in such a file is said on the standard error.
    """
    data = changes_cdfx(changes, decoded, image, definition)
    try:
        back = apply_values(decoded, read_cdfx(data, image))
    except InputError as error:
        raise InputError(
            f"{image}: it does not fit into CDFX ({error.lines[0]}); choose tables with -t"
        ) from None
    found = compare(decoded, decode(decoded.layout, back))
    names = [change.table.name for change in found.tables]
    names += [change.axis.name for change in found.axes]
    names += [change.text.name for change in found.texts]
    if names:
        words = "its values in engineering units do not lead back to the same bits, which CDFX needs"
        raise InputError(*(f"{image}: {name}: {words}; choose other tables with -t" for name in names))
    _tell_rest(changes, image)
    return data.decode()


def _tell_rest(changes: ChangeSet, image: str) -> None:
    """Say what differs and is no table, axis or text. Checksums follow from the rest; they are not told."""
    rest = [f"identity {change.identity.name}" for change in changes.identities]
    rest += [f"the stored count of {change.axis.name}" for change in changes.counts]
    if changes.unexplained:
        rest.append(fmt.count(sum(run.changed for run in changes.unexplained), "byte") + " not defined")
    if changes.missing:
        rest.append(fmt.count(sum(run.size for run in changes.missing), "byte") + " that one of them lacks")
    if rest:
        words = f"{image}: not in the CDFX, which has tables, axes and texts alone: {', '.join(rest)}"
        sys.stderr.write(f"callint: {fmt.clean(words)}\n")
