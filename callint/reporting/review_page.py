"""The review as a page for a browser: one file that needs nothing else."""

from __future__ import annotations

import json
from collections.abc import Mapping
from html import escape
from typing import Any


def page(document: Mapping[str, Any]) -> str:
    """The whole page of a review document; the same for the same document."""
    data = json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    data = data.replace("<", "\\u003c")  # nothing in it ends the element
    return f"""<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'">
<title>{escape(document["title"])}</title>
</head>
<body>
<script type="application/json" id="review">{data}</script>
</body>
</html>
"""
