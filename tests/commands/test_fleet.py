"""``callint fleet``: the images that share each calibration of a table, and answers about them."""

from __future__ import annotations

import csv
import io
import os
from pathlib import Path

import pytest
from lxml import html

from tests.building import u16
from tests.running import (
    CUT,
    EGR,
    FUEL,
    GOOD,
    HULL,
    MONITOR,
    SOFTWARE,
    TRIM,
    Scratch,
    Yard,
    copy_of,
    edited,
    fuel_cell,
    make_repository,
    make_yard,
    refreshed,
    too_wide,
    valid,
    yard_base,
    yard_definition,
)

#: Twelve boats: most alike, heron with a lower cut-off, petrel without its monitor and with some trim off.
_PLAIN = edited(yard_base(), {HULL: b"SKERRY      "})
_HERON = edited(_PLAIN, {CUT: u16(4000)})
_PETREL = edited(_PLAIN, {CUT: u16(4450), MONITOR: b"\0", TRIM: b"\xff\xff"})
_TERN = edited(_PLAIN, {SOFTWARE: b"YARD-02"})


def make_fleet(root: Path) -> Yard:
    names = [f"skiff-{number}" for number in range(8)]
    images = dict.fromkeys(names, _PLAIN)
    return make_yard(root, heron=_HERON, petrel=_PETREL, tern=_TERN, **images)


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Yard:
    yard = make_fleet(tmp_path_factory.mktemp("fleet") / "yard")
    yard.write("boats/wreck.bin", b":00000001FE\n")
    return yard


def rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline="")))


# Calibrations


def test_the_images_are_grouped_by_the_contents_of_each_table_and_the_odd_ones_are_named(yard: Yard) -> None:
    done = yard.call("fleet")
    assert done.status == 1  # two images cannot be compared
    assert not too_wide(done.stdout)
    cut = done.stdout.partition("overspeed_cut (protection)")[2].partition("\n\n")[0]
    assert "A  8 images: boats/skiff-0.bin, boats/skiff-1.bin, boats/skiff-2.bin," in cut
    assert "and 4 more" in cut
    assert "B  1 image: boats/heron.bin" in cut
    assert "C  1 image: boats/petrel.bin" in cut
    assert "10 images (10 of defs/yard.xml): 3 of 7 tables differ." in done.stdout
    # The most dangerous purpose comes first.
    assert done.stdout.index("overspeed_cut") < done.stdout.index("trim")


def test_an_image_that_cannot_be_compared_is_named_with_the_reason(yard: Yard) -> None:
    done = yard.call("fleet")
    assert "2 images of 12 cannot be compared:" in done.stdout
    assert 'boats/tern.bin: its software number is "YARD-02", not "YARD-01"' in done.flat
    assert "boats/wreck.bin: it is damaged: line 1:" in done.flat


def test_a_uniform_fleet_is_one_line(tmp_path: Path) -> None:
    done = make_yard(tmp_path / "yard", heron=GOOD, petrel=GOOD).call("fleet")
    assert done.stdout == "2 images (2 of defs/yard.xml): the same calibration of all 7 tables.\n"
    assert done.status == 0


def test_the_digest_is_the_one_that_show_prints(yard: Yard) -> None:
    for table in ("overspeed_cut", "trim", "fuel"):
        shown = yard.call("show", "boats/petrel.bin", table).stdout
        document = yard.call("fleet", "boats/petrel.bin", "--table", table, "--format", "json").data
        (calibration,) = document["tables"][0]["calibrations"]
        assert f"sha256:{calibration['digest']}/" in shown


def test_table_shows_the_values_over_the_fleet(yard: Yard) -> None:
    done = yard.call("fleet", "--table", "overspeed_cut", "--table", "trim", "--table", "fuel")
    assert "A  4200 rpm; 8 images:" in done.stdout
    assert "B  4000 rpm; 1 image: boats/heron.bin" in done.stdout
    assert "A  20 to 26 °C; 9 images:" in done.stdout
    assert "B 2 of 4 cells, largest 22 → off at 1600 rpm; 1 image: boats/petrel.bin" in done.flat
    assert "A  12.0 to 76.0 mg; 10 images" in done.stdout  # also a table that does not differ
    assert not too_wide(done.stdout)


def test_a_table_that_differs_only_in_its_axis_is_reported_as_such(tmp_path: Path) -> None:
    moved = edited(GOOD, {0x06: u16(3300)})
    done = make_yard(tmp_path / "yard", heron=GOOD, petrel=moved).call("fleet", "--table", "trim")
    assert "B  other breakpoints; 1 image: boats/petrel.bin" in done.stdout


def test_many_calibrations_are_folded_and_all_lists_them(tmp_path: Path) -> None:
    boats = {f"boat_{number:02}": edited(GOOD, {CUT: u16(4000 + number)}) for number in range(40)}
    yard = make_yard(tmp_path / "yard", **boats)
    done = yard.call("fleet")
    assert "34 more calibrations of 34 images; --all lists them" in done.stdout
    assert len(done.lines) < 20
    everything = yard.call("fleet", "--all")
    assert "boats/boat_39.bin" in everything.stdout
    assert "AN  1 image: boats/boat_39.bin" in everything.stdout  # A to Z, then AA


def test_definitions_of_two_software_versions_are_matched_by_table_name(tmp_path: Path) -> None:
    yard = make_yard(tmp_path / "yard", heron=GOOD)
    other = yard_definition().replace(b'text="YARD-01"', b'text="YARD-02"')
    # The cut-off lies elsewhere, and is read alike; the monitor has other states.
    other = other.replace(b'at="0x30" type="uint16"', b'at="0x70" type="uint16"')
    other = other.replace(b'<state raw="0">off</state>', b'<state raw="2">off</state>')
    yard.write("defs/other.xml", other)
    policy = '[[images]]\npaths = ["boats/*.bin"]\ndefinition = ["defs/yard.xml", "defs/other.xml"]\n'
    yard.write("callint.toml", policy)
    yard.write("boats/tern.bin", edited(GOOD, {SOFTWARE: b"YARD-02", CUT: u16(1), 0x70: u16(4200)}))
    done = yard.call("fleet", "--format", "json")
    document = valid(done.data, "fleet.schema.json")
    assert [image["definition"] for image in document["images"]] == ["defs/yard.xml", "defs/other.xml"]
    assert "overspeed_cut" in document["uniform"]
    assert [table["table"] for table in document["tables"]] == ["monitor"]
    assert yard.call("fleet", "--where", "overspeed_cut = 4200").stdout.startswith(
        "overspeed_cut = 4200: 2 of 2 images"
    )


# Which images


def test_a_folder_stands_for_the_images_below_it(yard: Yard) -> None:
    assert yard.call("fleet", "boats").stdout == yard.call("fleet").stdout
    assert "names no image below this folder" in yard.call("fleet", "defs").error


def test_a_folder_of_files_needs_a_definition_and_no_policy(tmp_path: Path) -> None:
    yard = Yard(tmp_path)
    yard.write("defs/yard.xml", yard_definition())
    for number in range(3):
        yard.write(f"boats/year/{number}.bin", GOOD)
    (tmp_path / "boats/year/link.bin").symlink_to(tmp_path / "boats/year/0.bin")
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "boats/year/pipe.bin")
    done = yard.call("fleet", "boats", "--definition", "defs/yard.xml")
    assert done.stdout.startswith("3 images (3 of defs/yard.xml): the same calibration")
    assert "no callint.toml" in yard.call("fleet").error
    assert "--definition needs images" in yard.call("fleet", "--definition", "defs/yard.xml").error
    assert "no definition is known for it" in yard.call("fleet", "boats/year/0.bin").error


# Questions


def test_where_lists_the_images_that_meet_a_condition_with_their_values(yard: Yard) -> None:
    done = yard.call("fleet", "--where", "overspeed_cut > 4400 rpm")
    assert "overspeed_cut > 4400 rpm: 1 of 12 images" in done.stdout
    assert "yes        4450 rpm; 1 image: boats/petrel.bin" in done.stdout
    assert "not known  2 images: boats/tern.bin, boats/wreck.bin" in done.stdout
    assert "no         9 images: boats/heron.bin" in done.stdout


def test_where_names_the_images_that_meet_a_condition_in_some_cells(yard: Yard) -> None:
    done = yard.call("fleet", "--where", "trim is off")
    assert "in some cells only  24 to 26 °C, 2 of 4 off; 1 image: boats/petrel.bin" in done.stdout
    done = yard.call("fleet", "--where", "trim is off at speed=800")
    assert "yes        off; 1 image: boats/petrel.bin" in done.stdout


@pytest.mark.parametrize(
    ("question", "expected"),
    [
        ("overspeed_cut > 4100 and monitor is on", {f"boats/skiff-{number}.bin" for number in range(8)}),
        ("overspeed_cut < 4100 or monitor is off", {"boats/heron.bin", "boats/petrel.bin"}),
        ("not monitor is off and overspeed_cut < 70 1/s", {"boats/heron.bin"}),
        ("not (trim is on)", {"boats/petrel.bin"}),
    ],
)
def test_conditions_are_joined(yard: Yard, question: str, expected: set[str]) -> None:
    document = valid(yard.call("fleet", "--where", question, "--format", "json").data, "fleet.schema.json")
    paths = [image["path"] for image in document["images"]]
    assert {paths[number] for number in document["question"]["yes"]} == expected
    assert {paths[number] for number in document["question"]["unknown"]} == {
        "boats/tern.bin",
        "boats/wreck.bin",
    }


def test_a_question_about_an_unknown_table_or_a_text_is_refused(yard: Yard) -> None:
    assert "did you mean 'overspeed_cut'?" in yard.call("fleet", "--where", "overspeed > 3").error
    assert "speed_4 is an axis" in yard.call("fleet", "--where", "speed_4 > 3").error
    assert "hull_number is a text" in yard.call("fleet", "--where", "hull_number > 3").error


# Another image, and a commit


@pytest.fixture(scope="module")
def repository(tmp_path_factory: pytest.TempPathFactory) -> Scratch:
    """Three boats; the second commit lowers heron's cut-off and one cell of its fuel map.

    Petrel then takes the cut-off alone, and gannet has values of its own.
    """
    scratch = make_repository(tmp_path_factory.mktemp("adoption") / "yard")
    make_yard(scratch.root, heron=GOOD, petrel=GOOD, gannet=GOOD, skua=GOOD)
    scratch.commit("Start")
    change = {CUT: u16(4000), fuel_cell(2, 1): u16(455)}
    scratch.write("boats/heron.bin", edited(GOOD, change))
    scratch.commit("Heron: gentler")
    scratch.write("boats/petrel.bin", edited(GOOD, {CUT: u16(4000)}))
    scratch.write("boats/gannet.bin", edited(GOOD, {CUT: u16(4100)}))
    scratch.write("boats/egret.bin", edited(GOOD, change))
    scratch.write("boats/tern.bin", edited(GOOD, {SOFTWARE: b"YARD-02"}))
    scratch.commit("The others")
    return scratch


def test_change_lists_the_images_with_the_values_that_a_commit_set(repository: Scratch) -> None:
    done = repository.call("fleet", "--change", "HEAD~1")
    assert "Heron: gentler (Ada Quay, " in done.stdout
    assert "boats/heron.bin: 2 cells of overspeed_cut, fuel" in done.stdout
    lines = [" ".join(line.split()) for line in done.lines]
    assert "old values 1 image: boats/skua.bin" in lines
    assert "part of the new values boats/petrel.bin: 1 of 2 cells" in lines
    assert "other values 1 image: boats/gannet.bin" in lines
    assert "not known 1 image: boats/tern.bin" in lines
    assert "new values 2 images: boats/egret.bin, boats/heron.bin" in lines
    assert not too_wide(done.stdout)


def test_change_gives_programs_the_number_of_cells(repository: Scratch) -> None:
    document = valid(
        repository.call("fleet", "--change", "HEAD~1", "--format", "json").data, "fleet.schema.json"
    )
    paths = [image["path"] for image in document["images"]]
    (change,) = document["commit"]["changes"]
    assert (change["image"], change["cells"]) == ("boats/heron.bin", 2)
    states = {paths[item.pop("image")]: item for item in change["images"]}
    assert states["boats/petrel.bin"] == {"values": "partly", "new": 1, "old": 1, "other": 0}
    assert states["boats/gannet.bin"] == {"values": "other", "new": 0, "old": 1, "other": 1}
    written = rows(repository.call("fleet", "--change", "HEAD~1", "--format", "csv").stdout)
    assert {row["image"]: row["values"] for row in written} == {
        path: state["values"] for path, state in states.items()
    }


def test_a_cell_at_a_moved_breakpoint_has_another_value(repository: Scratch) -> None:
    moved = edited(repository.root.joinpath("boats/heron.bin").read_bytes(), {0x04: u16(2500)})
    path = repository.write("boats/knot.bin", moved)
    document = repository.call("fleet", "--change", "HEAD~1", "--format", "json").data
    path.unlink()
    number = next(n for n, image in enumerate(document["images"]) if image["path"] == "boats/knot.bin")
    state = next(item for item in document["commit"]["changes"][0]["images"] if item["image"] == number)
    # The cut-off is the new one; the fuel cell is now at 2500 rpm and not at 2400 rpm.
    assert state == {"image": number, "values": "partly", "new": 1, "old": 0, "other": 1}


def test_only_cells_at_a_breakpoint_that_moved_count(repository: Scratch, tmp_path: Path) -> None:
    yard = refreshed(copy_of(repository.root, tmp_path / "yard"))
    yard.write("boats/skua.bin", edited(GOOD, {0x04: u16(2500)}))
    yard.commit("Skua: a breakpoint")
    document = yard.call("fleet", "--change", "HEAD", "--format", "json").data
    (change,) = document["commit"]["changes"]
    # One cell of each curve lies at the breakpoint; the output of the map hardly moves with it.
    assert (change["cells"], change["tables"]) == (3, ["smoke_cap", "egr", "trim"])
    paths = [image["path"] for image in document["images"]]
    states = {paths[item["image"]]: item["values"] for item in change["images"]}
    assert states["boats/skua.bin"] == "new"
    assert states["boats/petrel.bin"] == "old"


def test_a_commit_without_a_change_of_an_image_is_refused(repository: Scratch) -> None:
    assert "it has no parent" in repository.call("fleet", "--change", "HEAD~2").error
    assert "no such revision" in repository.call("fleet", "--change", "nowhere").error


def test_differs_from_lists_the_tables_in_which_an_image_differs(repository: Scratch) -> None:
    done = repository.call("fleet", "--differs-from", "HEAD~1:boats/heron.bin")
    lines = [" ".join(line.split()) for line in done.lines]
    assert "boats/skua.bin 2 tables: overspeed_cut (protection), fuel" in lines
    assert "boats/petrel.bin 1 table: fuel" in lines
    assert "3 of 5 images differ from HEAD~1:boats/heron.bin." in lines
    document = repository.call("fleet", "--differs-from", "HEAD~1:boats/heron.bin", "--format", "json").data
    valid(document, "fleet.schema.json")
    written = rows(
        repository.call("fleet", "--differs-from", "HEAD~1:boats/heron.bin", "--format", "csv").stdout
    )
    paths = [image["path"] for image in document["images"]]
    assert {(row["image"], row["table"]) for row in written} == {
        (paths[item["image"]], table)
        for item in document["compared"]["differing"]
        for table in item["tables"]
    }


def test_an_image_that_differs_from_all_differs_in_a_uniform_table_too(tmp_path: Path) -> None:
    yard = make_yard(tmp_path / "yard", heron=GOOD, petrel=GOOD)
    yard.write("old.bin", edited(GOOD, {EGR: b"\x01"}))
    done = yard.call("fleet", "--differs-from", "old.bin", "--definition", "defs/yard.xml", "boats")
    assert "boats/heron.bin   1 table: egr (emissions)" in done.stdout
    assert "2 of 2 images differ from old.bin." in done.stdout


# Formats


def test_csv_has_a_line_for_each_calibration_and_image(yard: Yard) -> None:
    written = rows(yard.call("fleet", "--table", "overspeed_cut", "--format", "csv").stdout)
    assert len(written) == 10
    heron = next(row for row in written if row["image"] == "boats/heron.bin")
    assert (heron["calibration"], heron["images"], heron["low"], heron["unit"]) == ("B", "1", "4000", "rpm")


def test_json_keeps_to_its_schema(yard: Yard) -> None:
    document = valid(yard.call("fleet", "--format", "json").data, "fleet.schema.json")
    assert [table["table"] for table in document["tables"]] == ["overspeed_cut", "monitor", "trim"]
    assert document["tables"][0]["calibrations"][1]["images"] == [0]


def test_the_page_has_a_matrix_of_images_by_tables(yard: Yard, tmp_path: Path) -> None:
    page = tmp_path / "fleet.html"
    assert yard.call("fleet", "--format", "html", "--output", str(page)).stdout == ""
    tree = html.fromstring(page.read_text("utf-8"))
    (table,) = tree.cssselect(".matrix table")
    heads = [cell.text_content() for cell in table.cssselect("thead th[scope=col]")]
    # monitor and trim divide the images alike, so they share a column.
    assert heads == ["Images", "overspeed_cut (protection)", "monitor (protection) and 1 more"]
    matrix = {
        row.cssselect("th[scope=row]")[0].text_content().split()[0]: [
            cell.text_content() for cell in row.cssselect("td")
        ]
        for row in table.cssselect("tbody tr")
    }
    assert matrix == {
        "boats/skiff-0.bin": ["A", "A"],
        "boats/heron.bin": ["B", "A"],
        "boats/petrel.bin": ["C", "B"],
    }
    assert "boats/skiff-0.bin and 7 alike" in table.text_content()
    assert "boats/tern.bin: its software number is" in tree.text_content()


def test_the_page_asks_for_nothing_and_runs_nothing(yard: Yard, tmp_path: Path) -> None:
    pages = [tmp_path / "one.html", tmp_path / "two.html"]
    for page in pages:
        yard.call("fleet", "--format", "html", "--output", str(page), CALLINT_CACHE="")
    assert pages[0].read_bytes() == pages[1].read_bytes()
    tree = html.fromstring(pages[0].read_text("utf-8"))
    (policy,) = tree.xpath("//meta[@http-equiv='Content-Security-Policy']/@content")
    assert policy.startswith("default-src 'none'; style-src 'sha256-")
    assert "script-src" not in policy
    assert not tree.xpath("//script | //*[@src] | //link | //*[@style] | //@href[not(starts-with(., '#'))]")


def test_the_page_of_a_diverse_fleet_is_bounded_and_names_what_it_leaves_out(tmp_path: Path) -> None:
    boats = {f"boat_{number:03}": edited(GOOD, {CUT: u16(4000 + number)}) for number in range(100)}
    yard = make_yard(tmp_path / "yard", **boats)
    page = tmp_path / "fleet.html"
    yard.call("fleet", "--format", "html", "--output", str(page))
    tree = html.fromstring(page.read_text("utf-8"))
    assert len(tree.cssselect(".matrix tbody tr")) == 60
    text = " ".join(tree.text_content().split())
    assert "40 images in 40 further rows are not shown." in text
    assert "and 88 more calibrations of 88 images" in text


def test_the_text_of_a_stranger_is_not_html(tmp_path: Path) -> None:
    yard = make_yard(tmp_path / "yard", heron=GOOD)
    yard.write("boats/<img src=x>.bin", edited(GOOD, {HULL: b"<b>HULL</b> "}))
    page = tmp_path / "fleet.html"
    assert yard.call("fleet", "--format", "html", "--output", str(page)).status == 0
    tree = html.fromstring(page.read_text("utf-8"))
    assert not tree.cssselect("img, b")
    assert '"<b>HULL</b>"' in tree.text_content()


# Options


@pytest.mark.parametrize(
    ("arguments", "problem"),
    [
        (["--where", "fuel > 1", "--change", "HEAD"], "exclude each other"),
        (["--where", "fuel > 1", "--table", "fuel"], "--table excludes --where"),
        (["--output", "x.txt"], "--output needs --format csv, json or html"),
        (["--format", "html"], "--format html needs --output FILE"),
        (["--format", "html", "--output", "x.html", "--where", "fuel > 1"], "--format html shows all tables"),
        (["--format", "json", "--all"], "--all needs --format text"),
        (["--table", "nothing*"], "there is no table 'nothing*'"),
        (["--executor", "dask:tcp://127.0.0.1:1", "--jobs", "2"], "exclude each other"),
    ],
)
def test_options_that_do_not_fit_together_are_refused(yard: Yard, arguments: list[str], problem: str) -> None:
    assert problem in " ".join(yard.call("fleet", *arguments).error.split())


def test_an_image_that_changes_while_callint_reads_is_not_mixed_up(
    yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    from callint.checking.fleet.fleet_reader import FleetReader

    run = FleetReader.run
    target = yard.root / "boats/heron.bin"

    def run_and_change(self: FleetReader, *arguments: object) -> None:
        run(self, *arguments)  # type: ignore[arg-type]
        target.write_bytes(_PLAIN)

    monkeypatch.setattr(FleetReader, "run", run_and_change)
    try:
        error = yard.call("fleet", "--table", "overspeed_cut", "--format", "json").error
    finally:
        target.write_bytes(_HERON)
    assert error == "callint: boats/heron.bin: it changed while callint read the images; try again"


def test_a_fuel_map_is_compared_cell_by_cell(tmp_path: Path) -> None:
    other = edited(GOOD, {FUEL: u16(130)})
    done = make_yard(tmp_path / "yard", heron=GOOD, petrel=other).call("fleet", "--table", "fuel")
    assert "B 1 of 12 cells, largest 12.0 → 13.0 mg (+1.0, +8.3 %) at 800 rpm, 10 mg;" in done.flat
