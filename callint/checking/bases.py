"""The base that an image is compared with."""

from __future__ import annotations

from dataclasses import dataclass

from callint import fmt
from callint.checking.assignments import Assignment
from callint.checking.identity import holds_identity, identity_mismatch, same_identity
from callint.decoding import checksums
from callint.model.definition import Memory
from callint.model.image import Image
from callint.reading.images import DamagedError, read_image
from callint.reading.tree import Tree, reason

#: The largest number of bytes of bases that are kept for the next image.
_KEPT_BYTES = 2**26


@dataclass(frozen=True, slots=True)
class BaseChoice:
    """The base of an image; ``image`` is None if no base can be used.

    ``problem`` is a clause with the reason why there is no base, or with the fault of the base.
    """

    path: str = ""
    image: Image | None = None
    problem: str | None = None


class BaseChooser:
    """Chooses the bases of images of one tree; keeps the last bases that it read."""

    def __init__(self, tree: Tree) -> None:
        self.tree = tree
        self._bases: dict[tuple[str, int, int, int | None], BaseChoice] = {}

    def choose(self, memory: Memory, assignment: Assignment, image: Image | None) -> BaseChoice:
        """The base of an image: the only one that the policy names, or the first with the image's identity.

        ``memory`` is the memory of the image's definition; ``image`` is None if the image cannot be read.
        """
        has_choice = len(assignment.bases) > 1
        # For an image of other software, the rules report the identity, so no base can fit.
        is_foreign = has_choice and image is not None and identity_mismatch(image, memory) is not None
        identities = memory.identities
        if image is not None and not image.is_part:
            # A truncated image is an error of its own; it does not prove that its bases are wrong too.
            identities = tuple(identity for identity in identities if holds_identity(image, identity))
        problems: list[str] = []
        unreadable: list[str] = []
        for path in assignment.bases:
            base = self.read(path, memory, assignment.start)
            if base.image is None:
                unreadable.append(base.problem or "")
                problems.append(base.problem or "")
            elif not base.image.size:
                problems.append(f"the base {path} is empty")
            elif mismatch := identity_mismatch(base.image, memory):
                if not is_foreign:
                    problems.append(f"the base {path} is of other software: {mismatch}")
            elif not has_choice or image is None or same_identity(base.image, image, identities):
                problem = _size_problem(path, base.image, image, memory) or base.problem
                # An unreadable base may be the image's own, so callint reports it if it uses another.
                return BaseChoice(path, base.image, problem or "; ".join(unreadable) or None)
            elif not is_foreign:
                problems.append(f"the base {path} has another identity than the image")
        return BaseChoice(problem="; ".join(problems) or None)

    def read(self, path: str, memory: Memory, start: int | None) -> BaseChoice:
        """A base, even if it does not fit an image. All images of a base share one copy, decoded once."""
        key = path, memory.start, memory.size, start
        base = self._bases.pop(key, None)
        if base is None:
            try:
                image = read_image(self.tree.read(path), memory, start)
                base = BaseChoice(path, image, _checksum_problem(path, image, memory))
            except OSError as error:
                base = BaseChoice(path, None, f"the base {path} cannot be read: {reason(error)}")
            except DamagedError as error:
                base = BaseChoice(path, None, f"the base {path} is damaged: {error}")
        self._bases[key] = base
        while len(self._bases) > 1 and self._count_kept_bytes() > _KEPT_BYTES:
            del self._bases[next(iter(self._bases))]
        return base

    def _count_kept_bytes(self) -> int:
        return sum(base.image.size for base in self._bases.values() if base.image)


def _checksum_problem(path: str, base: Image, memory: Memory) -> str | None:
    """A clause that names the first stale checksum of a base; None if there is none."""
    for checksum in memory.checksums:
        stored = checksums.stored_value(checksum, base) if checksums.is_known(checksum.algorithm) else None
        value = None if stored is None else checksums.expected_value(checksum, base)
        if value is not None and stored != value:
            return f"the base {path} has a stale checksum {checksum.name}: a factory image has none"
    return None


def _size_problem(path: str, base: Image, image: Image | None, memory: Memory) -> str | None:
    """A clause that names the bytes that a base lacks: of a partial image, otherwise of the memory."""
    if base.is_part:
        lacking = (
            sum(end - start - base.count_bytes(start, end) for start, end in image.extents) if image else 0
        )
        if lacking:
            return f"the base {path} lacks {fmt.count(lacking, 'byte')} of the image: they cannot be compared"
    elif base.size != memory.size:
        return (
            f"the base {path} has {base.size:,} bytes where the memory has {memory.size:,}: "
            "what it lacks cannot be compared"
        )
    return None
