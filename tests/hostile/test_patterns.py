"""Globs and lists of a policy that are made to take for ever do not."""

from __future__ import annotations

import pytest

from tests.hostile.repository import DEFINITION, HERON, WAYS, Hostile
from tests.running import GOOD, POLICY, environment, run_python

#: No command takes near as long; the bound keeps a test run from hanging.
_PATIENCE = 120

GLOBS = (
    "boats/" + "a*" * 200 + "b",
    "/".join(["**"] * 500) + "/x",
    "/".join(["**", "a*a*a*"] * 200),
    "boats/" + "[a-" * 500,
    "boats/" + "[!" * 500 + "]",
    "boats/" + "?" * 5000,
    "*" * 20000 + "b",
    "/".join(["*"] * 5000),
    "x" * 1_000_000,
)


def within_patience(hostile: Hostile, arguments: tuple[str, ...]) -> int:
    """The status of a command in a process of its own that answers at all, in one line or with its work."""
    done = run_python(
        "-m", "callint", *arguments, cwd=hostile.yard.root, env=environment(), patience=_PATIENCE
    )
    assert done.status in (0, 1, 2), done.stderr
    return done.status


@pytest.mark.parametrize("glob", GLOBS, ids=range(len(GLOBS)))
def test_no_glob_takes_for_ever(hostile: Hostile, glob: str) -> None:
    hostile.yard.write("boats/" + "a" * 200 + ".bin", GOOD)
    (hostile.yard.root / "/".join(["boats", *["a" * 20] * 40])).mkdir(parents=True)
    hostile.yard.write("/".join(["boats", *["a" * 20] * 40, "a.bin"]), GOOD)
    hostile.yard.stage("callint.toml", POLICY.replace('"boats/*.bin"', f'"boats/*.bin", "{glob}"'))
    hostile.yard.must("add", "--all")
    for name in ("check --staged", "show", "init"):
        within_patience(hostile, WAYS[name])


@pytest.mark.parametrize("glob", [glob for glob in GLOBS if "/" not in glob[6:]])
def test_no_glob_on_the_command_line_takes_for_ever(hostile: Hostile, glob: str) -> None:
    glob = glob.removeprefix("boats/")[:60_000]
    text = (hostile.yard.root / DEFINITION).read_text("utf-8")
    hostile.yard.write(DEFINITION, text.replace("overspeed_cut", "a" * 500))
    for arguments in (
        ("show", HERON, glob),
        ("diff", "factory/base.bin", HERON, "-t", glob),
        ("history", HERON, glob),
    ):
        within_patience(hostile, arguments)


@pytest.mark.parametrize(
    "more",
    [
        "[[images]]\npaths = ["
        + ",".join(f'"{n}*/*.bin"' for n in range(100_000))
        + f']\ndefinition = "{DEFINITION}"\n',
        "".join(
            f'[[waivers]]\nrule = "value/unexpected"\nimage = "boats/{n}.bin"\ntable = "x"\n'
            f'reason = "It has been so for years."\nwho = "Ada"\ndigest = "sha256:{"0" * 40}"\n'
            for n in range(24_000)
        ),
        "".join(f'[[images]]\npaths = ["{n}/*"]\ndefinition = "d{n}.xml"\n' for n in range(40_000)),
        "[log]\ncolumns = {" + ",".join(f'c{n} = "{n}"' for n in range(100_000)) + "}\n",
        "[severity]\n" + "".join(f'"value/x{n}" = "off"\n' for n in range(100_000)),
        "x = " + "[" * 100_000 + "]" * 100_000,
        "x" + ".x" * 100_000 + " = 1\n",
        "[" + "x." * 100_000 + "x]\n",
        "start = " + "9" * 100_000 + "\n",
        'fail-on = "' + "x" * 1_000_000 + '"\n',
    ],
    ids=[
        "globs",
        "waivers",
        "entries",
        "columns",
        "severities",
        "brackets",
        "keys",
        "heads",
        "number",
        "word",
    ],
)
def test_no_list_of_a_policy_takes_for_ever(hostile: Hostile, more: str) -> None:
    hostile.yard.stage(
        "callint.toml", f"{more}\n{POLICY}" if more[0] in "xs" or more.startswith("fail") else POLICY + more
    )
    # Both read the policy by one function, and go their own ways with what it accepts.
    if within_patience(hostile, WAYS["check"]) != 2:
        within_patience(hostile, WAYS["check --staged"])
