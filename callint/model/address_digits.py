"""The digits of an address that has no mark, and the two addresses that they may mean."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class AddressDigits:
    """Decimal digits among hexadecimal addresses: perhaps a decimal address, perhaps a forgotten 0x."""

    text: str

    @property
    def as_decimal(self) -> int:
        """The address if the digits are decimal."""
        return int(self.text)

    @property
    def as_hexadecimal(self) -> int:
        """The address if the mark of a hexadecimal address was forgotten."""
        return int(self.text, 16)

    @property
    def marked(self) -> str:
        """The digits with the mark, as the text of a hexadecimal address."""
        return f"0x{self.text}"
