"""Break the code in one place at a time and see whether the tests notice.

``python -m tests.mutation [MODULE...]``; ``README.md`` says how to read the result.
"""

from __future__ import annotations

import argparse
import math
import os
import random
import sys
from collections import defaultdict
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tests.mutation.mutants import Mutant

PACKAGES = ("callint/decoding", "callint/comparing", "callint/rules")
#: What runs in this process; what tests git, browsers, crashes and hostile files starts others.
TESTS = (
    *("tests", "tests/rules", "tests/outside", "tests/commands", "tests/addresses", "tests/definitions"),
    *("tests/properties", "tests/softwares", "tests/unknown"),
)
#: These start other processes, build something, or are about files and words of callint's own.
LEFT_OUT = {
    *("house", "wheel", "readme", "walks", "demo", "pages", "numbers_page", "cache", "asap2_reader"),
    *("init", "init_undo", "import", "review", "rules_command", "schema", "record_files", "diff_cdfx"),
    "check_jobs",
}
#: Files of tests that the other processes of callint run in, for what they alone exercise.
APART = {
    "callint/checking/parallel.py": ("tests/commands/test_check_jobs.py",),
    "callint/checking/definition_findings.py": ("tests/test_cache.py",),
    "callint/rules/rule.py": ("tests/commands/test_rules_command.py", "tests/test_rule_pages.py"),
}
#: So many mutants of each module are tried at least, so that none stands in the score by chance alone.
_LEAST = 2


def main() -> int:
    """Try a sample of the mutants, or all; 1 where fewer are killed than are asked for."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    parser.add_argument(
        "modules", nargs="*", type=Path, help="files or folders; without any " + ", ".join(PACKAGES)
    )
    parser.add_argument("--sample", type=int, default=120, help="mutants of each folder; 0 tries all")
    parser.add_argument("--seed", type=int, default=1, help="which mutants are in the sample")
    parser.add_argument("--tests", type=Path, action="append", help="files of tests in place of the usual")
    parser.add_argument("--only", type=int, action="append", help="the mutant of this number, of one file")
    parser.add_argument("--least", type=float, default=0, help="the share in per cent that must be killed")
    asked = parser.parse_args()
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    sys.path.insert(0, str(Path.cwd()))
    import pytest

    from tests.mutation.apart import Copy
    from tests.mutation.mutants import Source
    from tests.mutation.trials import MutantOutcome, Trials

    named = asked.modules or [Path(package) for package in PACKAGES]
    paths = [path for name in named for path in ([name] if name.is_file() else sorted(name.rglob("*.py")))]
    sources = {path: Source(path) for path in paths}
    chosen: list[Mutant] = []
    folders: dict[Path, list[Mutant]] = defaultdict(list)
    for source in sources.values():
        folders[source.path.parent] += source.mutants
    for mutants in folders.values():
        chosen += _sample(mutants, asked.sample, asked.seed)
    if asked.only:
        chosen = [
            mutant for source in sources.values() for mutant in source.mutants if mutant.number in asked.only
        ]
    tests = asked.tests or _tests()
    outcomes: dict[Path, list[MutantOutcome]] = defaultdict(list)

    def body(trials: Trials) -> None:
        seen = set()
        for number, mutant in enumerate(chosen, 1):
            if mutant.path not in seen and not trials.is_steady(mutant):
                sys.stderr.write(f"the tests of {mutant.path} fail without any mutant\n")
            seen.add(mutant.path)
            outcome, test = trials.outcome(mutant)
            files = APART.get(mutant.path.as_posix(), ())
            if files and outcome in {MutantOutcome.SURVIVED, MutantOutcome.UNREACHED}:
                noticed = copy.outcome(mutant.path, sources[mutant.path].mutated(mutant), files)
                outcome, test = noticed or (outcome, test)
            outcomes[mutant.path.parent].append(outcome)
            if outcome in {MutantOutcome.SURVIVED, MutantOutcome.UNREACHED}:
                sys.stdout.write(f"{mutant} {outcome.value}\n")
                sys.stdout.writelines(f"    {line}\n" for line in sources[mutant.path].difference(mutant))
            elif asked.only:
                sys.stdout.write(f"{mutant} {outcome.value} {test}\n")
            sys.stdout.flush()
            if number % 50 == 0:
                sys.stderr.write(f"{number} of {len(chosen)} mutants tried\n")

    usual = [path for package in PACKAGES for path in sorted(Path(package).glob("*.py"))]
    measured = paths if asked.tests else sorted({*usual, *paths})
    cache = None if asked.tests else Path(".pytest_cache/reach.json")
    plugin = Trials([*sources.values()], measured, cache, body)
    arguments = [
        "-q",
        "-s",
        "-p",
        "no:cacheprovider",
        "-W",
        "ignore:Module already imported",
        *map(str, tests),
    ]
    with Copy() as copy:
        pytest.main(arguments, plugins=[plugin])
    worst = 100.0
    for folder, result in outcomes.items():
        killed = sum(outcome in {MutantOutcome.KILLED, MutantOutcome.TIMEOUT} for outcome in result)
        low, high = _interval(killed, len(result))
        worst = min(worst, 100 * killed / len(result))
        sys.stdout.write(
            f"{folder.as_posix()}: {killed} of {len(result)} killed, {100 * killed / len(result):.1f} %"
            f" (95 % interval {low:.1f} to {high:.1f} %), of {len(folders[folder]):,} mutants\n"
        )
    return int(not outcomes or worst < asked.least)


def _sample(mutants: list[Mutant], size: int, seed: int) -> list[Mutant]:
    """So many mutants in all, of each file as it has its share in them."""
    files: dict[Path, list[Mutant]] = defaultdict(list)
    for mutant in mutants:
        files[mutant.path].append(mutant)
    chosen = []
    for path, result in files.items():
        count = max(_LEAST, round(size * len(result) / len(mutants))) if size else len(result)
        chance = random.Random(f"{seed} {path.as_posix()}")
        chosen += sorted(chance.sample(result, min(count, len(result))), key=lambda mutant: mutant.number)
    return chosen


def _tests() -> list[Path]:
    result = [path for folder in TESTS for path in sorted(Path(folder).glob("test_*.py"))]
    return [path for path in result if path.stem.removeprefix("test_") not in LEFT_OUT]


def _interval(killed: int, tried: int) -> tuple[float, float]:
    """Wilson's interval of 95 per cent for a share, in per cent (E. B. Wilson, 1927)."""
    z = 1.959964
    share, scale = killed / tried, 1 + z * z / tried
    centre = (share + z * z / (2 * tried)) / scale
    reach = z / scale * math.sqrt(share * (1 - share) / tried + z * z / (4 * tried * tried))
    return 100 * max(0.0, centre - reach), 100 * min(1.0, centre + reach)


if __name__ == "__main__":
    sys.exit(main())
