"""The site of the pages in a browser: anybody can read it, and it stays where it is."""

from __future__ import annotations

import pytest

from tests.browser.browsing import COLOURS, WCAG
from tests.browser.conftest import Opened
from tests.published import Site, published
from tests.running import needs_chromium

pytestmark = needs_chromium

PAGES = ("index", "tutorial", "slips", "automation", "gallery", "policy")


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    return published(tmp_path_factory)


@pytest.mark.parametrize("name", PAGES)
def test_anybody_can_read_a_page_which_asks_only_for_files_of_the_site(
    site: Site, opened: Opened, name: str
) -> None:
    page = opened(site.page(name).path)
    asked = page.requests()
    assert len(asked) > 3
    assert [item for item in asked if not item.startswith((site.folder.as_uri(), "data:"))] == []
    for width, dark, rules in ((1400, False, ()), (1400, True, COLOURS), (360, False, ())):
        page.screen(width, 1000, dark)
        assert page.violations(WCAG, rules) == [], (width, dark)
        assert page.run("return document.documentElement.scrollWidth") <= width


def test_a_search_finds_a_page_from_disk(site: Site, opened: Opened) -> None:
    page = opened(site.page("search").path, "?q=Hampel")
    assert "How callint detects slips" in page.until(lambda: page.texts("#search-results li a"))
    # "Search finished" is the last thing that the script does.
    page.until(lambda: "finished" in " ".join(page.texts(".search-summary")))
    assert [entry["message"] for entry in page.logged("browser") if entry["level"] == "SEVERE"] == []
