"""python -m benchmarks start: what a commit hook and a diff driver cost, which are started over and over."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

from benchmarks.generate import Sample, without_slips
from benchmarks.measure import Call, medians, print_table

_POLICY = '[[images]]\npaths = ["boats/*.bin"]\ndefinition = "definition.xml"\nbase = "base.bin"\n'
_IMPORTS = "import numpy, lxml.etree"
_RUNS = 11
_ALONE = "callint check --staged, nothing found"
_CHILD = "the same by a child of that definition, to it"
#: A child that changes one demand.
_CHILD_TEXT = """\
<definition xmlns="urn:callint:definition:1" name="child" revision="1" byte-order="big" extends="parent.xml">
  <inherited><table name="table_5"><change max="41"/></table></inherited>
</definition>
"""


def measure(folder: Path, sample: Sample) -> None:
    """Print the ratios of starts, each the median of runs that take turns."""
    quiet = _repository(folder / "quiet", sample, without_slips(sample))
    loud = _repository(folder / "loud", sample, sample.image.read_bytes())
    child = _repository(folder / "child", sample, without_slips(sample), is_child=True)
    check = ["-m", "callint", "check", "--staged"]
    stat = ["-m", "callint", "diff", "HEAD:boats/heron.bin", "boats/heron.bin", "--stat"]
    kept = {"CALLINT_CACHE": str((folder / "kept").resolve())}
    calls = {
        "pass": Call(["-c", "pass"]),
        "imports": Call(["-c", _IMPORTS]),
        "callint --help": Call(["-m", "callint", "--help"]),
        _ALONE: Call(check, quiet, kept),
        _CHILD: Call(check, child, kept),
        "callint check --staged, findings": Call(check, loud, kept),
        "callint diff HEAD:IMAGE IMAGE --stat": Call(stat, loud, kept),
        "callint check --staged, no cache": Call(check, quiet, {"CALLINT_CACHE": ""}),
    }
    aims = {"callint --help": "3.0", _ALONE: "2.5"}
    aims["callint check --staged, findings"] = "2.5"
    aims[_CHILD] = "1.1"
    result = medians(calls, _RUNS)
    rows = []
    for name in list(calls)[2:]:
        beside = {"callint --help": "pass", _CHILD: _ALONE}.get(name, "imports")
        wall, cpu = (f"{item[name] / item[beside]:.2f}" for item in result)
        rows.append([name, wall, aims.get(name, ""), cpu])
    title = (
        f"Start-up, {sample.size >> 20} MiB image, {sample.tables:,} tables: the first in multiples of "
        f"python -c pass,\nthe others of python -c '{_IMPORTS}'; medians of {_RUNS} runs that take turns"
    )
    print_table(title, ["", "time", "aim", "processor time"], rows)


def _repository(folder: Path, sample: Sample, image: bytes, is_child: bool = False) -> Path:
    """A repository in which one image of two is staged; its definition is a child or stands alone."""
    (folder / "boats").mkdir(parents=True)
    base = sample.base.read_bytes()
    contents = {
        "callint.toml": _POLICY.encode(),
        "definition.xml": sample.definition.read_bytes(),
        "base.bin": base,
        "boats/heron.bin": base,
        "boats/petrel.bin": base,
    }
    if is_child:
        contents["parent.xml"] = contents["definition.xml"]
        contents["definition.xml"] = _CHILD_TEXT.encode()
    for path, content in contents.items():
        (folder / path).write_bytes(content)
    _git(folder, "init", "--quiet")
    _git(folder, "add", "--all")
    who = ["-c", "user.name=Ada Quay", "-c", "user.email=ada@yard.example"]
    _git(folder, *who, "commit", "--quiet", "--message", "The factory's images")
    (folder / "boats/heron.bin").write_bytes(image)
    _git(folder, "add", "--all")
    return folder


def _git(folder: Path, *arguments: str) -> None:
    quiet = {"GIT_CONFIG_GLOBAL": os.devnull, "GIT_CONFIG_NOSYSTEM": "1"}
    subprocess.run(["git", *arguments], cwd=folder, env={**os.environ, **quiet}, check=True)
