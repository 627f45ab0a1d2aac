"""What verifying an image found, for people."""

from __future__ import annotations

from callint import fmt
from callint.reporting.changes.text import print_changes
from callint.reporting.terminal import Terminal, print_prose
from callint.versioning.signatures import Trust
from callint.versioning.verification import KnownImage, Verification

#: The number of digits of a commit's id, as in callint history.
_SHORT = 8
#: The most releases or versions with the same content that are printed.
_MOST_MATCHES = 8
#: The most tables that are named of those that an image lacks cells of.
_MOST_TABLES = 6


def print_verification(
    result: Verification, terminal: Terminal, *, everything: bool = False, signed: bool = False
) -> None:
    """Print which release an image is; if it is none, what differs from the nearest one.

    ``signed`` says that a good signature was demanded.
    """
    if result.matches:
        _print_matches(result, terminal, signed)
    elif result.nearest is None or result.difference is None:
        print_prose(f"{result.image} is not a release, and callint has nothing to compare it with.", terminal)
        if not result.releases:
            print_prose(_NO_RELEASES, terminal)
    else:
        print_prose(f"{_unknown(result)} The nearest is {_description(result.nearest)}.", terminal)
        _print_doubts(result.nearest, terminal)
        print_prose(_distance(result.nearest), terminal)
        if result.nearest.distance.cells > result.total_cells * _NEAR and not everything:
            print_prose(_FAR, terminal)
        else:
            terminal.print()
            difference = result.difference
            print_changes(difference.changes, difference.old, difference.new, terminal, everything)
    if result.unreadable:
        count = fmt.count(result.unreadable, "image")
        print_prose(f"callint could not read {count} of releases and versions.", terminal)


#: The share of cells up to which differences are listed: more are another image instead of a change.
_NEAR = 0.5
_FAR = (
    "That is more than half of all cells: it is probably another image, or its bytes lie elsewhere. Check "
    "--start (hexadecimal addresses begin with 0x); --all lists the differences."
)
_NO_RELEASES = "callint found no release here; name the folder of the releases with --releases."


def _unknown(result: Verification) -> str:
    """That an image is none of the known ones, and how many these are."""
    counts = ((result.releases, "release"), (result.versions, "version"))
    known = " and ".join(fmt.count(number, noun) for number, noun in counts if number)
    return f"{result.image} matches no known image: callint compared it with {known}."


def _print_matches(result: Verification, terminal: Terminal, signed: bool) -> None:
    first, *others = result.matches
    verb = "is" if result.is_complete else "holds only a part of"
    print_prose(f"{result.image} {verb} {_description(first)}.", terminal)
    _print_doubts(first, terminal)
    if result.surplus:
        print_prose(_length(result.surplus), terminal)
    if first.release is None:
        print_prose("It was committed, but callint found no release of it.", terminal)
        if not result.releases:
            print_prose(_NO_RELEASES, terminal)
    elif signed and first.signature is None:
        print_prose("The release is not signed, as --signed demands.", terminal)
    if first.distance.lacking:
        print_prose(_part(result, first), terminal)
    for other in others[:_MOST_MATCHES]:
        print_prose(f"It is also {_description(other)}.", terminal)
        _print_doubts(other, terminal)
    if len(others) > _MOST_MATCHES:
        print_prose(f"It also matches {len(others) - _MOST_MATCHES} more.", terminal)


def _description(known: KnownImage) -> str:
    """A release or version in a clause: image, commit, author, date, subject and manifest."""
    commit = known.commit
    kind = "the release" if known.release is not None else "the unreleased version"
    author = ", ".join(part for part in (commit.author, commit.date[:10]) if part)
    text = f'{kind} of {known.path} at {commit.id[:_SHORT]} ({author}: "{commit.subject}")'
    if known.release is None:
        return text
    check = known.signature
    state = "not signed"
    if check is not None:
        state = f"signed by {check.signer}" if check.trust is Trust.GOOD else _STATES[check.trust]
    return f"{text}, {known.release.place}, {state}"


_STATES = {
    Trust.BAD: "with an invalid signature",
    Trust.UNKNOWN: "signed by an untrusted key",
    Trust.UNCHECKED: "with an unchecked signature",
}


def _print_doubts(known: KnownImage, terminal: Terminal) -> None:
    """Print what speaks against a release."""
    if known.signature is not None and known.signature.text:
        print_prose(f"The signature: {known.signature.text}.", terminal)
    for clause in known.contradictions:
        print_prose(f"But {clause}.", terminal)


def _distance(nearest: KnownImage) -> str:
    distance = nearest.distance
    if not distance.cells:
        return f"No cell differs, but {fmt.count(distance.bytes, 'byte')} outside the tables."
    verb = "differs" if distance.cells == 1 else "differ"
    return f"{fmt.count(distance.cells, 'cell')} {verb}, in {fmt.count(distance.bytes, 'byte')} of the image."


def _part(result: Verification, match: KnownImage) -> str:
    lacking = fmt.count(match.distance.lacking, "byte")
    if result.is_complete:
        return f"callint compared what the image holds: it lacks {lacking} of the release, but no cell."
    tables = fmt.list_names(result.incomplete_tables, _MOST_TABLES)
    return (
        f"callint compared what the image holds: it lacks {lacking} of the release, with cells of {tables}."
    )


def _length(surplus: int) -> str:
    """That a raw file is longer or shorter than the memory, though nothing but erased bytes differs."""
    count = fmt.count(abs(surplus), "byte")
    if surplus > 0:
        return f"The file has {count} more than the memory; they are erased."
    return f"The file has {count} fewer than the memory; the release has only erased ones there."
