"""The coverage of a definition for people: what nobody described, and what of it was changed."""

from __future__ import annotations

from collections.abc import Sequence

from callint import fmt
from callint.decoding.coverage import Coverage, PartCoverage, UndescribedRange
from callint.decoding.table_suggestions import suggest
from callint.decoding.table_suggestions.suggest import Suggestions
from callint.model.definition import Definition
from callint.reporting.coverage.suggestions import definition_lines, evidence, kind_of, numbers_of
from callint.reporting.terminal import QUIET, Terminal, heading, line, print_prose, width

#: The longest line of suggested XML.
_MOST_IN_A_LINE = 80


#: The largest number of ranges of a region that are printed.
_MOST = 12


def print_coverage(
    coverage: Coverage,
    names: tuple[str, Sequence[str], str],
    terminal: Terminal,
    everything: bool = False,
) -> None:
    """Print the coverage of each region, with the undescribed ranges: changed ones first, then by size.

    ``names`` are the definition, the images and the base ("" without a base).
    """
    definition, images, base = names
    compared = f", compared with {base}" if base else ""
    for row in heading(definition, f": coverage of {', '.join(images)}{compared}", width(terminal)):
        terminal.print(row)
    for part in coverage.parts:
        _print_part(part, images, terminal, everything)


def print_suggestions(
    definition: Definition, suggestions: Suggestions, images: Sequence[str], terminal: Terminal
) -> None:
    """Print what may lie in the undescribed bytes by address, then all of it as lines for the definition."""
    terminal.print()
    if suggestions.unread_from is not None:
        count, start = fmt.count(suggestions.unread, "undescribed byte"), fmt.address(suggestions.unread_from)
        bound = fmt.count(suggest.MOST_BYTES, "undescribed byte")
        print_prose(
            f"callint searched the first {bound}, its limit; it left out {count} from {start} on", terminal
        )
    if not suggestions.items:
        print_prose("No axis, curve or map is suggested for the undescribed bytes.", terminal)
        return
    count = fmt.count(len(suggestions.items), "suggestion")
    print_prose(f"{count}; review each, as about 1 of 20 is wrong", terminal, "bold")
    for item in suggestions.items:
        head = f"{fmt.address(item.item.at)}  {kind_of(item)}, {numbers_of(item)}"
        reasons = "; ".join(evidence(item, images))
        print_prose(f"{head}: {reasons} ({100 * item.confidence:.0f} %)", terminal, indent="  ")
    terminal.print()
    print_prose("Lines for the definition, which callint does not change:", terminal)
    for row in definition_lines(definition, suggestions):
        for text in _broken(f"  {row}"):
            terminal.print(line(text))


def _broken(row: str) -> list[str]:
    """A line of XML, in two at the address if it is too long; it is not wrapped, as people copy it."""
    head, place, rest = row.partition(' at="')
    if len(row) <= _MOST_IN_A_LINE or not place:
        return [row]
    return [head, f"      {place}{rest}"]


def _print_part(part: PartCoverage, images: Sequence[str], terminal: Terminal, everything: bool) -> None:
    terminal.print()
    title = f"region {part.name}: {fmt.address(part.start)} to {fmt.address(part.start + part.size - 1)}"
    title = title if part.name else "outside of all regions"
    terminal.print(line((f"{title}, {part.size:,} bytes", "bold")))
    data = part.size - part.fill - part.missing
    for label, number in (
        ("tables, axes, texts", part.described),
        ("identity, checksums", part.other),
        ("not described", part.undescribed),
        ("fill", part.fill),
        ("not in the images", part.missing),
    ):
        if number:
            share = (
                f"{100 * number / data:5.1f} % of the data"
                if label not in ("fill", "not in the images")
                else ""
            )
            terminal.print(line(f"  {label:<20}{number:>10,} bytes  {share}".rstrip()))
    stretches = sorted(part.stretches, key=lambda item: (-sum(item.differing), -item.size, item.start))
    if not stretches:
        return
    changed = sum(any(stretch.differing) for stretch in stretches)
    more = f"; {changed:,} of them changed" if changed else ""
    print_prose(
        f"{fmt.count(len(stretches), 'undescribed range')}{more}",
        terminal,
        indent="  ",
    )
    listed = stretches if everything else stretches[:_MOST]
    for stretch in listed:
        _print_range(stretch, images, terminal)
    if len(stretches) > len(listed):
        print_prose(f"and {len(stretches) - len(listed):,} more; --all shows them", terminal, QUIET, "    ")


def _print_range(stretch: UndescribedRange, images: Sequence[str], terminal: Terminal) -> None:
    place = f"{fmt.address(stretch.start)}  {fmt.count(stretch.size, 'byte')}"
    changes = ", ".join(
        f"{number:,} changed in {image}"
        for image, number in zip(images, stretch.differing, strict=True)
        if number
    )
    print_prose(f"{place}: {changes}" if changes else place, terminal, indent="    ")
