"""The rules' pages for people, in a terminal."""

from __future__ import annotations

from collections.abc import Iterable

from callint.reporting.rules.pages import page_paragraphs, waiving
from callint.reporting.terminal import QUIET, SEVERITY_STYLES, Terminal, line, width, wrapped
from callint.rules.rule import Rule


def print_list(rules: Iterable[Rule], terminal: Terminal) -> None:
    """Print every rule with its default severity and its title, by family."""
    family = ""
    for rule in rules:
        if rule.family != family:
            if family:
                terminal.print()
            family = rule.family
        style = SEVERITY_STYLES[rule.severity]
        terminal.print(line((f"{rule.severity.value:<9}", style), (rule.id, "bold")))
        for text in wrapped(rule.title, width(terminal), " " * 11):
            terminal.print(line(text))
    terminal.print()
    for text in wrapped("callint rules RULE prints a rule's page.", width(terminal)):
        terminal.print(line((text, QUIET)))


def print_page(rule: Rule, terminal: Terminal) -> None:
    """Print the page of one rule."""
    terminal.print(line((rule.id, "bold")))
    for paragraph in (*page_paragraphs(rule), waiving(rule)):
        for text in wrapped(paragraph, width(terminal), "  "):
            terminal.print(line(text))
        terminal.print()
