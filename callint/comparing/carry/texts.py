"""Carries texts that the rework changed."""

from __future__ import annotations

from callint.comparing.carry.causes import (
    CarryCause,
    NotDecodable,
    NotEncodable,
    OmittedText,
    ProblemCause,
    TooLong,
)
from callint.comparing.carry.result import CarriedItem
from callint.comparing.carry.state import CarryState
from callint.model.change import TextChange
from callint.model.definition import Text


def carry_text(state: CarryState, change: TextChange) -> None:
    """Carry a changed text, or add a problem."""
    text = change.text
    if text.name in state.left_out_names:
        state.leave_out(text.name, OmittedText(change.new))
        return
    partner = state.new_definition.texts.get(text.name)
    present = partner and state.new.image.read(partner.at, partner.length)
    if partner is None or present is None:
        state.add_problem(text.name, CarryCause.NO_SUCH_TEXT)
        return
    content = _content(state, text, partner, change.new)
    if not isinstance(content, bytes):
        state.add_problem(text.name, content)
        return
    state.texts[text.name] = content
    state.items.append(CarriedItem(text.name, "text", partner.title, "", int(content != present)))


def _content(state: CarryState, text: Text, partner: Text, value: str) -> bytes | ProblemCause:
    """The bytes of a text in the new software, padded as the rework pads it; the cause if it has none."""
    data = state.reworked.image.read(text.at, text.length) or b""
    if (text.length, text.encoding) == (partner.length, partner.encoding):
        return data
    if "\ufffd" in value:
        return NotDecodable(text.encoding)
    try:
        content = value.encode(partner.encoding)
    except UnicodeEncodeError:
        return NotEncodable(value, partner.encoding)
    if len(content) > partner.length:
        return TooLong(value, partner.length)
    padding = data[-1:] if len(value.encode(text.encoding, "replace")) < text.length else b" "
    return content.ljust(partner.length, padding)
