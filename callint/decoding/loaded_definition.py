"""A definition with its layout and the images that were decoded with it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from callint.decoding.decode import Decoded, decode
from callint.decoding.layout import Layout, make_layout
from callint.decoding.unread import Unread, unresolved
from callint.model.definition import Definition
from callint.model.image import Image
from callint.reading.definition_file import DefinitionFile

#: The number of decoded images that are kept: a base, an image, and the two before it, with which the next
#: commit of a range is compared.
_KEPT_IMAGES = 4


@dataclass(frozen=True, eq=False)
class LoadedDefinition:
    """A definition file and its layout, shared by all images of that definition."""

    file: DefinitionFile
    definition: Definition

    @cached_property
    def layout(self) -> Layout:
        return make_layout(self.definition)

    @cached_property
    def unread(self) -> Unread:
        """What cannot be judged, because something in the file is invalid or refers to nothing."""
        return Unread(self.definition, (*self.file.invalid, *unresolved(self.definition, self.layout)))

    @cached_property
    def _decoded(self) -> list[Decoded]:
        """The last images, the most recently used at the end."""
        return []

    def decoded(self, image: Image) -> Decoded:
        """The cells of an image; those of the last images are not decoded again.

        Many images share one base, and the same content may have several names or be in several revisions.
        """
        same = [number for number, item in enumerate(self._decoded) if _is_same(item.image, image)]
        decoded = self._decoded.pop(same[0]) if same else decode(self.layout, image)
        self._decoded.append(decoded)
        del self._decoded[:-_KEPT_IMAGES]
        return decoded


def _is_same(first: Image, second: Image) -> bool:
    return first is second or (first == second and first.is_part == second.is_part)
