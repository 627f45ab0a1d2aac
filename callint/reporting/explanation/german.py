"""The page in German."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import ClassVar

from callint.checking.cause_order import Danger
from callint.model.definition import Purpose
from callint.reporting.explanation.language import Headings, Language
from callint.versioning.explanation import Direction

_MONTHS = (
    *("Januar", "Februar", "März", "April", "Mai", "Juni"),
    *("Juli", "August", "September", "Oktober", "November", "Dezember"),
)


def _settings(count: int) -> str:
    return f"{count} Einstellung{'' if count == 1 else 'en'}"


class German(Language):
    """The page in German."""

    tag = "de"
    decimal_mark = ","
    headings = Headings(
        title="Was an der Motorsteuerung geändert wurde",
        summary="Kurz gesagt",
        guarded="Schutz und Emissionen",
        changes="Was geändert wurde und warum",
        unchanged="Was bleibt, wie es war",
        cautions="Bitte beachten",
        setting="Einstellung",
        change="Änderung",
        where="Wo",
        engine="Motor",
        compared_with="Verglichen mit",
        state="Stand vom",
        release="Freigabe",
        file="Datei",
    )
    purposes: ClassVar[Mapping[Purpose, str]] = {
        Purpose.PROTECTION: "Schutz von Motor und Menschen",
        Purpose.EMISSIONS: "Emissionen",
        Purpose.DEMAND: "Was der Motor leistet",
        Purpose.CORRECTION: "Korrekturen, etwa nach Temperaturen",
        Purpose.DIAGNOSIS: "Fehlerüberwachung",
        Purpose.GENERAL: "Sonstiges",
    }
    directions: ClassVar[Mapping[Direction, str]] = {
        Direction.RAISED: "höher",
        Direction.LOWERED: "niedriger",
        Direction.MIXED: "teils höher, teils niedriger",
        Direction.SWITCHED_OFF: "teils abgeschaltet",
        Direction.SWITCHED_ON: "teils eingeschaltet",
        Direction.OTHER: "",
    }
    cautions = (
        "Diese Seite zählt auf, was anders ist. Sie ist aus den Dateien abgeleitet und gibt nichts frei.",
        "Eine falsche Abstimmung kann einen Motor zerstören und Menschen verletzen.",
        "Was ein Motor ausstößt oder was ihn und die Menschen um ihn schützt, darf vielerorts nicht geändert "
        "werden, gleich von wem und warum.",
        "Die Grenzen des Herstellers, örtliches Recht und zugelassene Fachbetriebe gehen vor.",
    )
    off = "aus"
    everywhere = "überall"
    outside_operation = "nur außerhalb des üblichen Betriebs"
    not_committed = "Noch nicht festgehalten"
    no_history = "Die Datei steht in keiner Versionsgeschichte; Gründe sind nicht festgehalten."
    no_release = "callint hat keine dieses Standes gefunden"

    def day(self, day: date) -> str:
        return f"{day.day}. {_MONTHS[day.month - 1]} {day.year}"

    def maker_file(self, name: str) -> str:
        return f"den Einstellungen des Herstellers ({name})"

    def earlier_file(self, name: str) -> str:
        return f"einem früheren Stand ({name})"

    def changed_settings(self, changed: int, total: int, is_from_maker: bool) -> str:
        origin = "wie vom Hersteller eingestellt" if is_from_maker else "wie zuvor"
        if not changed:
            return f"Alle {_settings(total)} sind {origin}."
        verb = "ist" if changed == 1 else "sind"
        return f"{changed} von {_settings(total)} {verb} anders, die übrigen sind {origin}."

    def protections(self, dangers: Mapping[Danger, int], changed: int, total: int) -> str:
        if not changed:
            return f"Von den {_settings(total)} zum Schutz ist keine anders." if total else ""
        verb = "ist" if changed == 1 else "sind"
        sentence = f"{changed} von {_settings(total)} zum Schutz {verb} anders"
        parts = []
        if disabled := dangers.get(Danger.DISABLED, 0):
            parts.append(f"{disabled} {'schützt' if disabled == 1 else 'schützen'} nicht mehr")
        if weakened := dangers.get(Danger.WEAKENED, 0):
            parts.append(f"{weakened} {'schützt' if weakened == 1 else 'schützen'} weniger als zuvor")
        return f"{sentence}: {', '.join(parts)}." if parts else f"{sentence}."

    def emissions(self, changed: int) -> str:
        if not changed:
            return "Keine Einstellung zu Emissionen ist anders."
        return f"{_settings(changed)} zu Emissionen {'ist' if changed == 1 else 'sind'} anders."

    def problems(self, errors: int, warnings: int) -> str:
        if not errors and not warnings:
            return "Die Prüfung meldet weder Fehler noch Warnungen, die niemand angenommen hat."
        texts = [f"{errors} Fehler"] if errors else []
        if warnings:
            texts.append(f"{warnings} Warnung{'' if warnings == 1 else 'en'}")
        which = "den" if (errors, warnings) == (1, 0) else "die"
        sentence = f"Die Prüfung meldet {' und '.join(texts)}, {which} niemand angenommen hat."
        return f"{sentence} Mit diesem Stand darf der Motor nicht laufen." if errors else sentence

    def undescribed(self, count: int) -> str:
        if count == 1:
            return "Ein weiteres Byte ist anders, das niemand beschrieben hat; seine Wirkung ist unbekannt."
        return f"{count} weitere Bytes sind anders, die niemand beschrieben hat; ihre Wirkung ist unbekannt."

    def other_software(self) -> str:
        return "Die Datei enthält eine andere Software als die Beschreibung; diese Seite gilt dafür nicht."

    def danger(self, danger: Danger) -> str:
        return {
            Danger.DISABLED: "Schützt nicht mehr.",
            Danger.WEAKENED: "Schützt weniger als zuvor.",
        }.get(danger, "")

    def accepted(self, who: str, reason: str, until: date | None) -> str:
        end = "" if until is None else f" bis {self.day(until)}"
        return f"Angenommen von {who}{end}: {reason}"

    def at(self, place: str) -> str:
        return f"bei {place}"

    def largest(self, text: str) -> str:
        return f"größte Änderung {text}"

    def span(self, low: str, high: str) -> str:
        return f"{low} bis {high}"

    def also_changed(self, titles: str) -> str:
        return f"Auch Teil dieses Schritts: {titles} (siehe oben)"

    def further(self, count: int) -> str:
        return f"und {_settings(count)} mehr; die Durchsicht der Werkstatt zählt alle auf"

    def further_reasons(self, count: int) -> str:
        noun = "früherer Schritt" if count == 1 else "frühere Schritte"
        return f"und {count} {noun}; die Geschichte der Werkstatt zählt alle auf"

    def text_change(self, old: str, new: str) -> str:
        return f"„{old}“ → „{new}“"

    def moved_scale(self, signal: str, change: str) -> str:
        return f"die Skala für {signal}: {change}"

    def unknown_effect(self) -> str:
        return "die Folgen sind nicht bekannt"

    def unchanged(self, same: int, total: int) -> str:
        return f"{same} von {total} wie zuvor"

    def listed(self, titles: Sequence[str], others: int) -> str:
        text = ", ".join(titles)
        return f"{text} und {others} weitere" if others else text
