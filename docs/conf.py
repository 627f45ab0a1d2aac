"""The configuration of Sphinx for the site of these pages; docs/build.py uses it."""

from __future__ import annotations

from typing import Any

project = "callint"
author = "the callint maintainers"
extensions = ["myst_parser"]
source_suffix = {".md": "markdown"}
exclude_patterns = ["images/*"]
nitpicky = True

# The same anchors as on code hosting sites, so that a link works there and here.
myst_heading_anchors = 4

language = "en"  # the catalogue of en_GB lacks a plural that the search needs
smartquotes = False  # a page must say a command as it is typed
highlight_language = "none"
# For readers with low contrast vision, in light and dark mode.
pygments_style = "a11y-high-contrast-light"
pygments_dark_style = "a11y-high-contrast-dark"

html_theme = "furo"
html_title = "callint"
html_static_path = ["site"]
html_css_files = ["site.css"]
html_js_files = ["search-from-disk.js"]
html_copy_source = False
html_show_sourcelink = False
html_show_sphinx = False
html_show_copyright = False
html_use_index = False
html_domain_indices = False


def setup(app: Any) -> None:
    """Called by Sphinx."""
    app.connect("html-page-context", _finish, priority=900)  # behind the theme's own


def _finish(app: Any, page: str, template: str, context: dict[str, Any], tree: Any) -> None:
    """Add what Sphinx and the theme lack, above all for people who use a screen reader or a keyboard."""
    # A screen reader ignores a heading without a level.
    navigation = context.get("furo_navigation_tree", "")
    context["furo_navigation_tree"] = navigation.replace('role="heading"', 'role="heading" aria-level="2"')
    # In a narrow window, the arrow keys scroll a wide block only if it can have the focus.
    body = context.get("body", "")
    for plain, better in (
        ("<pre>", '<pre tabindex="0">'),
        ('<div class="table-wrapper', '<div tabindex="0" class="table-wrapper'),
        # A continued line is part of the command, also if the line before has no backslash.
        ('<span class="go">&gt; ', '<span class="gp">&gt; </span><span>'),
    ):
        body = body.replace(plain, better)
    context["body"] = body
