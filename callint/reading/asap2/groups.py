"""Makes the groups of a definition from the GROUP and FUNCTION blocks of a description."""

from __future__ import annotations

from callint.model.definition import Group
from callint.reading.asap2.nodes import Characteristic, Grouping, ItemCounts
from callint.reading.asap2.report import label
from callint.reading.asap2.state import ImportState

#: The relation of a characteristic to a grouping, the closest first.
_RANKS = ("GROUP", "FUNCTION", "FUNCTION_LIST", "REF")


class GroupBuilder:
    """Gives each table the one group that a definition allows; enters the groups that are used.

    A GROUP has precedence over a FUNCTION, and a FUNCTION that defines a table over one that refers to it.
    """

    def __init__(self, state: ImportState) -> None:
        self.state = state
        self._groupings: dict[str, dict[str, Grouping]] = {rank: {} for rank in _RANKS}
        for grouping in state.description.groups.values():
            for name in grouping.members:
                self._add("GROUP", name, grouping)
        for grouping in state.description.functions.values():
            for name in grouping.members:
                self._add("FUNCTION", name, grouping)
            for name in grouping.references:
                self._add("REF", name, grouping)

    def _add(self, rank: str, name: str, grouping: Grouping) -> None:
        if self._groupings[rank].setdefault(name, grouping) is not grouping and rank != "REF":
            key = f"further {grouping.kind} of a table", ""
            self.state.description.unused.setdefault(key, ItemCounts(grouping.place)).amount += 1

    def group_of(self, characteristic: Characteristic) -> str:
        """The name of the group of a table in the definition; "" if it has none."""
        grouping = self._grouping_of(characteristic)
        if grouping is None:
            return ""
        state = self.state
        key = f"{grouping.kind}/{grouping.name}"
        name = state.log.name("group", grouping.name, grouping.place, key)
        if name not in state.groups:
            state.groups[name] = Group(name, label(grouping.title, label(grouping.name)), 0)
        return name

    def _grouping_of(self, characteristic: Characteristic) -> Grouping | None:
        functions = self.state.description.functions
        for rank in _RANKS:
            if rank == "FUNCTION_LIST":
                for name in characteristic.functions:
                    if name in functions:
                        return functions[name]
            elif characteristic.name in self._groupings[rank]:
                return self._groupings[rank][characteristic.name]
        self._count_unknown_functions(characteristic)
        return None

    def _count_unknown_functions(self, characteristic: Characteristic) -> None:
        """Count a FUNCTION_LIST that names no FUNCTION of the description."""
        if characteristic.functions:
            key = "FUNCTION_LIST", "CHARACTERISTIC"
            self.state.description.unused.setdefault(key, ItemCounts(characteristic.place)).amount += 1
