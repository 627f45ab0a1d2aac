"""``callint schema``, and that editors find every word explained in what it prints."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from lxml import etree

from tests.running import GOOD, Result, call, make_yard, yard_definition

XS = "{http://www.w3.org/2001/XMLSchema}"
POINTER = (
    ' xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance"'
    ' xsi:schemaLocation="urn:callint:definition:1 definition.xsd"'
)


def test_schema_lists_the_schemas_and_prints_one(tmp_path: Path) -> None:
    names = call("schema", cwd=tmp_path).stdout.split()
    assert names == sorted(names) and {"definition", "policy", "findings"} <= set(names)
    for name in names:
        printed = call("schema", name, cwd=tmp_path).stdout
        if name == "definition":
            etree.XMLSchema(etree.fromstring(printed.encode()))
        elif name == "addresses":
            assert printed.startswith("name;")  # an empty list, its headers only
        else:
            jsonschema.Draft202012Validator.check_schema(json.loads(printed))


def test_a_schema_that_does_not_exist_is_wrong_input(tmp_path: Path) -> None:
    result = call("schema", "../pyproject", cwd=tmp_path)
    assert result.error == "callint: there is no schema '../pyproject'; callint schema lists them"


def test_every_element_attribute_and_word_of_the_definition_is_explained(tmp_path: Path) -> None:
    schema = etree.fromstring(call("schema", "definition", cwd=tmp_path).stdout.encode())
    explained = [f"{XS}{kind}" for kind in ("element", "attribute", "enumeration", "simpleType")]
    bare = [
        (item.sourceline, item.get("name") or item.get("value"))
        for item in schema.iter(*explained)
        if not (item.findtext(f"{XS}annotation/{XS}documentation") or "").strip()
    ]
    assert bare == []


def _keys(schema: Any, path: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
    """Every key that a JSON schema names, with its schema."""
    if isinstance(schema, dict):
        for name, inner in schema.get("properties", {}).items():
            yield f"{path}/{name}", inner
        for name, inner in schema.items():
            yield from _keys(inner, f"{path}/{name}")
    elif isinstance(schema, list):
        for inner in schema:
            yield from _keys(inner, path)


@pytest.mark.parametrize(
    ("schema", "some"),
    [
        ("policy", {"/waivers", "/properties/waivers/items/until"}),
        ("sign-off", {"/properties/reviewer/role", "/properties/accepted/items/remark"}),
        ("review", {"/verdict", "/$defs/table/old_raw", "/$defs/finding/properties/waiver/reason"}),
    ],
)
def test_every_key_is_explained(schema: str, some: set[str], tmp_path: Path) -> None:
    keys = dict(_keys(json.loads(call("schema", schema, cwd=tmp_path).stdout)))
    assert some <= set(keys)
    assert [name for name, inner in keys.items() if not inner.get("description", "").strip()] == []


def test_a_definition_may_name_its_schema_for_editors(tmp_path: Path) -> None:
    yard = make_yard(tmp_path, heron=GOOD)
    pointed = yard_definition().replace(b"<definition", f"<definition{POINTER}".encode(), 1)
    yard.write("defs/yard.xml", pointed)
    assert yard.call("check") == Result(0, "", "")
