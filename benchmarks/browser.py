"""How soon the page of a review can be used in a browser, and how smoothly it scrolls."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from selenium import webdriver

from benchmarks.measure import print_table
from tests.browser.browsing import chromium

_RUNS = 5
#: From the start of loading until what was drawn at the start is on the screen, in milliseconds.
_USABLE = """
const done = arguments[0];
requestAnimationFrame(() => requestAnimationFrame(() => done(performance.now())));
"""
#: The time between frames in milliseconds while the page runs by, a fifth of a window a frame.
_SCROLL = """
const [frames, done] = [[], arguments[0]];
let last = performance.now();
const step = (now) => {
  frames.push(now - last);
  last = now;
  window.scrollBy(0, window.innerHeight / 5);
  const isOver = window.scrollY + window.innerHeight >= document.documentElement.scrollHeight - 1;
  if (isOver || frames.length >= 1000) done(frames.slice(1));
  else requestAnimationFrame(step);
};
requestAnimationFrame(step);
"""


def measure(folder: Path, rework: tuple[Path, Path, Path]) -> None:
    """Size, load time and scrolling of the demo's page, and of one of many changed tables.

    ``rework`` are a definition, a base and an image.
    """
    definition, base, image = rework
    empty = folder / "empty.html"
    empty.write_text("<!doctype html><title>Empty</title><p>Empty</p>", "utf-8")
    demo, many = folder / "demo.html", folder / "many.html"
    (folder / "demo").mkdir()
    _callint(folder / "demo", "demo", ".")
    _callint(folder / "demo", "review", "factory/sk28-0412.bin", "boats/petrel.bin", "--output", demo)
    _callint(folder, "review", base, image, "--definition", definition, "--output", many)
    pages = {"an empty page": empty, "the demo's Petrel": demo, "500 tables of 16 × 16": many}
    rows, frames = [], []
    with chromium(folder / "profile") as chrome:
        times = {name: min(_usable(chrome, file) for _ in range(_RUNS)) for name, file in pages.items()}
        for (name, file), aim in zip(pages.items(), ("", "0.4", "6.0"), strict=True):
            ratio = f"{times[name] / times['an empty page']:.1f}"
            size = f"{file.stat().st_size / 1e6:.2f}"
            rows.append([name, size, aim, f"{times[name]:.0f}", "2000" if aim else "", ratio])
        _usable(chrome, file)
        chrome.set_script_timeout(300)
        result = sorted(chrome.execute_async_script(_SCROLL))
        for word, place in (("median", 0.5), ("95 of 100 are below", 0.95), ("longest", 1.0)):
            frames.append([word, f"{result[min(int(place * len(result)), len(result) - 1)]:.0f}"])
    heads = ["", "MB", "aim", "ms", "aim", "ratio"]
    title = (
        "The page of a review in Chromium without a graphics card: size, and the time from the start of\n"
        "loading until it can be used, the best of a few, also in multiples of an empty page's"
    )
    print_table(title, heads, rows)
    print_table(f"Frames while scrolling through the 500 tables, {len(result)} in all", ["", "ms"], frames)


def _callint(folder: Path, *arguments: str | Path) -> None:
    root = Path(__file__).resolve().parent.parent
    subprocess.run(
        [sys.executable, "-m", "callint", *arguments],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(root)},
        stdout=subprocess.DEVNULL,
        check=True,
    )


def _usable(chrome: webdriver.Chrome, file: Path) -> float:
    chrome.get("about:blank")
    chrome.get(file.as_uri())
    return float(chrome.execute_async_script(_USABLE))
