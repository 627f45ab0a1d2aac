"""Bounds on what a definition may claim, so that a false claim is refused before memory is taken."""

from __future__ import annotations

MAX_MEMORY = 256 * 2**20  # bytes of one image
MAX_ADDRESS = 2**48
MAX_BREAKPOINTS = 2**16  # of one axis
MAX_ALL_BREAKPOINTS = 2**22  # of all axes together
MAX_CELLS = 2**26  # of all tables together
#: Cells per byte of the memory: as many as a byte has bits. With more, most tables of a definition overlap.
MAX_CELLS_PER_BYTE = 8
#: The number of cells that any definition may have, however small its memory.
ALWAYS_ALLOWED_CELLS = 2**16
#: Definitions in a line of parents, the first child included.
MAX_GENERATIONS = 8
#: Files of shared parts that one definition uses.
MAX_SHARED_FILES = 16
#: Bytes of a definition and all files that it builds on.
MAX_FAMILY_BYTES = 128 * 2**20
