"""The text of the rules' pages, from their docstrings."""

from __future__ import annotations

from callint.model.finding import Severity
from callint.rules.rule import Rule, Scope


def page_paragraphs(rule: Rule) -> list[str]:
    """The page in paragraphs: the docstring, then the rule's severity."""
    own = [" ".join(paragraph.split()) for paragraph in rule.page.split("\n\n")]
    return [
        *own,
        f"Severity: {_severity(rule)} unless the policy says otherwise{_exception(rule)}.",
    ]


#: How to waive the findings of a rule; docs/rules.md says it once for all rules.
WAIVING = (
    "To waive a finding, run `callint waive RULE --reason TEXT`. It adds a `[[waivers]]` entry to "
    "`callint.toml` with the image or the definition, the table or axis that the finding names, the digest "
    "of the content, your reason and your name. The waiver stops applying when the content changes. You "
    "cannot waive a finding about a waiver: fix the waiver itself."
)


def _severity(rule: Rule) -> str:
    if rule.if_severe is not None:
        return f"{rule.severity.value}, or {rule.if_severe.value} as said above,"
    if rule.in_protection is None:
        return rule.severity.value
    return f"{rule.severity.value}, in protection tables {rule.in_protection.value},"


def _exception(rule: Rule) -> str:
    if rule.scope in (Scope.IMAGE, Scope.FILE, Scope.CHANGE) and rule.severity is not Severity.NOTE:
        return "; a note if the base has the same fault"
    return ""


def waiving(rule: Rule) -> str:
    """How to waive a finding of a rule, in a sentence."""
    if rule.scope is Scope.POLICY:
        return "Waive: not possible; fix the waiver itself, in callint.toml."
    return f"Waive: callint waive {rule.id} --reason TEXT."
