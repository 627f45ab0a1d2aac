"""Each element and attribute of the definition format is in all files that need it, named by failures."""

from __future__ import annotations

import functools
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from copy import deepcopy
from pathlib import Path

import pytest
from lxml import etree

from callint.reading.definition import read_definition
from callint.reading.tree import WorkingTree
from callint.reporting.definition.xml import definition_lines
from tests.running import REPOSITORY
from tests.test_definition_xml import bare

XS = "{http://www.w3.org/2001/XMLSchema}"

SCHEMA = "schemas/definition.xsd"
EXAMPLE = "tests/data/example.xml"
EXPECTATIONS = "tests/test_definition_reading.py"
MODEL = "callint/model/definition.py"
READER = "callint/reading/definition.py"
WRITER = "callint/reporting/definition/xml.py"
PAGE = "docs/definition.md"
JOURNEY = (SCHEMA, EXAMPLE, EXPECTATIONS, MODEL, READER, WRITER, PAGE)

#: Values that are read and written where the example says what holds anyway, or writes it in another way.
OTHER_VALUES = {"fill": "0x00", "byte-order": "little", "stride": "4", "bytes": "00 01"}

#: The elements by which a definition takes from other files: the writer writes what comes of them.
FAMILY = {"use", "inherited", "shift", "at", "table", "gone", "shared"}
FOLDER = REPOSITORY / "tests/data/family"

TEXTS = {path: (REPOSITORY / path).read_text("utf-8") for path in JOURNEY}
DECLARATIONS = etree.fromstring(TEXTS[SCHEMA].encode())
ROOT = etree.fromstring(TEXTS[EXAMPLE].encode())


def declared() -> Iterator[tuple[str, str]]:
    """Every element of the format, and every attribute of each, as the schema declares them."""
    types = {str(content.get("name")): content for content in DECLARATIONS.findall(f"{XS}complexType")}
    for element in DECLARATIONS.iter(f"{XS}element"):
        name = str(element.get("name"))
        yield name, ""
        content = types.get(str(element.get("type")), element.find(f"{XS}complexType"))
        if content is not None:
            yield from ((name, str(attribute.get("name"))) for attribute in content.iter(f"{XS}attribute"))


def is_documented(element: str, attribute: str) -> bool:
    """Whether each declaration of the element or the attribute carries a text of documentation."""
    tag, name = ("attribute", attribute) if attribute else ("element", element)
    places = [place for place in DECLARATIONS.iter(f"{XS}{tag}") if place.get("name") == name]
    return all((place.findtext(f"{XS}annotation/{XS}documentation") or "").strip() for place in places)


def users(root: etree._Element, element: str, attribute: str) -> list[etree._Element]:
    """The elements of a definition that have the attribute; all of that name where it is ""."""
    return [
        user
        for user in root.iter(etree.Element)
        if etree.QName(user).localname == element and (not attribute or attribute in user.attrib)
    ]


def meaning(root: etree._Element) -> object:
    """What is read from a definition, without lines; None where it is not valid."""
    file = read_definition(etree.tostring(root), "example.xml")
    return None if file.problems or file.definition is None else bare(file.definition)


@functools.cache
def meaning_of_example() -> object:
    return meaning(ROOT)


def is_read(element: str, attribute: str) -> bool:
    """Whether something else is read where one of the users of the attribute, or the element, is gone."""
    return any(
        meaning(edited(element, attribute, number, value)) != meaning_of_example()
        for number in range(len(users(ROOT, element, attribute)))
        for value in (None, OTHER_VALUES.get(attribute))
    )


def edited(element: str, attribute: str, number: int, value: str | None) -> etree._Element:
    """The example with one attribute set to a value or removed, or one element removed."""
    root = deepcopy(ROOT)
    user = users(root, element, attribute)[number]
    if attribute and value:
        user.set(attribute, value)
    elif attribute:
        del user.attrib[attribute]
    elif (parent := user.getparent()) is not None:
        parent.remove(user)
    else:
        return etree.Element("nothing")
    return root


def is_written(element: str, attribute: str) -> bool:
    """Whether the attribute, or the element, is in the XML that the writer makes of the example."""
    root = deepcopy(ROOT)
    for user in users(root, element, attribute):
        if attribute in OTHER_VALUES:
            user.set(attribute, OTHER_VALUES[attribute])
    definition = read_definition(etree.tostring(root), "example.xml").definition
    assert definition is not None
    written = etree.fromstring("".join(definition_lines(definition)).encode())
    return bool(users(written, element, attribute))


def is_on_its_page(element: str, attribute: str) -> bool:
    """Whether the page of the format has a line on the element, or one on the attribute in its section."""
    mark = f"`<{element}>`"
    if not attribute:
        return mark in TEXTS[PAGE]
    sections = [section.partition("\n") for section in TEXTS[PAGE].split("\n## ")]
    line = re.compile(rf"^\| (\*\*)?{attribute}(\*\*)? \|", re.MULTILINE)
    return any(mark in heading and line.search(text) for heading, _, text in sections)


def is_of_family(element: str, attribute: str) -> bool:
    return element in FAMILY or (element, attribute) == ("definition", "extends")


def is_taken_over(element: str, attribute: str) -> bool:
    """Whether something else is read of the child without any one of its uses of the attribute or element."""
    root = etree.fromstring((FOLDER / "child.xml").read_bytes())
    found, whole = users(root, element, attribute), meaning_of_child(root)
    for user in found:
        copy = deepcopy(root)
        (same,) = copy.xpath(root.getroottree().getpath(user))
        if attribute:
            del same.attrib[attribute]
        else:
            same.getparent().remove(same)
        if meaning_of_child(copy) == whole:
            return False
    return bool(found)


def meaning_of_child(root: etree._Element) -> object:
    """What is read from a child of tests/data/family, without lines; its problems if it has some."""
    file = read_definition(etree.tostring(root), "child.xml", WorkingTree(FOLDER))
    messages = [problem.message for problem in file.problems]
    return messages or bare(file.definition)


def forgotten(element: str, attribute: str) -> Iterator[str]:
    """A line for each file that lacks the attribute, or the element where the attribute is ""."""
    part = f"{element}/@{attribute}" if attribute else f"<{element}>"
    if not is_documented(element, attribute):
        yield f"{SCHEMA}: document {part}"
    if not is_on_its_page(element, attribute):
        yield f"{PAGE}: run python docs/generate.py"
    if is_of_family(element, attribute):
        if element != "shared" and not is_taken_over(element, attribute):
            yield f"{FOLDER.name}/child.xml: use {part}, and let the reader read it"
        return
    if not users(ROOT, element, attribute):
        yield f"{EXAMPLE}: use {part}"
        return
    if attribute and f'{part}":' not in TEXTS[EXPECTATIONS]:
        yield f"{EXPECTATIONS}: say what the model holds for {part}"
    if not is_read(element, attribute):
        yield f"{MODEL}, {READER}: hold and read {part}"
    if not is_written(element, attribute):
        yield f"{WRITER}: write {part}"


@pytest.mark.parametrize("part", sorted(set(declared())), ids="/@".join)
def test_no_file_lacks_a_part_of_the_format(part: tuple[str, str]) -> None:
    assert list(forgotten(*part)) == []


@pytest.fixture(scope="module")
def copy_of_the_project(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What the test above looks at, where an attribute can be planted."""
    folder = tmp_path_factory.mktemp("project")
    for name in ("callint", "schemas", "tests"):
        shutil.copytree(REPOSITORY / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
    (folder / "docs").mkdir()
    shutil.copy(REPOSITORY / PAGE, folder / PAGE)
    shutil.copy(REPOSITORY / "pyproject.toml", folder)
    (folder / "fixtures").mkdir()
    return folder


def lacking(folder: Path) -> list[str]:
    """What is forgotten of identity/@planted in a copy of the project."""
    code = (
        "from tests.test_definition_attributes import *; print(*forgotten('identity', 'planted'), sep='\\n')"
    )
    run = subprocess.run(
        [sys.executable, "-c", code],
        cwd=folder,
        check=False,
        env={"PYTHONPATH": str(folder)},
        capture_output=True,
        text=True,
    )
    assert run.returncode == 0, run.stderr
    return run.stdout.splitlines()


def test_every_file_that_lacks_a_new_attribute_is_named(copy_of_the_project: Path) -> None:
    folder = copy_of_the_project
    schema, example = folder / SCHEMA, folder / EXAMPLE
    marker = '<xs:complexType name="identity">'
    before, _, after = schema.read_text("utf-8").partition(marker)
    head, end, rest = after.partition("</xs:complexType>")
    planted = '<xs:attribute name="planted" type="label"/>'
    schema.write_text(f"{before}{marker}{head}{planted}{end}{rest}", "utf-8")
    assert lacking(folder) == [
        f"{SCHEMA}: document identity/@planted",
        f"{PAGE}: run python docs/generate.py",
        f"{EXAMPLE}: use identity/@planted",
    ]
    example.write_text(
        example.read_text("utf-8").replace("<identity ", '<identity planted="yes" ', 1), "utf-8"
    )
    assert lacking(folder)[2:] == [
        f"{EXPECTATIONS}: say what the model holds for identity/@planted",
        f"{MODEL}, {READER}: hold and read identity/@planted",
        f"{WRITER}: write identity/@planted",
    ]
