"""Merges three contents of an image, and checks the result."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from callint import fmt
from callint.checking.merge_report import MergeReport
from callint.checking.report import Report
from callint.cli.definition_resolver import DefinitionResolver
from callint.cli.merge_outcome import MergeOutcome
from callint.cli.merge_takes import Choice, Takes
from callint.cli.name_selection import table_selection
from callint.cli.result_check import ResultChecker
from callint.cli.sealing_error import sealing_error
from callint.comparing.completion import UnknownBytesError, completed, cut_to
from callint.comparing.merge import (
    AxisConflict,
    CellConflict,
    Conflict,
    MergeResult,
    TextConflict,
    merge,
)
from callint.comparing.merge import Choice as ImageChoice
from callint.decoding.checksum_update import UnsealableError
from callint.decoding.decode import decode
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model import rule_ids
from callint.model.errors import InputError
from callint.model.finding import Finding
from callint.model.image import Image
from callint.reading.images import ImageFile
from callint.reading.workspace import Workspace
from callint.rules.registry import refuse_unknown_rules
from callint.versioning.file_version import Content

if TYPE_CHECKING:  # loaded when something is printed
    from callint.reporting.terminal import Terminal


class ImageMergeJob:
    """One merge of the contents base, ours and theirs; ``image`` is the name of the merged image."""

    is_definition = False

    def __init__(
        self,
        workspace: Workspace,
        image: str,
        contents: list[Content],
        definition: str | None,
        takes: Takes,
    ) -> None:
        refuse_unknown_rules(workspace.policy)
        self._workspace = workspace
        self._image = image
        self._contents = contents
        self._takes = takes
        base, ours, theirs = contents
        candidates = (ours, replace(ours, path=image), theirs, base)
        resolver = DefinitionResolver(workspace, definition)
        self.loaded: LoadedDefinition = resolver.resolve_for_writing(*candidates)
        self._files = [resolver.read_for_writing(self.loaded, content) for content in contents]
        starts = (resolver.start_of(content) for content in contents)
        self._start = next((start for start in starts if start is not None), None)
        fill = self.loaded.definition.memory.fill
        try:
            self._images = completed([file.image for file in self._files], fill)
        except UnknownBytesError as error:
            lacking, holding = contents[error.lacking].name, contents[error.holding].name
            raise InputError(
                f"{lacking}: it lacks the byte at {fmt.address(error.address)}, which is not fill in "
                f"{holding}, so they cannot be merged; write both with the same addresses"
            ) from None

    def _merged(self, report: MergeReport) -> bytes:
        """The merged image file: in the file format of ours, or of theirs if only they changed it."""
        base, ours, theirs = self._files
        template = theirs if ours.frame == base.frame else ours
        return self._written(template, report.merge.image)

    def _written(self, template: ImageFile, image: Image) -> bytes:
        """An image in the form of a file, which may lack addresses that hold fill."""
        cut = cut_to(image, template.image.extents, self.loaded.definition.memory.fill)
        if cut is None:
            raise InputError(
                f"{self._image}: the merged image has bytes at addresses that the file of one side lacks; "
                "write all three with the same addresses"
            )
        return template.with_content(cut)

    @property
    def further_inputs(self) -> tuple[str, ...]:
        """The definition, which the merge reads too."""
        return (self.loaded.file.path,)

    def run(self) -> MergeOutcome:
        """Merge, and check the result."""
        report = self._report()
        return MergeOutcome(
            data=self._merged(report),
            conflicts=len(report.merge.conflicts),
            decisions=len(report.merge.decisions),
            broken=len(report.broken.findings),
            print_merge=partial(_print_merge, report),
            print_list=partial(_print_list, report),
            make_json=partial(_make_json, report),
        )

    def _report(self) -> MergeReport:
        loaded = self.loaded
        base, ours, theirs = self._images
        selected = self._takes.choice(lambda globs: table_selection(loaded.definition, globs))
        # Values from strangers' images may be infinite or NaN.
        with np.errstate(all="ignore"):
            try:
                decoded = [decode(loaded.layout, image) for image in (base, ours, theirs)]
                result = merge(decoded[0], decoded[1], decoded[2], _choice(selected))
            except UnsealableError as error:
                raise sealing_error(error, loaded.definition, self._image) from None
            broken = Report((), 0, 0, 0) if result.conflicts else self._new_errors(result)
        return MergeReport(
            merge=result,
            definition=loaded.definition,
            path=loaded.file.path,
            image=self._image,
            broken=broken,
            base=self._contents[0].name,
            ours=self._contents[1].name,
            theirs=self._contents[2].name,
        )

    def _new_errors(self, result: MergeResult) -> Report:
        """The errors of the merged image, compared with the base, that neither side has alone."""
        base, ours, theirs = self._contents
        merge_base = replace(base, name="the merge base")
        checker = ResultChecker(self._workspace, self.loaded, self._image, merge_base, self._start)
        known = {_key(finding) for side in (ours, theirs) for finding in checker.errors(side.data).findings}
        report = checker.errors(self._written(self._files[1], result.image), finds_causes=True)
        new = (finding for finding in report.findings if _key(finding) not in known)
        return replace(report, findings=tuple(new))


def _key(finding: Finding) -> tuple[object, ...]:
    """The key by which two images have the same error: rule, table, subject and cell, without the value."""
    if finding.rule == rule_ids.CHANGE_UNEXPLAINED_BYTES:
        return (finding.rule,)  # ranges of both sides may join, but each byte comes from one side
    return finding.rule, finding.table, finding.subject, finding.cell


def _choice(choice: Choice) -> ImageChoice:
    return lambda conflict: choice.side(lambda names: _selects(names, conflict))


def _selects(names: frozenset[str], conflict: Conflict) -> bool:
    """Whether names select a conflict; for a moved axis, the axis or all tables that differ on it."""
    match conflict:
        case CellConflict():
            return conflict.versions.table.name in names
        case AxisConflict():
            tables = {versions.table.name for versions in conflict.tables}
            axes = {versions.axis.name for versions in conflict.axes}
            return bool(names & axes or (tables and tables <= names))
        case TextConflict():
            return conflict.text.name in names
        case _:
            return False


def _print_merge(report: MergeReport, terminal: Terminal, lists: str, commands: Sequence[str]) -> None:
    from callint.reporting.merge.text import print_merge

    print_merge(report, terminal, lists, commands)


def _print_list(report: MergeReport, terminal: Terminal) -> None:
    from callint.reporting.merge.text import print_list

    print_list(report, terminal)


def _make_json(report: MergeReport) -> str:
    from callint.reporting.merge.json import merge_json

    return merge_json(report)
