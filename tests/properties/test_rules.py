"""Rules look at what they are given, say the same about the same, and leave everything as it is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from typing import Any

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from callint.decoding.decode import Decoded
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model.finding import Finding
from callint.model.policy import Policy
from callint.reading.definition_file import DefinitionFile
from callint.rules.context import CheckContext
from callint.rules.registry import RULES, in_scope
from callint.rules.rule import Rule, Scope
from tests.building import findings
from tests.example_counts import property_examples
from tests.properties.strategies import Reference, pairs

_RULES = [*in_scope(Scope.FILE), *in_scope(Scope.IMAGE), *in_scope(Scope.CHANGE)]


def case_of(reference: Reference, base: bytes, rework: bytes) -> CheckContext:
    """A case of its own, of which nothing has been asked yet."""
    definition = reference.definition
    subject = LoadedDefinition(DefinitionFile("world.xml", definition, ()), definition)
    return CheckContext(subject, reference.image(rework), reference.image(base))


def found(rule: Rule, case: CheckContext) -> list[Finding]:
    with np.errstate(all="ignore"):
        return list(rule.check(case))


@property_examples
@given(pairs(), st.permutations(_RULES))
def test_a_rule_finds_the_same_alone_and_behind_any_others(
    pair: tuple[Reference, bytes, bytes], rules: Sequence[Rule]
) -> None:
    shared = case_of(*pair)
    for rule in rules:
        assert found(rule, shared) == found(rule, case_of(*pair)), rule.id


@property_examples
@given(pairs())
def test_the_same_input_gives_the_same_findings(pair: tuple[Reference, bytes, bytes]) -> None:
    reference, base, rework = pair
    first = findings(reference.xml(), rework, base)
    assert (
        findings(bytes(bytearray(reference.xml())), bytes(bytearray(rework)), bytes(bytearray(base))) == first
    )


@property_examples
@given(pairs(), st.sets(st.sampled_from(sorted(RULES))))
def test_switching_rules_off_takes_away_their_findings_and_no_others(
    pair: tuple[Reference, bytes, bytes], off: set[str]
) -> None:
    reference, base, rework = pair
    every = findings(reference.xml(), rework, base)
    policy = Policy(severities=dict.fromkeys(off))
    # Causes come in the order of their worst finding, so the rest may come in another order.
    left = findings(reference.xml(), rework, base, policy)
    assert sorted(map(repr, left)) == sorted(repr(finding) for finding in every if finding.rule not in off)


def _marks(every: Sequence[Finding], left: str) -> dict[str, tuple[str, str]]:
    """Fingerprint, rule and message of what is found in the tables of an image, but for one of them."""
    return {
        item.fingerprint: (item.rule, item.message)
        for item in every
        if item.image and item.table and left not in (item.table, item.other) and left not in item.message
    }


@property_examples
@given(pairs(), st.data())
def test_a_fingerprint_does_not_depend_on_other_tables(
    pair: tuple[Reference, bytes, bytes], data: st.DataObject
) -> None:
    reference, base, rework = pair
    left = data.draw(st.sampled_from(reference.tables)).name
    axes = {axis.name for axis in reference.axes}
    whole, without = (
        _marks(
            [
                finding
                for finding in findings(xml, rework, base)
                if finding.table not in axes and not finding.other
            ],
            left,
        )
        for xml in (reference.xml(), reference.xml(leave_out=left))
    )
    assert without == whole


@property_examples
@given(pairs())
def test_a_fingerprint_does_not_depend_on_where_in_the_definition_a_table_stands(
    pair: tuple[Reference, bytes, bytes],
) -> None:
    reference, base, rework = pair
    item, other = (
        {
            finding.fingerprint
            for finding in findings(reference.xml(turned=turned), rework, base)
            if finding.image
        }
        for turned in (False, True)
    )
    assert item == other


def _arrays(noun: Any, seen: set[int]) -> list[np.ndarray[Any, Any]]:
    """Every array in a noun, in what it consists of, and in what it has worked out so far."""
    if id(noun) in seen:
        return []
    seen.add(id(noun))
    if isinstance(noun, np.ndarray):
        return [noun]
    if isinstance(noun, dict):
        inside = list(noun.values())
    elif isinstance(noun, (list, tuple)):
        inside = list(noun)
    elif type(noun).__module__.startswith("callint.") and hasattr(noun, "__dict__"):
        inside = list(vars(noun).values())
    elif hasattr(noun, "__dataclass_fields__"):
        inside = [getattr(noun, field.name) for field in fields(noun)]
    else:
        return []
    return [array for item in inside for array in _arrays(item, seen)]


@property_examples
@given(pairs())
def test_no_rule_writes_to_what_it_is_given(pair: tuple[Reference, bytes, bytes]) -> None:
    case = case_of(*pair)
    old, new = case.old, case.new
    assert old is not None
    for item in (old, new):
        _work_out(item)
    given_ = [array for array in _arrays([old, new], set()) if array.flags.owndata or array.flags.writeable]
    assert len(given_) > 10
    for array in given_:
        array.flags.writeable = False
    before = [array.tobytes() for array in given_]
    for rule in _RULES:
        found(rule, case)
    assert [array.tobytes() for array in given_] == before
    assert (new.image.content.tobytes(), old.image.content.tobytes()) == (pair[2], pair[1])


def _work_out(decoded: Decoded) -> None:
    """Have everything worked out that is kept, so that it can be watched."""
    with np.errstate(all="ignore"):
        assert len(decoded.physical) == len(decoded.off) == len(decoded.valued)
        assert decoded.layout.limits and decoded.layout.expected and decoded.layout.masks is not None
