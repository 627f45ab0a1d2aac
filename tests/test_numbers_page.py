"""What docs/numbers.md shows is what callint writes."""

from __future__ import annotations

import re
import textwrap
from pathlib import Path

from callint.reporting.tables.csv import COLUMNS
from tests.running import run

REPOSITORY = Path(__file__).resolve().parent.parent
PAGE = (REPOSITORY / "docs" / "numbers.md").read_text("utf-8")


def test_the_page_lists_the_columns_in_their_order() -> None:
    table = PAGE.partition("| column | holds |\n")[2].partition("\n\n")[0]
    rows = re.findall(r"^\| (`\w+`(?:, `\w+`)*) \|", table, re.MULTILINE)
    assert re.findall(r"`(\w+)`", " ".join(rows)) == list(COLUMNS)


def test_the_table_on_the_page_is_one_of_the_demo(tmp_path: Path) -> None:
    (shown,) = re.findall(r"^```xml\n(.*?)^```$", PAGE, re.DOTALL | re.MULTILINE)
    assert run("demo", "demo", cwd=tmp_path).status == 0
    arguments = ("factory/sk28-0412.bin", "boats/petrel.bin", "--format", "cdfx")
    assert textwrap.indent(shown, " " * 10) in run("diff", *arguments, cwd=tmp_path / "demo").stdout


def test_the_readme_links_to_the_page() -> None:
    assert "(docs/numbers.md)" in (REPOSITORY / "README.md").read_text("utf-8")
