"""One browser for each worker, and a page in it for each test."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from selenium import webdriver

from tests.browser.browsing import Page, chromium, forget
from tests.browser.documents import Json, text_of

Opened = Callable[..., Page]


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
