"""The rules' pages, made of their docstrings."""

from __future__ import annotations

from collections.abc import Iterable

from callint.model.finding import Severity
from callint.reporting.terminal import QUIET, SEVERITY_STYLES, Terminal, line, width, wrapped
from callint.rules.rule import Rule, Scope


def print_list(rules: Iterable[Rule], terminal: Terminal) -> None:
    """Every rule with its default severity and its title, by family."""
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


def page_paragraphs(rule: Rule) -> list[str]:
    """The page in paragraphs: the docstring's own, and the rule's severity."""
    own = [" ".join(paragraph.split()) for paragraph in rule.page.split("\n\n")]
    return [
        *own,
        f"Severity: {_severity(rule)} unless the policy says otherwise{_exception(rule)}.",
    ]


#: How to waive the findings of a rule; what docs/rules.md says once for all rules.
WAIVING = (
    "To waive a finding, run `callint waive RULE --reason TEXT`. It adds a `[[waivers]]` entry to "
    "`callint.toml` with the image or the definition, the table or axis that the finding names, the digest "
    "of the content, your reason and your name. The waiver stops applying when the content changes. You "
    "cannot waive a finding about a waiver: fix the waiver itself."
)


def _severity(rule: Rule) -> str:
    if rule.in_protection is None:
        return rule.severity.value
    return f"{rule.severity.value}, in protection tables {rule.in_protection.value},"


def _exception(rule: Rule) -> str:
    if rule.scope in (Scope.IMAGE, Scope.FILE, Scope.CHANGE) and rule.severity is not Severity.NOTE:
        return "; a note if the base has the same fault"
    return ""


def _waiving(rule: Rule) -> str:
    if rule.scope is Scope.POLICY:
        return "Waive: not possible; fix the waiver itself, in callint.toml."
    return f"Waive: callint waive {rule.id} --reason TEXT."


def print_page(rule: Rule, terminal: Terminal) -> None:
    """One rule's page."""
    terminal.print(line((rule.id, "bold")))
    for paragraph in (*page_paragraphs(rule), _waiving(rule)):
        for text in wrapped(paragraph, width(terminal), "  "):
            terminal.print(line(text))
        terminal.print()
