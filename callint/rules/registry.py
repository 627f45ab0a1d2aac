"""All rules, found by looking through the family modules: a rule needs no entry anywhere else."""

from __future__ import annotations

from callint.model.errors import InputError
from callint.model.policy import Policy
from callint.rules import axis, base, change, definition, image, protection, relation, value, waiver
from callint.rules.rule import Rule, Scope

FAMILIES = (definition, image, axis, value, protection, relation, change, base, waiver)

RULES: dict[str, Rule] = {
    found.id: found for family in FAMILIES for found in vars(family).values() if isinstance(found, Rule)
}


def in_scope(scope: Scope) -> list[Rule]:
    """The rules of one scope, in the order of the families."""
    return [rule for rule in RULES.values() if rule.scope is scope]


def refuse_unknown_rules(policy: Policy) -> None:
    """InputError where a policy names a rule or family that does not exist."""
    known = {*RULES, *(rule.family for rule in RULES.values())}
    named = [(name, policy.severity_lines.get(name, 1), "severity") for name in policy.severities]
    named += [(waiver.rule, waiver.line, "waiver") for waiver in policy.waivers]
    mistakes = []
    for name, line, place in named:
        if name not in known:
            from difflib import get_close_matches

            close = get_close_matches(name, sorted(known))
            advice = f"did you mean {close[0]!r}?" if close else "callint rules lists them"
            mistakes.append(f"{policy.path}:{line}: {place}: there is no rule {name!r}; {advice}")
    if mistakes:
        raise InputError(*mistakes)
