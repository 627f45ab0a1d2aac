"""``callint review``: what its page is made of, without a browser."""

from __future__ import annotations

import json
import re
import struct
import webbrowser
from datetime import date, timedelta
from functools import cache
from hashlib import sha256
from pathlib import Path
from random import Random
from typing import Any
from unittest import mock

import pytest

from tests.building import definition_xml, u16
from tests.running import (
    BAD,
    CUT,
    EGR,
    EVERYTHING,
    GOOD,
    HULL,
    POLICY,
    SIZE,
    SMOKE,
    SOFTWARE,
    Scratch,
    Yard,
    copy_of,
    edited,
    folder_for_copies,
    fuel_cell,
    make_demo,
    make_repository_yard,
    make_yard,
    refreshed,
    run,
    steering,
    valid,
    yard_base,
    yard_definition,
)

BASE, HERON = "factory/base.bin", "boats/heron.bin"


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return make_yard(tmp_path / "yard", heron=GOOD, auk=EVERYTHING, tern=BAD)


def reviewed(yard: Yard, *arguments: str, **env: str) -> Any:
    """The document of a review, which keeps to its contract."""
    output = yard.root.parent / "review.json"
    result = yard.call("review", *arguments, "--format", "json", "--output", str(output), **env)
    assert (result.status, result.stdout, result.stderr) == (0, "", "")
    return valid(json.loads(output.read_text("utf-8")), "review.schema.json")


def page_of(yard: Yard, *arguments: str) -> str:
    output = yard.root.parent / "review.html"
    result = yard.call("review", *arguments, "--output", str(output))
    assert (result.status, result.stdout, result.stderr) == (0, "", "")
    return output.read_text("utf-8")


def embedded(page: str) -> Any:
    """The document in a page."""
    (data,) = re.findall(r'<script type="application/json" id="review">(.*?)</script>', page, re.DOTALL)
    return json.loads(data)


def tables_of(document: Any, image: int = 0) -> dict[str, Any]:
    """The tables by name, their values as lists."""
    return {table["name"]: listed(table) for table in document["images"][image]["tables"]}


def listed(table: Any) -> Any:
    """A table whose values are lists, where they were in one text with commas."""
    values = {key: table[key] for key in ("old", "new", "difference", "percent")}
    for key, texts in values.items():
        if isinstance(texts, str):
            values[key] = texts.split(",") if key == "old" or table["changed"] else []
    return {**table, **values}


def changed_cells(table: Any) -> list[int]:
    """The numbers of the changed cells, written out."""
    return [cell for first, count in table["cells"] for cell in range(first, first + count)]


def texts_in(value: Any) -> list[str]:
    """Every text anywhere in a document."""
    if isinstance(value, str):
        return [value]
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return [text for item in inner for text in texts_in(item)]


# The document beside the other outputs


def test_the_tables_are_those_of_the_diff_number_by_number(yard: Yard) -> None:
    document = reviewed(yard, BASE, "boats/auk.bin")
    diff = yard.call("diff", BASE, "boats/auk.bin", "--format", "json").data
    tables = {name: table for name, table in tables_of(document).items() if table["changed"]}
    assert set(tables) == {table["table"] for table in diff["tables"]}
    for message in diff["tables"]:
        table = tables[message["table"]]
        cells = changed_cells(table)
        assert table["changed"] == message["changed"] == len(cells)
        assert [cell["y"] * table["nx"] + cell["x"] for cell in message["cells"]] == cells
        assert [cell["new_raw"] for cell in message["cells"]] == table["new_raw"]
        assert [cell["old_raw"] for cell in message["cells"]] == [table["old_raw"][cell] for cell in cells]
        if not table.get("states"):
            olds = [cell["old"] for cell in message["cells"] if not cell.get("old_off")]
            assert olds == [float(table["old"][cell]) for cell in cells if table["old"][cell] != "off"]
            news = [cell["new"] for cell in message["cells"] if not cell.get("new_off")]
            assert news == [float(text) for text in table["new"] if text != "off"]
    bytes_ = document["images"][0]["bytes"]
    assert bytes_["changed"] == diff["summary"]["bytes"]
    assert bytes_["changed"] - bytes_["explained"] == diff["summary"]["unexplained_bytes"] == 4
    assert bytes_["runs"] == [{"address": "0x00070", "size": 4}]


@pytest.mark.parametrize("seed", range(12))
def test_the_cells_of_any_two_images_are_those_of_the_diff(yard: Yard, seed: int) -> None:
    random = Random(seed)
    data = bytearray(yard_base())
    for _ in range(4 ** random.randrange(5)):
        data[random.randrange(SOFTWARE)] = random.randrange(256)
    yard.write("boats/any.bin", bytes(data))
    document = reviewed(yard, BASE, "boats/any.bin")
    diff = yard.call("diff", BASE, "boats/any.bin", "--format", "json").data
    tables = tables_of(document)
    assert document["images"][0]["bytes"]["changed"] == diff["summary"]["bytes"]
    assert {name for name in tables if tables[name]["changed"]} == {
        table["table"] for table in diff["tables"]
    }
    for message in diff["tables"]:
        table, cells = tables[message["table"]], changed_cells(tables[message["table"]])
        assert [cell["y"] * table["nx"] + cell["x"] for cell in message["cells"]] == cells
        assert [cell["new_raw"] for cell in message["cells"]] == table["new_raw"]
        assert len(table["old"]) == len(table["old_raw"]) == table["nx"] * table["ny"]
        for key in ("new", "difference", "percent"):
            assert len(table[key]) == len(cells)
        for place, cell in enumerate(message["cells"]):
            if "old_off" not in cell and "new_off" not in cell and not table.get("states"):
                assert float(table["new"][place]) == cell["new"]
                assert float(table["old"][cells[place]]) == cell["old"]
                step = float(table["difference"][place])
                assert step == pytest.approx(cell["new"] - cell["old"], abs=1e-9)


def test_the_findings_are_those_of_the_check(yard: Yard) -> None:
    document = reviewed(yard, BASE, "boats/auk.bin")
    message = yard.call("check", "boats/auk.bin", "--format", "json").data["findings"]
    assert message
    assert {finding["fingerprint"] for finding in document["findings"]} == {
        finding["fingerprint"] for finding in message
    }
    assert [finding["id"] for finding in document["findings"]] == list(range(len(message)))
    # OLD is the base, so that the causes and their order are the same.
    assert [finding["fingerprint"] for finding in document["findings"]] == [
        finding["fingerprint"] for finding in message
    ]
    assert set(document["rules"]) == {finding["rule"] for finding in message}


def test_a_changed_cell_has_values_difference_percent_raw_and_address(yard: Yard) -> None:
    fuel = tables_of(reviewed(yard, BASE, HERON))["fuel"]
    (cell,) = changed_cells(fuel)
    assert (cell % fuel["nx"], cell // fuel["nx"]) == (1, 1)
    assert (fuel["old"][cell], fuel["new"], fuel["difference"], fuel["percent"]) == (
        "44.0",
        ["45.0"],
        ["+1.0"],
        ["+2.3"],
    )
    assert (fuel["old_raw"][cell], fuel["new_raw"], fuel["unit"]) == (440, [450], "mg")
    assert fuel["order"] == "x-first"
    assert fuel["at"] + cell * fuel["stride"] == fuel_cell(1, 1)
    assert fuel["x"] == {
        "name": "speed_4",
        "signal": "Engine speed",
        "unit": "rpm",
        "old": ["800", "1600", "2400", "3200"],
        "operating": [0, 3],
    }
    assert fuel["y"]["old"] == ["10", "40", "70"]
    assert fuel["summary"] == (
        "1 of 12 cells changed; 44.0 → 45.0 mg (+1.0, +2.3 %) at 1600 rpm, 40 mg; inside the operating range"
    )


def test_protection_comes_first_then_the_worst_finding_then_the_largest_change(yard: Yard) -> None:
    document = reviewed(yard, BASE, "boats/auk.bin")
    tables = document["images"][0]["tables"]
    purposes = ["protection", "emissions", "demand", "correction", "diagnosis", "general"]
    ranks: dict[str | None, int] = {}
    for finding in document["findings"]:
        rank = ["error", "warning", "note"].index(finding["severity"])
        ranks[finding.get("table")] = min(rank, ranks.get(finding.get("table"), rank))
    order = [
        (purposes.index(table["purpose"]), ranks.get(table["name"], 9), -table["size"]) for table in tables
    ]
    assert order == sorted(order)
    assert [table["id"] for table in tables] == list(range(len(tables)))
    assert tables[0]["name"] == "monitor"


def test_a_switched_off_cell_and_a_state_have_no_difference(yard: Yard) -> None:
    tables = tables_of(reviewed(yard, BASE, "boats/auk.bin"))
    trim, monitor = tables["trim"], tables["monitor"]
    assert (trim["old"][0], trim["new"], trim["difference"], trim["percent"]) == ("20", ["off"], [""], [""])
    assert (trim["off"], trim["off_new"], trim["size"]) == ([], [[0, 1]], 1)
    assert (monitor["states"], monitor["old"], monitor["new"]) == (True, ["on"], ["off"])
    assert monitor["difference"] == [""]
    assert (monitor["nx"], monitor["ny"], "x" in monitor) == (1, 1, False)
    assert trim["notes"] == ["255 leaves the temperature alone."]


def test_an_axis_names_its_moved_tables_and_these_are_in_the_list(yard: Yard) -> None:
    document = reviewed(yard, BASE, "boats/auk.bin")
    (axis,) = document["images"][0]["axes"]
    assert (axis["name"], axis["old"][3], axis["new"][3], axis["unit"]) == ("speed_4", "3200", "3300", "rpm")
    assert {"fuel", "smoke_cap", "trim", "egr"} == set(axis["tables"])
    diff = yard.call("diff", BASE, "boats/auk.bin").flat
    moved = next(effect for effect in axis["effects"] if effect.startswith("fuel: output moved by up to "))
    assert moved.removeprefix("fuel: output moved by ").partition(";")[0] in diff
    fuel = tables_of(document)["fuel"]
    assert fuel["x"]["old"][3], fuel["x"]["new"][3] == ("3200", "3300")
    assert fuel["movement"].startswith("output moved by up to ")


def test_a_table_that_only_moved_with_its_axis_is_listed_without_changed_cells(yard: Yard) -> None:
    yard.write("boats/moved.bin", edited(yard_base(), {0x02: u16(2000)}))
    document = reviewed(yard, BASE, "boats/moved.bin")
    smoke = tables_of(document)["smoke_cap"]
    assert (smoke["changed"], smoke["cells"], smoke["new"]) == (0, [], [])
    assert smoke["summary"] == "no cell changed, but its axes did"
    assert smoke["movement"].startswith("output moved by up to ")
    assert "protection table" in document["verdict"]


def test_an_axis_that_cannot_be_read_hides_no_table(yard: Yard) -> None:
    yard.write("boats/bent.bin", edited(yard_base(), {0x02: u16(2500)}))
    smoke = tables_of(reviewed(yard, BASE, "boats/bent.bin"))["smoke_cap"]
    assert smoke["movement"] == "the movement of its output is unknown"


def test_texts_identities_and_checksums_are_reported(yard: Yard) -> None:
    yard.write("boats/stale.bin", edited(EVERYTHING, {HULL: b"AUK-1       "}, seal=False))
    image = reviewed(yard, BASE, "boats/stale.bin")["images"][0]
    assert image["texts"] == [
        {"name": "hull_number", "title": "Hull number", "old": "FACTORY", "new": "AUK-1"}
    ]
    assert image["software"] == [{"name": "software number", "old": "YARD-01", "new": "YARD-01"}]
    (checksum,) = image["checksums"]
    assert checksum["stale"] is True
    assert checksum["new"] == f"0x{int.from_bytes(EVERYTHING[0x90:0x92], 'big'):X}" != checksum["old"]
    image = reviewed(yard, BASE, "boats/auk.bin")["images"][0]
    assert image["checksums"][0]["stale"] is False


def test_changes_have_a_sentence_for_each_purpose_and_group(yard: Yard) -> None:
    sentences = reviewed(yard, BASE, "boats/auk.bin")["images"][0]["sentences"]
    assert sentences[0]["purpose"] == "protection"
    assert sentences[0]["text"].startswith(
        "3 of 3 tables changed, most of all Overboost is watched: on → off"
    )
    whole = [item["text"] for item in sentences if "purpose" not in item]
    assert 'Hull number: "FACTORY" became "HERON-3".' in whole
    assert "4 changed bytes belong to nothing that the definition describes." in whole
    assert any(text.startswith("Axis speed_4, which 4 tables share: 1 of 4 breakpoints") for text in whole)


def test_values_that_look_alike_in_the_usual_digits_get_more_digits(tmp_path: Path) -> None:
    yard = Yard(tmp_path / "yard")
    conversion = '<linear name="fine" unit="bar" factor="0.001" decimals="1"/>'
    table = '<scalar name="t" title="T" purpose="general" at="0" type="uint16" conversion="fine"/>'
    yard.write("d.xml", definition_xml(table, conversions=conversion, size=16))
    yard.write("old.bin", u16(1001) + bytes(14))
    yard.write("new.bin", u16(1002) + bytes(14))
    t = tables_of(reviewed(yard, "old.bin", "new.bin", "--definition", "d.xml"))["t"]
    assert (t["old"], t["new"], t["difference"]) == (["1.001"], ["1.002"], ["+0.001"])


def test_infinity_and_not_a_number_are_words(tmp_path: Path) -> None:
    yard = Yard(tmp_path / "yard")
    conversion = '<linear name="real" unit="bar" factor="1" decimals="5"/>'
    table = (
        '<curve name="t" title="T" purpose="general" at="0" type="float32" conversion="real">'
        '<x><fixed-axis signal="speed" values="1 2 3 4"/></x></curve>'
    )
    yard.write("d.xml", definition_xml(table, conversions=conversion, size=16))
    yard.write("old.bin", bytes.fromhex("3dcccccd 7f800000 7fc00000 40490fdb"))
    yard.write("new.bin", bytes.fromhex("7fc00000 3dcccccd 7fc00001 40490fdb"))
    t = tables_of(reviewed(yard, "old.bin", "new.bin", "--definition", "d.xml"))["t"]
    assert t["old"] == ["0.10000", "infinite", "not a number (0x7FC00000)", "3.14159"]
    assert t["old_raw"] == [0.1, "inf", "0x7FC00000", 3.1415927]
    assert t["new"] == ["not a number", "0.10000", "not a number (0x7FC00001)"]
    assert t["new_raw"] == ["0x7FC00000", 0.1, "0x7FC00001"]
    assert t["difference"] == t["percent"] == ["", "", ""]


def test_names_of_states_may_have_commas(tmp_path: Path) -> None:
    yard = Yard(tmp_path / "yard")
    states = '<states name="s"><state raw="0">off, always</state><state raw="1">on</state></states>'
    table = '<scalar name="t" title="T" purpose="general" at="0" type="uint8" conversion="s"/>'
    yard.write("d.xml", definition_xml(table, conversions=states, size=16))
    yard.write("old.bin", bytes(16))
    yard.write("new.bin", b"\x01" + bytes(15))
    (t,) = reviewed(yard, "old.bin", "new.bin", "--definition", "d.xml")["images"][0]["tables"]
    assert (t["old"], t["new"], t["difference"]) == (["off, always"], "on", "")


def test_the_order_of_cells_in_memory_gives_their_addresses(tmp_path: Path) -> None:
    yard = Yard(tmp_path / "yard")
    axes = '<x><fixed-axis signal="speed" values="1 2 3"/></x><y><fixed-axis signal="load" values="1 2"/></y>'
    table = f'<map name="t" title="T" purpose="general" at="4" type="uint16" order="y-first">{axes}</map>'
    yard.write("d.xml", definition_xml(table, size=16))
    yard.write("old.bin", bytes(16))
    yard.write("new.bin", bytes(4) + u16(0, 0, 0, 7, 0, 0))
    t = tables_of(reviewed(yard, "old.bin", "new.bin", "--definition", "d.xml"))["t"]
    assert t["order"] == "y-first"
    (cell,) = changed_cells(t)
    x, y = cell % t["nx"], cell // t["nx"]
    assert t["at"] + (x * t["ny"] + y) * t["stride"] == 10


def test_an_axis_that_falls_in_memory_turns_the_addresses_of_its_cells(tmp_path: Path) -> None:
    yard = Yard(tmp_path / "yard")
    axes = '<x><fixed-axis signal="speed" values="1 2 3" order="falling"/></x>'
    axes += '<y><fixed-axis signal="load" values="1 2"/></y>'
    table = f'<map name="t" title="T" purpose="general" at="4" type="uint16">{axes}</map>'
    yard.write("d.xml", definition_xml(table, size=16))
    yard.write("old.bin", bytes(16))
    yard.write("new.bin", bytes(4) + u16(0, 0, 0, 7, 0, 0))
    t = tables_of(reviewed(yard, "old.bin", "new.bin", "--definition", "d.xml"))["t"]
    assert t["falling"] == "x"
    (cell,) = changed_cells(t)
    x, y = cell % t["nx"], cell // t["nx"]
    assert (x, y) == (2, 1)
    assert t["at"] + (y * t["nx"] + t["nx"] - 1 - x) * t["stride"] == 10


# The verdict


def test_a_clean_change_is_not_called_right(yard: Yard) -> None:
    document = reviewed(yard, BASE, HERON)
    assert document["verdict"] == "The rules found nothing. That is not an approval."
    assert any("does not approve" in caution for caution in document["cautions"])
    assert any("local law" in caution for caution in document["cautions"])


def test_the_gravest_error_is_in_the_verdict_however_many_errors_there_are(yard: Yard) -> None:
    raised = {CUT: u16(4750), SMOKE: u16(990, 990, 990, 990), fuel_cell(1, 1): u16(9990)}
    yard.write("boats/gone.bin", edited(yard_base(), raised, seal=False))
    verdict = reviewed(yard, BASE, "boats/gone.bin")["verdict"]
    assert " mistakes, 2 disable a protection. " in verdict
    assert " are not waived. 1 checksum does not fit the contents." in verdict


def test_the_verdict_also_counts_protections_that_were_disabled_before(yard: Yard) -> None:
    old = edited(yard_base(), {CUT: u16(4750)})
    yard.write("boats/old.bin", old)
    yard.write("boats/new.bin", edited(old, {SMOKE: u16(990, 990, 990, 990)}))
    verdict = reviewed(yard, "boats/old.bin", "boats/new.bin")["verdict"]
    assert verdict.startswith("1 new mistake, 1 disables a protection. ")
    assert " 2 protections no longer protect." in verdict


def test_the_mistakes_are_those_of_check_in_its_order(yard: Yard) -> None:
    """Their titles are the causes that check names, and every finding of theirs says so."""
    yard.write(HERON, EVERYTHING)
    document = reviewed(yard, BASE, HERON)
    report = yard.call("check", HERON, "--format", "json").data
    names = {cause["id"]: cause for cause in report["causes"]}
    assert [cause["title"] for cause in document["causes"]] == [
        names[cause["cause"]]["title"] for cause in document["causes"]
    ]
    assert len(document["causes"]) == document["counts"]["mistakes"] > 2
    assert document["causes"][0]["danger"] == "disabled protection"
    for cause in document["causes"]:
        for number in cause["findings"]:
            assert document["findings"][number]["cause"] == cause["id"]


def test_the_first_screen_names_the_worst_mistakes_with_links(yard: Yard) -> None:
    yard.write(HERON, EVERYTHING)
    document, page = reviewed(yard, BASE, HERON), page_of(yard, BASE, HERON)
    worst = page.partition('<ol class="worst"')[2].partition("</ol>")[0]
    links = re.findall(r'href="#finding-(\d+)"', worst)
    assert [int(link) for link in links] == [cause["findings"][0] for cause in document["causes"][:5]]
    assert "Disabled protection: </strong>monitor: on → off" in worst
    assert ("more mistake" in worst) == (len(document["causes"]) > 5)


def test_a_review_counts_mistakes_as_check_does(yard: Yard) -> None:
    yard.write("boats/gone.bin", edited(yard_base(), {CUT: u16(4750), SMOKE: u16(990, 990, 990, 990)}))
    document = reviewed(yard, BASE, "boats/gone.bin")
    arguments = ("--definition", "defs/yard.xml", "--base", BASE)
    (summary, *_) = yard.call("check", "boats/gone.bin", *arguments).stdout.splitlines()
    assert summary.startswith("2 mistakes in boats/gone.bin, ")
    counted = summary.replace(" in boats/gone.bin", "")
    assert document["verdict"].startswith(f"{counted} ")
    assert document["counts"]["mistakes"] == 2 < document["counts"]["error"]


def test_a_mistake_of_the_old_image_is_not_a_mistake_of_the_change(yard: Yard) -> None:
    old = edited(yard_base(), {CUT: u16(4750)})
    yard.write("boats/old.bin", old)
    yard.write("boats/new.bin", edited(old, {SMOKE: u16(990, 990, 990, 990)}))
    document = reviewed(yard, "boats/old.bin", "boats/new.bin")
    assert document["verdict"].startswith("1 new mistake, ")
    assert document["counts"]["mistakes"] == 1 and document["counts"]["known"] > 0


def test_a_page_of_one_image_given_twice_reports_that(yard: Yard) -> None:
    document = reviewed(yard, HERON, HERON)
    assert document["images"][0]["state"] == "same"
    assert document["verdict"] == "The rules found nothing. Nothing changed. That is not an approval."


def test_a_finding_that_the_old_image_shares_is_known(yard: Yard) -> None:
    yard.write("boats/worse.bin", edited(BAD, {HULL: b"WORSE       "}))
    document = reviewed(yard, "boats/tern.bin", "boats/worse.bin")
    errors = [finding for finding in document["findings"] if finding["severity"] == "error"]
    assert errors and {error["state"] for error in errors} == {"known"}
    assert document["counts"]["known"] == len(document["findings"])
    assert "(all of them are in OLD too)" in document["verdict"]
    assert {boat["state"] for boat in reviewed(yard, BASE, "boats/tern.bin")["findings"]} == {"new"}


def test_old_is_the_base_where_the_policy_names_none(yard: Yard) -> None:
    yard.write("callint.toml", POLICY.replace('base = "factory/base.bin"\n', ""))
    document = reviewed(yard, BASE, "boats/tern.bin")
    assert document["images"][0]["base"] == BASE
    assert "change/suspicious-cell" in document["rules"]


def test_the_base_is_the_policy_s_own_where_it_names_one(yard: Yard) -> None:
    document = reviewed(yard, "boats/auk.bin", "boats/tern.bin")
    assert document["images"][0]["base"] == BASE
    assert document["images"][0]["old"] == "boats/auk.bin"


def test_very_many_findings_of_a_kind_are_folded_but_keep_their_cells(tmp_path: Path) -> None:
    yard = Yard(tmp_path / "yard")
    axis = " ".join(str(1000 + n) for n in range(50))
    table = (
        '<curve name="t" title="T" purpose="general" at="0" type="uint8">'
        f'<x><fixed-axis signal="speed" values="{axis}"/></x><limits min="0" max="100"/></curve>'
    )
    yard.write("d.xml", definition_xml(table, size=64))
    yard.write("old.bin", bytes(64))
    yard.write("new.bin", bytes([n % 50 + 120 for n in range(50)]) + bytes(14))
    document = reviewed(yard, "old.bin", "new.bin", "--definition", "d.xml")
    alike = [finding for finding in document["findings"] if finding["rule"] == "value/out-of-range"]
    assert len(alike) == 20
    (last,) = (item for item in alike if "more" in item)
    assert last["more"] == 30
    listed = {item["cell"][0] for item in alike}
    folded = {cell for first, count in last["cells"] for cell in range(first, first + count)}
    assert listed | folded == set(range(50)) and not listed & folded
    assert document["counts"]["error"] >= 50


# Waivers and days


def waived(yard: Yard, until: str = "") -> None:
    """The slip in tern, accepted in writing."""
    message = yard.call("check", "boats/tern.bin", "--format", "json").data["findings"]
    for item in message:
        last = ("--until", until) if until else ()
        result = yard.call("waive", item["fingerprint"], "--reason", "Measured twice.", *last)
        assert result.status == 0, result


def test_a_waived_finding_names_who_accepted_it_and_why(tmp_path: Path) -> None:
    yard = make_repository_yard(tmp_path / "yard", tern=BAD)
    waived(yard)
    document = reviewed(yard, BASE, "boats/tern.bin")
    assert document["counts"]["error"] == 0 and document["counts"]["waived"] > 0
    waivers = [finding["waiver"] for finding in document["findings"] if "waiver" in finding]
    assert {waiver["who"] for waiver in waivers} == {"Ada Quay"}
    assert {waiver["reason"] for waiver in waivers} == {"Measured twice."}
    assert "waived" in document["verdict"]


def test_a_review_counts_waivers_by_the_author_as_check_does(
    tmp_path: Path,
) -> None:
    scratch = make_repository_yard(tmp_path / "yard", owl=GOOD)
    scratch.write("boats/tern.bin", edited(yard_base(), {CUT: u16(4750)}))
    waived(scratch)
    policy = (scratch.root / "callint.toml").read_text("utf-8")
    scratch.write("callint.toml", f"second-person = true\n{policy}")
    scratch.commit("My own change, and my own waiver")
    for review, check in (
        ((BASE, "boats/tern.bin"), ("boats/tern.bin",)),
        (("HEAD~1", "HEAD"), ("--range", "HEAD~1..HEAD")),
    ):
        document = reviewed(scratch, *review)
        message = scratch.call("check", *check, "--format", "json").data["findings"]
        assert "waiver/same-person" in document["rules"]
        assert {(item["fingerprint"], item["waived"]) for item in message} == {
            (finding["fingerprint"], "waiver" in finding)
            for finding in document["findings"]
            if finding["state"] == "new"
        }


def test_a_waiver_is_judged_for_the_day_of_the_review(tmp_path: Path) -> None:
    yard = make_repository_yard(tmp_path / "yard", tern=BAD)
    last = date.today() + timedelta(days=30)
    waived(yard, last.isoformat())
    today = reviewed(yard, BASE, "boats/tern.bin")
    assert today["date"] == date.today().isoformat()
    assert today["counts"]["error"] == 0
    assert {finding["waiver"]["until"] for finding in today["findings"] if "waiver" in finding} == {
        last.isoformat()
    }
    day = (last + timedelta(days=1)).isoformat()
    later = reviewed(yard, BASE, "boats/tern.bin", "--date", day)
    assert later["date"] == day
    assert later["counts"]["error"] > 0
    assert "waiver/expired" in later["rules"]


def test_without_a_waiver_that_ends_nothing_depends_on_the_day(yard: Yard) -> None:
    assert "date" not in reviewed(yard, BASE, "boats/auk.bin")


def test_the_same_call_gives_the_same_bytes(yard: Yard) -> None:
    pages = []
    for number in range(2):
        output = yard.root / f"page{number}.html"
        seed = str(number + 1)
        result = run(
            "review", BASE, "boats/auk.bin", "--output", output.name, cwd=yard.root, PYTHONHASHSEED=seed
        )
        assert result.status == 0
        pages.append(output.read_bytes())
    assert pages[0] == pages[1]


def test_the_digest_is_that_of_the_content(yard: Yard) -> None:
    item, other = (reviewed(yard, BASE, f"boats/{name}.bin")["digest"] for name in ("auk", "heron"))
    assert item != other
    assert reviewed(yard, BASE, "boats/auk.bin")["digest"] == item
    assert reviewed(yard, BASE, "boats/auk.bin", "--date", "2026-03-01")["digest"] != item


# Revisions


@pytest.fixture
def scratch(tmp_path: Path) -> Scratch:
    """Two commits: heron reworked, auk added, gull removed, tern damaged, skua renamed and reworked."""
    return refreshed(copy_of(_template(), tmp_path / "yard"))


@cache
def _template() -> Path:
    scratch = make_repository_yard(
        folder_for_copies(), heron=GOOD, gull=bytes(range(SIZE)), skua=EVERYTHING, owl=GOOD
    )
    scratch.must("tag", "first")
    scratch.write(HERON, edited(GOOD, {SMOKE: u16(610)}))
    scratch.write("boats/auk.bin", edited(EVERYTHING, {EGR + 1: bytes([23, 11]), CUT: u16(4350)}))
    scratch.write("boats/tern.bin", edited(yard_base(), {SOFTWARE: b"YARD-02"}))
    (scratch.root / "boats/gull.bin").unlink()
    (scratch.root / "boats/skua.bin").rename(scratch.root / "boats/skua-2.bin")
    scratch.write("boats/skua-2.bin", edited(EVERYTHING, {SIZE - 1: b"\x01"}))
    scratch.must("add", "--all")
    scratch.must("commit", "--quiet", "--message", "All kinds", "--date", "2026-03-04T23:30:00+0200")
    return scratch.root


def test_a_range_shows_every_image_that_differs(scratch: Scratch) -> None:
    document = reviewed(scratch, "first", "HEAD")
    assert document["title"] == "5 images, first..main"
    images = {image["path"]: image for image in document["images"]}
    assert {path: image["state"] for path, image in images.items()} == {
        "boats/auk.bin": "added",
        "boats/gull.bin": "removed",
        HERON: "changed",
        "boats/skua-2.bin": "changed",
        "boats/tern.bin": "unreadable",
    }
    assert (images[HERON]["old"], images[HERON]["new"]) == (f"first:{HERON}", f"HEAD:{HERON}")
    assert [table["name"] for table in images[HERON]["tables"]] == ["smoke_cap"]
    assert images["boats/auk.bin"]["old"] == BASE and images["boats/auk.bin"]["tables"]
    assert images["boats/skua-2.bin"]["renamed"] == "boats/skua.bin"
    assert images["boats/skua-2.bin"]["bytes"]["changed"] == 1
    assert 'its software number is "YARD-02", not "YARD-01"' in images["boats/tern.bin"]["trouble"]
    assert "--definition" not in images["boats/tern.bin"]["trouble"]
    assert "1 image could not be compared." in document["verdict"]
    assert document["commit"]["author"] == "Ada Quay"
    assert document["commit"]["subject"] == "All kinds"
    assert document["commit"]["id"] == scratch.must("rev-parse", "HEAD").strip()
    assert document["date"] == document["commit"]["date"] == "2026-03-04"


def test_a_range_has_the_findings_of_check_and_the_earlier_ones(scratch: Scratch) -> None:
    document = reviewed(scratch, "--range", "first..HEAD")
    message = scratch.call("check", "--range", "first..HEAD", "--format", "json").data["findings"]
    new = {finding["fingerprint"] for finding in document["findings"] if finding["state"] == "new"}
    renamed = [image["id"] for image in document["images"] if "renamed" in image]
    assert renamed and new
    # For check a renamed image is another one; a review knows what it was.
    assert new <= {item["fingerprint"] for item in message}
    known = [finding for finding in document["findings"] if finding["state"] == "known"]
    assert {item["image"] for item in known} == set(renamed)
    assert {item["fingerprint"] for item in message} <= {item["fingerprint"] for item in document["findings"]}


def test_a_range_is_judged_by_the_policy_and_definitions_of_its_end(scratch: Scratch) -> None:
    before = reviewed(scratch, "first", "HEAD")
    assert len(before["images"]) == 5
    scratch.write("callint.toml", "broken")
    scratch.write("defs/yard.xml", "broken")
    assert reviewed(scratch, "first", "HEAD") == before


def test_a_range_may_be_confined_to_paths(scratch: Scratch) -> None:
    document = reviewed(scratch, "first", "HEAD", HERON)
    assert [image["path"] for image in document["images"]] == [HERON]
    assert document["title"] == HERON
    assert document["paths"] == [HERON]
    assert f"Only images below {HERON}.</p>" in page_of(scratch, "first", "HEAD", HERON)
    several = reviewed(scratch, "first", "HEAD", "boats/skua-2.bin", HERON)
    assert several["title"] == f"2 images below boats/skua-2.bin and {HERON}, first..main"
    same = reviewed(scratch, "first", "HEAD", "boats/owl.bin")
    assert "Nothing changed below boats/owl.bin." in same["verdict"]
    assert "paths" not in reviewed(scratch, "first", "HEAD")
    assert {finding.get("image") for finding in document["findings"]} <= {0}


def test_a_path_without_an_image_is_refused(scratch: Scratch) -> None:
    for path in ("boats/herno.bin", "defs", "boats/heron"):
        result = scratch.call("review", "first", "HEAD", HERON, path, "--output", "page.html")
        assert f"first..HEAD: no image below {path}; paths begin at the top" in result.error
        assert not (scratch.root / "page.html").exists()
    # A removed image lies in the old revision alone.
    assert reviewed(scratch, "first", "HEAD", "boats/gull.bin")["images"][0]["state"] == "removed"
    assert len(reviewed(scratch, "first", "HEAD", "boats/*.bin")["images"]) == 5


def test_title_and_verdict_say_that_git_guessed_a_rename(scratch: Scratch) -> None:
    message = "boats/skua.bin → boats/skua-2.bin"
    document = reviewed(scratch, "first", "HEAD", "boats/skua-2.bin")
    assert document["title"] == f"{message}, renamed according to git"
    whole = reviewed(scratch, "first", "HEAD")["verdict"]
    assert f"1 image was removed. git reports {message} as a rename." in whole
    (scratch.root / "boats/owl.bin").rename(scratch.root / "boats/owl-2.bin")
    scratch.commit("Another")
    assert "git reports 2 images as renamed." in reviewed(scratch, "first", "HEAD")["verdict"]


def test_the_contents_are_pinned_down(scratch: Scratch) -> None:
    document = reviewed(scratch, "first", "HEAD")
    images = {image["path"]: image for image in document["images"]}
    now = sha256((scratch.root / HERON).read_bytes()).hexdigest()
    definition = sha256((scratch.root / "defs/yard.xml").read_bytes()).hexdigest()
    judged_by = {"base": sha256(yard_base()).hexdigest(), "definition": definition}
    assert images[HERON]["sha256"] == {"old": sha256(GOOD).hexdigest(), "new": now, **judged_by}
    assert set(images["boats/auk.bin"]["sha256"]) == {"new", "base", "definition"}
    policy = sha256((scratch.root / "callint.toml").read_bytes()).hexdigest()
    assert document["policy"] == {"path": "callint.toml", "sha256": policy}
    assert set(images["boats/gull.bin"]["sha256"]) == {"old"}
    page = page_of(scratch, f"first:{HERON}", HERON)
    card, _, first = page.partition('<div class="desk">')[0].partition('<header class="first">')
    assert all(digest in card for digest in (now, sha256(GOOD).hexdigest(), definition, policy))
    assert f">SHA-256 {sha256(GOOD).hexdigest()[:16]} → {now[:16]}</p>" in first and now not in first
    assert f"<dd>{judged_by['base'][:16]}</dd>" in first and f"<dd>{definition[:16]}</dd>" in first
    assert f"Policy callint.toml, SHA-256 {policy[:16]}" in first
    assert f"document {embedded(page)['digest']}</p>" in first


def test_an_image_of_which_only_the_definition_changed_is_listed_with_its_new_findings(
    scratch: Scratch,
) -> None:
    stricter = yard_definition().replace(b'<limits min="0" max="90"/>', b'<limits min="0" max="44.5"/>')
    assert stricter != yard_definition()
    scratch.write("defs/yard.xml", stricter)
    scratch.commit("Stricter")
    document = reviewed(scratch, "HEAD~1", "HEAD")
    states = {image["path"]: image["state"] for image in document["images"]}
    assert states["boats/owl.bin"] == "same"
    assert "value/out-of-range" in document["rules"]
    assert "defs/yard.xml has 1 change in its meaning." in document["verdict"]


def test_an_image_that_was_moved_to_where_no_policy_looks_is_gone(scratch: Scratch) -> None:
    (scratch.root / "attic").mkdir()
    (scratch.root / "boats/owl.bin").rename(scratch.root / "attic/owl.bin")
    scratch.commit("Put away")
    (image,) = reviewed(scratch, "HEAD~1", "HEAD")["images"]
    assert (image["path"], image["state"], "new" in image) == ("boats/owl.bin", "removed", False)


def test_a_definition_that_cannot_be_read_hides_neither_images_nor_the_reason(scratch: Scratch) -> None:
    scratch.write("defs/yard.xml", "broken")
    scratch.commit("Break it")
    document = reviewed(scratch, "first", "HEAD")
    states = {image["path"]: image["state"] for image in document["images"]}
    assert states[HERON] == states["boats/auk.bin"] == "unreadable"
    assert "definition/invalid" in document["rules"]
    (finding,) = (finding for finding in document["findings"] if finding["rule"] == "definition/invalid")
    assert (finding["source"], "image" in finding) == ("defs/yard.xml", False)


def test_a_commit_without_a_date_that_can_be_read_is_shown_without_one(scratch: Scratch) -> None:
    tree, parent = (scratch.must("rev-parse", word).strip() for word in ("HEAD^{tree}", "first"))
    people = "author A <a> 99999999999999999 +0000\ncommitter A <a> 0 +0000"
    scratch.write("commit.txt", f"tree {tree}\nparent {parent}\n{people}\n\nOdd\n")
    arguments = ("hash-object", "-t", "commit", "-w", "--literally", "commit.txt")
    odd = scratch.must(*arguments).strip()
    document = reviewed(scratch, "first", odd)
    assert document["commit"] == {"id": odd, "author": "A", "subject": "Odd"}


def test_numbers_beyond_all_bounds_have_a_size_too(tmp_path: Path) -> None:
    yard = Yard(tmp_path / "yard")
    axis = '<x><axis signal="speed" at="0" type="float64" count="2"/></x>'
    table = f'<curve name="t" title="T" purpose="general" at="16" type="float64">{axis}</curve>'
    yard.write("d.xml", definition_xml(table, size=32))
    yard.write("old.bin", struct.pack(">4d", -1e308, 1e308, -1e308, 1e308))
    for new in ((-1e308, 1e308, 1e308, -1e308), (-1e307, 1e308, -1e308, 1e308)):
        yard.write("new.bin", struct.pack(">4d", *new))
        t = tables_of(reviewed(yard, "old.bin", "new.bin", "--definition", "d.xml"))["t"]
        assert t["size"] == 1


def test_a_policy_change_that_does_not_concern_an_image_does_not_list_it(scratch: Scratch) -> None:
    scratch.write("callint.toml", f'fail-on = "warning"\n{POLICY}')
    scratch.commit("Fail earlier")
    document = reviewed(scratch, "HEAD~1", "HEAD")
    assert document["images"] == [] and document["findings"] == []
    assert document["title"] == "0 images, main~1..main"


def test_files_at_revisions_are_compared_like_files(scratch: Scratch) -> None:
    document = reviewed(scratch, f"first:{HERON}", f"HEAD:{HERON}")
    assert (document["old"], document["new"]) == (f"first:{HERON}", f"HEAD:{HERON}")
    assert document["images"][0]["path"] == HERON
    assert document["commit"]["subject"] == "All kinds"
    assert document["date"] == "2026-03-04"
    assert [table["name"] for table in document["images"][0]["tables"]] == ["smoke_cap"]
    mixed = reviewed(scratch, f"first:{HERON}", HERON)
    assert "commit" not in mixed and "date" not in mixed


def test_a_bare_repository_has_its_reviews_too(scratch: Scratch, tmp_path: Path) -> None:
    bare = Yard(tmp_path / "bare.git")
    scratch.must("clone", "--quiet", "--bare", str(scratch.root), str(bare.root))
    there, here = reviewed(bare, "first", "HEAD"), reviewed(scratch, "first", "HEAD")
    assert there == here


@pytest.fixture
def forked(tmp_path: Path) -> Scratch:
    """A branch with two commits, which left main before main's last one."""
    scratch = make_repository_yard(tmp_path / "forked", heron=GOOD, owl=GOOD)
    scratch.must("branch", "-M", "main")
    scratch.must("switch", "--quiet", "--create", "idle")
    for smoke in (605, 610):
        scratch.write(HERON, edited(GOOD, {SMOKE: u16(smoke)}))
        scratch.commit(f"Smoke {smoke}")
    scratch.must("switch", "--quiet", "main")
    scratch.write("boats/owl.bin", edited(GOOD, {SMOKE: u16(610)}))
    scratch.commit("The owl's own")
    return scratch


def test_later_commits_of_the_old_revision_are_reported_first(forked: Scratch) -> None:
    base = forked.must("rev-parse", "--short=10", "main~1").strip()
    message = "main has 1 commit that idle lacks; what it changed appears undone here; "
    message += f"git merge-base gives {base}: compare with that to see idle alone"
    document = reviewed(forked, "--range", "main..idle")
    assert document["parted"] == {"commits": 1, "base": base, "text": message}
    assert document["verdict"].startswith(f"{message}. ")
    page = page_of(forked, "--range", "main..idle")
    assert 0 < page.index(f">{message}.<") < page.index('class="verdict')


@pytest.mark.parametrize("arguments", [("--range", "main...idle"), ("main...idle",)])
def test_three_dots_show_the_branch_alone(forked: Scratch, arguments: tuple[str, ...]) -> None:
    document = reviewed(forked, *arguments)
    assert [image["path"] for image in document["images"]] == [HERON]
    assert document["old"] == forked.must("rev-parse", "--short=10", "main~1").strip()
    assert "parted" not in document


def test_three_dots_are_the_same_for_diff_and_check(forked: Scratch) -> None:
    assert "owl" in forked.call("diff", "main..idle").stdout
    assert "owl" not in forked.call("diff", "main...idle").stdout
    ranges = ("main...idle", "main~1..idle")
    item, other = (forked.call("check", "--range", range_, "--format", "json").data for range_ in ranges)
    assert item == other


def test_a_review_of_older_contents_is_marked_as_such(forked: Scratch) -> None:
    message = (
        "idle has 2 commits that idle~2 lacks; what they changed appears undone here, as idle~2 is the older"
    )
    assert reviewed(forked, "idle..idle~2")["verdict"].startswith(message)


def test_revisions_without_a_common_commit_say_so(forked: Scratch) -> None:
    tree = forked.must("rev-parse", "idle^{tree}").strip()
    forked.must("tag", "alone", forked.must("commit-tree", "-m", "Alone", tree).strip())
    document = reviewed(forked, "main", "alone")
    assert "base" not in document["parted"]
    assert document["parted"]["text"].endswith("and they have no commit in common")
    error = forked.call("review", "main...alone", "--output", "page.html").error
    assert "main...alone: they have no commit in common" in error


def test_all_commits_of_a_range_are_listed(forked: Scratch) -> None:
    document = reviewed(forked, "main..idle")
    ids = forked.must("rev-list", "main..idle").split()
    assert [commit["id"] for commit in document["commits"]] == ids and len(ids) == 2
    assert [commit["subject"] for commit in document["commits"]] == ["Smoke 610", "Smoke 605"]
    first = page_of(forked, "main..idle").partition('<div class="desk">')[0]
    section = first.partition("<h2>Commits</h2>")[2].partition("</section>")[0]
    for commit in document["commits"]:
        assert (
            f"<code>{commit['id'][:10]}</code> Ada Quay, {commit['date']}, “{commit['subject']}”" in section
        )
    assert "<h2>Commits</h2>" not in page_of(forked, "idle~1..idle")


def test_the_last_twenty_of_very_many_commits_are_listed(forked: Scratch) -> None:
    for number in range(22):
        forked.must("commit", "--quiet", "--allow-empty", "--message", f"Empty {number}")
    document = reviewed(forked, "main~22..main")
    assert len(document["commits"]) == 20 and document["more_commits"] == 2
    assert document["commits"][0]["subject"] == "Empty 21"
    assert ">and 2 more<" in page_of(forked, "main~22..main")


def test_a_path_above_the_current_folder_is_not_a_range(forked: Scratch, tmp_path: Path) -> None:
    (tmp_path / "beside.bin").write_bytes(GOOD)
    document = reviewed(forked, "../beside.bin", HERON)
    assert [image["path"] for image in document["images"]] == [HERON]
    for arguments in (("../none.bin", HERON), ("boats/../none.bin", HERON)):
        assert (
            "none.bin: it does not exist" in forked.call("review", *arguments, "--output", "page.html").error
        )


# Driving logs


def test_a_log_gives_each_cell_its_share_of_the_time(yard: Yard) -> None:
    yard.write("drive.csv", "time,speed,load\n0,1600,40\n3,2000,40\n8,800,10\n10,800,10\n")
    document = reviewed(yard, BASE, HERON, "--log", "drive.csv")
    fuel = tables_of(document)["fuel"]
    assert (fuel["logged"]["share"], fuel["logged"]["never"]) == ("80 %", 0)
    assert fuel["logged"]["cells"] == [0.2, 0, 0, 0, 0, 0.55, 0.25, 0, 0, 0, 0, 0]
    assert document["images"][0]["log"] == ["drive.csv: 10 s in 4 rows."]


def test_the_sentence_about_a_group_has_the_share_of_the_log(yard: Yard) -> None:
    yard.write("drive.csv", "time,speed,load\n0,1600,40\n3,2000,40\n8,800,10\n10,800,10\n")
    yard.write("idle.csv", "time,speed,load\n0,3200,70\n3,3200,70\n")
    message = "changed cells are in use for 80 % of the logged time, 55 % of it by weight"
    for log, arguments in (
        ("drive.csv", message),
        ("idle.csv", "the logged engine was never at a changed cell"),
    ):
        document = reviewed(yard, BASE, HERON, "--log", log)
        assert tables_of(document)["fuel"]["logged"]["text"] == arguments
        assert arguments in yard.call("diff", BASE, HERON, "--log", log).flat
        assert any(image["text"].endswith(f"; {arguments}.") for image in document["images"][0]["sentences"])
    assert arguments in page_of(yard, BASE, HERON, "--log", "idle.csv").partition('<div class="desk">')[0]
    yard.write("boats/moved.bin", edited(yard_base(), {0x02: u16(2000)}))
    smoke = tables_of(reviewed(yard, BASE, "boats/moved.bin", "--log", "idle.csv"))["smoke_cap"]
    assert smoke["logged"]["text"] == "the logged engine was never at a moved breakpoint"


# Strangers' texts


HOSTILE = "</script><script>alert(1)</script><img src=x onerror=alert(1)>&amp;\u202eevil\u2066\u200b"
_XML = HOSTILE.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def hostile_definition() -> bytes:
    """The yard's definition with markup and overrides in every free text."""
    text = yard_definition().decode()
    text = re.sub(r'(title|unit)="[^"]*"', rf'\1="{_XML}"', text)
    text = re.sub(r"(<signal [^>]*>)[^<]*", rf"\g<1>{_XML}", text)
    text = re.sub(r"(<note>)[^<]*", rf"\g<1>{_XML}", text)
    text = re.sub(r'(<state raw="1">)[^<]*', rf"\g<1>{_XML}", text)
    return text.replace("  <memory", f"  <title>{_XML}</title>\n  <memory", 1).encode()


def test_the_content_of_a_stranger_is_text_only(tmp_path: Path) -> None:
    yard = make_yard(tmp_path / "yard")
    hull = edited(EVERYTHING, {HULL: b"<b>\x1b[2J\x9bxy "})
    evil = "boats/<img src=x>\u202e.bin"
    yard.write(evil, hull)
    yard.write("defs/yard.xml", hostile_definition())
    yard.write("callint.toml", f'{POLICY}\n[severity]\n"definition" = "note"\n')
    page = page_of(yard, BASE, evil)
    for risky in ("<script>alert", "<img", "<b>", "\u202e", "\u2066", "\u200b", "\x1b", "\x9b"):
        assert risky not in page
    document = embedded(page)
    texts = texts_in(valid(document, "review.schema.json"))
    assert not steering("".join(texts))
    message = "</script><script>alert(1)</script><img src=x onerror=alert(1)>&amp;\\u202eevil\\u2066\\u200b"
    table = tables_of(document)["trim"]
    assert table["title"] == table["unit"] == table["x"]["signal"] == table["notes"][0] == message
    assert tables_of(document)["monitor"]["old"] == [message]
    assert document["images"][0]["title"] == message
    assert document["images"][0]["texts"][0]["new"] == "<b>\\x1b[2J\\x9bxy"
    assert document["title"] == "boats/<img src=x>\\u202e.bin"


def test_a_hostile_waiver_and_commit_are_text_too(tmp_path: Path) -> None:
    scratch = make_repository_yard(tmp_path / "yard", tern=BAD)
    waived(scratch)
    policy = (scratch.root / "callint.toml").read_text("utf-8")
    policy = policy.replace("Ada Quay", f"Ada {HOSTILE}").replace("twice.", f"\\n {HOSTILE}")
    scratch.write("callint.toml", policy)
    scratch.commit(f"Rework {HOSTILE}")
    page = page_of(scratch, BASE, "HEAD:boats/tern.bin")
    assert "<script>alert" not in page and "\u202e" not in page
    document = embedded(page)
    assert document["commit"]["subject"].startswith("Rework </script><script>alert(1)")
    (waiver, *_) = (finding["waiver"] for finding in document["findings"] if "waiver" in finding)
    assert waiver["who"].startswith("Ada </script>") and waiver["reason"].startswith("Measured </script>")


# The file


def test_the_page_holds_the_document(yard: Yard) -> None:
    assert embedded(page_of(yard, BASE, "boats/auk.bin")) == reviewed(yard, BASE, "boats/auk.bin")


def test_500_changed_tables_give_less_than_6_and_a_quarter_megabytes(tmp_path: Path) -> None:
    """All 128,000 cells of 500 maps of 16 by 16, to other numbers of five digits."""
    yard = Yard(tmp_path / "yard")
    axes = '<x><fixed-axis signal="speed" values="{0}"/></x><y><fixed-axis signal="load" values="{0}"/></y>'
    axes = axes.format(" ".join(str(5 * n) for n in range(1, 17)))
    tables = "".join(
        f'<map name="table_{n}" title="Table {n} of many" purpose="demand" at="{512 * n}" type="uint16" '
        f'conversion="mg">{axes}</map>'
        for n in range(500)
    )
    size = 500 * 512
    yard.write("d.xml", definition_xml(tables, size=size))
    cells = [10000 + 7919 * n % 40000 for n in range(size // 2)]
    yard.write("old.bin", u16(*cells))
    yard.write("new.bin", u16(*(cell + 37 + number % 900 for number, cell in enumerate(cells))))
    page = page_of(yard, "old.bin", "new.bin", "--definition", "d.xml")
    document = embedded(page)
    assert sum(table["changed"] for table in document["images"][0]["tables"]) == 128_000
    assert len(page.encode()) < 6_250_000


def test_the_demo_s_page_is_small(tmp_path: Path) -> None:
    demo = make_demo(tmp_path / "demo")
    page = page_of(demo, "factory/sk28-0412.bin", "boats/petrel.bin")
    valid(embedded(page), "review.schema.json")
    assert len(page.encode()) < 400_000
    document = reviewed(demo, "main~9", "main")
    assert {image["path"] for image in document["images"]} >= {HERON, "boats/petrel.bin"}


def test_open_starts_the_browser_on_the_written_file(yard: Yard) -> None:
    output = yard.root / "a b.html"
    with mock.patch.object(webbrowser, "open", return_value=True) as opened:
        result = yard.call("review", BASE, HERON, "--output", "a b.html", "--open")
    assert (result.status, result.stderr) == (0, "")
    opened.assert_called_once_with(output.resolve().as_uri())
    with mock.patch.object(webbrowser, "open", return_value=False):
        result = yard.call("review", BASE, HERON, "--output", "a b.html", "--open")
    assert result.status == 0
    assert result.stderr == "callint: a b.html: no browser could be started; open the page yourself\n"


@pytest.mark.parametrize(
    "output",
    [
        BASE,
        HERON,
        "boats/auk.bin",
        "callint.toml",
        "defs/yard.xml",
        "drive.csv",
        "../yard/boats/heron.bin",
        "boats/new.bin",
    ],
)
def test_a_review_replaces_no_input(yard: Yard, output: str) -> None:
    yard.write("drive.csv", "time,speed,load\n0,1600,40\n3,2000,40\n")
    before = yard.files()
    result = yard.call("review", BASE, HERON, "--log", "drive.csv", "--output", output)
    assert "choose another file" in result.error
    assert yard.files() == before


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((BASE,), "missing OLD and NEW"),
        ((BASE, "boats/none.bin"), "boats/none.bin: it does not exist"),
        (("boats/none.bin", "boats/nil.bin"), "neither a file nor a git revision"),
        ((BASE, HERON, "boats"), "PATH needs two revisions"),
        ((BASE, HERON, "--date", "soon"), "--date soon: it is not a date"),
        ((BASE, HERON, "--log", "none.csv"), "none.csv"),
        ((BASE, "strange.bin"), "strange.bin: the image is empty"),
        ((BASE, "boats/foreign.bin"), 'its software number is "YARD-02", not "YARD-01"'),
        (("--range", "HEAD"), "it is not a range"),
        ((BASE, HERON, "--definition", "none.xml"), "none.xml"),
        ((BASE, HERON, "--definition", "callint.toml"), "callint.toml"),
    ],
)
def test_a_wrong_call_is_one_line_and_writes_nothing(
    yard: Yard, arguments: tuple[str, ...], message: str
) -> None:
    yard.write("strange.bin", b"")
    yard.write("boats/foreign.bin", edited(yard_base(), {SOFTWARE: b"YARD-02"}))
    before = yard.files()
    assert message in yard.call("review", *arguments, "--output", "page.html").error
    assert yard.files() == before


def test_a_range_takes_no_definition_and_no_policy_from_elsewhere(scratch: Scratch) -> None:
    for arguments in (("--definition", "defs/yard.xml"), ("--policy", "callint.toml")):
        error = scratch.call("review", "first", "HEAD", *arguments, "--output", "page.html").error
        assert "two revisions have definitions and policy of their own" in error


def test_a_review_goes_into_no_pipe(yard: Yard) -> None:
    before = yard.files()
    error = yard.call("review", BASE, HERON, "--output", "-").error
    assert "--output -: a review needs a file; name one" in error
    assert yard.files() == before


def test_an_output_is_needed(yard: Yard) -> None:
    assert "--output" in yard.call("review", BASE, HERON).error


def test_an_output_that_cannot_be_written_leaves_nothing(yard: Yard) -> None:
    before = yard.files()
    assert "there is no folder" in yard.call("review", BASE, HERON, "--output", "none/page.html").error
    assert yard.files() == before


def test_images_that_are_a_part_of_the_memory_have_dashes_where_they_hold_nothing(yard: Yard) -> None:
    yard.write("callint.toml", f"{POLICY}start = 0\n")
    yard.write("boats/part.bin", GOOD[: SIZE // 4])
    document = reviewed(yard, BASE, "boats/part.bin")
    assert tables_of(document)["fuel"]["new"] == ["45.0"]
    lost = SIZE - SIZE // 4
    bytes_ = document["images"][0]["bytes"]
    assert bytes_["only_old"] == [{"address": f"0x{SIZE // 4:05X}", "size": lost}]
    assert "only_new" not in bytes_
    assert f" {lost} bytes are in OLD only. " in document["verdict"]
    back = reviewed(yard, "boats/part.bin", BASE)
    assert back["images"][0]["bytes"]["only_new"] == bytes_["only_old"]
    assert f" {lost} bytes are in NEW only. " in back["verdict"]


def test_cells_that_one_image_lacks_are_not_reported_as_unchanged(yard: Yard) -> None:
    yard.write("callint.toml", f"{POLICY}start = {SIZE - 4}\n")
    yard.write("boats/part.bin", GOOD[-4:])
    document = reviewed(yard, BASE, "boats/part.bin")
    (image,) = document["images"]
    every = image["uncompared"]
    message = f"{every} of {every} tables could not be compared, as not both images hold them."
    assert message in document["verdict"] and message in [item["text"] for item in image["sentences"]]
    page = page_of(yard, BASE, "boats/part.bin")
    assert "No table changed." not in page and "No table that could be compared changed." in page
    assert "<dd>YARD-01 → not in NEW</dd>" in page
    assert f"In OLD only</dt><dd>{SIZE - 4} bytes at 0x00000</dd>" in page
    assert "<dd>not in OLD → YARD-01</dd>" in page_of(yard, "boats/part.bin", BASE)
    assert "uncompared" not in reviewed(yard, BASE, HERON)["images"][0]


def test_a_range_of_images_begins_with_the_verdict_for_each(tmp_path: Path) -> None:
    """A row an image, its counts those of the findings; ids of commits have ten digits."""
    scratch = make_repository_yard(tmp_path / "yard", heron=GOOD, auk=GOOD)
    scratch.write("boats/heron.bin", EVERYTHING)
    scratch.write("boats/auk.bin", edited(GOOD, {fuel_cell(2, 1): u16(470)}))
    scratch.commit("Two at once")
    old, new = (scratch.must("rev-parse", revision).strip() for revision in ("HEAD~1", "HEAD"))
    page = page_of(scratch, old, new)
    rows = re.findall(r'<tr><th scope="row">.*?</tr>', page, re.DOTALL)
    cells = [re.sub(r"<[^>]+>", " ", row).split() for row in rows]
    document = reviewed(scratch, old, new)
    assert [row[0] for row in cells] == [image["path"] for image in document["images"]]
    for row, image in zip(cells, document["images"], strict=True):
        causes = [cause for cause in document["causes"] if cause.get("image") == image["id"]]
        errors = [
            finding
            for finding in document["findings"]
            if finding.get("image") == image["id"] and finding["severity"] == "error"
        ]
        disabled = sum(cause.get("danger") == "disabled protection" for cause in causes)
        assert row[1:5] == ["changed", str(len(image["tables"])), str(len(causes)), str(disabled)]
        assert row[6] == str(len(errors))
    first_screen = page.partition('<header class="first">')[2].partition("</header>")[0]
    assert f"{old[:10]}..{new[:10]}" in first_screen
    assert old not in first_screen


# A fragment for a comment


def test_a_fragment_goes_to_the_file_within_its_limit(yard: Yard) -> None:
    arguments = ("review", BASE, "boats/auk.bin", "--format", "html-fragment", "--output", "comment.html")
    sizes = []
    for limit in ((), ("--fragment-bytes", "8000")):
        result = yard.call(*arguments, *limit)
        assert (result.status, result.stdout, result.stderr) == (0, "", "")
        sizes.append(len((yard.root / "comment.html").read_bytes()))
    assert sizes[1] <= 8_000 and sizes[0] <= 60_000
    text = (yard.root / "comment.html").read_text("utf-8")
    assert reviewed(yard, BASE, "boats/auk.bin")["digest"] in text


def test_the_size_of_a_fragment_needs_a_fragment(yard: Yard) -> None:
    result = yard.call("review", BASE, HERON, "--fragment-bytes", "9000", "--output", "page.html")
    assert result.status == 2
    assert "--fragment-bytes works only with --format html-fragment" in result.stderr
    assert not (yard.root / "page.html").exists()


def test_an_added_image_that_cannot_be_compared_was_added_too(tmp_path: Path) -> None:
    scratch = make_repository_yard(tmp_path / "yard", heron=GOOD)
    scratch.write("boats/auk.bin", EVERYTHING)
    scratch.write("boats/tern.bin", edited(yard_base(), {SOFTWARE: b"YARD-02"}))
    scratch.commit("Two boats")
    verdict = reviewed(scratch, "HEAD~1", "HEAD")["verdict"]
    assert "1 image could not be compared." in verdict
    assert "2 images were added." in verdict
