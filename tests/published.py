"""The site of the pages, built, and what its pages lead to."""

from __future__ import annotations

import fcntl
import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from urllib.parse import unquote, urlsplit

import pytest
from lxml import html

from tests.running import REPOSITORY, environment


@dataclass(frozen=True)
class Page:
    """A built page."""

    path: Path

    @cached_property
    def tree(self) -> html.HtmlElement:
        return html.fromstring(self.path.read_bytes())

    @cached_property
    def anchors(self) -> frozenset[str]:
        return frozenset(str(item) for item in self.tree.xpath("//@id | //a/@name"))

    @property
    def links(self) -> Iterator[tuple[html.HtmlElement, str]]:
        """Every reference to something else, with the element that has it."""
        for element in self.tree.iter():
            for name in ("href", "src", "data", "poster", "action", "srcset"):
                if isinstance(element.tag, str) and (link := element.get(name)) is not None:
                    yield element, link


class Site:
    """A folder of built pages."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder.resolve()
        self.pages = {path: Page(path) for path in sorted(self.folder.rglob("*.html"))}

    def page(self, name: str) -> Page:
        return self.pages[self.folder / f"{name}.html"]

    def dead(self) -> list[str]:
        """Every link into the site that leads nowhere: no file, or no such place in the page."""
        return [
            f"{page.path.relative_to(self.folder)}: {link}"
            for page in self.pages.values()
            for _, link in page.links
            if not self._leads_somewhere(page, link)
        ]

    def _leads_somewhere(self, page: Page, link: str) -> bool:
        parts = urlsplit(link)
        if parts.scheme or parts.netloc:
            return True
        target = (page.path.parent / unquote(parts.path)).resolve() if parts.path else page.path
        if not target.is_relative_to(self.folder) or not target.is_file():
            return False
        # "#" alone is the top of a page in every browser.
        return not parts.fragment or unquote(parts.fragment) in self.pages[target].anchors


def published(factory: pytest.TempPathFactory) -> Site:
    """The site, built as readers build it, without a warning; all processes of the tests share it."""
    base = factory.getbasetemp()
    shared = base.parent if "PYTEST_XDIST_WORKER" in os.environ else base
    folder = shared / "site"
    with (shared / "site.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not folder.is_dir():
            being_built = factory.mktemp("site") / "site"
            _build(being_built)
            being_built.rename(folder)
    return Site(folder)


def _build(folder: Path) -> None:
    done = subprocess.run(
        [sys.executable, "docs/build.py", str(folder)],
        cwd=REPOSITORY,
        env=environment(),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
