"""The result of adding a waiver to a policy."""

from __future__ import annotations

from dataclasses import dataclass

from callint.model.waiver import Waiver


@dataclass(frozen=True, slots=True)
class AddedWaiver:
    """A waiver and the policy it is added to.

    ``covered`` is the number of findings that it accepts. ``content`` names the table, axis, image or
    definition that it applies to. ``dead`` are waivers for the same content that no longer apply.
    """

    waiver: Waiver
    policy: str
    covered: int
    content: str
    dead: tuple[Waiver, ...]
