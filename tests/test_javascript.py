"""The JavaScript of the review page keeps to the rules of a linter."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from callint.reporting.review.html import page_script
from tests.lint_javascript import lint
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


def test_the_hook_before_a_commit_sees_every_part_of_the_script() -> None:
    config = (REPOSITORY / ".pre-commit-config.yaml").read_text("utf-8").partition("id: oxlint")[2]
    pattern = re.search(r"files: (\S+)", config)
    assert pattern is not None
    parts = (REPOSITORY / "callint" / "reporting" / "review" / "browser").glob("*.js")
    paths = [*(path.relative_to(REPOSITORY).as_posix() for path in parts), ".oxlintrc.json"]
    assert len(paths) > 2
    assert [path for path in paths if not re.search(pattern[1], path)] == []
