"""Found checksums for people, each with the chance of a coincidence, and as a line of a definition."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

from callint import fmt
from callint.comparing.checksum_search.search import ChecksumSearch, FoundChecksum
from callint.model.definition import Checksum
from callint.reporting.definition.xml import checksum_line
from callint.reporting.terminal import QUIET, Terminal, heading, line, print_prose, width

#: The largest number of other ranges that are printed for a checksum.
_MOST = 4


def print_checksum_search(
    result: ChecksumSearch, images: Sequence[str], described: Mapping[int, str], terminal: Terminal
) -> None:
    """Print each found checksum with its proof, and what the images cannot tell from chance."""
    number = fmt.count(len(result.found), "checksum") if result.found else "no checksum"
    for row in heading(", ".join(images), f": {number} found", width(terminal)):
        terminal.print(row)
    for index, item in enumerate(result.found):
        terminal.print()
        _print_found(item, described.get(index), terminal)
    terminal.print()
    for sentence in _limits(result, len(images)):
        print_prose(sentence, terminal, QUIET)


def _print_found(item: FoundChecksum, described: str | None, terminal: Terminal) -> None:
    checksum = item.checksum
    stretch = f"{fmt.address(checksum.start)} to {fmt.address(checksum.start + checksum.size - 1)}"
    stored = f"stored at {fmt.address(checksum.stored_at)}, {checksum.byte_order}-endian"
    print_prose(f"{_algorithm(checksum)} of {stretch}, {stored}", terminal, "bold")
    contents = "content" if item.contents == 1 else "different contents"
    print_prose(
        f"{item.contents} {contents} of the range: {item.bits:.0f} bits agree. Chance alone gives such a "
        f"match once in {_rounded(1 / item.chance)} searches like this one: {item.tried:,} hypotheses times "
        f"2^-{item.bits:.0f}.",
        terminal,
        indent="  ",
    )
    if item.alternatives:
        listed = ", ".join(
            f"{fmt.address(start)} to {fmt.address(start + size - 1)}"
            for start, size in item.alternatives[:_MOST]
        )
        hidden = len(item.alternatives) - _MOST
        more = f" and {hidden:,} more" if hidden > 0 else ""
        print_prose(f"The same values follow from {listed}{more}.", terminal, indent="  ")
    if described is not None:
        print_prose(f"The definition names it {described}.", terminal, indent="  ")
    else:
        # Unbroken, to be copied into a definition.
        terminal.print(line(f"  {checksum_line(checksum)}"))


def _algorithm(checksum: Checksum) -> str:
    complement = {None: "", "ones": "ones' complement of ", "twos": "two's complement of "}[
        checksum.complement
    ]
    words = ""
    if checksum.algorithm.startswith("sum"):
        order = f" {checksum.word.byte_order}-endian" if checksum.word.type.size > 1 else ""
        words = f" over{order} {checksum.word.type.name}"
    return f"{complement}{checksum.algorithm}{words}"


def _rounded(number: float) -> str:
    """A number with one digit that is not zero: 3,000,000,000; above 10^15 as a power of ten."""
    power = math.floor(math.log10(number))
    if power > 15:
        return f"10^{power}"
    return f"{math.floor(number / 10**power) * 10**power:,}"


def _limits(result: ChecksumSearch, images: int) -> Iterator[str]:
    """What was tried, and what more images could tell."""
    yield (
        f"callint tried sums, complements and the published CRCs over all pairs of {result.bounds:,} bounds "
        "of regions, fill and blocks. It reports a value if fewer than 0.01 coincidences are expected."
    )
    if not result.found and images > 1:
        yield "One image with a stale checksum hides it in the others: leave out images that were edited."
    nowhere = {
        search.width: search.images for search in result.searches if search.beside and not search.is_done
    }
    if nowhere:
        yield (
            f"callint cannot tell values of {_widths(sorted(nowhere))} from chance with {images} images; "
            f"with {max(nowhere.values())} that differ, it can if a value lies next to its range."
        )
    further = {
        search.width: search.images
        for search in result.searches
        if not search.beside and not search.is_done and search.width not in nowhere
    }
    if further:
        yield (
            f"callint searched for values of {_widths(sorted(further))} directly beside their range only; "
            f"with {max(further.values())} images that differ, it finds them anywhere."
        )


def _widths(widths: Sequence[int]) -> str:
    return f"{widths[0]} bits" if len(widths) == 1 else f"{widths[0]} to {widths[-1]} bits"
