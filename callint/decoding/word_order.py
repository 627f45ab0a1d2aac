"""Numbers in memory whose 16-bit words may lie in the order of the other end."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from callint.model.definition import ByteOrder


def with_swapped_words(stored: NDArray[Any]) -> NDArray[Any]:
    """Numbers in a stored type with the 16-bit words of each in the opposite order; any shape, same type.

    What memory holds becomes big- or little-endian by that, and the other way round.
    """
    words = np.ascontiguousarray(stored).reshape(-1).view(np.uint16).reshape(-1, stored.dtype.itemsize // 2)
    turned: NDArray[Any] = np.ascontiguousarray(words[:, ::-1]).reshape(-1).view(stored.dtype)
    return turned.reshape(stored.shape)


def stored_bytes(numbers: NDArray[Any], dtype: np.dtype[Any], has_swapped_words: bool) -> NDArray[np.uint8]:
    """The bytes of numbers in a stored type of their size; shape (numbers, size)."""
    own = dtype if numbers.dtype.kind == dtype.kind else np.dtype(f"{dtype.byteorder}u{dtype.itemsize}")
    stored = np.ascontiguousarray(numbers.astype(own))
    if has_swapped_words:
        stored = with_swapped_words(stored)
    return stored.view(np.uint8).reshape(-1, dtype.itemsize)


def unsigned_bytes(number: int, size: int, order: ByteOrder) -> bytes:
    """The bytes of an unsigned number as they lie in memory."""
    return _with_words_of(order, number.to_bytes(size, order.in_word))


def unsigned_number(content: bytes, order: ByteOrder) -> int:
    """The unsigned number that bytes in memory are."""
    return int.from_bytes(_with_words_of(order, content), order.in_word)


def _with_words_of(order: ByteOrder, content: bytes) -> bytes:
    if order == order.in_word or len(content) <= 2:
        return content
    return b"".join(content[at : at + 2] for at in range(len(content) - 2, -2, -2))
