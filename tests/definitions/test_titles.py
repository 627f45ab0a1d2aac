"""Titles of a definition in other languages: how they are read, inherited, checked and merged."""

from __future__ import annotations

import pytest

from callint.comparing.definition_merge.merge import merge_definitions
from callint.model.definition import Definition
from callint.model.translation import Titled
from callint.reading.definition import read_definition
from callint.reading.xml_source import read_source
from tests.building import Files, definition_xml, findings

XML = definition_xml(
    '<group name="idle" title="Idling"><scalar name="idle_speed" title="Idle speed" purpose="demand" at="0" '
    'type="uint16" conversion="rpm"><limits min="600" max="900"/></scalar></group>'
).decode()


def with_titles(titles: str, language: str = ' xml:lang="de"') -> bytes:
    return XML.replace("</definition>", f"<titles{language}>{titles}</titles>\n</definition>").encode()


def german(definition: Definition | None) -> dict[tuple[Titled, str], str]:
    assert definition is not None
    return {(item.kind, item.name): item.title for item in definition.translations if item.language == "de"}


def problems(xml: bytes) -> list[str]:
    return [problem.message for problem in read_definition(xml, "test.xml").problems]


@pytest.mark.parametrize("language", ["", ' xml:lang=""', ' xml:lang="de_DE"', ' xml:lang="Plattdeutsch"'])
def test_titles_need_the_tag_of_their_language(language: str) -> None:
    """Tags have the form of xs:language in XML Schema, which takes it from BCP 47."""
    xml = with_titles("<translation>Titel</translation>", language)
    assert problems(xml) == ["<titles>: xml:lang must name the language by its tag, such as de or nb-NO"]


def test_one_element_has_one_title_in_a_language() -> None:
    titles = '<translation table="idle_speed">Leerlauf</translation>'
    twice = with_titles(titles + titles.replace("Leerlauf", "Standgas"))
    assert problems(twice) == ["<translation>: the title of the table idle_speed is given twice in de"]
    assert german(read_definition(twice, "test.xml").definition) == {(Titled.TABLE, "idle_speed"): "Leerlauf"}


def test_a_translation_is_of_one_element() -> None:
    both = with_titles('<translation table="idle_speed" group="idle">Leerlauf</translation>')
    assert problems(both) == ["<translation>: give only one of table, group and signal"]


@pytest.mark.parametrize("kind", ["table", "group", "signal"])
def test_a_translation_of_nothing_is_an_unknown_reference(kind: str) -> None:
    xml = with_titles(f'<translation {kind}="idel">Leerlauf</translation>')
    (finding,) = (item for item in findings(xml) if item.rule == "definition/unknown-reference")
    assert finding.message == f"the translation into de names the {kind} 'idel', which does not exist"


CHILD = """<definition xmlns="urn:callint:definition:1" name="child" revision="1" byte-order="big"
 extends="test.xml">
<inherited>{inherited}</inherited>
{titles}
</definition>"""
PARENT = with_titles(
    '<translation table="idle_speed">Leerlauf</translation><translation group="idle">Im Stand</translation>'
    '<translation signal="speed">Drehzahl</translation>'
)


def child(inherited: str = "", titles: str = "") -> Definition | None:
    tree = Files()
    tree.files["test.xml"] = PARENT
    file = read_definition(CHILD.format(inherited=inherited, titles=titles).encode(), "child.xml", tree)
    assert file.problems == ()
    return file.definition


def test_a_child_keeps_the_titles_of_its_parent_and_replaces_some() -> None:
    own = '<titles xml:lang="de"><translation table="idle_speed">Leerlaufdrehzahl</translation></titles>'
    assert german(child(titles=own)) == {
        (Titled.TABLE, "idle_speed"): "Leerlaufdrehzahl",
        (Titled.GROUP, "idle"): "Im Stand",
        (Titled.SIGNAL, "speed"): "Drehzahl",
    }


def test_what_the_child_does_not_take_needs_no_title() -> None:
    assert (Titled.TABLE, "idle_speed") not in german(child('<gone table="idle_speed"/>'))


def test_a_shared_file_can_hold_the_titles_of_a_translator() -> None:
    tree = Files()
    tree.files["german.xml"] = (
        b'<shared xmlns="urn:callint:definition:1"><titles xml:lang="de">'
        b'<translation signal="speed">Drehzahl</translation></titles></shared>'
    )
    xml = XML.replace("<memory ", '<use file="german.xml"/><memory ', 1).encode()
    assert german(read_definition(xml, "test.xml", tree).definition) == {(Titled.SIGNAL, "speed"): "Drehzahl"}


def test_translations_of_two_people_are_merged_by_element_and_language() -> None:
    base = with_titles('<translation table="idle_speed">Leerlauf</translation>')
    ours = base.replace(b"</titles>", b'<translation group="idle">Im Stand</translation></titles>')
    theirs = base.replace(b"Leerlauf", b"Standgas").replace(
        b"</definition>",
        b'<titles xml:lang="fr"><translation table="idle_speed">Ralenti</translation></titles></definition>',
    )
    sources = [read_source(file, "test.xml") for file in (base, ours, theirs)]
    merge = merge_definitions(sources[0], sources[1], sources[2])
    assert not merge.conflicts
    merged = read_definition(merge.data, "test.xml").definition
    assert german(merged) == {(Titled.TABLE, "idle_speed"): "Standgas", (Titled.GROUP, "idle"): "Im Stand"}
    assert merged is not None and merged.translations[-1].title == "Ralenti"
