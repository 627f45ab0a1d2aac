"""The JavaScript of the review page keeps to the rules of a linter."""

from __future__ import annotations

import subprocess
import sysconfig
from pathlib import Path

import pytest

from callint.reporting.review.html import page_script
from tests.running import REPOSITORY

#: Errors of several kinds, with the rule that finds each.
PLANTED = {
    "no-undef": "document.title = nameless;",
    "no-unused-vars": "function unused() {}",
    "no-shadow": "document.title = [1].map((review) => review + 1).join();",
    "no-var": "var number = 1; document.title = number;",
    "prefer-const": "let number = 1; document.title = number;",
    "eqeqeq": "document.title = review.title == 1;",
    "no-eval": "eval(document.title);",
    "no-console": "console.log(document.title);",
    "max-params": "document.title = ((a, b, c, d, e, f, g) => [a, b, c, d, e, f, g].join())();",
    "max-lines-per-function": f"function long() {{{'document.title += 1;' + chr(10) * 60}}} long();",
}


def lint(script: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """Lint a script as the page has it: its parts share one scope."""
    path = folder / "review.js"
    path.write_text(script, encoding="utf-8")
    program = Path(sysconfig.get_path("scripts")) / "oxlint"
    command = [str(program), "--config", str(REPOSITORY / ".oxlintrc.json"), str(path)]
    return subprocess.run(command, capture_output=True, text=True, encoding="utf-8", check=False)


def test_the_script_of_the_page_has_no_error(tmp_path: Path) -> None:
    done = lint(page_script(), tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "on 1 file" in done.stdout


@pytest.mark.parametrize("rule", PLANTED)
def test_a_planted_error_is_found(rule: str, tmp_path: Path) -> None:
    start = "signOff.load();"
    script = page_script()
    assert script.count(start) == 1
    done = lint(script.replace(start, f"{PLANTED[rule]}\n{start}"), tmp_path)
    assert done.returncode == 1, done.stdout + done.stderr
    assert f"({rule})" in done.stdout
