"""The lists of conflicts next to a merged file, and the writing of both together."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from callint.cli.merge_outcome import MergeOutcome
from callint.model.errors import InputError
from callint.reading.locks import exclusive_update
from callint.reading.tree import CONFLICT_DATA, CONFLICT_TEXT, read_file, reason
from callint.reporting.merge.lists import FORMAT, TITLE

if TYPE_CHECKING:  # loaded when something is written
    from callint.reporting.files.destinations import Destination


@dataclass(frozen=True, slots=True)
class ConflictLists:
    """The files next to a merged file that list its open conflicts: ``text`` for people, ``data`` in JSON."""

    text: Destination
    data: Destination

    @staticmethod
    def of_file(path: Path, destination: Destination) -> ConflictLists:
        """The lists of a merged file; the restrictions of its ``destination`` apply to them too."""
        text, data = (path.with_name(f"{path.name}{suffix}") for suffix in (CONFLICT_TEXT, CONFLICT_DATA))
        return ConflictLists(destination.with_path(text), destination.with_path(data))

    def refuse_foreign_files(self) -> None:
        """InputError if a file that callint did not write is in the place of a list."""
        for path in (self.text.path, self.data.path):
            if (path.exists() or path.is_symlink()) and not self._is_own(path):
                raise InputError(
                    f"{path}: callint writes a list of conflicts here, but this file is not one; move it away"
                )

    def files(self, outcome: MergeOutcome) -> list[tuple[Destination, bytes]]:
        """The lists with their destinations."""
        from io import StringIO

        from callint.reporting.terminal import console

        stream = StringIO()
        outcome.print_list(console(stream, colour=False))
        return [(self.text, stream.getvalue().encode()), (self.data, outcome.make_json().encode())]

    def remove(self) -> None:
        """Remove the lists of an earlier merge."""
        for path in (self.text.path, self.data.path):
            if path.is_file() and self._is_own(path):
                try:
                    path.unlink()
                except OSError as error:
                    raise InputError(
                        f"{path}: the list is out of date and cannot be removed: {reason(error)}; remove it"
                    ) from None

    def _is_own(self, path: Path) -> bool:
        try:
            content = read_file(path)
            if path == self.text.path:
                return content.startswith(TITLE.encode())
            document = json.loads(content)
        except (OSError, ValueError, RecursionError):
            return False
        return isinstance(document, dict) and document.get("format") == FORMAT


def write_merged(
    merged: Destination, outcome: MergeOutcome, data: bytes, lists: ConflictLists | None
) -> None:
    """Write ``data``, the merged file as it is stored, and its lists if conflicts remain.

    At no time do conflicts lack their lists, nor do lists exist of a merge that was not written.
    """
    from callint.reporting.files.atomic_write import replace_file, replace_files

    place = merged.place()
    # If two merges run at once, the lists of one must not join the file of the other.
    with exclusive_update(place, str(merged.path)):
        if lists is None:
            replace_file(merged, data)
        elif outcome.conflicts:
            lists.refuse_foreign_files()
            replace_files([*lists.files(outcome), (merged, data)])
        else:
            replace_file(merged, data)
            lists.remove()
