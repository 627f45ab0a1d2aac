"""Judges new definitions by the factory images that come with them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from pathlib import Path

from callint.checking.checker import Checker
from callint.checking.definition_base import findings_against_base
from callint.checking.identity import is_foreign
from callint.model import rule_ids
from callint.model.policy import Policy
from callint.reading.tree import WorkingTree
from callint.reading.workspace import Workspace


def contradicted(
    here: Path, definitions: Sequence[str], bases: Sequence[str]
) -> Iterator[tuple[str, str, int]]:
    """The definitions that a factory image contradicts, with the image and the number of findings.

    Paths count from the folder ``here``. A definition is judged by the images of its software, or by the
    first image if there are none.
    """
    workspace = Workspace(here, Policy(), WorkingTree(here))
    names = {base: workspace.name(base) for base in bases}
    checker = Checker(workspace, workspace.policy, date.today())
    for definition in definitions:
        path = workspace.name(definition)
        loaded = checker.loader.peek(path)
        if loaded is None:
            continue  # the first check says why
        memory = loaded.definition.memory
        own = [
            base
            for base, name in names.items()
            if not is_foreign(workspace.read_required(name), memory, None)
        ]
        for base in own or list(bases)[:1]:
            findings = findings_against_base(checker, [path], names[base])
            count = sum(finding.rule == rule_ids.DEFINITION_CONTRADICTS_BASE for finding in findings)
            if count:
                yield definition, base, count
