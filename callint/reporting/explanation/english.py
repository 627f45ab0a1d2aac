"""The page in English."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import ClassVar

from callint.checking.cause_order import Danger
from callint.model.definition import Purpose
from callint.reporting.explanation.language import Headings, Language
from callint.versioning.explanation import Direction

_MONTHS = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)


def _settings(count: int) -> str:
    return f"{count:,} setting{'' if count == 1 else 's'}"


class English(Language):
    """The page in English."""

    tag = "en"
    decimal_mark = "."
    headings = Headings(
        title="What was changed in the engine control",
        summary="In short",
        guarded="Protection and emissions",
        changes="What was changed, and why",
        unchanged="What stays as it was",
        cautions="Please note",
        setting="Setting",
        change="Change",
        where="Where",
        engine="Engine",
        compared_with="Compared with",
        state="State of",
        release="Release",
        file="File",
    )
    purposes: ClassVar[Mapping[Purpose, str]] = {
        Purpose.PROTECTION: "Protection of the engine and of people",
        Purpose.EMISSIONS: "Emissions",
        Purpose.DEMAND: "What the engine delivers",
        Purpose.CORRECTION: "Corrections, such as for temperatures",
        Purpose.DIAGNOSIS: "Fault monitoring",
        Purpose.GENERAL: "Other",
    }
    directions: ClassVar[Mapping[Direction, str]] = {
        Direction.RAISED: "higher",
        Direction.LOWERED: "lower",
        Direction.MIXED: "partly higher, partly lower",
        Direction.SWITCHED_OFF: "partly switched off",
        Direction.SWITCHED_ON: "partly switched on",
        Direction.OTHER: "",
    }
    cautions = (
        "This page lists what differs. It is derived from the files and does not approve anything.",
        "A wrong calibration can destroy an engine and hurt people.",
        "Changing what an engine emits, or what protects it and those around it, is unlawful in many places, "
        "no matter who does it and why.",
        "The maker's limits, local law and licensed practice come first.",
    )
    off = "off"
    everywhere = "everywhere"
    outside_operation = "only outside normal operation"
    not_committed = "Not recorded yet"
    no_history = "The file is in no version history, so no reasons are recorded."
    no_release = "callint found none of this state"

    def day(self, day: date) -> str:
        return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"

    def maker_file(self, name: str) -> str:
        return f"the maker's settings ({name})"

    def earlier_file(self, name: str) -> str:
        return f"an earlier state ({name})"

    def changed_settings(self, changed: int, total: int, is_from_maker: bool) -> str:
        origin = "as the maker set them" if is_from_maker else "as they were"
        if not changed:
            return f"All {_settings(total)} are {origin}."
        verb = "differs" if changed == 1 else "differ"
        return f"{changed:,} of {_settings(total)} {verb}; the others are {origin}."

    def protections(self, dangers: Mapping[Danger, int], changed: int, total: int) -> str:
        if not changed:
            return f"None of the {_settings(total)} for protection differs." if total else ""
        sentence = (
            f"{changed:,} of {_settings(total)} for protection {'differs' if changed == 1 else 'differ'}"
        )
        parts = []
        if disabled := dangers.get(Danger.DISABLED, 0):
            parts.append(f"{disabled:,} no longer {'protects' if disabled == 1 else 'protect'}")
        if weakened := dangers.get(Danger.WEAKENED, 0):
            parts.append(f"{weakened:,} {'protects' if weakened == 1 else 'protect'} less than before")
        return f"{sentence}: {', '.join(parts)}." if parts else f"{sentence}."

    def emissions(self, changed: int) -> str:
        if not changed:
            return "No setting for emissions differs."
        return f"{_settings(changed)} for emissions {'differs' if changed == 1 else 'differ'}."

    def problems(self, errors: int, warnings: int) -> str:
        if not errors and not warnings:
            return "The check reports no error or warning that nobody accepted."
        counts = ((errors, "error"), (warnings, "warning"))
        texts = [f"{count:,} {noun}{'' if count == 1 else 's'}" for count, noun in counts if count]
        sentence = f"The check reports {' and '.join(texts)} that nobody accepted."
        return f"{sentence} Do not run the engine with this state." if errors else sentence

    def undescribed(self, count: int) -> str:
        noun, verb = ("byte", "differs") if count == 1 else ("bytes", "differ")
        return f"{count:,} more {noun} {verb} that nobody has described; what they do is not known."

    def other_software(self) -> str:
        return "The file holds another software than the description; do not rely on this page."

    def danger(self, danger: Danger) -> str:
        return {
            Danger.DISABLED: "It no longer protects.",
            Danger.WEAKENED: "It protects less than before.",
        }.get(danger, "")

    def accepted(self, who: str, reason: str, until: date | None) -> str:
        end = "" if until is None else f" until {self.day(until)}"
        return f"Accepted by {who}{end}: {reason}"

    def at(self, place: str) -> str:
        return f"at {place}"

    def largest(self, text: str) -> str:
        return f"largest change {text}"

    def span(self, low: str, high: str) -> str:
        return f"{low} to {high}"

    def also_changed(self, titles: str) -> str:
        return f"Also part of this step: {titles} (see above)"

    def further(self, count: int) -> str:
        return f"and {_settings(count)} more; the workshop's review lists them all"

    def further_reasons(self, count: int) -> str:
        noun = "step" if count == 1 else "steps"
        return f"and {count:,} earlier {noun}; the workshop's history lists them all"

    def text_change(self, old: str, new: str) -> str:
        return f"“{old}” → “{new}”"

    def moved_scale(self, signal: str, change: str) -> str:
        return f"the scale for {signal}: {change}"

    def unknown_effect(self) -> str:
        return "what follows from it is not known"

    def unchanged(self, same: int, total: int) -> str:
        return f"{same} of {total} as before"

    def listed(self, titles: Sequence[str], others: int) -> str:
        text = ", ".join(titles)
        return f"{text} and {others:,} more" if others else text
