"""``python -m tests.fuzz TARGET... --seconds N``: targets under atheris, one after the other."""

from __future__ import annotations

import argparse
import os
import pkgutil
import sys
import tempfile
from pathlib import Path

import callint

FOUND = Path(__file__).parent / "found"


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("targets", nargs="+", metavar="target")
    parser.add_argument("--seconds", type=int, default=60, help="time for each target; 0 for no limit")
    parser.add_argument(
        "--runs", type=int, default=-1, help="number of inputs to try for each target at most"
    )
    parser.add_argument("--seed", type=int, default=0, help="seed of chance; 0 takes another each time")
    parser.add_argument(
        "--instrument",
        nargs="+",
        default=["callint"],
        metavar="module",
        help="modules that atheris follows (default: all)",
    )
    parser.add_argument("--finds", type=Path, help="folder for what is found (default: a new folder)")
    options = parser.parse_args()
    import atheris

    # Atheris includes whole packages at the top alone, and excludes single modules.
    modules = [module.name for module in pkgutil.walk_packages(callint.__path__, "callint.")]
    excluded = [name for name in modules if not name.startswith(tuple(options.instrument))]
    with atheris.instrument_imports(include=["callint"], exclude=excluded):
        from tests.fuzz import seeds as _seeds  # noqa: F401 (instrumented once for all targets)
        from tests.fuzz.targets import TARGETS
    for target in options.targets:
        if target not in TARGETS:
            parser.error(f"there is no target {target}; known are {', '.join(TARGETS)}")
    failed = []
    for target in options.targets:
        process = os.fork()  # atheris ends its process
        if process == 0:
            _fuzz(target, options)
        if os.waitstatus_to_exitcode(os.waitpid(process, 0)[1]):
            failed.append(target)
    if failed:
        sys.stderr.write(f"something was found in: {', '.join(failed)}\n")
    return int(bool(failed))


def _fuzz(target: str, options: argparse.Namespace) -> None:
    """Fuzz one target; does not return."""
    import atheris

    from tests.fuzz.seeds import mutated, seeds
    from tests.fuzz.targets import TARGETS

    finds = (options.finds or Path(tempfile.mkdtemp(prefix="callint-fuzz-"))) / target
    corpus = finds / "corpus"
    corpus.mkdir(parents=True, exist_ok=True)
    known = FOUND / target
    earlier = [path.read_bytes() for path in sorted(known.iterdir())] if known.is_dir() else []
    for number, data in enumerate([*seeds(target), *earlier]):
        (corpus / f"seed-{number}").write_bytes(data)
    sys.stderr.write(f"finds go to {finds}\n")

    def mutator(data: bytes, size: int, seed: int) -> bytes:
        # Pieces keep a text's form better; single bytes reach what pieces do not.
        return bytes(atheris.Mutate(data, size)) if seed % 3 == 0 else mutated(data, size, seed)

    arguments = [
        sys.argv[0],
        f"-max_total_time={options.seconds}",
        f"-runs={options.runs}",
        f"-seed={options.seed}",
        f"-artifact_prefix={finds}/",
        "-timeout=30",
        "-rss_limit_mb=2048",
        "-max_len=40000",
        "-print_final_stats=1",
        "-reload=0",  # only this process adds to the corpus; a run that reads it again counts those files too
        str(corpus),
    ]
    atheris.Setup(arguments, TARGETS[target], custom_mutator=mutator)
    atheris.Fuzz()
    os._exit(0)


if __name__ == "__main__":
    sys.exit(main())
