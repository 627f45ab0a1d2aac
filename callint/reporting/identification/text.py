"""Which definitions fit an image, for people."""

from __future__ import annotations

from collections.abc import Iterator

from callint import fmt
from callint.checking.definition_fit import DefinitionFit, Identification, IdentityFit
from callint.reporting.terminal import QUIET, Terminal, heading, print_prose, width

#: The largest number of definitions that do not fit, and of differing bytes, that are printed.
_MOST, _MOST_BYTES = 3, 8


def print_identification(result: Identification, terminal: Terminal) -> None:
    """Print the definition that fits; without exactly one, the nearest ones and how far they are."""
    fitting = result.fitting
    if len(fitting) == 1:
        _print_heading(result, f" fits {fitting[0].definition}", terminal)
        _print_reasons(fitting[0], terminal)
        return
    if fitting:
        names = " and ".join(fit.definition for fit in fitting)
        _print_heading(result, f" fits several definitions: {names}", terminal)
        listed = fitting
    else:
        nearest = result.candidates[0].definition
        _print_heading(result, f" fits no definition; the nearest is {nearest}", terminal)
        listed = result.candidates[:_MOST]
    for fit in listed:
        checks = fit.checks
        failing = f"{checks.wrong:,} of {fmt.count(checks.total, 'check')} fail"
        print_prose(f"{fit.definition}: {failing}", terminal, "bold", "  ")
        _print_reasons(fit, terminal, "  ")
    if hidden := len(result.candidates) - len(listed) if not fitting else 0:
        print_prose(f"and {fmt.count(hidden, 'definition')} farther away", terminal, QUIET, "  ")


def _print_heading(result: Identification, rest: str, terminal: Terminal) -> None:
    for row in heading(result.image, rest, width(terminal)):
        terminal.print(row)


def _print_reasons(fit: DefinitionFit, terminal: Terminal, indent: str = "") -> None:
    for sentence in _reasons(fit):
        print_prose(sentence, terminal, indent=f"{indent}  ")


def _reasons(fit: DefinitionFit) -> Iterator[str]:
    """What speaks for and against a definition, one sentence per sort of check."""
    for item in fit.identities:
        yield _identity(item)
    size = fmt.count(fit.size, "byte")
    if fit.is_part:
        place = "" if fit.start is None else f", from {fmt.address(fit.start)}"
        held = f"holds {size} of the memory{place}" if fit.size else "holds no byte of the memory"
        regions = f" and {fit.regions.right} of {fmt.count(fit.regions.total, 'region')} completely"
        yield f"size: the image {held}{regions if fit.regions.total and fit.size else ''}"
    elif fit.size_fits:
        yield f"size: {size}, as the memory"
    else:
        yield f"size: {size}, but the memory has {fit.expected_size:,}"
    if fit.checksums.total:
        yield f"checksums: {fit.checksums.right} of {fit.checksums.total} right"
    if fit.axes.total:
        yield f"axes: {fit.axes.right} of {fit.axes.total} rise or fall throughout"
    if fit.tables.total:
        yield f"tables: {fit.tables.right} of {fit.tables.total} lie within their limits"
    if fit.likeness is not None:
        yield f"content: {100 * fit.likeness:.1f} % of the described bytes equal {fit.base}"


def _identity(item: IdentityFit) -> str:
    name, wanted = item.identity.name, fmt.byte_string(item.identity.content)
    if item.stored is None:
        return f"{name}: the image lacks its bytes"
    if not item.differing:
        return f"{name}: {wanted}"
    places = ", ".join(map(fmt.address, item.differing[:_MOST_BYTES]))
    more = " and more" if len(item.differing) > _MOST_BYTES else ""
    differ = "byte differs" if len(item.differing) == 1 else "bytes differ"
    stored = fmt.byte_string(item.stored)
    return f"{name}: {stored}, not {wanted}; {len(item.differing)} {differ} ({places}{more})"
