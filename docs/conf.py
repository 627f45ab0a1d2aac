"""How Sphinx makes a site of these pages; docs/build.py calls it."""

from __future__ import annotations

from typing import Any

project = "callint"
author = "the callint maintainers"
extensions = ["myst_parser"]
source_suffix = {".md": "markdown"}
exclude_patterns = ["images/*"]
nitpicky = True

# Readers link to headings as forges name them, so that a link works there and here.
myst_heading_anchors = 4

language = "en_GB"
smartquotes = False  # a page must say a command as it is typed
highlight_language = "none"
# Readable to those who see little contrast, in the light and in the dark.
pygments_style = "a11y-high-contrast-light"
pygments_dark_style = "a11y-high-contrast-dark"

html_theme = "furo"
html_title = "callint"
html_static_path = ["site"]
html_css_files = ["site.css"]
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
    """What Sphinx and the theme leave out, above all for people who cannot see the page or point at it."""
    # A heading without its level is none to a screen reader.
    navigation = context.get("furo_navigation_tree", "")
    context["furo_navigation_tree"] = navigation.replace('role="heading"', 'role="heading" aria-level="2"')
    # What is wider than a narrow window can be moved with the arrow keys only once it has the focus.
    body = context.get("body", "")
    for plain, better in (
        ("<pre>", '<pre tabindex="0">'),
        ('<div class="table-wrapper', '<div tabindex="0" class="table-wrapper'),
        # The second line of a command is typed too, also where the first does not end in a backslash.
        ('<span class="go">&gt; ', '<span class="gp">&gt; </span><span>'),
    ):
        body = body.replace(plain, better)
    context["body"] = body
