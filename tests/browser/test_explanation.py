"""The page for the owner in a browser: it fits one sheet, everybody can read it, and it asks for nothing."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from random import Random

import pypdfium2
import pytest

from callint.decoding.loaded_definition import LoadedDefinition
from callint.model import rule_ids
from callint.model.definition import Definition, Purpose
from callint.model.finding import Finding
from callint.model.image import Image
from callint.model.waiver import Waiver
from callint.reading.definition_file import DefinitionFile
from callint.reporting.explanation.html import LANGUAGES, page
from callint.reporting.explanation.wording import Titles
from callint.rules.context import CheckContext
from callint.versioning.attribution import Origin
from callint.versioning.explanation import ChangeReason, Explanation, explained_tables, unchanged_tables
from callint.versioning.review import Digests, ImageState, ReviewedImage
from tests.browser.conftest import Opened
from tests.building import definition_xml, read
from tests.running import needs_chromium

pytestmark = needs_chromium

_CELLS = 8
_SEEDS = 2
#: Words of all lengths; texts of them break like those of people.
_WORDS = (
    "a",
    "by",
    "of",
    "half",
    "lever",
    "boost",
    "demand",
    "pressure",
    "overspeed",
    "recirculation",
    "temperature",
)


def words(random: Random, most: int) -> str:
    return " ".join(random.choice(_WORDS) for _ in range(random.randint(2, most)))


def fleet_definition(random: Random, tables: int) -> Definition:
    """Curves and scalars of all purposes, with titles as long as titles get."""
    items = []
    for number in range(tables):
        kind = random.choice(("curve", "scalar"))
        axis = '<x axis="speed_8"/>' if kind == "curve" else ""
        items.append(
            f'<{kind} name="table_{number}" title="{words(random, 9)}" '
            f'purpose="{random.choice(list(Purpose))}" at="{64 + 2 * _CELLS * number}" '
            f'type="uint16" conversion="rpm">{axis}</{kind}>'
        )
    axis = '<axis name="speed_8" signal="speed" at="0" type="uint16" conversion="rpm" count="8"/>'
    return read(definition_xml("".join(items), axes=axis, size=64 + 2 * _CELLS * tables))


def explanation(seed: int, tables: int, reasons: int) -> Explanation:
    """A change of most tables, by some commits with long messages, much of it accepted in many words."""
    random = Random(seed)
    definition = fleet_definition(random, tables)
    loaded = LoadedDefinition(DefinitionFile("test.xml", definition, ()), definition)
    axis = b"".join((500 * (number + 1)).to_bytes(2, "big") for number in range(_CELLS))
    old, new = (axis.ljust(64, b"\0") + random.randbytes(definition.memory.size - 64) for _ in range(2))
    context = CheckContext(loaded, Image.raw(new), Image.raw(old))
    image = ReviewedImage(
        "boats/heron.bin",
        ImageState.CHANGED,
        "factory/base.bin",
        "boats/heron.bin",
        context=context,
        sha256=Digests("0" * 64, "f" * 64),
    )
    names = list(definition.tables)
    findings = [_finding(random, name) for name in names if random.random() < 0.5]
    explained = explained_tables(image, findings)
    return Explanation(
        image=image,
        changes=context.changes,
        definition=definition,
        is_from_maker=random.random() < 0.5,
        tables=explained,
        errors=random.randint(0, 9),
        warnings=random.randint(0, 9),
        is_other_software=random.random() < 0.5,
        reasons=tuple(_reason(random, names) for _ in range(reasons)) if reasons else None,
        unchanged=unchanged_tables(definition, explained),
    )


def _finding(random: Random, table: str) -> Finding:
    rule = random.choice(
        (rule_ids.PROTECTION_DISABLED, rule_ids.PROTECTION_WEAKENED, rule_ids.CHANGE_EMISSIONS)
    )
    waiver = Waiver(rule, "boats/heron.bin", table, words(random, 90), "Ines Falk", None, "", 1)
    return Finding(rule=rule, message="", table=table, waiver=waiver if random.random() < 0.5 else None)


def _reason(random: Random, names: list[str]) -> ChangeReason:
    day = datetime(2026, random.randint(1, 12), random.randint(1, 28), tzinfo=UTC)
    origin = Origin("1" * 40, "Ines Falk", "", day, words(random, 9), False)
    return ChangeReason(origin, words(random, 90), tuple(random.sample(names, random.randint(1, len(names)))))


def written(folder: Path, subject: Explanation, tag: str) -> Path:
    target = folder / "page.html"
    target.write_text(page(subject, LANGUAGES[tag](), Titles(subject.definition, tag)), "utf-8")
    return target


@pytest.mark.parametrize("tag", LANGUAGES)
@pytest.mark.parametrize(("tables", "reasons"), [(3, 1), (60, 0), (60, 3), (300, 12)])
def test_any_change_fits_one_sheet_of_a4(
    opened: Opened, tmp_path: Path, tables: int, reasons: int, tag: str
) -> None:
    for seed in range(_SEEDS):
        sheet = opened(written(tmp_path, explanation(seed, tables, reasons), tag))
        assert len(pypdfium2.PdfDocument(sheet.paper())) == 1, (seed, sheet.text("body"))


@pytest.mark.parametrize("width", [1400, 390])
def test_everybody_can_read_it(opened: Opened, tmp_path: Path, width: int) -> None:
    sheet = opened(written(tmp_path, explanation(1, 60, 3), "en"), width=width)
    assert sheet.violations() == []
    assert sheet.run("return document.documentElement.scrollWidth") <= width
    assert sheet.logged("browser") == []


def test_it_asks_for_nothing_and_runs_nothing(opened: Opened, tmp_path: Path) -> None:
    file = written(tmp_path, explanation(1, 60, 3), "en")
    sheet = opened(file)
    assert sheet.requests() <= {file.as_uri()}
    assert "<script" not in file.read_text("utf-8")
