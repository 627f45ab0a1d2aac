"""Draw what commands print in a terminal, for docs/gallery.md: python docs/gallery.py.

This updates docs/images for readers of the source; docs/build.py draws the pictures of the site anew. Each is
an SVG file with the colours of the real output, and it asks for no font or other file. The page has a text
for those who cannot see them.
"""

from __future__ import annotations

import io
import os
import subprocess
import sys
import tempfile
from pathlib import Path

from rich.console import Console
from rich.terminal_theme import TerminalTheme
from rich.text import Text

ROOT = Path(__file__).resolve().parent.parent
_COLUMNS = 80
#: Name of the picture, and the arguments of the command in the demo's folder.
_PICTURES = {
    "check": ("check", "boats/petrel.bin"),
    "diff": ("diff", "boats/petrel.bin", "-t", "rail_pressure_demand"),
    "whatif": ("whatif", "factory/sk28-0412.bin", "--true", "intake_air_temp=35", "--reads", "-20"),
}
#: Dark letters on white: background, letters, then the eight colours of terminals, each with a contrast of
#: at least 4.5 to 1.
_THEME = TerminalTheme(
    (255, 255, 255),
    (10, 12, 16),
    [
        (10, 12, 16),
        (168, 32, 40),
        (24, 108, 60),
        (130, 88, 0),
        (32, 84, 168),
        (136, 40, 136),
        (0, 104, 120),
        (84, 88, 96),
    ],
)
_FORMAT = """\
<svg viewBox="-12 0 1000 {terminal_height}" width="1000" height="{terminal_height}"
  xmlns="http://www.w3.org/2000/svg">
<style>
.{unique_id}-matrix {{ font: {char_height}px/{line_height}px monospace; }}
{styles}
</style>
<defs>
{lines}
</defs>
<rect x="-12" width="100%" height="100%" fill="#ffffff"/>
{backgrounds}
<g class="{unique_id}-matrix">
{matrix}
</g>
</svg>
"""


def draw(folder: Path) -> None:
    """Write all pictures into a folder."""
    with tempfile.TemporaryDirectory() as name:
        demo = Path(name) / "demo"
        _output(Path(name), "demo", "demo")
        for picture, arguments in _PICTURES.items():
            text = _output(demo, *arguments)
            (folder / f"gallery-{picture}.svg").write_text(_drawn(picture, arguments, text), "utf-8")


def _drawn(picture: str, arguments: tuple[str, ...], output: str) -> str:
    """The SVG of a command and its output."""
    console = Console(
        record=True, width=_COLUMNS, file=io.StringIO(), force_terminal=True, color_system="standard",
        legacy_windows=False,
    )  # fmt: skip
    console.print()
    console.print(Text(f"$ callint {' '.join(arguments)}", "bold"))
    console.print(Text.from_ansi(output.rstrip()), "")
    return console.export_svg(theme=_THEME, code_format=_FORMAT, unique_id=picture, title="")


def _output(folder: Path, *arguments: str) -> str:
    """What callint prints in a terminal with colours."""
    environment = {
        **{name: value for name, value in os.environ.items() if not name.startswith(("GIT_", "CALLINT_"))},
        "PYTHONPATH": str(ROOT), "PYTHONUTF8": "1", "FORCE_COLOR": "1", "TERM": "xterm",
        "COLUMNS": str(_COLUMNS), "GIT_CONFIG_GLOBAL": os.devnull, "GIT_CONFIG_NOSYSTEM": "1",
    }  # fmt: skip
    environment.pop("NO_COLOR", None)
    done = subprocess.run(
        [sys.executable, "-m", "callint", *arguments],
        cwd=folder,
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        check=False,
    )
    if done.returncode not in (0, 1):
        raise RuntimeError(f"callint {' '.join(arguments)}: exit status {done.returncode}")
    return done.stdout.decode("utf-8")


if __name__ == "__main__":
    draw(ROOT / "docs" / "images")
