"""A description that is imported again after one edit: the comparison names just that edit.

The description is the demo of version 1.6 of the standard ASAM MCD-2 MC that the published reader pya2ldb
ships, completed as in ``test_asap2_reader``.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from callint.comparing.definitions.diff import compare_definitions
from callint.fmt.definition_changes import change_text
from callint.model.definition import Definition
from callint.model.definition_change import ChangeKind
from callint.reading.asap2.build import make_definition
from callint.reading.asap2.parser import read_asap2
from callint.reading.definition import read_definition
from callint.reporting.definition.xml import definition_lines
from tests.outside.test_asap2_reader import DEMO, completed, shipped

NAME = "ASAM.C.DEPENDENT.REF_1.SWORD"


def imported(path: Path, text: str) -> Definition:
    """The definition that callint import writes for a description, read back from its XML."""
    path.write_text(text, "latin-1")
    made = make_definition(read_asap2(path)).definition
    assert made is not None
    file = read_definition("".join(definition_lines(made)).encode(), "demo.xml")
    assert file.definition is not None and not file.problems
    return file.definition


def edited(text: str, old: str, new: str) -> str:
    """The description with one piece of one characteristic replaced."""
    block = re.search(rf"/begin CHARACTERISTIC\s+{re.escape(NAME)}\s.*?/end CHARACTERISTIC", text, re.DOTALL)
    assert block is not None and block[0].count(old) == 1
    return text.replace(block[0], block[0].replace(old, new))


@pytest.mark.parametrize(
    ("old", "new", "kind", "said"),
    [
        ("32267.0", "32300.0", ChangeKind.LOOSENED, "limits max: 32267 hours → 32300 hours"),
        ("32267.0", "32000.0", ChangeKind.TIGHTENED, "limits max: 32267 hours → 32000 hours"),
        ("-32268.0", "-32400.0", ChangeKind.LOOSENED, "limits min: -32268 hours → -32400 hours"),
        ("8455680", "8455688", ChangeKind.READS_DIFFERENTLY, "at: 0x810600 → 0x810608"),
        ('"Dependent SWORD"', '"Depends"', ChangeKind.DOCUMENTATION, 'title: "Dependent SWORD" → "Depends"'),
    ],
)
def test_one_edit_of_a_description_is_one_change(
    tmp_path: Path, old: str, new: str, kind: ChangeKind, said: str
) -> None:
    text = completed(shipped(DEMO).decode("latin-1"))
    before = imported(tmp_path / "old.a2l", text)
    after = imported(tmp_path / "new.a2l", edited(text, old, new))

    (change,) = compare_definitions(before, after).changes
    assert change.kind is kind
    assert said in change_text(change)
    assert before.tables[change.name].title == "Dependent SWORD"


def test_a_description_that_is_imported_twice_has_no_changes(tmp_path: Path) -> None:
    text = completed(shipped(DEMO).decode("latin-1"))

    assert (
        compare_definitions(imported(tmp_path / "a.a2l", text), imported(tmp_path / "b.a2l", text)).changes
        == ()
    )
