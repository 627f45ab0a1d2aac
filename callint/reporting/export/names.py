"""The words of a description in ASAM MCD-2 MC (ASAP2): names, texts and numbers."""

from __future__ import annotations

import re

from callint.fmt import exact
from callint.model.definition import ByteOrder, NumberType
from callint.reporting.export.result import ExportLog

#: The standard's names of number types.
TYPES = {
    NumberType.uint8: "UBYTE",
    NumberType.int8: "SBYTE",
    NumberType.uint16: "UWORD",
    NumberType.int16: "SWORD",
    NumberType.uint32: "ULONG",
    NumberType.int32: "SLONG",
    NumberType.uint64: "A_UINT64",
    NumberType.int64: "A_INT64",
    NumberType.float16: "FLOAT16_IEEE",
    NumberType.float32: "FLOAT32_IEEE",
    NumberType.float64: "FLOAT64_IEEE",
}

ORDERS = {
    ByteOrder.BIG: "MSB_FIRST",
    ByteOrder.LITTLE: "MSB_LAST",
    ByteOrder.BIG_SWAPPED: "MSB_FIRST_MSW_LAST",
    ByteOrder.LITTLE_SWAPPED: "MSB_LAST_MSW_FIRST",
}
#: The largest double, in place of an end that is open.
LARGEST = 1.7976931348623157e308

#: The standard's identifiers (from memory): words with an index in brackets, and points between them.
_PART = r"[A-Za-z_][A-Za-z0-9_]*(?:\[[A-Za-z0-9_]+\])*"
_IDENTIFIER = re.compile(rf"{_PART}(?:\.{_PART})*")
_CONTROLS = re.compile("[\x00-\x1f\x7f]+")


def quoted(text: str) -> str:
    """A text in quotes, in one line."""
    line = _CONTROLS.sub(" ", text).replace("\\", "\\\\").replace('"', '\\"')
    return f'"{line}"'


def real(number: float, text: str = "") -> str:
    """A number in the fewest digits that give it back; ``text`` if no double equals it."""
    return text or exact(number)


class Names:
    """The identifiers of a description in one name space, by the kind and name of the item."""

    def __init__(self, log: ExportLog) -> None:
        self._log = log
        self._known: dict[tuple[str, str], str] = {}
        self._taken: set[str] = set()

    def add(self, kind: str, name: str, line: int = 0) -> str:
        """The identifier of an item: its name, rewritten if it is not valid or taken; records a rewrite."""
        known = self._known.get((kind, name))
        if known is not None:
            return known
        wanted = name if _IDENTIFIER.fullmatch(name) else re.sub(r"[^A-Za-z0-9_]", "_", name)
        identifier, number = wanted, 1
        while identifier in self._taken:
            number += 1
            identifier = f"{wanted}_{number}"
        self._taken.add(identifier)
        self._known[kind, name] = identifier
        if identifier != name and kind != "own axis":
            self._log.change(kind, name, f"its name is rewritten as {identifier}", line)
        return identifier

    def of(self, kind: str, name: str) -> str:
        """The identifier of an item that was added before."""
        return self._known[kind, name]
