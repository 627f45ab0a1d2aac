"""The site of the pages in a browser: anybody can read it, and it stays where it is."""

from __future__ import annotations

import pytest

from tests.browser.browsing import WCAG
from tests.browser.conftest import Opened
from tests.published import Site, published
from tests.running import needs_chromium

pytestmark = needs_chromium

PAGES = ("index", "tutorial", "slips", "automation", "gallery", "policy")


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    return published(tmp_path_factory.mktemp("site") / "site")


@pytest.mark.parametrize(
    ("width", "dark"), [(1400, False), (1400, True), (360, False)], ids=["light", "dark", "narrow"]
)
def test_axe_finds_nothing_and_nothing_sticks_out_sideways(
    site: Site, opened: Opened, width: int, dark: bool
) -> None:
    for name in PAGES:
        page = opened(site.page(name).path, width=width, dark=dark)
        assert page.violations(WCAG) == [], name
        assert page.run("return document.documentElement.scrollWidth") <= width, name


def test_nothing_is_asked_for_but_files_of_the_site(site: Site, opened: Opened) -> None:
    for name in PAGES:
        page = opened(site.page(name).path)
        asked = page.requests()
        assert len(asked) > 3
        assert [item for item in asked if not item.startswith((site.folder.as_uri(), "data:"))] == []


def test_a_search_finds_a_page_from_disk(site: Site, opened: Opened) -> None:
    page = opened(site.page("search").path, "?q=yardstick")
    assert "How slips are judged" in page.until(lambda: page.texts("#search-results li a"))
    # "Search finished" is the last thing that the script does.
    page.until(lambda: "finished" in " ".join(page.texts(".search-summary")))
    assert [entry["message"] for entry in page.logged("browser") if entry["level"] == "SEVERE"] == []
