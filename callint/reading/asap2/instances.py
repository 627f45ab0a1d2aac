"""Expands the INSTANCE blocks of a description into characteristics and axes.

An instance of a structure stands for one item per component, at the address of the instance plus the offset
of the component. An array of structures, curves, maps or axes stands for one item per element, and an array
of values for a block of values. The size of a curve, map or axis follows from its record layout, so the
builders place it by its number. The meaning of the keywords is from memory of the published standard,
version 1.7.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import product
from math import prod

from callint.reading.asap2.nodes import (
    AxisPoints,
    Characteristic,
    Component,
    Description,
    SkippedItem,
    Structure,
)

#: Bounds on what instances may claim.
MAX_ITEMS = 1_000_000  # of all instances together
MAX_NESTING = 16  # structures within structures
#: The prefix of a name that is looked up within the structure.
_THIS = "THIS."


class _InstanceError(Exception):
    """The reason why an instance or a part of it cannot be expanded."""


class _TooManyItemsError(_InstanceError):
    """The instances stand for more items than callint reads."""


class InstanceExpander:
    """Enters the items of the instances of a description."""

    def __init__(self, description: Description) -> None:
        self._description = description
        self._items = 0

    def expand(self) -> None:
        """Enter the items of all instances; an instance that cannot be expanded is listed with the reason."""
        for instance in self._description.instances:
            try:
                self._expand(instance, instance, instance.name, "", instance.offset)
            except _TooManyItemsError as error:
                self._skip(instance.name, error, instance)

    def _expand(
        self, instance: Component, part: Component, name: str, owner: str, address: int, depth: int = 0
    ) -> None:
        """Enter the items of a part of an instance; ``owner`` is the name of the structure around it."""
        try:
            kind = self._typedef(part)
            if part.direction not in ("", "ROW_DIR") and sum(size > 1 for size in part.sizes) > 1:
                raise _InstanceError(f"the LAYOUT {part.direction[:40]} of its indexes is not covered")
            if isinstance(kind, Structure):
                if depth >= MAX_NESTING:
                    raise _InstanceError(f"its structures are nested more than {MAX_NESTING} deep")
                for index, start in _elements(part.sizes, kind.size, address):
                    inside = f"{name}{index}"
                    for component in kind.components:
                        own_name, at = f"{inside}.{component.name}", start + component.offset
                        self._expand(instance, component, own_name, inside, at, depth + 1)
                return
            if prod(part.sizes) <= 1:
                self._enter(instance, kind, name, owner, address)
            elif isinstance(kind, Characteristic) and kind.type == "VALUE" and self._is_plain(kind):
                self._enter(instance, replace(kind, type="VAL_BLK", sizes=part.sizes), name, owner, address)
            else:
                for index, number in _elements(part.sizes, 1, 0):
                    self._enter(instance, replace(kind, element=number), f"{name}{index}", owner, address)
        except _TooManyItemsError:
            raise
        except _InstanceError as error:
            self._skip(name, error, part)

    def _is_plain(self, kind: Characteristic) -> bool:
        """Whether its records contain only values, so that those of an array lie side by side."""
        layout = self._description.layouts.get(kind.layout)
        return layout is None or len(layout.elements) == 1

    def _skip(self, name: str, error: _InstanceError, part: Component) -> None:
        self._description.skipped.append(SkippedItem("INSTANCE", name, str(error), part.place))

    def _typedef(self, part: Component) -> Characteristic | AxisPoints | Structure:
        self._items += prod(part.sizes)
        if self._items > MAX_ITEMS:
            raise _TooManyItemsError(f"with it the instances stand for more than {MAX_ITEMS:,} items")
        typedef = self._description.typedefs.get(part.type)
        if typedef is None:
            raise _InstanceError(f"its type {part.type[:60]} is not described or not covered")
        return typedef

    def _enter(
        self, instance: Component, kind: Characteristic | AxisPoints, name: str, owner: str, address: int
    ) -> None:
        description = self._description
        if name in description.characteristics or name in description.axes:
            raise _InstanceError("the name occurs before")
        if isinstance(kind, AxisPoints):
            description.axes[name] = replace(
                kind,
                name=name,
                address=address,
                input=_within(owner, kind.input),
                extension=instance.extension,
                place=instance.place,
            )
            return
        axes = tuple(
            replace(axis, reference=_within(owner, axis.reference), input=_within(owner, axis.input))
            for axis in kind.axes
        )
        description.characteristics[name] = replace(
            kind,
            name=name,
            address=address,
            axes=axes,
            extension=instance.extension,
            is_read_only=kind.is_read_only or instance.is_read_only,
            place=instance.place,
        )


def _within(owner: str, name: str) -> str:
    """A name resolved inside a structure, if there is one: THIS stands for the structure."""
    return f"{owner}.{name.removeprefix(_THIS)}" if owner and name.startswith(_THIS) else name


def _elements(sizes: tuple[int, ...], size: int, address: int) -> Iterator[tuple[str, int]]:
    """The index and the address of each element of an array; the last index varies fastest."""
    for number, indexes in enumerate(product(*map(range, sizes))):
        yield "".join(f"[{index}]" for index in indexes), address + number * size
