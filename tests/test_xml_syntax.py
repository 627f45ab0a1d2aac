"""XML that is not well-formed: the first mistake in plain words with its line and remedy."""

from __future__ import annotations

import pytest

from callint.reading import xml
from tests.building import definition_xml, findings
from tests.rules.example import line_of, table


def definition(inside: str) -> bytes:
    """A definition with a limit on a table, and further tables behind it."""
    return definition_xml(
        table("scalar", "fuel", f"\n{inside}\n")
        + "\n"
        + table("scalar", "torque", "<note>Rated</note>", at=2)
    )


#: What stands in the table, words of the message, and the remedy.
FAULTS = [
    ("<limits max=1300/>", "the value of max has no quotes", 'Write max="1300", with straight quotes.'),
    ("<limits max=“1300”/>", "the value of max has no quotes", 'Write max="...", with straight quotes.'),
    ("<note>Rated at 40 & more</note>", "a & is not the start of an entity", "Write &amp; for &."),
    ("<note>R&D</note>", "a & is not the start of an entity", "Write &amp; for &."),
    ("<note>R&D;</note>", "Entity 'D' not defined", "Write &amp; for &, or the character itself."),
    ("<note>below < 40</note>", "a < is not the start of an element", "Write &lt; for <."),
    ('<limits max="1" max="2"/>', "the attribute max occurs twice", "Remove one of the two."),
    ("<limits max/>", "the attribute max has no value", 'Write max="...".'),
    (
        '<limits min="1"max="2"/>',
        "there is no space before an attribute",
        "Put a space between the attributes, or correct their quotes.",
    ),
]


@pytest.mark.parametrize(("inside", "message", "hint"), FAULTS)
def test_a_common_mistake_is_one_finding_in_plain_words_with_its_remedy(
    inside: str, message: str, hint: str
) -> None:
    data = definition(inside)
    (finding,) = findings(data)
    assert finding.message == f"not well-formed XML: {message}"
    assert (finding.line, finding.hint) == (line_of(data, inside), hint)


def test_a_tag_that_is_not_closed_is_one_finding_that_names_its_line() -> None:
    data = definition('<limits max="1300">')
    (finding,) = findings(data)
    line = line_of(data, "<limits")
    assert finding.message == f"not well-formed XML: </scalar> closes <limits> of line {line}"
    assert finding.hint == f"End <limits> in line {line} with /> or </limits>, or correct </scalar>."


def test_a_tag_without_its_end_is_one_finding() -> None:
    data = definition('<limits max="1300"\n<note>Rated</note>')
    (finding,) = findings(data)
    line = line_of(data, "<limits")
    assert finding.message == f"not well-formed XML: <limits> of line {line} lacks its >"


@pytest.mark.parametrize(
    ("data", "message", "hint"),
    [
        (b"", "there is no outermost element", "Name a file that holds XML."),
        (b"rpm;limit\n", "there is no outermost element", "Name a file that holds XML."),
        (
            b"<a>\n<b/>\n",
            "the file ends, but <a> of line 1 is open",
            "Restore the end of the file, or close <a>.",
        ),
        (
            b"<a/>\n<b/>\n",
            "something follows the outermost element",
            "Remove what follows, or the tag that ends the element too early.",
        ),
        (b"<a>\n<!-- left open\n</a>", "Comment not terminated", ""),
    ],
)
def test_a_file_that_is_cut_off_or_no_xml_says_so_once(data: bytes, message: str, hint: str) -> None:
    (problem,) = xml.parse(data).problems
    assert (problem.message, problem.hint) == (f"not well-formed XML: {message}", hint)


def test_mistakes_after_which_the_reading_goes_on_are_all_named() -> None:
    data = b'<a>\n<b c="1" c="2"/>\n<d>4 & 5</d>\n<e></f>\n<g></h>\n</a>'
    assert [problem.line for problem in xml.parse(data).problems] == [2, 3, 4]


def test_what_lies_behind_an_open_tag_is_not_called_its_content() -> None:
    data = definition('<limits max="1300">\n<monotonic along="x" direction="rising"/>\n<note>Rated</note>')
    (finding,) = findings(data)
    assert "closes <limits>" in finding.message
