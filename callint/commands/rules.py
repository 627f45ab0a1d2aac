"""callint rules."""

from __future__ import annotations

import difflib
import sys

import click

from callint.model.errors import InputError


@click.command()
@click.argument("rule", required=False)
def command(rule: str | None) -> int:
    """List the rules, or print the page of one RULE or one family.

    A page says what the rule checks, why it matters on an engine, how to fix a finding and how to waive it,
    with an example.
    """
    from callint.reporting.rules.text import print_list, print_page
    from callint.reporting.terminal import console
    from callint.rules.registry import RULES

    terminal = console(sys.stdout)
    if rule is None:
        print_list(RULES.values(), terminal)
        return 0
    selected = [entry for entry in RULES.values() if rule in (entry.id, entry.family)]
    if not selected:
        close = difflib.get_close_matches(rule, RULES, n=1)
        advice = f"did you mean {close[0]!r}?" if close else "callint rules lists them"
        raise InputError(f"there is no rule {rule!r}; {advice}")
    for entry in selected:
        print_page(entry, terminal)
    return 0
