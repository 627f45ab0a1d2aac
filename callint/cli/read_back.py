"""An image that was read out of a control unit: its definition, and where its bytes lie."""

from __future__ import annotations

from dataclasses import dataclass

from callint.checking.definition_fit import definition_paths
from callint.checking.identity import identity_mismatch
from callint.checking.loading import ImageLoader
from callint.decoding.loaded_definition import LoadedDefinition
from callint.model.definition import Memory
from callint.model.errors import InputError
from callint.model.image import Image
from callint.reading.definition_file import problem_place
from callint.reading.images import DamagedError, read_image_file
from callint.reading.workspace import Workspace
from callint.versioning.file_version import Content


@dataclass(frozen=True, slots=True)
class ReadBack:
    """An image with its definition. ``beyond`` is the number of bytes after the end of the memory."""

    loaded: LoadedDefinition
    image: Image
    beyond: int = 0


def parse_address(text: str) -> int:
    """The address that an option gives; InputError if it is not one."""
    try:
        address = int(text, 0)
    except ValueError:
        address = -1
    if not 0 <= address < 1 << 64:
        raise InputError(f"--start {text}: it is not an address; write one such as 0x40000")
    return address


def place_read_back(
    workspace: Workspace, content: Content, definition: str | None, start: int | None
) -> ReadBack:
    """An image with the first definition that it fits: the named one, or one of the repository.

    ``start`` is the address of the first byte of a raw file, if the command line names it. InputError if no
    definition fits.
    """
    if not content.data:
        raise InputError(f"{content.name}: the image is empty; read it out again")
    loader = ImageLoader(workspace)
    if definition is not None:
        paths: tuple[str, ...] = (workspace.name(definition),)
    else:
        paths = tuple(definition_paths(workspace.policy, workspace.tree))
    starts = {entry.start for entry in workspace.policy.images}
    known_start = start if start is not None or len(starts) != 1 else starts.pop()
    misfits: list[_MisfitError] = []
    for path in paths:
        result = loader.load(path)
        if result.loaded is None:
            if definition is not None:
                problem = result.file.problems[0]
                place = problem_place(problem) if problem.line else path
                raise InputError(f"{place}: {problem.message}; correct the definition")
            continue
        try:
            return _placed(result.loaded, content, known_start)
        except _MisfitError as misfit:
            misfits.append(misfit)
    raise InputError(f"{content.name}: {_problem(misfits)}")


def _problem(misfits: list[_MisfitError]) -> str:
    """Why an image fits no definition: a wrong size says more than another software's identity."""
    if not misfits:
        return "no definition is known; give one with --definition"
    by_size = [misfit for misfit in misfits if misfit.is_size]
    if len(misfits) > 1 and not by_size:
        return "no definition fits it; callint identify says what differs, and --definition names one"
    return str((by_size or misfits)[0])


class _MisfitError(Exception):
    """Why an image does not fit a definition, with a remedy; ``is_size`` says that its size is wrong."""

    def __init__(self, message: str, *, is_size: bool = False) -> None:
        super().__init__(message)
        self.is_size = is_size


def _placed(loaded: LoadedDefinition, content: Content, start: int | None) -> ReadBack:
    memory, data = loaded.definition.memory, content.data
    try:
        file = read_image_file(data, memory, start)
    except DamagedError as error:
        line = error.damages[0]
        raise InputError(
            f"{content.name}:{line.line}: {line.message}; get the file from its source again"
        ) from None
    image, beyond = file.image, 0
    if file.records is None and start is None and len(data) != memory.size:
        if len(data) > memory.size:
            image, beyond = Image.raw(data[: memory.size], memory.start), len(data) - memory.size
        else:
            image = Image.raw(data, _only_place(memory, data), is_part=True)
    if not image.count_bytes(memory.start, memory.end):
        raise _MisfitError(f"no byte of it lies in the memory that {loaded.file.path} describes")
    if mismatch := identity_mismatch(image, memory):
        raise _MisfitError(f"{mismatch}; give its own definition with --definition")
    return ReadBack(loaded, image, beyond)


def _only_place(memory: Memory, data: bytes) -> int:
    """The start of the only region or range of a checksum that has the size of a raw file."""
    ranges = {(region.start, region.size) for region in memory.regions}
    ranges |= {(checksum.start, checksum.size) for checksum in memory.checksums}
    places = [
        start
        for start, size in sorted(ranges)
        if size == len(data) and identity_mismatch(Image.raw(data, start), memory) is None
    ]
    if len(places) == 1:
        return places[0]
    raise _MisfitError(
        f"it has {len(data):,} bytes, but the memory has {memory.size:,}; "
        "give the address of its first byte with --start",
        is_size=True,
    )
