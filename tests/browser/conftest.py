"""One browser for each worker, and a page in it for each test."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from selenium import webdriver

from tests.browser.browsing import Page, chromium
from tests.browser.documents import Json, text_of

Opened = Callable[..., Page]


@pytest.fixture(scope="session")
def chrome(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    with chromium(tmp_path_factory.mktemp("profile")) as driver:
        yield driver


@pytest.fixture
def opened(chrome: webdriver.Chrome, tmp_path: Path) -> Iterator[Opened]:
    """Opens the page of a document, at a link into it; the browser has forgotten all pages before."""

    def open_page(document: Json | Path, link: str = "", width: int = 1400, dark: bool = False) -> Page:
        file = document if isinstance(document, Path) else tmp_path / "review.html"
        if not isinstance(document, Path):
            file.write_text(text_of(document), "utf-8")
        return Page(chrome, file).screen(width, 1000, dark).open(link)

    # The page before writes what it keeps when the browser leaves it.
    chrome.get("about:blank")
    chrome.execute_cdp_cmd(
        "Storage.clearDataForOrigin", {"origin": "file://", "storageTypes": "local_storage"}
    )
    yield open_page
    chrome.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
