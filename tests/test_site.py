"""The pages make a site without a warning, in which every link leads somewhere."""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path
from urllib.parse import unquote, urlsplit

import pytest
from markdown_it import MarkdownIt

from tests.published import Site, published
from tests.running import REPOSITORY

DOCS = REPOSITORY / "docs"
ROOT_PAGES = sorted(REPOSITORY.glob("*.md"))


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    return published(tmp_path_factory)


def test_every_page_of_the_folder_is_in_the_site(site: Site) -> None:
    for path in DOCS.rglob("*.md"):
        assert site.page(path.relative_to(DOCS).with_suffix("").as_posix())


def test_every_link_inside_the_site_has_a_target(site: Site) -> None:
    assert site.dead() == []
    links = [link for page in site.pages.values() for _, link in page.links]
    assert len(links) > 1000 and any(link.startswith("rules.html#") for link in links)


def test_a_dead_link_is_noticed(tmp_path: Path) -> None:
    (tmp_path / "a.html").write_text(
        '<p id="here"><a href="#here">1</a><a href="b.html#there">2</a><a href="b.html#nowhere">3</a>'
        '<a href="c.html">4</a><img src="../outside.png"><a href="#gone">5</a><a href="https://example/">6</a>',
        "utf-8",
    )
    (tmp_path / "b.html").write_text('<p id="there">', "utf-8")
    assert Site(tmp_path).dead() == [
        "a.html: b.html#nowhere",
        "a.html: c.html",
        "a.html: ../outside.png",
        "a.html: #gone",
    ]


def test_the_built_pages_ask_nobody_on_a_network(site: Site) -> None:
    for page in site.pages.values():
        outside = [
            link
            for element, link in page.links
            if element.tag != "a" and (urlsplit(link).netloc or urlsplit(link).scheme not in ("", "data"))
        ]
        assert outside == [], page.path
        for style in page.tree.iter("style"):
            assert "url(" not in (style.text or "")
    for path in site.folder.rglob("*.css"):
        text = path.read_text("utf-8")
        assert "@import" not in text and "@font-face" not in text, path
        assert [
            item for item in re.findall(r"url\(([^)]*)", text) if not item.strip("\"'").startswith("data:")
        ] == []


def test_the_site_opens_from_disk(site: Site) -> None:
    for page in site.pages.values():
        assert [link for _, link in page.links if link.startswith("/")] == [], page.path


def test_every_page_is_reached_from_the_first_one(site: Site) -> None:
    first = site.folder / "index.html"
    seen, waiting = {first}, [first]
    while waiting:
        page = site.pages[waiting.pop()]
        for element, link in page.links:
            path = urlsplit(link).path
            if element.tag == "a" and path and not urlsplit(link).scheme:
                target = (page.path.parent / unquote(path)).resolve()
                if target in site.pages and target not in seen:
                    seen.add(target)
                    waiting.append(target)
    assert {path.relative_to(site.folder).as_posix() for path in set(site.pages) - seen} <= {"search.html"}


def _nests(levels: list[int]) -> bool:
    """One heading at the top, and none that skips a level on the way down."""
    return levels.count(1) == 1 == levels[0] and all(
        after <= before + 1 for before, after in pairwise(levels)
    )


def test_headings_nest(site: Site) -> None:
    for path in DOCS.rglob("*.md"):
        page = site.page(path.stem)
        headings = page.tree.xpath("//article//*[self::h1 or self::h2 or self::h3 or self::h4 or self::h5]")
        assert _nests([int(heading.tag[1]) for heading in headings]), path
    for path in ROOT_PAGES:
        tokens = MarkdownIt().parse(path.read_text("utf-8"))
        assert _nests([int(item.tag[1]) for item in tokens if item.type == "heading_open"]), path


@pytest.mark.parametrize(
    ("levels", "nest"), [([1, 2, 3, 2], True), ([1, 3], False), ([2], False), ([1, 1], False)]
)
def test_a_skipped_level_is_noticed(levels: list[int], nest: bool) -> None:
    assert _nests(levels) is nest


def test_every_picture_has_a_description_in_words(site: Site) -> None:
    pictures = [item for page in site.pages.values() for item in page.tree.iter("img")]
    assert len(pictures) >= 5
    for item in pictures:
        alt = item.get("alt") or ""
        assert len(alt.split()) >= 4, item.get("src")  # docutils puts the file's name where there are none


def test_every_page_has_a_language_a_title_and_the_width_of_its_window(site: Site) -> None:
    for page in site.pages.values():
        assert page.tree.get("lang", "").startswith("en"), page.path
        assert page.tree.findtext("head/title"), page.path
        assert page.tree.xpath("head/meta[@name='viewport']"), page.path


def test_the_pages_at_the_top_lead_to_files_that_are_there() -> None:
    for path in ROOT_PAGES:
        for token in MarkdownIt().parse(path.read_text("utf-8")):
            for child in token.children or ():
                link = str(child.attrs.get("href") or child.attrs.get("src") or "")
                if link and not urlsplit(link).scheme:
                    assert (REPOSITORY / urlsplit(link).path).exists(), (path.name, link)


def test_the_readme_explains_how_to_build_the_site() -> None:
    assert "python docs/build.py" in (REPOSITORY / "README.md").read_text("utf-8")


def test_the_pictures_of_the_gallery_show_what_the_commands_print_today(site: Site) -> None:
    page = site.page("gallery")
    drawn = [link for element, link in page.links if element.tag == "img" and link.endswith(".svg")]
    assert len(drawn) == 3
    for link in drawn:
        built = (page.path.parent / link).read_text("utf-8")
        assert built == (DOCS / "images" / link.rpartition("/")[2]).read_text("utf-8")
