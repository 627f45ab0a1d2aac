"""Random histories of a small yard: images, definitions, bases, policies and waivers, branches and merges.

A history is written by one ``git fast-import``, as hundreds of them are tried.
"""

from __future__ import annotations

import subprocess
from dataclasses import dataclass, replace
from datetime import date
from functools import cache
from pathlib import Path

from hypothesis import strategies as st

from callint.checking.assignments import assignments
from callint.checking.checker import Checker
from callint.checking.content import accepted_content
from callint.model.policy import Policy
from callint.reading.policy import read_policy
from tests.building import Files, u16
from tests.running import (
    CUT,
    EGR,
    MONITOR,
    NOTHING,
    SMOKE,
    TRIM,
    edited,
    environment,
    fuel_cell,
    yard_base,
    yard_definition,
)

#: Bytes that a commit may write into an image or the base, by address: good ones and wrong ones.
_EDITS: tuple[tuple[int, bytes], ...] = (
    (0x04, u16(2500)),
    (0x04, u16(1500)),
    (0x06, u16(3300)),
    (fuel_cell(1, 1), u16(450)),
    (fuel_cell(1, 1), u16(9990)),
    (fuel_cell(2, 1), u16(9980)),
    (fuel_cell(3, 2), u16(950)),
    (SMOKE, u16(610)),
    (SMOKE + 2, u16(990)),
    (SMOKE + 4, u16(1010)),
    (CUT, u16(4300)),
    (CUT, u16(4650)),
    (CUT, u16(4750)),
    (CUT, u16(4790)),
    (MONITOR, b"\x00"),
    (TRIM, b"\xff"),
    (EGR, bytes([20])),
    (EGR + 1, bytes([70])),
    (EGR + 2, bytes([11])),
    (NOTHING, b"\xde\xad"),
    (NOTHING + 1, b"\x01"),
)

#: What a commit may write in the definition, in the place of something.
_DEFINITIONS: tuple[tuple[bytes, bytes], ...] = (
    (b'<guard above="4700"/>', b'<guard above="4600"/>'),
    (b'<limits min="0" max="90"/>', b'<limits min="0" max="900"/>'),
    (b'unit="mg" factor="0.1"', b'unit="mg" factor="0.2"'),
    (b"Fuel by speed and load", b"Fuel"),
    (b'purpose="emissions"', b'purpose="general"'),
    (b'<limits min="0" max="60"/>', b'<limits min="0" max="20"/>'),
)

#: What a policy may say beside its images.
_SETTINGS = (
    'fail-on = "warning"',
    '"change/emissions" = "error"',
    '"value" = "warning"',
    '"relation" = "off"',
)

#: What a commit changes; an image most often.
_KINDS = ("image", "image", "image", "waive", "waive", "definition", "policy", "base")

IMAGES = ("boats/heron.bin", "boats/petrel.bin")
DEFINITION, BASE, POLICY = "defs/yard.xml", "factory/base.bin", "callint.toml"
TODAY = date(2026, 11, 28)


@dataclass(frozen=True)
class State:
    """The files of a commit as the choices that made them; every part is hashable."""

    images: tuple[frozenset[int], frozenset[int]] = (frozenset(), frozenset())
    base: frozenset[int] = frozenset()
    definition: frozenset[int] = frozenset()
    settings: frozenset[int] = frozenset()
    #: Which of the findings of which earlier state are waived: the state and the finding's number.
    waived: frozenset[tuple[State, int]] = frozenset()

    def files(self) -> dict[str, bytes]:
        base = _image(yard_base(), self.base)
        definition = yard_definition()
        for number in sorted(self.definition):
            old, new = _DEFINITIONS[number]
            definition = definition.replace(old, new)
        images = {path: _image(yard_base(), edits) for path, edits in zip(IMAGES, self.images, strict=True)}
        return {**images, BASE: base, DEFINITION: definition, POLICY: self._policy().encode()}

    def _policy(self) -> str:
        chosen = [_SETTINGS[number] for number in sorted(self.settings)]
        top = "\n".join(line for line in chosen if line.startswith("fail"))
        severities = "\n".join(line for line in chosen if not line.startswith("fail"))
        waivers = {waivers_of(state)[number] for state, number in self.waived if waivers_of(state)[number:]}
        return (
            f'{top}\n[[images]]\npaths = ["boats/*.bin"]\ndefinition = "{DEFINITION}"\nbase = "{BASE}"\n'
            f"[severity]\n{severities}\n{''.join(sorted(waivers))}"
        )


def _image(data: bytes, edits: frozenset[int]) -> bytes:
    return edited(data, dict(_EDITS[number] for number in sorted(edits)))


@cache
def waivers_of(state: State) -> tuple[str, ...]:
    """Waivers of the findings of a state, each in its own words."""
    files = Files()
    files.files.update(state.files())
    policy = read_policy(files.files[POLICY], POLICY)
    inspector = Checker(files, policy, TODAY)
    report = inspector.report(assignments(policy, files), policy.definitions)
    result = []
    for finding in report.findings:
        case = inspector.settler.context_of(finding)
        content = None if case is None else accepted_content(case, finding)
        if content is not None and not finding.waived:
            image = f'image = "{finding.image}"\n' if finding.image else ""
            table = f'table = "{finding.table}"\n' if finding.table else ""
            result.append(
                f'\n[[waivers]]\nrule = "{finding.rule}"\n{image}{table}reason = "agreed on at the quay"\n'
                f'who = "Ada Quay"\ndigest = "{content}"\n'
            )
    return tuple(dict.fromkeys(result))


def plain_policy(state: State) -> Policy:
    return read_policy(state.files()[POLICY], POLICY)


@dataclass(frozen=True)
class Commit:
    """A state and its parents, by their numbers in the history."""

    state: State
    parents: tuple[int, ...]


@st.composite
def steps(draw: st.DrawFn, state: State) -> State:
    """A state after a commit: one part, rarely two, are another."""
    for _ in range(draw(st.sampled_from([1, 1, 2]))):
        kind = draw(st.sampled_from(_KINDS))
        is_undone = draw(st.booleans())
        match kind:
            case "image":
                heron, petrel = state.images
                edit = {draw(st.integers(0, len(_EDITS) - 1))}
                images = (heron ^ edit, petrel) if draw(st.booleans()) else (heron, petrel ^ edit)
                state = replace(state, images=images)
            case "waive" if state.waived and is_undone:
                gone = draw(st.sampled_from(sorted(state.waived, key=repr)))
                state = replace(state, waived=state.waived - {gone})
            case "waive":
                bare = State(state.images, state.base, state.definition)
                state = replace(state, waived=state.waived | {(bare, draw(st.integers(0, 5)))})
            case "definition":
                number = draw(st.integers(0, len(_DEFINITIONS) - 1))
                state = replace(state, definition=state.definition ^ {number})
            case "policy":
                number = draw(st.integers(0, len(_SETTINGS) - 1))
                state = replace(state, settings=state.settings ^ {number})
            case "base":
                state = replace(state, base=state.base ^ {draw(st.integers(0, len(_EDITS) - 1))})
    return state


@st.composite
def histories(draw: st.DrawFn) -> list[Commit]:
    """Three to seven commits with branches and merges; a merge takes either side, a mix, or neither."""
    commits = [Commit(draw(steps(State())), ())]
    for _ in range(draw(st.integers(2, 6))):
        parent = draw(st.integers(max(0, len(commits) - 3), len(commits) - 1))
        other = draw(st.integers(0, len(commits) - 1))
        if other != parent and draw(st.booleans()):
            ours, theirs = commits[parent].state, commits[other].state
            sides = [draw(st.sampled_from([ours, theirs])) for _ in range(5)]
            state = State(
                (sides[0].images[0], sides[1].images[1]),
                sides[2].base,
                sides[3].definition,
                sides[4].settings,
                ours.waived | theirs.waived,
            )
            if draw(st.booleans()):
                state = draw(steps(state))
            commits.append(Commit(state, (parent, other)))
        else:
            commits.append(Commit(draw(steps(commits[parent].state)), (parent,)))
    return commits


def import_history(root: Path, commits: list[Commit]) -> list[str]:
    """Write a history into a new repository, with a branch for every commit; the ids of the commits."""
    root.mkdir(parents=True, exist_ok=True)
    stream = bytearray()
    for number, commit in enumerate(commits):
        stream += f"commit refs/heads/c{number}\nmark :{number + 1}\n".encode()
        stream += f"author Ada Quay <ada@yard.example> {1_790_000_000 + number} +0000\n".encode()
        stream += f"committer Ada Quay <ada@yard.example> {1_790_000_000 + number} +0000\n".encode()
        stream += b"data 4\nWork\n"
        for place, parent in enumerate(commit.parents):
            stream += f"{'merge' if place else 'from'} :{parent + 1}\n".encode()
        stream += b"deleteall\n"
        for path, data in commit.state.files().items():
            stream += f"M 100644 inline {path}\ndata {len(data)}\n".encode() + data + b"\n"
        stream += b"\n"
    _git(root, "init", "--quiet", "--initial-branch=c0")
    _git(root, "fast-import", "--quiet", "--done", stdin=bytes(stream) + b"done\n")
    ids = [f"refs/heads/c{number}" for number in range(len(commits))]
    return _git(root, "rev-parse", *ids).decode().split()


def _git(root: Path, *arguments: str, stdin: bytes = b"") -> bytes:
    done = subprocess.run(
        ["git", *arguments], cwd=root, input=stdin, capture_output=True, check=True, env=environment()
    )
    return done.stdout
