"""Lints the JavaScript of the review page: ``python -m tests.lint_javascript`` exits with oxlint's status.

The parts of the script share one scope, so that oxlint can only judge them joined, as the page has them.
"""

from __future__ import annotations

import subprocess
import sys
import sysconfig
import tempfile
from pathlib import Path

from callint.reporting.review.html import page_script
from tests.running import REPOSITORY


def lint(script: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """Lint a script in a file of its own in a folder."""
    path = folder / "review.js"
    path.write_text(script, encoding="utf-8")
    program = Path(sysconfig.get_path("scripts")) / "oxlint"
    command = [str(program), "--config", str(REPOSITORY / ".oxlintrc.json"), str(path)]
    return subprocess.run(command, capture_output=True, text=True, encoding="utf-8", check=False)


def main() -> int:
    with tempfile.TemporaryDirectory() as folder:
        done = lint(page_script(), Path(folder))
    sys.stdout.write(done.stdout)
    sys.stderr.write(done.stderr)
    return done.returncode


if __name__ == "__main__":
    sys.exit(main())
