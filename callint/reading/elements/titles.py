"""The titles of a definition in other languages."""

from __future__ import annotations

import re

from lxml import etree

from callint.model.translation import Titled, Translation
from callint.reading.elements.inherited_elements import TranslationKey
from callint.reading.elements.reader import ElementReader

_LANGUAGE = "{http://www.w3.org/XML/1998/namespace}lang"
#: The form of a language tag by xs:language, which XML Schema takes from BCP 47.
_TAG = re.compile(r"[A-Za-z]{1,8}(-[A-Za-z0-9]{1,8})*")
_NAMED = (Titled.TABLE, Titled.GROUP, Titled.SIGNAL)


def read_titles(
    reader: ElementReader, element: etree._Element, translations: dict[TranslationKey, Translation]
) -> None:
    """Add the translations of ``<titles>``; of two for one element and language, the first counts."""
    language = element.get(_LANGUAGE, "").strip()
    if not _TAG.fullmatch(language):
        if reader.flagged.isdisjoint(element.iter()):
            reader.report(element, "xml:lang must name the language by its tag, such as de or nb-NO")
        return
    for child in element:
        translation = reader.build(lambda reader, child: _translation(reader, child, language), child)
        if translation is None:
            continue
        key = language, translation.kind, translation.name
        if key in translations:
            owner = f"{translation.kind} {translation.name}".strip()
            reader.report(child, f"the title of the {owner} is given twice in {language}")
        else:
            translations[key] = translation


def _translation(reader: ElementReader, element: etree._Element, language: str) -> Translation:
    given = [kind for kind in _NAMED if element.get(kind) is not None]
    if len(given) > 1:
        raise ValueError("give only one of table, group and signal")
    kind = given[0] if given else Titled.DEFINITION
    name = element.get(kind, "").strip() if given else ""
    title = " ".join((element.text or "").split())
    return Translation(language, kind, name, title, reader.line(element))
