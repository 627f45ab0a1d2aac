"""What ``import callint`` offers: the same answers as the command line, and a surface that stays."""

from __future__ import annotations

import dataclasses
import doctest
import inspect
import io
import json
import re
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import chdir
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import bincopy
import numpy as np
import pytest

import callint
from tests.building import u16
from tests.running import (
    BAD,
    EVERYTHING,
    FUEL,
    GOOD,
    REPOSITORY,
    TRIM,
    call,
    edited,
    environment,
    run,
    yard_base,
    yard_definition,
)

BASE = yard_base()
IMAGES = {
    "base.bin": BASE,
    "good.bin": GOOD,
    "bad.bin": BAD,
    "everything.bin": EVERYTHING,
    "foreign.bin": edited(BASE, {0x80: b"OTHER-9"}),
    "short.bin": BASE[:0x20],
    "empty.bin": b"",
    "damaged.hex": b":0400000001020304F3\n:00000001FF\n",
}
#: Images that commands open; the others are no images of the definition's software.
SOUND = ("base.bin", "good.bin", "bad.bin", "everything.bin")


@pytest.fixture(autouse=True)
def folder(tmp_path: Path) -> Iterator[Path]:
    """A folder with images and their definition, and no policy; it is the current one."""
    for name, data in IMAGES.items():
        (tmp_path / name).write_bytes(data)
    (tmp_path / "yard.xml").write_bytes(yard_definition())
    with chdir(tmp_path):
        yield tmp_path


def yard() -> callint.CalibrationDefinition:
    return callint.load_definition("yard.xml")


# The surface

#: By class its members, as far as callers may use them.
SURFACE = {
    "CalibrationDefinition": "name path problems revision title",
    "CalibrationImage": "data name start",
    "CalibrationTable": (
        "at kind name off present purpose raw states title to_dataframe unit values x x_signal x_unit y "
        "y_signal y_unit"
    ),
    "CallintError": "",
    "ChangedTable": "count flags name new old unit",
    "CheckPolicy": "path",
    "CheckReport": "findings summary to_json",
    "ComparedTable": "count flags name new old unit x y",
    "Finding": (
        "address at base base_bytes base_physical cause cell commit content definition evidence explanation "
        "fingerprint hint image image_line inherited line message offset origin origin_line other physical "
        "place policy protective raw rule severe severity size subject table unit unsure waived waiver"
    ),
    "ImageChanges": "summary tables to_json",
    "InputError": "lines",
    "MissingLibraryError": "",
    "Severity": "ERROR NOTE WARNING rank reaches",
    "SoftwareChanges": "only_new only_old renamed summary tables to_json",
}
#: What only callint itself uses.
INTERNAL = {
    "CalibrationDefinition": {"known", "loaded", "lock", "source"},
    "CalibrationImage": {"source"},
    "CalibrationTable": {"context", "grid", "table"},
    "ChangedTable": {"after", "before", "change"},
    "CheckPolicy": {"workspace"},
    "CheckReport": {"report"},
    "ComparedTable": {"change", "software"},
    "ImageChanges": {"context", "names"},
    "SoftwareChanges": {"change", "definitions", "names"},
}
SIGNATURES = {
    "check": (
        "(image: 'CalibrationImage', definition: 'CalibrationDefinition', *, "
        "base: 'CalibrationImage | None' = None, policy: 'CheckPolicy | None' = None) -> 'CheckReport'"
    ),
    "diff": (
        "(old: 'CalibrationImage', new: 'CalibrationImage', definition: 'CalibrationDefinition', "
        "old_definition: 'CalibrationDefinition | None' = None) -> 'ImageChanges | SoftwareChanges'"
    ),
    "load_definition": "(source: 'Readable', *, name: 'str | None' = None) -> 'CalibrationDefinition'",
    "load_policy": "(path: 'str | os.PathLike[str]') -> 'CheckPolicy'",
    "read_image": (
        "(source: 'Readable', *, name: 'str | None' = None, start: 'int | None' = None) -> 'CalibrationImage'"
    ),
    "tables": (
        "(image: 'CalibrationImage', definition: 'CalibrationDefinition') -> 'dict[str, CalibrationTable]'"
    ),
}


def members(name: str) -> list[str]:
    """The members of a public class that callers may use, in order of the alphabet."""
    kind = getattr(callint, name)
    fields = {field.name for field in dataclasses.fields(kind)} if dataclasses.is_dataclass(kind) else set()
    actual = {item for item in {*vars(kind), *fields} if not item.startswith("_")}
    assert INTERNAL.get(name, set()) <= actual
    return sorted(actual - INTERNAL.get(name, set()))


def test_the_public_names_and_signatures_are_these() -> None:
    assert sorted(callint.__all__) == sorted([*SURFACE, *SIGNATURES, "__version__"])
    actual = {name: str(inspect.signature(getattr(callint, name))) for name in SIGNATURES}
    assert actual == SIGNATURES
    assert {name: " ".join(members(name)) for name in SURFACE} == SURFACE
    assert str(inspect.signature(callint.CalibrationTable.at)) == (
        "(self, **signals: 'ArrayLike') -> 'float | Numbers'"
    )


def test_every_public_name_has_a_docstring() -> None:
    for name in [*SURFACE, *SIGNATURES]:
        assert inspect.getdoc(getattr(callint, name)), name
        assert name in dir(callint)


def test_the_page_lists_every_public_name() -> None:
    page = (REPOSITORY / "docs" / "python.md").read_text("utf-8")
    assert [name for name in callint.__all__ if f"`{name}" not in page] == []


def test_an_unknown_name_is_not_an_attribute() -> None:
    with pytest.raises(AttributeError, match="no attribute 'chek'"):
        callint.chek  # type: ignore[attr-defined] # noqa: B018


def test_the_package_imports_nothing_before_it_is_used() -> None:
    program = (
        "import sys, callint\n"
        "before = [name for name in sys.modules if name.startswith('callint.') or name == 'numpy']\n"
        "callint.check\n"
        "print(before, 'numpy' in sys.modules, 'pandas' in sys.modules)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], env=environment(), capture_output=True, text=True, check=True
    )
    assert done.stdout == "[] True False\n"


def test_the_examples_of_the_page_run_on_the_demo(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("demo", "yard", cwd=folder).status == 0
    page = (REPOSITORY / "docs" / "python.md").read_text("utf-8")
    blocks = re.findall(r"^```python\n(.*?)^```$", page, re.MULTILINE | re.DOTALL)
    examples = doctest.DocTestParser().get_doctest("".join(blocks), {}, "python.md", None, 0)
    assert len(examples.examples) > 20
    with chdir(folder / "yard"):
        result = doctest.DocTestRunner().run(examples)
    assert result.failed == 0, capsys.readouterr().out


# The same as the command line


@pytest.mark.parametrize("base", [None, "base.bin", "foreign.bin", "damaged.hex"])
@pytest.mark.parametrize("name", IMAGES)
def test_a_check_is_that_of_the_command_line(name: str, base: str | None, folder: Path) -> None:
    options = () if base is None else ("--base", base)
    printed = call("check", name, "--definition", "yard.xml", *options, "--format", "json", cwd=folder)
    read = None if base is None else callint.read_image(base)
    report = callint.check(callint.read_image(name), yard(), base=read)
    assert json.loads(report.to_json()) == printed.data
    assert report.summary == printed.data["summary"]
    assert [finding.fingerprint for finding in report.findings] == [
        finding["fingerprint"] for finding in printed.data["findings"]
    ]


def test_the_images_have_findings_of_their_own() -> None:
    # So that the comparison above is none of empty reports.
    reports = {name: callint.check(callint.read_image(name), yard()) for name in IMAGES}
    assert reports["base.bin"].findings == ()
    assert {finding.rule for finding in reports["damaged.hex"].findings} == {"image/damaged-record"}
    assert callint.Severity.ERROR in {finding.severity for finding in reports["bad.bin"].findings}


def test_a_policy_settles_what_is_found(folder: Path) -> None:
    policy = '[[images]]\npaths = ["*.bin"]\ndefinition = "yard.xml"\nbase = "base.bin"\n'
    policy += '[severity]\nvalue = "note"\n'
    (folder / "callint.toml").write_text(policy, "utf-8")
    printed = call("check", "bad.bin", "--format", "json", cwd=folder)
    report = callint.check(callint.read_image("bad.bin"), yard(), policy=callint.load_policy("callint.toml"))
    assert json.loads(report.to_json()) == printed.data
    assert report.summary["note"]
    # Without a policy none applies, though one lies there.
    assert callint.check(callint.read_image("bad.bin"), yard()).summary["note"] == 0


@pytest.mark.parametrize("old", SOUND)
@pytest.mark.parametrize("new", SOUND)
def test_a_diff_is_that_of_the_command_line(old: str, new: str, folder: Path) -> None:
    printed = call("diff", old, new, "--definition", "yard.xml", "--format", "json", cwd=folder)
    changes = callint.diff(callint.read_image(old), callint.read_image(new), yard())
    assert json.loads(changes.to_json()) == printed.data
    assert changes.summary == printed.data["summary"]
    assert bool(changes) is bool(printed.status)
    for table in printed.data["tables"]:
        result = changes.tables[table["table"]]
        cells = {(cell["y"], cell["x"]): cell for cell in table["cells"]}
        assert {tuple(place) for place in np.argwhere(result.flags).tolist()} == set(cells)
        assert result.count == table["changed"]
        for place, cell in cells.items():
            for values, value, is_off in (
                (result.old, cell["old"], cell.get("old_off")),
                (result.new, cell["new"], cell.get("new_off")),
            ):
                assert np.isnan(values[place]) if is_off else values[place] == value


def test_a_diff_of_two_software_versions_is_that_of_the_command_line(folder: Path) -> None:
    from tests.commands.test_carry_command import NEWER, newer

    (folder / "newer.xml").write_bytes(NEWER)
    (folder / "newer.bin").write_bytes(newer())
    both = ("--definition", "yard.xml", "--definition", "newer.xml")
    printed = call("diff", "base.bin", "newer.bin", *both, "--format", "json", cwd=folder)
    old, new = callint.read_image("base.bin"), callint.read_image("newer.bin")
    changes = callint.diff(old, new, callint.load_definition("newer.xml"), yard())

    assert json.loads(changes.to_json()) == printed.data
    assert bool(changes) and changes.summary == printed.data["summary"]
    assert changes.only_old == ("monitor", "egr") and changes.only_new == ()
    for table in printed.data["tables"]:
        result = changes.tables[table["table"]]
        assert (result.count, result.unit) == (len(table["cells"]), table.get("unit", ""))
        values = zip(result.old[result.flags].tolist(), result.new[result.flags].tolist(), strict=True)
        assert list(values) == [(cell["old"], cell["new"]) for cell in table["cells"]]
    assert changes.tables["fuel"].x is not None
    assert changes.tables["fuel"].x.tolist() == [800, 1600, 2000, 2400, 3200]
    assert "fuel" in read(changes).text.getvalue()
    assert not callint.diff(old, old, yard(), yard())


def numbers(values: Any) -> list[list[float | None]]:
    return [[None if np.isnan(value) else value for value in row] for row in values.tolist()]


@pytest.mark.parametrize("name", SOUND)
def test_tables_are_those_of_the_command_line(name: str, folder: Path) -> None:
    printed = call("show", name, "--definition", "yard.xml", "--format", "json", cwd=folder)
    documents = {table["table"]: table for table in printed.data["tables"] if table["kind"] != "text"}
    result = callint.tables(callint.read_image(name), yard())
    assert list(result) == list(documents)
    for table, document in documents.items():
        item = result[table]
        assert (item.name, item.kind, item.title) == (table, document["kind"], document["title"])
        assert (item.purpose, item.unit) == (document["purpose"], document["unit"])
        assert numbers(item.values) == document["values"]
        assert item.raw.tolist() == document["raw"]
        off = [{"x": x, "y": y} for y, x in np.argwhere(item.off).tolist()]
        assert off == document.get("off", [])
        assert item.present.all()
        assert item.states == {state["raw"]: state["name"] for state in document.get("states", [])}
        for axis, breakpoints, signal, unit in (
            ("x", item.x, item.x_signal, item.x_unit),
            ("y", item.y, item.y_signal, item.y_unit),
        ):
            if axis in document:
                assert breakpoints is not None
                assert breakpoints.tolist() == document[axis]["breakpoints"]
                assert (signal, unit) == (document[axis]["signal"], document[axis]["unit"])
            else:
                assert (breakpoints, signal, unit) == (None, "", "")


@pytest.mark.parametrize("speed", [0, 800, 1999.5, 2800, 5000])
def test_an_output_is_that_of_the_command_line(speed: float, folder: Path) -> None:
    point = f"speed={speed},load=33"
    options = ("--definition", "yard.xml", "--format", "json")
    printed = call("show", "everything.bin", "--at", point, *options, cwd=folder)
    result = callint.tables(callint.read_image("everything.bin"), yard())
    outputs = {table["table"]: table["new"] for table in printed.data["tables"]}
    assert {"fuel", "smoke_cap", "trim", "egr"} <= set(outputs)
    for name, value in outputs.items():
        here = result[name].at(speed=speed, load=33)
        assert isinstance(here, float)
        assert np.isnan(here) if value is None else here == value


# Arrays


def test_points_in_arrays_give_an_array_of_their_common_shape() -> None:
    fuel = callint.tables(callint.read_image("good.bin"), yard())["fuel"]
    speeds, loads = np.linspace(700, 3500, 7), np.array([[10.0], [33.0]])
    outputs = fuel.at(speed=speeds, load=loads)
    assert isinstance(outputs, np.ndarray)
    assert outputs.shape == (2, 7)
    singles = [[fuel.at(speed=x, load=float(y)) for x in speeds.tolist()] for y in loads[:, 0]]
    assert outputs.tolist() == singles


def test_arrays_cannot_be_written_to_as_they_are_shared() -> None:
    definition, image = yard(), callint.read_image("everything.bin")
    table = callint.tables(image, definition)["fuel"]
    changed = callint.diff(callint.read_image("base.bin"), image, definition).tables["fuel"]
    arrays = [table.values, table.raw, table.off, table.present, table.x, table.y]
    for array in [*arrays, changed.old, changed.new, changed.flags]:
        assert array is not None
        with pytest.raises(ValueError, match="read-only"):
            array[...] = 0


def test_threads_share_a_definition() -> None:
    definition = yard()
    images = [edited(BASE, {FUEL: u16(number)}) for number in range(60)]

    def first(data: bytes) -> float:
        return float(callint.tables(callint.read_image(data), definition)["fuel"].values[0, 0])

    with ThreadPoolExecutor(8) as pool:
        assert list(pool.map(first, images)) == [number / 10 for number in range(60)]


# Files


def records(data: bytes, form: str) -> bytes:
    """The image as a file of records, beginning at address 0."""
    file = bincopy.BinFile()
    file.add_binary(data, 0)
    if form == "srec":
        file.execution_start_address = 0  # else there is no end record
        return str(file.as_srec()).encode()
    return str(file.as_ihex()).encode()


@pytest.mark.parametrize("form", ["hex", "srec"])
def test_files_of_records_hold_the_same_image(form: str, folder: Path) -> None:
    (folder / f"good.{form}").write_bytes(records(GOOD, form))
    definition, raw = yard(), callint.read_image("good.bin")
    for image in (callint.read_image(f"good.{form}"), callint.read_image(records(GOOD, form))):
        assert not callint.diff(raw, image, definition)
        result = callint.tables(image, definition)["fuel"].values
        assert result.tolist() == callint.tables(raw, definition)["fuel"].values.tolist()


def test_bytes_and_paths_of_every_kind_are_the_same(folder: Path) -> None:
    definition = callint.load_definition((folder / "yard.xml").read_bytes(), name="yard.xml")
    reports = [
        callint.check(image, definition).to_json()
        for image in (
            callint.read_image("bad.bin"),
            callint.read_image(Path("bad.bin")),
            callint.read_image(folder / "bad.bin"),
            callint.read_image(BAD, name="bad.bin"),
            callint.read_image(bytearray(BAD), name="bad.bin"),
            callint.read_image(memoryview(BAD), name="bad.bin"),
        )
    ]
    assert set(reports) == {callint.check(callint.read_image("bad.bin"), yard()).to_json()}


def test_contents_with_one_name_are_distinguished() -> None:
    report = callint.check(callint.read_image(GOOD), yard(), base=callint.read_image(BASE))
    named = callint.check(callint.read_image("good.bin"), yard(), base=callint.read_image("base.bin"))
    assert [finding.message for finding in report.findings] == [finding.message for finding in named.findings]
    assert report.summary == named.summary


def test_a_raw_part_begins_at_its_given_address() -> None:
    part = callint.read_image(GOOD[TRIM:], start=TRIM)
    table = callint.tables(part, yard())["egr"]
    assert table.raw.tolist() == callint.tables(callint.read_image(GOOD), yard())["egr"].raw.tolist()
    fuel = callint.tables(part, yard())["fuel"]
    assert np.isnan(fuel.values).all()
    assert not fuel.present.any()


# Errors


@pytest.mark.parametrize("name", ["foreign.bin", "empty.bin", "damaged.hex", "absent.bin", "."])
def test_the_python_interface_raises_the_errors_of_the_command_line(name: str, folder: Path) -> None:
    refused = call("show", name, "--definition", "yard.xml", cwd=folder).error
    with pytest.raises(callint.InputError) as caught:
        callint.tables(callint.read_image(name), yard())
    assert str(caught.value) == refused.removeprefix("callint: ").removesuffix(" with --definition")


def test_a_file_that_is_not_a_definition_is_an_error(folder: Path) -> None:
    (folder / "broken.xml").write_text("<definition>", "utf-8")
    for source in ("broken.xml", b"no xml", "absent.xml"):
        with pytest.raises(callint.CallintError, match=r"^[^\n]+$"):
            callint.load_definition(source)


def test_a_definition_with_an_invalid_line_reports_that() -> None:
    data = yard_definition().replace(b'purpose="emissions"', b'purpose="nothing"')
    definition = callint.load_definition(data)
    assert [problem.rule for problem in definition.problems] == ["definition/invalid"]
    assert definition.problems[0] in [
        replaced for replaced in definition.problems if replaced.definition == "definition.xml"
    ]
    rules = {finding.rule for finding in callint.check(callint.read_image("good.bin"), definition).findings}
    assert "definition/invalid" in rules


@pytest.mark.parametrize(
    ("point", "message"),
    [
        ({}, "smoke_cap.at: the table depends on speed; give a value for each"),
        ({"sped": 1}, "smoke_cap.at sped: no signal has this name; did you mean 'speed'?"),
        ({"speed": float("nan")}, "smoke_cap.at: speed is not finite; give a number in the signal's unit"),
        ({"speed": "fast"}, "smoke_cap.at: speed is not a number; give a number in the signal's unit"),
        ({"load": [1.0, 2.0]}, "smoke_cap.at: the table depends on speed; give a value for each"),
        (
            {"speed": [1.0, 2.0], "load": [1.0, 2.0, 3.0]},
            "smoke_cap.at: the shapes of the signals do not fit; give equal ones",
        ),
    ],
)
def test_a_wrong_operating_point_is_an_error(point: dict[str, Any], message: str) -> None:
    table = callint.tables(callint.read_image("good.bin"), yard())["smoke_cap"]
    with pytest.raises(callint.InputError) as caught:
        table.at(**point)
    assert str(caught.value) == message


@pytest.mark.parametrize("speed", [1000.0, [1000.0, 2000.0]])
def test_a_table_whose_axis_does_not_rise_has_no_output(speed: Any) -> None:
    image = callint.read_image(edited(BASE, {0x02: u16(3000)}))
    with pytest.raises(callint.InputError, match="the axis speed_4 does not rise throughout"):
        callint.tables(image, yard())["smoke_cap"].at(speed=speed)


# Data frames


@pytest.mark.parametrize("start", [-5, 1.5, "0x100"])
def test_a_start_that_is_not_an_address_is_refused(start: Any) -> None:
    with pytest.raises(callint.InputError, match="it is not an address"):
        callint.read_image(b"", name="a.bin", start=start)


def test_a_table_becomes_a_data_frame() -> None:
    pytest.importorskip("pandas")
    result = callint.tables(callint.read_image("good.bin"), yard())
    frame = result["fuel"].to_dataframe()
    assert (frame.columns.name, frame.index.name) == ("speed [rpm]", "load [mg]")
    assert frame.columns.tolist() == [800.0, 1600.0, 2400.0, 3200.0]
    assert frame.loc[40.0, 1600.0] == 45.0
    assert result["overspeed_cut"].to_dataframe().shape == (1, 1)
    frame.loc[40.0, 1600.0] = 0.0  # a copy, which the next one does not see
    assert result["fuel"].to_dataframe().loc[40.0, 1600.0] == 45.0


def test_without_pandas_there_is_one_clear_error(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pandas", None)
    table = callint.tables(callint.read_image("good.bin"), yard())["fuel"]
    with pytest.raises(callint.MissingLibraryError, match="needs pandas; install it, or use"):
        table.to_dataframe()
    assert issubclass(callint.MissingLibraryError, callint.CallintError)


# Notebooks


class _Reader(HTMLParser):
    """The elements of a piece of HTML, and its text."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.text = io.StringIO()
        self.open: list[str] = []
        self.feed(html)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        if tag != "br":
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.write(data)


def read(shown: Any) -> _Reader:
    return _Reader(shown._repr_html_())


def test_a_notebook_shows_the_grid_of_each_changed_table_and_the_rest_as_the_command_line_does(
    folder: Path,
) -> None:
    printed = call("diff", "base.bin", "everything.bin", "--definition", "yard.xml", cwd=folder).stdout
    old, new = callint.read_image("base.bin"), callint.read_image("everything.bin")
    changes = callint.diff(old, new, yard())
    shown = changes._repr_html_()
    for name, change in changes.tables.items():
        single = change._repr_html_()
        assert f"<b>{name}</b>" in single
        assert single in shown
        assert single.count("<del>") == (change.count if change.flags.size > 1 else 0)
    rest = _Reader(shown[shown.index("<pre>") :]).text.getvalue()
    assert rest and printed.endswith(rest + "\n")
    assert read(callint.diff(old, old, yard())).text.getvalue() == "Nothing changed."


def test_a_notebook_shows_the_old_value_below_the_new_one() -> None:
    base, image = callint.read_image("base.bin"), callint.read_image("everything.bin")
    change = callint.diff(base, image, yard()).tables["fuel"]
    y, x = (int(index[0]) for index in change.flags.nonzero())
    old, new = change.old[y, x], change.new[y, x]
    mark = "▲" if new > old else "▼"
    assert f"<td><b>{mark} {new:.1f}</b><br><del>{old:.1f}</del></td>" in change._repr_html_()


def test_a_notebook_does_not_store_the_grids_of_very_many_cells(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("callint.api.html._MOST_CELLS", 0)
    base, image = callint.read_image("base.bin"), callint.read_image("everything.bin")
    changes = callint.diff(base, image, yard())
    assert "<table>" not in changes._repr_html_()
    assert ".tables holds the cells" in changes._repr_html_()


def test_a_notebook_shows_every_cell_and_breakpoint_of_a_table() -> None:
    fuel = callint.tables(callint.read_image("good.bin"), yard())["fuel"]._repr_html_()
    assert "<caption>fuel: Fuel by speed and load, mg</caption>" in fuel
    assert re.findall(r'<th scope="col">(.*?)</th>', fuel) == ["800", "1600", "2400", "3200"]
    assert re.findall(r'<th scope="row">(.*?)</th>', fuel) == ["10", "40", "70"]
    assert re.findall("<td>(.*?)</td>", fuel)[4:6] == ["42.0", "45.0"]


def test_a_notebook_shows_findings_with_what_to_do() -> None:
    report = callint.check(callint.read_image("bad.bin"), yard(), base=callint.read_image("base.bin"))
    text = read(report).text.getvalue()
    assert report.findings
    for finding in report.findings:
        assert finding.message in text
        assert finding.hint in text


def test_strangers_texts_become_no_markup() -> None:
    data = yard_definition().replace(b"Fuel by speed and load", b"&lt;script&gt;&#x202e;1&lt;/script&gt;")
    definition = callint.load_definition(data.replace(b'unit="mg"', b'unit="&lt;b&gt;"'))
    image, base = callint.read_image(EVERYTHING, name="<img>.bin"), callint.read_image(BASE)
    shown = [
        callint.tables(image, definition)["fuel"],
        callint.check(image, definition, base=base),
        callint.diff(base, image, definition),
        callint.diff(base, image, definition).tables["fuel"],
    ]
    for item in shown:
        result = read(item)
        assert result.tags <= {
            "table",
            "caption",
            "tr",
            "th",
            "td",
            "br",
            "i",
            "p",
            "pre",
            "b",
            "span",
            "del",
        }
        assert "\u202e" not in result.text.getvalue()
    assert "<script>\\u202e1</script>" in read(shown[0]).text.getvalue()


def test_a_notebook_does_not_get_more_than_anyone_reads(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("callint.api.html._MOST_CELLS", 11)
    monkeypatch.setattr("callint.api.html._MOST_FINDINGS", 1)
    fuel = callint.tables(callint.read_image("good.bin"), yard())["fuel"]
    assert fuel._repr_html_() == ("<p>fuel: Fuel by speed and load, mg (12 cells; .values holds them)</p>")
    report = callint.check(callint.read_image("everything.bin"), yard(), base=callint.read_image("base.bin"))
    assert len(report.findings) > 1
    assert report._repr_html_().count("<tr>") == 2
    assert "Only 1 of " in report._repr_html_()
