"""Groups the tokens of a description into blocks, and reads the typed parameters of a block."""

from __future__ import annotations

from array import array
from collections.abc import Iterator
from math import isfinite

from callint.model.definition import Range
from callint.model.errors import InputError
from callint.reading.asap2.keywords import ANY_NUMBER, OPTIONS, UNCOVERED_KEYWORDS, UNUSED_INNER_BLOCKS
from callint.reading.asap2.nodes import Description, ItemCounts
from callint.reading.asap2.tokens import TokenStream, unquoted

#: Bounds on what a file may claim.
MAX_TOKENS = 4 * 2**20  # of one block
MAX_DEPTH = 32  # blocks within blocks
MAX_KINDS = 500  # unknown keywords that are counted separately


class TokenCursor:
    """Reads a token stream token by token, or a whole block at once."""

    def __init__(self, source: TokenStream) -> None:
        self.source = source
        self._chunks = source.tokens()
        self._texts: list[str] = []
        self._places = array("q")
        self._next = 0

    @property
    def here(self) -> int:
        """The place of the last token."""
        return self._places[self._next - 1]

    def next_token(self) -> str | None:
        """The next token, or None at the end of the file."""
        while self._next >= len(self._texts):
            if not self._read_chunk():
                return None
        self._next += 1
        return self._texts[self._next - 1]

    def require_token(self, kind: str, at: int) -> str:
        """The next token. Raises InputError if the file ends within the ``kind`` that begins ``at``."""
        token = self.next_token()
        if token is None:
            raise InputError(f"{self.source.place(at)}: {kind} is cut off; the end of the file is missing")
        return token

    def block(self, kind: str, at: int) -> tuple[list[str], array[int]]:
        """The tokens of the block that has just begun and their places; the cursor moves past its end."""
        depth, checked, searched = 1, 0, 0
        while True:
            texts = self._texts
            try:
                end = texts.index("/end", self._next + max(checked, searched))
                if end + 1 >= len(texts):
                    raise ValueError
            except ValueError:
                if len(texts) - self._next > MAX_TOKENS:
                    raise InputError(
                        f"{self.source.place(at)}: /begin {kind} has no end within {MAX_TOKENS:,} words; "
                        f"look for a missing /end {kind}"
                    ) from None
                # The last token may be an /end whose kind is in the next chunk.
                searched = max(len(texts) - self._next - 1, 0)
                if not self._read_chunk():
                    raise InputError(
                        f"{self.source.place(at)}: /begin {kind} has no /end {kind}; the file may be cut off"
                    ) from None
                continue
            depth += texts[self._next + checked : end].count("/begin")
            if depth > MAX_DEPTH:
                raise InputError(
                    f"{self.source.place(self._places[end])}: blocks are nested more than "
                    f"{MAX_DEPTH} deep; look for a missing /end"
                )
            depth -= 1
            if depth == 0:
                break
            checked = end + 1 - self._next
        if texts[end + 1] != kind:
            raise InputError(
                f"{self.source.place(self._places[end])}: /end {texts[end + 1]} does not close /begin {kind} "
                f"of {self.source.place(at)}; correct one of them"
            )
        block = texts[self._next : end], self._places[self._next : end]
        self._next = end + 2
        return block

    def _read_chunk(self) -> bool:
        chunk = next(self._chunks, None)
        if chunk is None:
            return False
        if self._next:
            self._texts, self._places = self._texts[self._next :], self._places[self._next :]
            self._next = 0
        self._texts += chunk.texts
        self._places += chunk.places
        return True


class BlockError(ValueError):
    """A token that is not valid at its position in a block; ``place`` is below 0 in an empty block."""

    def __init__(self, place: int, message: str) -> None:
        super().__init__(message)
        self.place = place


class TokenBlock:
    """The tokens of one block, addressed by index.

    ``texts`` has a ``/begin`` after the last token, at the index ``end``, so that a search for one succeeds.
    """

    __slots__ = ("end", "kind", "places", "texts")

    def __init__(self, kind: str, texts: list[str], places: array[int]) -> None:
        self.kind, self.texts, self.places, self.end = kind, [*texts, "/begin"], places, len(texts)

    def error(self, index: int, message: str) -> BlockError:
        """The error for a token, or for the last one if the index is past the end."""
        return BlockError(self.places[min(index, self.end - 1)] if self.end else -1, message)

    def next_begin(self, index: int) -> int:
        """The index of the first ``/begin`` from ``index`` on, or the end if there is none."""
        return self.texts.index("/begin", index) if index < self.end else self.end

    def require(self, amount: int, first: int, keyword: str) -> None:
        """Raise BlockError unless a keyword has ``amount`` arguments from ``first`` on."""
        behind = self.next_begin(first)
        if first + amount > behind:
            values = "1 value" if amount == 1 else f"{amount} values"
            raise self.error(behind, f"{keyword} is cut short: it needs {values}")

    def name(self, index: int) -> str:
        """A token as a name, without quotes if it has some."""
        token = self.texts[index]
        return unquoted(token) if token[0] == '"' else token

    def text(self, index: int) -> str:
        """The text of a string. Raises BlockError for any other token."""
        token = self.texts[index]
        if token[0] != '"':
            raise self.error(index, f"{token[:40]!r} is not a text in quotes")
        return unquoted(token)

    def integer(self, index: int) -> int:
        """A whole number of at most 64 bits. Raises BlockError for any other token."""
        token = self.texts[index]
        try:
            value = int(token, 16) if token[:2] in ("0x", "0X") else int(token)
        except ValueError:
            raise self.error(index, f"{token[:40]!r} is not a whole number") from None
        if not -(2**64) < value < 2**64:
            raise self.error(index, f"{token[:40]} is too large a number")
        return value

    def real(self, index: int) -> float:
        """A finite number. Raises BlockError for any other token."""
        token = self.texts[index]
        try:
            value = float(token)
        except ValueError:
            value = self._hexadecimal(index)
        if not isfinite(value):
            raise self.error(index, f"{token[:40]} is not a finite number")
        return value

    def _hexadecimal(self, index: int) -> float:
        token = self.texts[index]
        try:
            if token[:2] in ("0x", "0X"):
                return float(int(token, 16))
        except (ValueError, OverflowError):
            pass
        raise self.error(index, f"{token[:40]!r} is not a number")

    def reals(self, first: int, end: int) -> tuple[float, ...]:
        """The finite numbers from ``first`` up to ``end``. Raises BlockError for any other token."""
        return tuple(self.real(index) for index in range(first, end))

    def range(self, index: int) -> Range:
        """A lower and an upper limit. Raises BlockError for any other token."""
        return Range(self.real(index), self.real(index + 1))

    def end_of_numbers(self, first: int) -> int:
        """The index after the numbers that begin at ``first``."""
        end = first
        while end < self.end and self.texts[end][:1] in "+-.0123456789":
            end += 1
        return end

    def inner(self, kind: str, first: int, end: int) -> TokenBlock:
        """A block within this one, by the indexes of its content."""
        return TokenBlock(kind, self.texts[first:end], self.places[first:end])


class OptionScanner:
    """Splits the optional part of blocks into keywords and inner blocks, and counts the unread ones."""

    def __init__(self, description: Description, source: TokenStream) -> None:
        self.description = description
        self.source = source
        self._counted: dict[str, dict[str, ItemCounts]] = {}

    def options(self, block: TokenBlock, first: int) -> Iterator[tuple[str, int, int]]:
        """The optional part of a block from ``first`` on: each keyword, and the range of its arguments.

        The keyword of an inner block has "/" before it, and the range is that of its content. A run of
        unknown tokens counts once; it ends at the next known keyword.
        """
        known, texts, index = OPTIONS[block.kind], block.texts, first
        begin = block.next_begin(first)
        is_in_unknown = False
        while index < block.end:
            token = texts[index]
            amount = known.get(token)
            if amount is not None:
                index += 1
                end = block.end_of_numbers(index) if amount == ANY_NUMBER else index + amount
                if end > begin:
                    block.require(amount, index, token)
                yield token, index, end
                index, is_in_unknown = end, False
            elif index == begin:
                if index + 1 >= block.end:
                    raise block.error(index, "/begin names no block")
                end = self._end_of_inner_block(block, index)
                yield f"/{texts[index + 1]}", index + 2, end - 2
                index, is_in_unknown = end, False
                begin = block.next_begin(end)
            else:
                if not is_in_unknown:
                    self.count(self.description.unknown, token[:60], block.kind, block.places[index])
                index, is_in_unknown = index + 1, True

    def skip(self, block: TokenBlock, keyword: str, first: int) -> None:
        """Count an option that is not read; ``first`` is the index of its first argument."""
        counted = self._counted.setdefault(block.kind, {})
        known = counted.get(keyword)
        if known is not None:
            known.amount += 1
            return
        if keyword.lstrip("/") in UNCOVERED_KEYWORDS:
            counts = self.description.uncovered
        elif keyword.startswith("/") and keyword[1:] not in UNUSED_INNER_BLOCKS:
            counts = self.description.unknown
        else:
            counts = self.description.unused
        item = keyword.lstrip("/")[:60], block.kind
        self.count(counts, *item, block.places[first - 1])
        if item in counts:
            counted[keyword] = counts[item]

    def count(self, counts: dict[tuple[str, str], ItemCounts], keyword: str, kind: str, at: int) -> None:
        """Count an item that is not read, by its keyword and the kind of the enclosing block."""
        if (keyword, kind) not in counts:
            if len(counts) >= MAX_KINDS:
                keyword, kind = "other keywords", ""
            if (keyword, kind) not in counts:
                counts[keyword, kind] = ItemCounts(self.source.place(at))
        counts[keyword, kind].amount += 1

    def _end_of_inner_block(self, block: TokenBlock, begin: int) -> int:
        """The index after an inner block. Raises InputError if its end is of another kind."""
        texts = block.texts
        opened, index = [texts[begin + 1]], begin + 2
        while opened:
            try:
                end = texts.index("/end", index)
            except ValueError:
                end = block.end
            if end + 1 >= block.end:
                raise block.error(begin, f"/begin {opened[-1]} has no end")
            if "/begin" in texts[index:end]:
                index = block.next_begin(index) + 2
                opened.append(texts[index - 1])
                continue
            if texts[end + 1] != opened[-1]:
                place = self.source.place(block.places[end])
                raise InputError(
                    f"{place}: /end {texts[end + 1]} does not close /begin {opened[-1]}; correct one of them"
                )
            opened.pop()
            index = end + 2
        return index
