"""The repository's policy: which images belong to what, how severe a finding is, what is waived."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from callint.model.finding import Severity
from callint.model.waiver import Waiver


@dataclass(frozen=True, slots=True)
class ImageRule:
    """Images by their paths, with the definitions and bases that they may belong to.

    Paths and globs are relative to the policy's folder, with forward slashes. If there are several
    definitions or bases, an image takes the one whose identity it carries. ``start`` is the address of the
    first byte of raw images and bases of part of the memory, None if all images are whole.
    """

    paths: tuple[str, ...]
    definitions: tuple[str, ...]
    bases: tuple[str, ...]
    line: int
    start: int | None = None


@dataclass(frozen=True, slots=True)
class LogColumns:
    """The names of the columns of driving logs, by signal (default: the name of the signal).

    ``time`` is the column of the time in seconds, and ``is_named`` says that the policy names it. Steps of
    the time above ``max_gap`` seconds are gaps.
    """

    signals: Mapping[str, str] = field(default_factory=dict)
    time: str = "time"
    is_named: bool = False
    max_gap: float = 5.0


@dataclass(frozen=True, slots=True)
class Policy:
    """One ``callint.toml``.

    ``severities`` maps a rule or family to a severity, None for off, and ``severity_lines`` to the line of
    the policy. ``second_person`` demands that another person than the author of a change writes the waiver
    of a protection or emissions finding.
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
        """All definitions, each once."""
        return tuple(dict.fromkeys(path for entry in self.images for path in entry.definitions))

    @property
    def bases(self) -> tuple[str, ...]:
        """All bases, each once."""
        return tuple(dict.fromkeys(path for entry in self.images for path in entry.bases))

    @property
    def inputs(self) -> frozenset[str]:
        """The paths of the policy itself, its definitions and bases, which no output may overwrite."""
        return frozenset({self.path, *self.definitions, *self.bases} - {""})

    def severity(self, rule: str, default: Severity) -> Severity | None:
        """The severity of a rule: its own entry, or its family's, or the default; None if off."""
        for key in (rule, rule.partition("/")[0]):
            if key in self.severities:
                return self.severities[key]
        return default
