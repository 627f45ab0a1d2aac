"""What a case keeps, and what its definition keeps for the next one."""

from __future__ import annotations

import pytest

from callint.decoding.loaded_definition import LoadedDefinition
from callint.model.image import Image
from callint.reading.definition import read_definition
from callint.rules.context import CheckContext
from tests.building import definition_xml, u16
from tests.rules.example import table


def subject(tables: str = table("scalar", "fuel")) -> LoadedDefinition:
    file = read_definition(definition_xml(tables), "test.xml")
    assert file.definition is not None
    return LoadedDefinition(file, file.definition)


def test_decoded_images_are_kept_by_content_until_others_are_used_more_recently() -> None:
    item = subject()
    images = [Image.raw(u16(number)) for number in range(5)]
    first = [item.decoded(image) for image in images[:4]]
    assert [decoded.physical.tolist() for decoded in first] == [[0.0], [0.1], [0.2], [0.3]]
    assert item.decoded(Image.raw(u16(0))) is first[0]
    # The fifth drives out the second, as the first was asked for again.
    assert item.decoded(images[4]).physical.tolist() == [0.4]
    assert item.decoded(images[0]) is first[0]
    assert item.decoded(images[2]) is first[2]
    assert item.decoded(images[1]) is not first[1]


def test_the_same_bytes_of_an_image_of_part_of_the_memory_are_another_image() -> None:
    item = subject()
    whole, part = Image.raw(u16(1)), Image.raw(u16(1), is_part=True)
    assert whole == part
    assert item.decoded(whole).image is whole
    assert item.decoded(part).image is part


def test_a_rule_that_asks_for_an_image_where_there_is_none_is_a_mistake_of_ours() -> None:
    with pytest.raises(AssertionError, match="a rule asks for an image that its scope does not promise"):
        _ = CheckContext(subject()).new


def test_without_a_base_nothing_is_kept_and_nothing_changed() -> None:
    case = CheckContext(subject(), Image.raw(u16(1)))
    assert case.kept.tolist() == [False] and case.kept.dtype == bool
    assert case.old is None
    assert case.changes.tables == ()


def test_findings_that_base_and_image_share_are_kept() -> None:
    tables = "".join(table("scalar", name, at=at) for name, at in (("one", 0), ("two", 2), ("three", 4)))
    case = CheckContext(subject(tables), Image.raw(u16(1, 2)), Image.raw(u16(1, 3, 3)))
    assert case.kept.tolist() == [True, False, False]


def test_a_case_of_a_definition_alone_has_nothing_to_say_about_an_image() -> None:
    item = subject()
    assert CheckContext(item) == CheckContext(
        loaded=item,
        image=None,
        base=None,
        read_error=None,
        base_problem=None,
        base_path="",
        damages=(),
        start=None,
        is_raw=True,
    )
