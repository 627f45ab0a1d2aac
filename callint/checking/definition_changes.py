"""Finds definitions that demand less than in an earlier state of the repository."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from callint import fmt
from callint.checking.apply_policy import refuses_invalid_definitions
from callint.checking.assignments import Assignment
from callint.checking.causes import cause_id
from callint.checking.checker import Checker
from callint.checking.float_errors import ignore_float_errors
from callint.checking.identity import count_held_bytes, identity_mismatch
from callint.comparing.definitions.changed_values import changed_value, guarded_readings
from callint.comparing.definitions.diff import compare_definitions
from callint.comparing.definitions.elements import is_same_software
from callint.decoding.loaded_definition import LoadedDefinition
from callint.decoding.unread import Unread
from callint.fmt.definition_changes import change_text
from callint.model.cause import Cause, CauseKind, Place
from callint.model.definition_change import ChangeKind, DefinitionChange, DefinitionDiff, ElementKind
from callint.model.finding import Finding
from callint.model.image import Image
from callint.reading.family import find_family
from callint.reading.images import DamagedError, read_image
from callint.reading.tree import content_or_reason
from callint.rules.context import CheckContext
from callint.rules.definition.loosened import DefinitionComparison, SlackUse, demand_digest, demand_key
from callint.rules.registry import in_scope
from callint.rules.rule import Scope

#: An earlier state of a definition and the present one.
_Pair = tuple[LoadedDefinition, LoadedDefinition]

#: The largest number of values of images that a cause names.
_MOST_USES = 3


def loosened_findings(
    checker: Checker, earlier: Sequence[Checker], images: Sequence[Assignment] = ()
) -> Iterator[Finding]:
    """The settled findings about definitions that demand less than in every earlier state that has them.

    A definition that reads protections differently counts too, unless the images moved with it.

    ``images`` are those of the checked commits: the findings name their values that the old demands refuse.
    The earlier states of a merge are its parents: the merge did not loosen a demand that a parent lacks too.
    An inherited demand is reported once, for the parent that makes it, unless an image of the child uses the
    slack.
    """
    reported: dict[str, set[tuple[str, str]]] = {}
    for path, pairs in _changed_definitions(checker, earlier):
        leaves_out = refuses_invalid_definitions(checker.policy)
        compared = [(old, new, _judged_diff(old, new, leaves_out)) for old, new in pairs]
        old, new, diff = compared[0]
        keys = [{demand_digest(change) for change in other.of_kind(_LESS)} for _, _, other in compared]
        loosened = tuple(
            change for change in diff.of_kind(_LESS) if all(demand_digest(change) in known for known in keys)
        )
        readings = _readings(checker, earlier[0], (old, new), [item for _, _, item in compared], images)
        if not (loosened or readings):
            continue
        uses = _uses(checker, earlier[0], (old, new), loosened, images)
        known = {key for part in new.definition.lines.parts for key in reported.get(part, ())}
        reread = tuple(change for change in guarded_readings(diff) if demand_key(change) in readings)
        reported[path] = {_key(change) for change in (*loosened, *reread)}
        loosened = tuple(
            change
            for change in loosened
            if _key(change) not in known or not {change.name, *change.tables}.isdisjoint(uses)
        )
        loosened += tuple(change for change in reread if _key(change) not in known)
        if not loosened:
            continue
        replaced = old.file.path if old.file.path != path else ""
        comparison = DefinitionComparison(replace(diff, changes=loosened), replaced, uses, readings)
        yield from _settled(checker, path, new, comparison)


def _judged_diff(old: LoadedDefinition, new: LoadedDefinition, leaves_out: bool) -> DefinitionDiff:
    """The differences between two definitions.

    ``leaves_out`` leaves out those that may follow from something invalid in the new one.
    """
    diff, unread = compare_definitions(old.definition, new.definition), new.unread
    if not unread or not leaves_out:
        return diff
    return replace(
        diff, changes=tuple(change for change in diff.changes if not _is_open(change, diff, unread))
    )


def _is_open(change: DefinitionChange, diff: DefinitionDiff, unread: Unread) -> bool:
    """Whether a change may come from something invalid, and is judged only when that is right."""
    if change.element is ElementKind.RELATION:
        return unread.elements.relates(change.name, change.other) or not unread.open_names.isdisjoint(
            (change.name, change.other)
        )
    if change.element is ElementKind.SENSOR:
        named = unread.elements.has("sensor", change.name) or unread.elements.has("sensor", change.other)
        return named or change.name in unread.open_names
    if change.name in unread.open_names or not unread.open_names.isdisjoint(change.tables):
        return True
    # An element that is gone may be one with another name now, whose line is invalid or repeats a name.
    if change.new_line is not None or change.attribute:
        return False
    item = diff.old.tables.get(change.name) or diff.old.texts.get(change.name)
    space = "table" if item else change.element.value
    return unread.may_be(space, item.at if item else None)


_LESS = ChangeKind.LOOSENED


def _key(change: DefinitionChange) -> tuple[str, str]:
    return demand_key(change), demand_digest(change)


def _settled(
    checker: Checker, path: str, new: LoadedDefinition, comparison: DefinitionComparison
) -> list[Finding]:
    """The settled findings about one definition.

    The loosened demands on one element are one cause, together with the values that use them.
    """
    findings = []
    definition_places: dict[str, list[Place]] = {}
    uses: dict[str, dict[SlackUse, Place]] = {}
    for rule in in_scope(Scope.DEFINITION_CHANGE):
        for finding, change in zip(rule.check(comparison), comparison.diff.changes, strict=True):
            id = cause_id(path, [rule.id, change.element.value, change.name, change.other])
            findings.append(replace(finding, cause=id))
            place = Place(CauseKind.DEFINITION, finding.table, change_text(change))
            definition_places.setdefault(id, []).append(place)
            used = {use: Place(CauseKind.CELL, use.table, use.text) for use in comparison.uses_of(change)}
            uses.setdefault(id, {}).update(used)
    causes = [
        Cause(id, CauseKind.DEFINITION, (*places, *list(uses[id].values())[:_MOST_USES]))
        for id, places in definition_places.items()
    ]
    return checker.settler.settle_changed_definition(path, CheckContext(new), findings, causes)


# The two states of a definition


def _changed_definitions(checker: Checker, earlier: Sequence[Checker]) -> list[tuple[str, list[_Pair]]]:
    """The definitions that differ from every earlier state, with both states, parents before children."""
    changed = []
    for path in checker.policy.definitions:
        pairs = [pair for state in earlier if (pair := _pair(checker, state, path)) is not None]
        if pairs and len(pairs) == len(earlier):
            changed.append((path, pairs))
    return sorted(changed, key=lambda item: len(item[1][0][1].definition.lines.parts))


def _pair(checker: Checker, state: Checker, path: str) -> _Pair | None:
    """The earlier and the present definition at a path; None if nothing in it changed.

    A definition at a new path is compared with the earlier one of the same software.
    """
    present, before = (content_or_reason(side.tree, path) for side in (checker, state))
    if not isinstance(present, bytes):
        return None
    if present == before:
        # The files that it builds on may differ.
        digests = {find_family(present, path, side.tree).digest for side in (checker, state)}
        if len(digests) == 1:
            return None
    new = checker.loader.load(path).loaded
    if new is None:
        return None  # the findings about the definition give the reason
    if isinstance(before, bytes):
        old = state.loader.peek(path)
        return None if old is None else (old, new)
    for other in state.policy.definitions:
        old = state.loader.peek(other)
        if old is not None and is_same_software(old.definition, new.definition):
            return old, new
    return None


# Values that use the loosened demands


@ignore_float_errors
def _readings(
    checker: Checker,
    state: Checker,
    definitions: tuple[LoadedDefinition, LoadedDefinition],
    diffs: Sequence[DefinitionDiff],
    images: Sequence[Assignment],
) -> dict[str, str]:
    """The effect of changed readings of protections on the values of images, by ``demand_key``.

    ``diffs`` compare the definition with each earlier state. Without an image to compare, every change counts
    if the software is the same.
    """
    keys = [{_key(change) for change in guarded_readings(other)} for other in diffs]
    changes = [
        change for change in guarded_readings(diffs[0]) if all(_key(change) in known for known in keys)
    ]
    if not changes:
        return {}
    old, new = definitions
    texts: dict[str, list[str]] = {demand_key(change): [] for change in changes}
    compared = 0
    for assigned, context in _images_of(checker, definitions, images):
        assert context.image is not None
        compared += 1
        earlier = _earlier_image(state, assigned, old)
        before = old.decoded(context.image if earlier is None else earlier)
        for change in changes:
            text = changed_value(change, diffs[0], before, context.new)
            if text is not None:
                texts[demand_key(change)].append(f"in {assigned.image}, {text}" if text else "")
    if not compared:
        return dict.fromkeys(texts, "") if is_same_software(old.definition, new.definition) else {}
    return {key: _listed_readings(found) for key, found in texts.items() if found}


def _listed_readings(texts: Sequence[str]) -> str:
    more = len(texts) - 1
    first = next((text for text in texts if text), "")
    return f"{first}, and {fmt.count(more, 'more image')}" if first and more else first


def _images_of(
    checker: Checker, definitions: tuple[LoadedDefinition, LoadedDefinition], images: Sequence[Assignment]
) -> Iterator[tuple[Assignment, CheckContext]]:
    """The images of a definition that the old definition describes too."""
    old, new = definitions
    for assigned in images:
        if new.file.path not in assigned.definitions:
            continue
        context = checker.loader.context(assigned)
        if context is None or context.image is None or context.file.path != new.file.path:
            continue
        memory = old.definition.memory
        if not identity_mismatch(context.image, memory) and count_held_bytes(context.image, memory):
            yield assigned, context


@ignore_float_errors
def _uses(
    checker: Checker,
    state: Checker,
    definitions: tuple[LoadedDefinition, LoadedDefinition],
    changes: Iterable[DefinitionChange],
    images: Sequence[Assignment],
) -> dict[str, tuple[SlackUse, ...]]:
    """The values of images that the old definition refuses and the earlier images lack, by table."""
    old = definitions[0]
    tables = {name for change in changes for name in (change.name, *change.tables)}
    uses: dict[str, list[SlackUse]] = {}
    for assigned, context in _images_of(checker, definitions, images):
        by_old = replace(context, loaded=old)
        earlier = _earlier_image(state, assigned, old)
        known = set(_refused(context, tables))
        if earlier is not None:
            known |= set(_refused(replace(by_old, image=earlier), tables))
        for key, finding in _refused(by_old, tables).items():
            if key not in known:
                use = _use(assigned.image, finding, by_old, earlier)
                uses.setdefault(finding.table, []).append(use)
    return {table: tuple(table_uses) for table, table_uses in uses.items()}


_Key = tuple[object, ...]


def _refused(context: CheckContext, tables: set[str]) -> dict[_Key, Finding]:
    """The findings of the rules about some tables of an image, by their subject."""
    rules = [*in_scope(Scope.IMAGE), *(in_scope(Scope.CHANGE) if context.base is not None else ())]
    return {
        (finding.rule, finding.table, finding.other, finding.cell, finding.raw): finding
        for rule in rules
        for finding in rule.check(context)
        if finding.table in tables or finding.other in tables
    }


def _earlier_image(state: Checker, assigned: Assignment, old: LoadedDefinition) -> Image | None:
    data = content_or_reason(state.tree, assigned.image)
    if not isinstance(data, bytes):
        return None
    try:
        return read_image(data, old.definition.memory, assigned.start)
    except DamagedError:
        return None


def _use(image: str, finding: Finding, context: CheckContext, earlier: Image | None) -> SlackUse:
    place = f" {finding.place}" if finding.place else ""
    text = f"{image}: {finding.table}{place}"
    table = context.definition.tables.get(finding.table)
    if table is not None and finding.cell is not None and finding.physical is not None:
        values = [finding.physical]
        if earlier is not None:
            before = context.loaded.decoded(earlier).grid(table).physical
            values.insert(0, float(before[finding.cell.y, finding.cell.x]))
        texts = [context.texts.quantity(table, value) for value in dict.fromkeys(values)]
        text += f": {' → '.join(texts)}"
    return SlackUse(image, finding.table, text, f"{finding.table}{place}: {finding.message}")
