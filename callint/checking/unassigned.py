"""Finds files that look like images and that no entry of the policy names."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from pathlib import PurePosixPath

from callint.checking.checker import Checker
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model.finding import Finding
from callint.model.policy import Policy
from callint.reading.images import DamagedError, read_image_file
from callint.rules.context import CheckContext
from callint.rules.registry import in_scope
from callint.rules.rule import Scope

#: Usual suffixes of Intel HEX files and S-records (common practice, no source).
_RECORD_SUFFIXES = frozenset(
    {".h86", ".hex", ".hx", ".i32", ".ihex", ".ihx", ".mcs", ".mhx", ".mot", ".mxt"}
    | {".s", ".s1", ".s19", ".s2", ".s28", ".s3", ".s37", ".srec", ".sx"}
)
#: The largest number of characters per byte in records: a record of one byte has 11 to 14, and a line end.
_RECORD_CHARACTERS = 16

#: Gives the paths among the given ones that git ignores: no commit records them.
Ignored = Callable[[Sequence[str]], Collection[str]]


def ignores_none(paths: Sequence[str]) -> Collection[str]:
    """Git stores all of the files."""
    return ()


def unassigned_findings(
    checker: Checker, paths: Iterable[str], ignored: Ignored = ignores_none
) -> Iterator[Finding]:
    """The settled findings about such files among ``paths``, which the policy does not name."""
    paths = list(paths)
    definitions = list(_definitions(checker)) if paths else []
    if not definitions:
        return
    contexts = {}
    for path in _candidates(checker, paths, definitions):
        if (context := _context(checker, path, definitions)) is not None:
            contexts[path] = context
    left_out = ignored(list(contexts)) if contexts else ()
    for path, context in contexts.items():
        if path not in left_out:
            findings = [finding for rule in in_scope(Scope.UNASSIGNED) for finding in rule.findings(context)]
            yield from checker.settler.settle_unassigned(path, context, findings)


def _definitions(checker: Checker) -> Iterator[tuple[LoadedDefinition, int | None]]:
    """The policy's definitions with an identity, each with the start of raw parts of the memory."""
    for entry in checker.policy.images:
        for path in entry.definitions:
            loaded = checker.loader.peek(path)
            if loaded is not None and loaded.definition.memory.identities:
                yield loaded, entry.start


def _candidates(
    checker: Checker, paths: Sequence[str], definitions: Sequence[tuple[LoadedDefinition, int | None]]
) -> Iterator[str]:
    """The paths of files that may hold an image, by their size and suffix alone."""
    memory_sizes = {loaded.definition.memory.size for loaded, _ in definitions}
    longest = _RECORD_CHARACTERS * max(memory_sizes)
    suffixes = _RECORD_SUFFIXES | _suffixes(checker.policy)
    for path, size in checker.tree.sizes(paths).items():
        is_part = 0 < size <= longest and PurePosixPath(path).suffix.lower() in suffixes
        if size in memory_sizes or is_part:
            yield path


def _suffixes(policy: Policy) -> frozenset[str]:
    """The suffixes of the images that the policy names, in lower case."""
    suffixes = (PurePosixPath(glob).suffix.lower() for entry in policy.images for glob in entry.paths)
    return frozenset(suffix for suffix in suffixes if suffix)


def _context(
    checker: Checker, path: str, definitions: Sequence[tuple[LoadedDefinition, int | None]]
) -> CheckContext | None:
    """The context of a file by the first definition that it fits; None if it is not an image."""
    try:
        data = checker.tree.read(path)
    except OSError:
        return None
    for loaded, start in definitions:
        try:
            file = read_image_file(data, loaded.definition.memory, start)
        except DamagedError:
            return None
        context = CheckContext(loaded, file.image, start=start, is_raw=file.records is None)
        if any(finding for rule in in_scope(Scope.UNASSIGNED) for finding in rule.findings(context)):
            return context
    return None
