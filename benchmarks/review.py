"""How long a review of many changed tables takes, and how large its page is."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np

from benchmarks.generate import Sample
from benchmarks.measure import cost, print_table

_TABLES, _SIDE = 500, 16
#: The two axes lie in front of the tables.
_FRONT = 4 * _SIDE
_MAP = (
    '<map name="table_{0}" title="Table {0}" purpose="demand" at="{1}" type="uint16" conversion="tenth">'
    '<x axis="speed"/><y axis="load"/><limits min="0" max="6500"/></map>'
)


def write_rework(folder: Path, share: float, digits: int) -> tuple[Path, Path, Path]:
    """A definition of 500 maps of 16 × 16, a base, and a rework in which ``share`` of all cells differ.

    The raw values have so many digits.
    """
    folder.mkdir(parents=True, exist_ok=True)
    random = np.random.default_rng(28)
    count = _TABLES * _SIDE * _SIDE
    low, high = 10 ** (digits - 1), min(10**digits, 60_000)
    old = random.integers(low, high, count)
    changed = random.random(count) < share
    new = np.where(changed, old + random.integers(1, 1 + low // 10, count), old)
    axes = np.concatenate([500 + 250 * np.arange(_SIDE), 50 * np.arange(1, _SIDE + 1)])
    for name, cells in (("base.bin", old), ("image.bin", new)):
        (folder / name).write_bytes(np.concatenate([axes, cells]).astype(">u2").tobytes())
    maps = "\n".join(_MAP.format(number, _FRONT + 2 * _SIDE * _SIDE * number) for number in range(_TABLES))
    (folder / "definition.xml").write_text(
        f"""<definition xmlns="urn:callint:definition:1" name="many" revision="1" byte-order="big">
  <memory start="0" size="{_FRONT + 2 * count}"/>
  <signals>
    <signal name="engine_speed" unit="rpm" plausible="0 6000" operating="1000 4000">Speed</signal>
    <signal name="fuel" unit="mg" plausible="0 3000" operating="50 800">Fuel</signal>
  </signals>
  <conversions>
    <linear name="tenth" unit="bar" factor="0.1"/>
    <linear name="rpm" unit="rpm" factor="1"/>
    <linear name="mg" unit="mg" factor="1"/>
  </conversions>
  <axes>
    <axis name="speed" signal="engine_speed" at="0" type="uint16" conversion="rpm" count="{_SIDE}"/>
    <axis name="load" signal="fuel" at="{2 * _SIDE}" type="uint16" conversion="mg" count="{_SIDE}"/>
  </axes>
  <tables>
{maps}
  </tables>
</definition>
""",
        "utf-8",
    )
    return folder / "definition.xml", folder / "base.bin", folder / "image.bin"


def measure(folder: Path, sample: Sample) -> None:
    """Time in multiples of ``callint check`` on the same files, and the page in megabytes."""
    rows = []
    for share, digits in ((0.1, 4), (1.0, 4), (1.0, 5)):
        definition, base, image = write_rework(folder / f"review-{share}-{digits}", share, digits)
        page = folder / "page.html"
        named: list[str | Path] = ["--definition", definition]
        checked = cost(["-m", "callint", "check", image, "--base", base, *named], 3)
        reviewed = cost(["-m", "callint", "review", base, image, "--output", page, *named], 3)
        size = page.stat().st_size / 1e6
        text = f"{share:.0%} of the cells, {digits} digits"
        rows.append([text, f"{reviewed.seconds / checked.seconds:.1f}", f"{size:.1f}", "6.0"])
    title = f"callint review, {_TABLES} changed maps of {_SIDE} × {_SIDE}; time in multiples of callint check"
    print_table(title, ["", "ratio", "MB", "aim"], rows)
    if not (shutil.which("chromium") and shutil.which("chromedriver")):
        print("How soon the page can be used is not measured: there is no chromium with its chromedriver.")
        return
    from benchmarks import browser  # only here, as it needs selenium

    browser.measure(folder, write_rework(folder / "review-browser", 0.1, 4))
