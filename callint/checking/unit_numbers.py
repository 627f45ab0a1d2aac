"""Compares unit numbers between the images of a policy, and with earlier states of the images."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from callint.checking.assignments import Assignment, assignments
from callint.checking.checker import Checker
from callint.checking.identity import identity_mismatch
from callint.decoding.loaded_definition import LoadedDefinition
from callint.decoding.unit_numbers import unit_items, unit_numbers
from callint.model.definition import Definition
from callint.model.finding import Finding
from callint.model.image import Image
from callint.reading.images import DamagedError, read_image_file
from callint.reading.tree import Tree
from callint.rules.context import CheckContext, OtherImage
from callint.rules.registry import in_scope
from callint.rules.rule import Scope


@dataclass(frozen=True, slots=True)
class UnitImage:
    """An image with its definition and its base."""

    assignment: Assignment
    loaded: LoadedDefinition
    image: Image
    base: Image | None
    is_raw: bool


def no_trees() -> Sequence[Tree]:
    """There is no earlier state."""
    return ()


def unit_findings(
    checker: Checker, images: Sequence[Assignment], earlier: Callable[[], Sequence[Tree]] = no_trees
) -> Iterator[Finding]:
    """The settled findings about the unit numbers of some images.

    ``earlier`` gives the trees of the earlier states. They and the other images of the policy are read only
    if a definition marks such numbers.
    """
    units = [
        unit for unit in (read_unit(checker, item, _marks_numbers) for item in images) if unit is not None
    ]
    if not units:
        return
    known = {unit.assignment.image: unit for unit in units}
    for item in assignments(checker.policy, checker.tree):
        if item.image not in known and (unit := read_unit(checker, item, _marks_numbers)) is not None:
            known[item.image] = unit
    others = [
        OtherImage(path, unit.image, unit_numbers(unit.loaded.definition, unit.image, unit.base))
        for path, unit in known.items()
    ]
    trees = earlier()
    for unit in units:
        path = unit.assignment.image
        before = (_image(tree, unit.assignment, unit.loaded) for tree in trees)
        context = CheckContext(
            unit.loaded,
            unit.image,
            unit.base,
            start=unit.assignment.start,
            is_raw=unit.is_raw,
            others=tuple(other for other in others if other.path != path),
            earlier=tuple(read[0] for read in before if read is not None),
        )
        yield from checker.settler.settle_unit(
            path, context, [finding for rule in in_scope(Scope.UNIT) for finding in rule.findings(context)]
        )


def _marks_numbers(definition: Definition) -> bool:
    return next(unit_items(definition), None) is not None


def read_unit(
    checker: Checker,
    assignment: Assignment,
    is_wanted: Callable[[Definition], bool] = lambda definition: True,
) -> UnitImage | None:
    """An image of the software of a wanted definition; None if there is no such definition."""
    for path in assignment.definitions:
        loaded = checker.loader.peek(path)
        if loaded is None or not is_wanted(loaded.definition):
            continue
        if (read := _image(checker.tree, assignment, loaded)) is not None:
            image, is_raw = read
            base = checker.loader.choose_base(loaded, assignment, image).image
            return UnitImage(assignment, loaded, image, base, is_raw)
    return None


def _image(tree: Tree, assignment: Assignment, loaded: LoadedDefinition) -> tuple[Image, bool] | None:
    """An image of the definition's software, and whether its file is raw; None if the file is not one."""
    memory = loaded.definition.memory
    try:
        file = read_image_file(tree.read(assignment.image), memory, assignment.start)
    except (OSError, DamagedError):
        return None
    if not file.image.size or identity_mismatch(file.image, memory):
        return None
    return file.image, file.records is None
