"""Merges three contents of a definition, and checks the result."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING

from callint.checking.definition_merge_report import DefinitionJudge, DefinitionMergeReport
from callint.checking.report import Report
from callint.cli.merge_outcome import MergeOutcome
from callint.cli.merge_takes import Takes
from callint.cli.name_selection import names_matching
from callint.comparing.definition_merge.conflicts import DefinitionConflict
from callint.comparing.definition_merge.keys import NAMESPACE
from callint.comparing.definition_merge.merge import merge_definitions
from callint.comparing.definition_merge.places import NAMES, SECOND_NAMES
from callint.comparing.merge import Side
from callint.model.errors import InputError
from callint.reading import xml
from callint.reading.workspace import Workspace
from callint.reading.xml_source import Element, XmlSource, read_source
from callint.rules.registry import refuse_unknown_rules
from callint.versioning.file_version import Content

if TYPE_CHECKING:  # loaded when something is printed
    from callint.reporting.terminal import Terminal


class DefinitionMergeJob:
    """One merge of the contents base, ours and theirs of the definition at ``path``."""

    is_definition = True
    further_inputs: tuple[str, ...] = ()

    def __init__(self, workspace: Workspace, path: str, contents: Sequence[Content], takes: Takes) -> None:
        refuse_unknown_rules(workspace.policy)
        self._workspace = workspace
        self._path = path
        self._contents = contents
        self._takes = takes
        self._sources = [read_source(content.data, content.name) for content in contents]
        for source, content in zip(self._sources, contents, strict=True):
            if source.root.tag not in (f"{{{NAMESPACE}}}definition", f"{{{NAMESPACE}}}shared"):
                line = source.line(source.root.start)
                raise InputError(
                    f"{content.name}:{line}: the outermost element is not <definition> or <shared> of "
                    f"{NAMESPACE}; name a definition"
                )

    def run(self) -> MergeOutcome:
        """Merge, and check the result. InputError if no item matches a glob of --take."""
        report = self._report()
        return MergeOutcome(
            data=report.merge.data,
            conflicts=len(report.merge.conflicts),
            decisions=len(report.merge.decisions),
            broken=len(report.broken.findings),
            print_merge=partial(_print_merge, report),
            print_list=partial(_print_list, report),
            make_json=partial(_make_json, report),
        )

    def _report(self) -> DefinitionMergeReport:
        choice = self._takes.choice(lambda globs: _selection(self._sources, globs))

        def choose(conflict: DefinitionConflict) -> Side | None:
            return choice.side(lambda names: not names.isdisjoint(conflict.place.names))

        base, ours, theirs = self._sources
        merge = merge_definitions(base, ours, theirs, choose)
        self._refuse_malformed(merge.data)
        judge = DefinitionJudge(self._workspace, self._path)
        sides = [content.data for content in self._contents[1:]]
        is_new = not merge.conflicts and merge.data not in sides
        return DefinitionMergeReport(
            merge=merge,
            definition=next(filter(None, map(judge.definition, sides)), None) if merge.decisions else None,
            path=self._path,
            base=self._contents[0].name,
            ours=self._contents[1].name,
            theirs=self._contents[2].name,
            broken=judge.new_findings(merge.data, sides) if is_new else Report((), 0, 0, 0),
        )

    def _refuse_malformed(self, data: bytes) -> None:
        """InputError if the result is not well-formed, as without a prefix that one side removed."""
        problems = xml.parse(data).problems
        if problems:
            raise InputError(
                f"{self._path}: the merge would not be well-formed at line {problems[0].line} "
                f"({problems[0].message}); declare the same namespaces on both sides"
            )


def _selection(sources: Sequence[XmlSource], globs: tuple[str, ...]) -> frozenset[str]:
    """The names of items that match any of the globs; InputError if a glob matches none."""
    names: dict[str, None] = {}
    pending = [source.root for source in sources]
    while pending:
        element = pending.pop()
        attributes = (element.get(name) for name in (*NAMES, *SECOND_NAMES.values()))
        names.update(dict.fromkeys(name for name in attributes if name))
        pending += (child for child in element.children if isinstance(child, Element))
    problem, remedy = (
        "nothing in the definitions is called {!r}",
        "name a table, axis, signal or another item",
    )
    return names_matching(names, globs, problem, remedy)


def _print_merge(
    report: DefinitionMergeReport, terminal: Terminal, lists: str, commands: Sequence[str]
) -> None:
    from callint.reporting.definition_merge.text import print_definition_merge

    print_definition_merge(report, terminal, lists, commands)


def _print_list(report: DefinitionMergeReport, terminal: Terminal) -> None:
    from callint.reporting.definition_merge.text import print_definition_list

    print_definition_list(report, terminal)


def _make_json(report: DefinitionMergeReport) -> str:
    from callint.reporting.definition_merge.json import definition_merge_json

    return definition_merge_json(report)
