"""All rules: those that the modules of the families define, in the order of ``rule_ids``."""

from __future__ import annotations

from callint.model import rule_ids
from callint.model.errors import InputError
from callint.model.policy import Policy
from callint.rules import axis, base, change, image, policy, relation, value, waiver
from callint.rules.definition import (
    axes,
    conversions,
    guards,
    limits,
    loosened,
    mirrors,
    names,
    operating,
    placement,
    relations,
)
from callint.rules.definition import base as definition_base
from callint.rules.protection import disabled, flat, readings, thresholds, weakened
from callint.rules.rule import Rule, Scope

#: The modules that define rules. A rule needs no entry here, only a new module does.
MODULES = (
    names,
    placement,
    conversions,
    limits,
    guards,
    axes,
    operating,
    relations,
    definition_base,
    loosened,
    mirrors,
    image,
    axis,
    value,
    disabled,
    weakened,
    readings,
    thresholds,
    flat,
    relation,
    change,
    base,
    policy,
    waiver,
)


def _rules() -> dict[str, Rule]:
    defined = {
        item.id: item for module in MODULES for item in vars(module).values() if isinstance(item, Rule)
    }
    return {id: defined[id] for id in sorted(defined, key=rule_ids.ALL.index)}


#: All rules by their ids, in the order in which pages and commands list them.
RULES = _rules()


def in_scope(scope: Scope) -> list[Rule]:
    """The rules of one scope, in the order of all rules."""
    return [rule for rule in RULES.values() if rule.scope is scope]


def refuse_unknown_rules(settings: Policy) -> None:
    """InputError if a policy names a rule or family that does not exist."""
    known = {*RULES, *(rule.family for rule in RULES.values())}
    named = [(name, settings.severity_lines.get(name, 1), "severity") for name in settings.severities]
    named += [(waiver.rule, waiver.line, "waiver") for waiver in settings.waivers]
    mistakes = []
    for name, line, place in named:
        if name not in known:
            from difflib import get_close_matches

            close = get_close_matches(name, sorted(known))
            advice = f"did you mean {close[0]!r}?" if close else "callint rules lists them"
            mistakes.append(f"{settings.path}:{line}: {place}: there is no rule {name!r}; {advice}")
    if mistakes:
        raise InputError(*mistakes)
