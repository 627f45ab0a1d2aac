"""How Sphinx makes a site of these pages; docs/build.py calls it."""

from __future__ import annotations

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
pygments_style = "friendly"

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
