"""The repository's policy: which images belong to what, how severe a finding is, what is waived."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from callint.model.finding import Severity
from callint.model.waiver import Waiver


@dataclass(frozen=True, slots=True)
class ImageRule:
    """Images by their paths, with the definitions and bases that they may belong to.

    Paths and globs are relative to the policy's folder, with forward slashes. Where several
    definitions or bases are named, an image takes the one whose identity it carries. ``start`` is the address
    of the first byte of raw images and bases of part of the memory, None where there are none.
    """

    paths: tuple[str, ...]
    definitions: tuple[str, ...]
    bases: tuple[str, ...]
    line: int
    start: int | None = None


@dataclass(frozen=True, slots=True)
class LogColumns:
    """How the columns of driving logs are called, by signal; a signal that is not named has its own name.

    ``time`` is the column with seconds, ``is_named`` whether the policy says so; longer steps of it than
    ``max_gap`` are gaps.
    """

    signals: Mapping[str, str] = field(default_factory=dict)
    time: str = "time"
    is_named: bool = False
    max_gap: float = 5.0


@dataclass(frozen=True, slots=True)
class Policy:
    """One ``callint.toml``; ``severities`` maps a rule or family to a severity, None meaning off, and
    ``severity_lines`` to the line that says so.

    ``second_person`` says that a waiver of a protection or emissions finding counts only where somebody
    else wrote it than the one who made the change.
    """

    path: str = ""
    images: tuple[ImageRule, ...] = ()
    severities: Mapping[str, Severity | None] = field(default_factory=dict)
    severity_lines: Mapping[str, int] = field(default_factory=dict, compare=False)
    waivers: tuple[Waiver, ...] = ()
    fail_on: Severity = Severity.ERROR
    second_person: bool = False
    log: LogColumns = LogColumns()

    @property
    def definitions(self) -> tuple[str, ...]:
        """Every definition that is named, each once."""
        return tuple(dict.fromkeys(path for entry in self.images for path in entry.definitions))

    @property
    def bases(self) -> tuple[str, ...]:
        """Every base that is named, each once."""
        return tuple(dict.fromkeys(path for entry in self.images for path in entry.bases))

    @property
    def inputs(self) -> frozenset[str]:
        """The paths of what everything rests on: the policy itself, its definitions and bases."""
        return frozenset({self.path, *self.definitions, *self.bases} - {""})

    def severity(self, rule: str, default: Severity) -> Severity | None:
        """The severity of a rule: its own entry, or its family's, or the default; None if off."""
        for key in (rule, rule.partition("/")[0]):
            if key in self.severities:
                return self.severities[key]
        return default
