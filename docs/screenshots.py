"""Write the pictures of docs/review.md from the demo: python docs/screenshots.py.

It needs Chromium and chromedriver, as the tests of the page do. The sizes are fixed; what the letters look
like depends on the fonts of the machine, so that no test compares the pictures.
"""

from __future__ import annotations

import io
import os
import subprocess
import sys
import tempfile
from contextlib import closing
from pathlib import Path

import pypdfium2
from PIL import Image
from selenium import webdriver

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))  # so that the script runs without an installed callint

from tests.browser.browsing import Page, chromium  # noqa: E402

_IMAGES = ROOT / "docs" / "images"
_PAIR = ("factory/sk28-0412.bin", "boats/petrel.bin")
_DAY = "2026-04-08"
#: Name, link in the page, width and height of the window, and whether it is dark.
_SHOTS = (
    ("light", "", 1360, 900, False),
    ("dark", "#rail_pressure_demand/11,9", 1360, 1540, True),
    ("narrow", "#start_quantity/2,5", 360, 1100, False),
)
_COLOURS = 256


def main() -> None:
    """All four pictures: light, dark, narrow, and on paper."""
    _IMAGES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        file = _page(folder)
        with chromium(folder / "profile", pixel_memory=512) as chrome:
            page = Page(chrome, file)
            for shot, link, width, height, dark in _SHOTS:
                page.screen(width, height, dark).open(link)
                _settle(page, link)
                _write(shot, Image.open(io.BytesIO(chrome.get_screenshot_as_png())))
            _write("print", _paper(chrome, page))


def _page(folder: Path) -> Path:
    """The review of the demo's boat with the slips."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    target = folder / "review.html"
    for words in (["demo", "yard"], ["review", *_PAIR, "--date", _DAY, "--output", str(target)]):
        subprocess.run(
            [sys.executable, "-m", "callint", *words],
            cwd=folder if words[0] == "demo" else folder / "yard",
            env=environment,
            stdout=subprocess.DEVNULL,
            check=True,
        )
    return target


def _settle(page: Page, link: str) -> None:
    """Wait until everything in the window is drawn, pictures too."""
    if link:
        table = link[1:].partition("/")[0]
        page.until(lambda: len(page.all(f"#{table} svg")) >= 3)
        page.run("document.activeElement.blur()")
    page.chrome.execute_async_script("setTimeout(arguments[0], 1200)")


def _paper(chrome: webdriver.Chrome, page: Page) -> Image.Image:
    """Two sheets next to each other: the first one, and the first with a table of many columns."""
    page.screen().open()
    with closing(pypdfium2.PdfDocument(page.paper())) as document:
        texts = []
        for sheet in document:
            with closing(sheet), closing(sheet.get_textpage()) as text:
                texts.append(text.get_text_range())
        chosen = next(
            n for n, text in enumerate(texts) if "rail_pressure_demand" in text and "Values in bar" in text
        )
        sheets = [document[n].render(scale=1.25).to_pil() for n in (0, chosen)]
    gap = 16
    width = sum(sheet.width for sheet in sheets) + 3 * gap
    both = Image.new("RGB", (width, sheets[0].height + 2 * gap), "#8a8d93")
    left = gap
    for sheet in sheets:
        both.paste(sheet, (left, gap))
        left += sheet.width + gap
    return both


def _write(shot: str, picture: Image.Image) -> None:
    """A picture with few colours, so that its file is small."""
    few = picture.convert("RGB").quantize(_COLOURS, Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE)
    few.save(_IMAGES / f"review-{shot}.png", optimize=True)


if __name__ == "__main__":
    main()
