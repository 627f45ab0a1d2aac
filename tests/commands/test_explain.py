"""``callint explain``: the page for the owner states the facts and nothing else."""

from __future__ import annotations

import html
import re
from pathlib import Path

import pytest

from callint.reporting.explanation.english import English
from callint.reporting.explanation.german import German
from tests.building import u16
from tests.running import (
    CUT,
    EGR,
    EVERYTHING,
    GOOD,
    MONITOR,
    POLICY,
    Scratch,
    copy_of,
    edited,
    fuel_cell,
    make_repository_yard,
    make_yard,
    refreshed,
    yard_base,
    yard_definition,
)

BASE, HERON = "factory/base.bin", "boats/heron.bin"
#: Lever work first, then emissions: each cell has one commit that set it.
SECOND = edited(GOOD, {fuel_cell(2, 1): u16(470), EGR: b"\x1c"})

GERMAN = b"""<titles xml:lang="de"><translation>Werftmotor</translation>
<translation table="fuel">Einspritzmenge</translation><translation signal="speed">Drehzahl</translation>
<translation signal="load">Menge</translation></titles></definition>"""


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two commits of two reasons on the factory image, of which one has a waiver."""
    yard = make_repository_yard(tmp_path_factory.mktemp("explained") / "yard")
    yard.write(HERON, GOOD)
    yard.commit("Heron: stronger in the middle\n\nThe owner finds her lazy at 1600 rpm.")
    yard.write(HERON, SECOND)
    done = yard.call(
        *(
            "waive",
            "change/emissions",
            "--image",
            HERON,
            "--table",
            "egr",
            "--reason",
            "Measured at the quay.",
        )
    )
    assert done.status == 0, done
    yard.commit("Heron: less recirculation")
    return yard.root


@pytest.fixture
def yard(template: Path, tmp_path: Path) -> Scratch:
    return refreshed(copy_of(template, tmp_path / "yard"))


def source(yard: Scratch, *arguments: str, status: int = 0) -> str:
    """The page of an explanation, or the message of one that fails."""
    done = yard.call("explain", *arguments, "--output", "page.html")
    assert (done.status, done.stdout) == (status, ""), done
    return (yard.root / "page.html").read_text("utf-8") if not status else done.stderr


def lines(page: str) -> list[str]:
    """What a person reads, a line for each paragraph, heading and cell."""
    body = page.partition("<body>")[2]
    texts = re.split(r"<[^>]+>", body)
    return [html.unescape(text).strip() for text in texts if text.strip()]


def test_the_page_explains_what_changed_where_and_why(yard: Scratch) -> None:
    text = lines(source(yard, BASE, HERON))
    assert "2 of 6 settings differ; the others are as the maker set them." in text
    assert "None of the 3 settings for protection differs." in text
    assert "1 setting for emissions differs." in text
    fuel = text.index("Fuel by speed and load")
    assert text[fuel + 1 : fuel + 4] == [
        "higher, largest change 44.0 → 45.0 mg (+2.3 %) at 1600 rpm, 40 mg",
        "Engine speed 1600 to 2400 rpm",
        "Fuel quantity 40 mg",
    ]
    egr = text.index("Recirculation")
    assert text[egr + 1 : egr + 3] == [
        "lower, 30 → 28 % at 800 rpm",
        "Accepted by Ada Quay: Measured at the quay.",
    ]


def test_each_commit_has_the_settings_that_it_set(yard: Scratch) -> None:
    text = lines(source(yard, BASE, HERON))
    (first,) = (n for n, line in enumerate(text) if line.endswith("Heron: stronger in the middle"))
    (second,) = (n for n, line in enumerate(text) if line.endswith("Heron: less recirculation"))
    assert (
        first
        < text.index("The owner finds her lazy at 1600 rpm.")
        < text.index("Fuel by speed and load")
        < second
    )
    assert text[second + 1] == "Also part of this step: Recirculation, Fuel by speed and load (see above)"


def test_a_change_that_no_commit_has_is_not_recorded(yard: Scratch) -> None:
    yard.write(HERON, edited(SECOND, {fuel_cell(3, 1): u16(490)}))
    text = lines(source(yard, BASE, HERON))
    assert "Not recorded yet" in text
    assert "State of" not in text


def test_a_lost_protection_and_open_errors_come_first(yard: Scratch) -> None:
    yard.write(HERON, EVERYTHING)
    text = lines(source(yard, BASE, HERON))
    assert "3 of 3 settings for protection differ: 1 no longer protects, 2 protect less than before." in text
    (problems,) = (line for line in text if line.startswith("The check reports"))
    assert problems.endswith("that nobody accepted. Do not run the engine with this state.")
    guarded = text.index("Protection and emissions")
    assert text[guarded + 4 : guarded + 7] == ["Overboost is watched", "on → off", "It no longer protects."]
    assert "4 more bytes differ that nobody has described; what they do is not known." in text


def test_a_moved_scale_is_reported_once_for_its_settings(yard: Scratch) -> None:
    yard.write(HERON, edited(yard_base(), {0x06: u16(2500)}))
    yard.commit("Heron: scale moved")
    page = source(yard, BASE, HERON)
    text = lines(page)
    titles = text.index("Fuel by speed and load, Temperature trim")
    assert text[titles + 1] == "the scale for Engine speed: 3200 → 2500 rpm"
    assert page.count("Heron: scale moved") == 1


def test_the_way_back_to_the_factory_is_not_a_mistake(yard: Scratch) -> None:
    yard.write(HERON, EVERYTHING)
    text = lines(source(yard, HERON, BASE))
    assert "The check reports no error or warning that nobody accepted." in text


@pytest.mark.parametrize(
    ("cut", "english", "german"),
    [
        (4300, "1 warning that", "1 Warnung, die"),
        (4500, "1 error that", "1 Fehler, den"),
    ],
)
def test_a_warning_is_not_called_an_error(yard: Scratch, cut: int, english: str, german: str) -> None:
    yard.write(HERON, edited(SECOND, {CUT: u16(cut)}))
    assert any(line.startswith(f"The check reports {english}") for line in lines(source(yard, BASE, HERON)))
    page = source(yard, BASE, HERON, "--language", "de")
    assert any(line.startswith(f"Die Prüfung meldet {german}") for line in lines(page))


def test_errors_and_warnings_are_counted_apart() -> None:
    assert (
        English().problems(2, 3).startswith("The check reports 2 errors and 3 warnings that nobody accepted.")
    )
    assert German().problems(1, 1).startswith("Die Prüfung meldet 1 Fehler und 1 Warnung, die niemand")


def test_a_change_of_nothing_is_reported(yard: Scratch) -> None:
    text = lines(source(yard, BASE, BASE))
    assert "All 6 settings are as they were." in text
    assert "What was changed, and why" not in text


def test_an_earlier_state_is_not_the_makers(yard: Scratch) -> None:
    text = lines(source(yard, f"HEAD~1:{HERON}", f"HEAD:{HERON}"))
    assert f"an earlier state (HEAD~1:{HERON})" in text
    assert "2 of 6 settings differ; the others are as they were." in text
    assert not any(line.endswith("stronger in the middle") for line in text)


def test_without_git_there_are_no_reasons(tmp_path: Path) -> None:
    yard = make_yard(tmp_path / "yard", heron=SECOND)
    done = yard.call("explain", BASE, HERON, "--output", "page.html")
    assert done.status == 0, done
    text = lines((yard.root / "page.html").read_text("utf-8"))
    assert "The file is in no version history, so no reasons are recorded." in text
    assert "Fuel by speed and load" in text


def test_the_page_is_german_with_the_titles_that_the_definition_has(yard: Scratch) -> None:
    yard.write("defs/yard.xml", yard_definition().replace(b"</definition>", GERMAN))
    done = yard.call("explain", BASE, HERON, "--output", "page.html", "--language", "de")
    page = (yard.root / "page.html").read_text("utf-8")
    text = lines(page)
    assert done.stderr == "callint: no title in de: egr, hull_number; the page has the definition's own\n"
    assert '<html lang="de">' in page
    assert "Werftmotor" in text
    assert "2 von 6 Einstellungen sind anders, die übrigen sind wie vom Hersteller eingestellt." in text
    fuel = text.index("Einspritzmenge")
    assert text[fuel + 1 : fuel + 3] == [
        "höher, größte Änderung 44,0 → 45,0 mg (+2,3 %) bei 1600 rpm, 40 mg",
        "Drehzahl 1600 bis 2400 rpm",
    ]


def test_the_page_names_the_release_of_the_image(yard: Scratch) -> None:
    """The same image, released or not; a release of another state is none of this one."""
    yard.must("checkout", "--quiet", "HEAD~1")
    yard.write("callint.toml", POLICY + '[severity]\n"change/emissions" = "note"\n')
    yard.commit("Notes do")
    assert "callint found none of this state" in lines(source(yard, BASE, HERON))
    done = yard.call("release", HERON, "--to", "../elsewhere")
    assert done.status == 0, done
    assert "callint found none of this state" in lines(source(yard, BASE, HERON))
    commit = yard.must("rev-parse", "HEAD").strip()
    text = lines(source(yard, BASE, HERON, "--releases", "../elsewhere"))
    assert text[text.index("Release") + 1].startswith(f"{commit[:10]}, ")
    yard.write(HERON, SECOND)
    assert "callint found none of this state" in lines(source(yard, BASE, HERON))


def test_a_language_in_which_no_page_is_written_is_refused(yard: Scratch) -> None:
    done = yard.call("explain", BASE, HERON, "--output", "page.html", "--language", "fr")
    assert (done.status, done.stderr) == (
        2,
        "callint: --language fr: callint writes the page in en or de\n",
    )


def test_texts_of_strangers_are_texts(yard: Scratch) -> None:
    yard.write(
        "defs/yard.xml",
        yard_definition().replace(b"Fuel by speed and load", b"&lt;script&gt;x&lt;/script&gt;"),
    )
    yard.write(HERON, edited(SECOND, {MONITOR: b"\x00"}))
    yard.commit("<script>alert(1)</script>")
    page = source(yard, BASE, HERON)
    assert "<script" not in page
    assert "&lt;script&gt;x&lt;/script&gt;" in page


def test_the_same_files_give_the_same_page(yard: Scratch) -> None:
    assert source(yard, BASE, HERON) == source(yard, BASE, HERON)


def test_the_owner_reads_no_names_of_tables_and_no_addresses(yard: Scratch) -> None:
    yard.write(HERON, EVERYTHING)
    text = " ".join(lines(source(yard, BASE, HERON)))
    assert not re.search(r"smoke_cap|overspeed_cut|hull_number|0x[0-9A-F]+|protection/|change/", text)


def test_a_cut_in_small_steps_is_a_single_value(yard: Scratch) -> None:
    yard.write(HERON, edited(SECOND, {CUT: u16(4150)}))
    text = lines(source(yard, BASE, HERON))
    assert text[text.index("Fuel cut-off speed") + 1] == "4200 → 4150 rpm (-1.2 %)"
