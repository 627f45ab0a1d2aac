"""One browser for each worker, and a page in it for each test."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from selenium import webdriver

from tests.browser.browsing import Page, chromium, forget
from tests.browser.documents import Json, text_of
from tests.running import Scratch, call

Opened = Callable[..., Page]


class Demo(NamedTuple):
    """The demo's repository, which no test changes, and the review of its Petrel."""

    yard: Scratch
    page: Path
    review: Any


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    folder = tmp_path_factory.mktemp("demo")
    assert call("demo", "yard", cwd=folder).status == 0
    yard = Scratch(folder / "yard")
    named = ("review", "factory/sk28-0412.bin", "boats/petrel.bin", "--date", "2026-04-08", "--output")
    for arguments in (("page.html",), ("review.json", "--format", "json")):
        done = yard.call(*named, *arguments)
        assert done.status == 0, done
    return Demo(yard, yard.root / "page.html", json.loads((yard.root / "review.json").read_text("utf-8")))


@pytest.fixture(scope="session")
def fleet(demo: Demo) -> Path:
    """The page of all of the demo's commits: three images, one of which is of other software."""
    first = demo.yard.must("rev-list", "--max-parents=0", "HEAD").strip()
    assert demo.yard.call("review", first, "HEAD", "--output", "range.html").status == 0
    return demo.yard.root / "range.html"


@pytest.fixture(scope="session")
def chrome(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    with chromium(tmp_path_factory.mktemp("profile")) as driver:
        yield driver


@pytest.fixture
def opened(chrome: webdriver.Chrome, tmp_path: Path) -> Opened:
    """Opens the page of a document, at a link into it; the browser has forgotten all pages before."""

    def open_page(
        document: Json | Path, link: str = "", width: int = 1400, height: int = 1000, dark: bool = False
    ) -> Page:
        file = document if isinstance(document, Path) else tmp_path / "review.html"
        if not isinstance(document, Path):
            file.write_text(text_of(document), "utf-8")
        return Page(chrome, file).screen(width, height, dark).open(link)

    forget(chrome)
    return open_page


@pytest.fixture
def seen(chrome: webdriver.Chrome, request: pytest.FixtureRequest) -> Opened:
    """Opens the page of a document for a test that only looks at it.

    If the browser still shows the page of the same document, and nobody has touched it, nothing is opened.
    """

    def show_page(document: Json, width: int = 1400) -> Page:
        text = text_of(document)
        name = f"{hashlib.sha256(text.encode()).hexdigest()} {width}"
        if chrome.execute_script("return window.shownPage") != name:
            opened: Opened = request.getfixturevalue("opened")
            opened(document, width=width).run(_WATCH, name)
        page = Page(chrome, Path(chrome.current_url.partition("#")[0].removeprefix("file://")))
        page.run("window.scrollTo(0, 0)")
        return page

    return show_page


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """In each module, let the tests that only look at pages run one after the other."""
    here = Path(__file__).parent
    looking = {
        id(item)
        for item in items
        if item.path.is_relative_to(here) and "seen" in getattr(item, "fixturenames", ())
    }
    for path in {item.path for item in items if id(item) in looking}:
        places = [n for n, item in enumerate(items) if item.path == path]
        ordered = sorted((items[n] for n in places), key=lambda item: id(item) not in looking)
        for n, item in zip(places, ordered, strict=True):
            items[n] = item


#: Gives the page a name, which it loses as soon as anybody does anything to it.
_WATCH = """
window.shownPage = arguments[0];
const events = ["keydown", "pointerdown", "pointermove", "click", "input", "wheel", "toggle", "hashchange",
  "beforeprint", "resize", "blur"];
for (const name of events) addEventListener(name, () => { delete window.shownPage; }, {capture: true});
"""
