"""python -m benchmarks import: descriptions beside a published reader, and how the cost grows with them."""

from __future__ import annotations

from pathlib import Path
from statistics import median

from benchmarks.generate import Sample
from benchmarks.measure import Cost, cost, print_table, python_once

_MIB = 2**20
#: What the published reader does at the least: the whole file into its data base in memory.
_OTHER = (
    "import sys, pya2l\npya2l.import_a2l(sys.argv[1], in_memory=True, progress_bar=False, loglevel='ERROR')"
)
#: What the other published reader does at the least: the whole file into objects.
_SECOND = "import sys\nfrom xba2l.a2l_util import parse_a2l\nassert parse_a2l(sys.argv[1])[0] is None"
_BARE = "import numpy, lxml.etree, click"
#: Characteristics in the file that both read, and in the steps of the growth; the last has 100 MB.
_BOTH = 4_000
#: Characteristics in the file that callint and the faster reader read.
_SECOND_BOTH = 20_000
_STEPS = (7_500, 15_000, 30_000, 60_000)
_RUNS = 3
#: Turns of callint and the faster reader: machines change their pace from one second to the next.
_TURNS = 9


def measure(folder: Path, sample: Sample) -> None:
    """The ratio to the published reader, and the growth to 60,000 characteristics in 100 MB."""
    del sample
    both = write_description(folder / "both.a2l", _BOTH)
    here = _import(both)
    bare, bare_other = cost(["-c", _BARE], _RUNS), cost(["-c", "import pya2l"], _RUNS)
    other = cost(["-c", _OTHER, both], 2)
    net = (other.seconds - bare_other.seconds) / (here.seconds - bare.seconds)
    rows = [
        ["pya2ldb, whole process", f"{other.seconds / here.seconds:.0f}", "20", _memory(other)],
        ["pya2ldb, imports taken off on both sides", f"{net:.0f}", "20", _memory(other)],
        ["callint import", "1", "", _memory(here)],
    ]
    size = both.stat().st_size / 1e6
    title = (
        f"A description of {size:.1f} MB with {_BOTH:,} characteristics; time in multiples of callint\n"
        "import, which also writes the definition; peak memory in MiB"
    )
    print_table(title, ["", "ratio", "aim", "MiB"], rows)
    beside_second_reader(folder)
    growth(folder, bare)


def beside_second_reader(folder: Path) -> None:
    """The ratio to the faster published reader, which parses blocks and makes no definition."""
    path = write_description(folder / "second.a2l", _SECOND_BOTH)
    pairs = [
        (python_once(_import_arguments(path)), python_once(["-c", _SECOND, path])) for _ in range(_TURNS)
    ]
    ratio = median([here.seconds / other.seconds for here, other in pairs])
    processor = median([here.processor / other.processor for here, other in pairs])
    here, other = pairs[-1]
    rows = [
        ["callint import", f"{ratio:.2f}", f"{processor:.2f}", "1", _memory(here)],
        ["xba2l, whole process", "1", "1", "", _memory(other)],
    ]
    title = (
        f"{_SECOND_BOTH:,} characteristics; time in multiples of the published reader xba2l, by the clock\n"
        f"and of the processor, medians of {_TURNS} turns; peak in MiB"
    )
    print_table(title, ["", "ratio", "processor", "aim", "MiB"], rows)


def growth(folder: Path, bare: Cost) -> None:
    """The same work at twice the size takes twice the time above the bare imports."""
    rows = []
    last: tuple[int, float] | None = None
    for count in _STEPS:
        path = write_description(folder / f"{count}.a2l", count)
        result = _import(path)
        above = result.seconds - bare.seconds
        grown = "" if last is None else f"{above / last[1]:.2f}"
        more = "" if last is None else f"{count / last[0]:.0f}"
        size = path.stat().st_size / 1e6
        rows.append([f"{count:,}", f"{size:.0f}", f"{above:.1f}", grown, more, _memory(result)])
        last = count, above
        path.unlink()
    title = "Growth of callint import: seconds above the bare imports, and how much more than the step before"
    heads = ["characteristics", "MB", "s", "time ×", "size ×", "MiB"]
    print_table(title, heads, rows)


def _import(path: Path) -> Cost:
    return cost(_import_arguments(path), _RUNS)


def _import_arguments(path: Path) -> list[str | Path]:
    """The arguments of Python for an import; each writes a definition of its own, as none is written over."""
    program = (
        "import sys, tempfile\n"
        "from callint.__main__ import main\n"
        "with tempfile.TemporaryDirectory(dir=sys.argv[2]) as folder:\n"
        "    sys.exit(main(['import', sys.argv[1], '--to', folder + '/made.xml']))"
    )
    return ["-c", program, path, path.parent]


def _memory(item: Cost) -> str:
    return f"{item.memory / _MIB:.0f}"


def write_description(path: Path, characteristics: int) -> Path:
    """A description with so many characteristics of 1.7 kB each: maps, curves and values, and their axes."""
    with path.open("w", encoding="utf-8") as file:
        file.write(_HEAD)
        for number in range(max(characteristics // 20, 1)):
            file.write(_AXIS.format(number=number, at=0x800000 + 64 * number))
        for number in range(characteristics):
            file.write(_characteristic(number, number % max(characteristics // 20, 1)))
        file.write("/end MODULE\n/end PROJECT\n")
    return path


_HEAD = """ASAP2_VERSION 1 61
/begin PROJECT Sample "Generated"
/begin MODULE Sample "Generated"
/begin A2ML block "IF_DATA" taggedunion if_data { "DEVICE" struct { uint; char[101]; }; }; /end A2ML
/begin MOD_COMMON "" BYTE_ORDER MSB_FIRST ALIGNMENT_WORD 2 /end MOD_COMMON
/begin RECORD_LAYOUT VALUES FNC_VALUES 1 UWORD ROW_DIR DIRECT /end RECORD_LAYOUT
/begin RECORD_LAYOUT POINTS AXIS_PTS_X 1 UWORD INDEX_INCR DIRECT /end RECORD_LAYOUT
/begin RECORD_LAYOUT CURVE NO_AXIS_PTS_X 1 UWORD AXIS_PTS_X 2 UWORD INDEX_INCR DIRECT
  FNC_VALUES 3 UWORD ROW_DIR DIRECT /end RECORD_LAYOUT
/begin COMPU_METHOD TENTH "One tenth" RAT_FUNC "%6.1" "mg" COEFFS 0 10 0 0 0 1 /end COMPU_METHOD
/begin COMPU_METHOD SPEED "Speed" LINEAR "%6.0" "rpm" COEFFS_LINEAR 0.25 0 /end COMPU_METHOD
/begin MEASUREMENT engine_speed "Engine speed" UWORD SPEED 0 0 0 6000 ECU_ADDRESS 0x1000 /end MEASUREMENT
"""

_AXIS = """/begin AXIS_PTS axis_{number}
  "Breakpoints of speed, number {number}"
  0x{at:X} engine_speed POINTS 0 SPEED 16 0 6000
/end AXIS_PTS
"""


def _characteristic(number: int, axis: int) -> str:
    """One characteristic with what descriptions carry along: annotations, functions, interface data."""
    kind, layout, axes = _KINDS[number % len(_KINDS)]
    at = 0x10000 + 64 * number
    return f"""
/begin CHARACTERISTIC
  boat.controller.module_{number % 97}.table_{number}      /* name */
  "Table {number} of the generated description, ""quoted"" and long as long identifiers are"  // title
  {kind}        /* type */
  0x{at:X}      /* address */
  {layout}      /* layout */
  0             /* largest difference */
  TENTH         /* conversion */
  0.0           /* lower limit */
  {4000 + number % 1000}.5   /* upper limit */
  EXTENDED_LIMITS -10.0 6553.5
  DISPLAY_IDENTIFIER dsp_table_{number}
  FORMAT "%6.1"
  STEP_SIZE 0.1
  ECU_ADDRESS_EXTENSION 0
{axes.format(axis=axis)}
  /begin FUNCTION_LIST
    function_{number % 50} function_{number % 70} function_{number % 90}
  /end FUNCTION_LIST
  /begin ANNOTATION
    ANNOTATION_LABEL "About this table"
    ANNOTATION_ORIGIN "The generator"
    /begin ANNOTATION_TEXT
      "A text of some length, as people write them beside a table when they hand it over to others.\\r\\n"
      "It says what the table does, when it was last changed, and whom to ask about it.\\r\\n"
    /end ANNOTATION_TEXT
  /end ANNOTATION
  /begin IF_DATA DEVICE
    /begin KP_BLOB
      0x{at:X} 0x40 "{"segment " * 36}"
      KP_DATA 0x{number:X} 0x1 0x2 0x3 0x4 0x5 0x6 0x7 0x8 0x9 0xA 0xB 0xC 0xD 0xE 0xF
    /end KP_BLOB
  /end IF_DATA
  /* {"-" * 60} */
  SYMBOL_LINK "boat_controller_module_{number % 97}_table_{number}" 0
/end CHARACTERISTIC
"""


_COMMON = """  /begin AXIS_DESCR
    COM_AXIS engine_speed SPEED 16 0 6000 AXIS_PTS_REF axis_{axis} MAX_GRAD 2.5 MONOTONY MON_INCREASE
  /end AXIS_DESCR"""
_OWN = """  /begin AXIS_DESCR
    STD_AXIS engine_speed SPEED 8 0 6000
  /end AXIS_DESCR"""
_FIXED = """  /begin AXIS_DESCR
    FIX_AXIS NO_INPUT_QUANTITY SPEED 4 0 6000 FIX_AXIS_PAR_DIST 0 400 4
  /end AXIS_DESCR"""
_KINDS = (
    ("VALUE", "VALUES", ""),
    ("CURVE", "VALUES", _COMMON),
    ("CURVE", "CURVE", _OWN),
    ("MAP", "VALUES", f"{_COMMON}\n{_FIXED}"),
)
