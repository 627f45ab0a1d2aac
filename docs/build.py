"""Build the site of these pages.

``python docs/build.py [FOLDER]``: FOLDER is ``build/site`` by default; ``index.html`` in it opens from
disk. Warnings are errors: a reference that leads nowhere, a page that is in no list, a heading that skips a
level.
"""

from __future__ import annotations

import sys
from pathlib import Path

from sphinx.cmd.build import main

DOCS = Path(__file__).resolve().parent
sys.path.insert(0, str(DOCS))  # so that the script finds its neighbour wherever it is started

from gallery import draw  # noqa: E402


def build(folder: Path) -> int:
    """Write the whole site into a folder, and draw its gallery anew; return the exit status of Sphinx."""
    words = [
        "-b",
        "html",
        "--fail-on-warning",
        "--nitpicky",
        "--keep-going",
        "--quiet",
        "--fresh-env",
        "--write-all",
    ]
    status = main([*words, "--doctree-dir", str(folder / ".doctrees"), str(DOCS), str(folder)])
    if status == 0:
        draw(folder / "_images")  # in place of the copies in docs/images
    return status


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else DOCS.parent / "build" / "site"
    status = build(target)
    if status == 0:
        print(f"Open {target / 'index.html'}")
    sys.exit(status)
