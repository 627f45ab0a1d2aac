"""``python -m tests.fuzz TARGET --seconds N``: one target under atheris."""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

FOUND = Path(__file__).parent / "found"


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("target")
    parser.add_argument("--seconds", type=int, default=60, help="how long to run; 0 for no limit")
    parser.add_argument("--runs", type=int, default=-1, help="how many inputs to try at most")
    parser.add_argument("--seed", type=int, default=0, help="the seed of chance; 0 takes another each time")
    parser.add_argument("--finds", type=Path, help="the folder for what is found; a new one where absent")
    asked = parser.parse_args()
    import atheris

    with atheris.instrument_imports(include=["callint"]):
        from tests.fuzz.seeds import mutated, seeds
        from tests.fuzz.targets import TARGETS
    if asked.target not in TARGETS:
        parser.error(f"there is no target {asked.target}; known are {', '.join(TARGETS)}")
    finds = asked.finds or Path(tempfile.mkdtemp(prefix=f"callint-fuzz-{asked.target}-"))
    corpus = finds / "corpus"
    corpus.mkdir(parents=True, exist_ok=True)
    known = FOUND / asked.target
    earlier = [path.read_bytes() for path in sorted(known.iterdir())] if known.is_dir() else []
    for number, data in enumerate([*seeds(asked.target), *earlier]):
        (corpus / f"seed-{number}").write_bytes(data)
    sys.stderr.write(f"finds go to {finds}\n")

    def mutator(data: bytes, size: int, seed: int) -> bytes:
        # Pieces keep a text's form better; single bytes reach what pieces do not.
        return bytes(atheris.Mutate(data, size)) if seed % 3 == 0 else mutated(data, size, seed)

    words = [
        sys.argv[0],
        f"-max_total_time={asked.seconds}",
        f"-runs={asked.runs}",
        f"-seed={asked.seed}",
        f"-artifact_prefix={finds}/",
        "-timeout=30",
        "-rss_limit_mb=2048",
        "-max_len=40000",
        "-print_final_stats=1",
        str(corpus),
    ]
    atheris.Setup(words, TARGETS[asked.target], custom_mutator=mutator)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
