"""What is looked at, and how several reports become one."""

from __future__ import annotations

import pytest

from callint.checking import bases as checking_bases
from callint.checking.assignments import Assignment
from callint.checking.checker import Checker
from callint.checking.image_findings import ImageResult
from callint.checking.loading import Definitions
from callint.checking.report import Report, merge_reports
from callint.model.finding import Finding
from callint.model.policy import Policy
from tests.building import TODAY, Counted, Files, definition_xml, hex_file, image, u16
from tests.rules.example import table


def test_no_report_at_all_is_one_about_nothing() -> None:
    assert merge_reports([]) == Report((), 0, 0, 0)


def test_several_reports_add_up_and_name_each_file_once() -> None:
    first, second = (Finding(rule="value/unexpected", message=word) for word in ("first", "second"))
    item = Report((first,), 1, 20, 300, ("a.bin", "test.xml"), "callint.toml", known=(second,), commit="abc")
    other = Report((second, first), 2, 40, 600, ("b.bin", "test.xml", "c.bin"), "other.toml")
    assert merge_reports([item]) is item
    assert merge_reports([item, other]) == Report(
        (first, second, first), 3, 60, 900, ("a.bin", "test.xml", "b.bin", "c.bin"), "callint.toml"
    )


def test_a_report_lists_what_was_checked_and_mentions_no_commit() -> None:
    xml = definition_xml(
        table("scalar", "fuel", '<limits max="1"/>', signal="load")
        + table("scalar", "idle", '<limits max="1000"/>', at=2, signal="speed", conversion="rpm")
        + table("scalar", "switch", at=4, type="uint8", conversion="on_off")
    )
    files = Files(test_xml=xml, new_bin=image())
    item = Assignment("new.bin", ("test.xml",), ())
    whole = Checker(files, Policy(path="callint.toml"), TODAY).report([item])
    assert whole == Report((), 1, 3, 3, ("new.bin", "test.xml"), "callint.toml", None, "")


def found(xml: bytes, data: bytes) -> ImageResult:
    files = Files(test_xml=xml, new_bin=data)
    return Checker(files, Policy(), TODAY).find(Assignment("new.bin", ("test.xml",), ()))


def test_nothing_is_looked_at_in_an_image_whose_definition_gives_none() -> None:
    item = Assignment("new.bin", ("test.xml",), ())
    assert found(b"no definition", image()) == ImageResult(item, "", (), (), {}, 0, 0)


def test_an_image_is_found_to_have_the_tables_and_cells_that_can_be_decoded() -> None:
    xml = definition_xml(
        table("scalar", "fuel") + table("curve", "cap", '<x><axis signal="speed" at="8" type="uint16" '
        'conversion="rpm" count="3"/></x>', at=14)
    )  # fmt: skip
    item = found(xml, image(at_8=u16(1000, 2000, 3000), at_14=u16(1, 2, 3)))
    assert (item.assignment.image, item.definition, item.findings, item.digests) == (
        "new.bin",
        "test.xml",
        (),
        {},
    )
    assert (item.tables, item.cells) == (2, 4)
    # The rules about the file and about the image, and without a base none about a change.
    assert {"image/unreadable", "value/out-of-range"} <= {*item.rules}
    assert not {"change/emissions", "definition/invalid", "waiver/unused"} & {*item.rules}


def test_an_image_of_other_software_is_checked_as_a_file_only() -> None:
    xml = definition_xml(table("scalar", "fuel"), memory='<identity name="number" at="8" text="B1"/>')
    item = found(xml, image(at_8=b"A1"))
    assert (item.tables, item.cells) == (0, 0)
    assert [finding.rule for finding in item.findings] == ["image/wrong-identity"]
    assert "value/out-of-range" not in item.rules


def test_a_base_of_part_of_the_memory_begins_where_the_image_does() -> None:
    xml = definition_xml(table("scalar", "egr", at=18, purpose="emissions"))
    item = Assignment("new.bin", ("test.xml",), ("base.bin",), start=16)
    files = Files(test_xml=xml, new_bin=u16(0, 30), base_bin=u16(0, 20))
    (finding,) = Checker(files, Policy(), TODAY).find(item).findings
    assert (finding.rule, finding.table, finding.address, finding.offset) == (
        "change/emissions",
        "egr",
        18,
        2,
    )
    assert finding.message == "1 cell of an emissions table changed: 2.0 mg became 3.0 mg"


def test_a_definition_is_chosen_by_where_the_image_begins() -> None:
    files = Files(new_bin=b"B1")
    for number in ("A1", "B1"):
        memory = f'<identity name="number" at="16" text="{number}"/>'
        files.files[f"{number}.xml"] = definition_xml("", memory=memory)
    item = Assignment("new.bin", ("A1.xml", "B1.xml"), (), start=16)
    assert Checker(files, Policy(), TODAY).find(item).definition == "B1.xml"


def test_a_damaged_image_is_taken_to_be_of_the_first_definition() -> None:
    files = Files(new_bin=b":00000001FE\n")
    for number in ("A1", "B1"):
        memory = f'<identity name="number" at="16" text="{number}"/>'
        files.files[f"{number}.xml"] = definition_xml("", memory=memory)
    item = Checker(files, Policy(), TODAY).find(Assignment("new.bin", ("A1.xml", "B1.xml"), ()))
    assert item.definition == "A1.xml"
    assert {finding.rule for finding in item.findings} == {"image/damaged-record"}


WHOLE = image(at_60=u16(1))


@pytest.mark.parametrize(
    ("data", "place"),
    [(WHOLE, 60), (WHOLE[:63], None), (hex_file({0: WHOLE}), None)],
    ids=["whole", "cut off", "records"],
)
def test_a_finding_has_a_place_where_the_file_is_raw_and_has_all_its_bytes(
    data: bytes, place: int | None
) -> None:
    xml = definition_xml(
        table("curve", "egr", '<x axis="two"/>', at=60, purpose="emissions"),
        axes='<fixed-axis name="two" signal="speed" values="1 2"/>',
    )
    files = Files(test_xml=xml, base_bin=image(), new_bin=data)
    result = Checker(files, Policy(), TODAY).find(Assignment("new.bin", ("test.xml",), ("base.bin",)))
    (item,) = [finding for finding in result.findings if finding.rule == "change/emissions"]
    assert (item.address, item.size, item.offset) == (60, 4, place)


# What is kept


def test_definitions_are_kept_by_path_and_content_and_the_one_longest_unasked_goes() -> None:
    contents = [definition_xml("", start=16 * number) for number in range(9)]
    known = Definitions()
    first = [known.load(content, "test.xml") for content in contents[:8]]
    assert [item.file.definition and item.file.definition.memory.start for item in first] == [
        *range(0, 128, 16)
    ]
    assert known.load(contents[0], "test.xml") is first[0]
    # The ninth drives out the second, as the first was asked for again.
    known.load(contents[8], "test.xml")
    assert known.load(contents[0], "test.xml") is first[0]
    assert known.load(contents[2], "test.xml") is first[2]
    assert known.load(contents[1], "test.xml") is not first[1]
    assert known.load(contents[2], "other.xml") is not first[2]


def test_bases_are_kept_up_to_a_bound_and_the_one_longest_unasked_goes(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(checking_bases, "_KEPT_BYTES", 128)  # of two bases
    files = Counted(Files(test_xml=definition_xml(""), new_bin=image()))
    bases = "abacab"
    files.files |= {f"{name}.bin": image() for name in bases}
    inspector = Checker(files, Policy(), TODAY)
    for name in bases:
        inspector.find(Assignment("new.bin", ("test.xml",), (f"{name}.bin",)))
    # The third replaces the second, because the first was used again; then the second is read again.
    assert [path for path in files.read_files if path[0] in "abc"] == ["a.bin", "b.bin", "c.bin", "b.bin"]


def test_a_base_larger_than_the_bound_is_kept_for_the_next_image(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(checking_bases, "_KEPT_BYTES", 1)
    files = Counted(Files(test_xml=definition_xml(""), new_bin=image(), base_bin=image()))
    inspector = Checker(files, Policy(), TODAY)
    for _ in range(2):
        inspector.find(Assignment("new.bin", ("test.xml",), ("base.bin",)))
    assert files.read_files.count("base.bin") == 1


def test_progress_reports_every_image_when_it_is_checked() -> None:
    files = Files(test_xml=definition_xml(""), a_bin=image(), b_bin=b"")
    images = [Assignment(name, ("test.xml",), ()) for name in ("b.bin", "a.bin", "lost.bin")]
    done: list[str] = []
    Checker(files, Policy(), TODAY).report(images, step=done.append)
    assert done == ["b.bin", "a.bin", "lost.bin"]
