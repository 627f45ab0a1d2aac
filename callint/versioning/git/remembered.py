"""Remembers answers of git that a command needs several times, so that it asks git once.

A command judges one state of a repository, and a start of git takes longer than most of what callint does
itself. Outside of a command, as in a program that imports callint, nothing is remembered.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

_Answer = TypeVar("_Answer")
_answers: dict[object, Any] | None = None


@contextmanager
def remembering() -> Iterator[None]:
    """Remember answers until the end of the block, which is one command."""
    global _answers  # noqa: PLW0603 - a command is the only one of its process
    outer, _answers = _answers, {}
    try:
        yield
    finally:
        _answers = outer


def remembered(kind: str, folder: Path, ask: Callable[[], _Answer]) -> _Answer:
    """The answer to a kind of question that git gets in a folder; ``ask`` is called for the first one.

    Git's answer depends on its variables too. An answer that raises is not remembered.
    """
    if _answers is None:
        return ask()
    variables = frozenset((name, value) for name, value in os.environ.items() if name.startswith("GIT_"))
    key = kind, os.path.abspath(folder), variables  # noqa: PTH100 (resolve would follow the links)
    if key not in _answers:
        _answers[key] = ask()
    answer: _Answer = _answers[key]
    return answer
