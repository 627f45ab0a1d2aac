"""What a language must provide for the page: its sentences, its dates and its decimal mark."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import ClassVar

from callint.checking.cause_order import Danger
from callint.model.definition import Purpose
from callint.versioning.explanation import Direction


@dataclass(frozen=True, slots=True)
class Headings:
    """The headings and the labels of the page."""

    title: str
    summary: str
    guarded: str
    changes: str
    unchanged: str
    cautions: str
    setting: str
    change: str
    where: str
    engine: str
    compared_with: str
    state: str
    release: str
    file: str


class Language(ABC):
    """The sentences of the page in one language."""

    tag: str
    decimal_mark: str
    headings: Headings
    purposes: ClassVar[Mapping[Purpose, str]]
    directions: ClassVar[Mapping[Direction, str]]
    cautions: tuple[str, ...]
    off: str
    everywhere: str
    outside_operation: str
    not_committed: str
    no_history: str
    no_release: str

    @abstractmethod
    def day(self, day: date) -> str:
        """A date in words."""

    @abstractmethod
    def maker_file(self, name: str) -> str:
        """OLD as the settings of the maker."""

    @abstractmethod
    def earlier_file(self, name: str) -> str:
        """OLD as an earlier state."""

    @abstractmethod
    def changed_settings(self, changed: int, total: int, is_from_maker: bool) -> str:
        """How many settings differ."""

    @abstractmethod
    def protections(self, dangers: Mapping[Danger, int], changed: int, total: int) -> str:
        """What the change does to the protections; ``dangers`` counts those with an open finding."""

    @abstractmethod
    def emissions(self, changed: int) -> str:
        """How many settings that affect emissions differ."""

    @abstractmethod
    def problems(self, errors: int, warnings: int) -> str:
        """How many errors and warnings the check reports that nobody accepted; one for each cause."""

    @abstractmethod
    def undescribed(self, count: int) -> str:
        """Differing bytes that nobody described."""

    @abstractmethod
    def other_software(self) -> str:
        """The file holds another software than its description."""

    @abstractmethod
    def danger(self, danger: Danger) -> str:
        """What an open finding says about a protection; "" for none."""

    @abstractmethod
    def accepted(self, who: str, reason: str, until: date | None) -> str:
        """A waiver, with its last day."""

    @abstractmethod
    def at(self, place: str) -> str:
        """A value at an operating point."""

    @abstractmethod
    def largest(self, text: str) -> str:
        """The largest of several changes."""

    @abstractmethod
    def span(self, low: str, high: str) -> str:
        """A range of values."""

    @abstractmethod
    def also_changed(self, titles: str) -> str:
        """Settings of a commit that the page describes further up."""

    @abstractmethod
    def further(self, count: int) -> str:
        """Settings for which the page has no room."""

    @abstractmethod
    def further_reasons(self, count: int) -> str:
        """Commits for which the page has no room."""

    @abstractmethod
    def text_change(self, old: str, new: str) -> str:
        """The change of a label."""

    @abstractmethod
    def moved_scale(self, signal: str, change: str) -> str:
        """Breakpoints of an axis changed."""

    @abstractmethod
    def unknown_effect(self) -> str:
        """Nobody can say what a moved scale does to a setting."""

    @abstractmethod
    def unchanged(self, same: int, total: int) -> str:
        """How many settings of a purpose are as they were."""

    @abstractmethod
    def listed(self, titles: Sequence[str], others: int) -> str:
        """Titles, and the number of others for which there is no room."""
