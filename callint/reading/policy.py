"""``callint.toml`` into a policy."""

from __future__ import annotations

import difflib
import json
import re
import tomllib
from collections.abc import Iterator
from datetime import date, datetime
from typing import Any

from callint.model.errors import InputError
from callint.model.finding import Severity
from callint.model.policy import ImageRule, Policy, Waiver
from callint.reading.resources import resource
from callint.reading.tree import confined

#: Largest policy that is read, in bytes.
MAX_BYTES = 4 * 2**20


def read_policy(data: bytes, path: str) -> Policy:
    """Read a policy; ``path`` is the name that errors and findings show.

    Raises InputError with one line for every mistake in it.
    """
    if len(data) > MAX_BYTES:
        raise InputError(f"{path}: the file is larger than {MAX_BYTES >> 20} MiB; shorten it")
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise InputError(f"{path}:{line}: the file is not UTF-8 text; save it as UTF-8") from None
    try:
        content = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise InputError(f"{path}: not valid TOML: {error}; correct it") from None
    mistakes = list(_mistakes(_plain(content)))
    lines = _Lines(text)
    if mistakes:
        raise InputError("\n".join(f"{path}:{lines.of(place)}: {message}" for place, message in mistakes))
    return _policy(content, path, lines)


def _policy(content: dict[str, Any], path: str, lines: _Lines) -> Policy:
    images = content.get("images", [])
    waivers = content.get("waivers", [])
    return Policy(
        path=path,
        images=tuple(
            _image_rule(entry, path, lines.of(["images", number])) for number, entry in enumerate(images)
        ),
        severities={
            rule: None if severity == "off" else Severity(severity)
            for rule, severity in content.get("severity", {}).items()
        },
        waivers=tuple(_waiver(entry, lines.of(["waivers", number])) for number, entry in enumerate(waivers)),
        fail_on=Severity(content.get("fail-on", "error")),
    )


def _image_rule(entry: dict[str, Any], path: str, line: int) -> ImageRule:
    source = f"{path}:{line}"

    def paths(key: str) -> tuple[str, ...]:
        given = entry.get(key, [])
        given = [given] if isinstance(given, str) else given
        return tuple(confined(one, source) for one in given)

    return ImageRule(paths("paths"), paths("definition"), paths("base"), line)


def _waiver(entry: dict[str, Any], line: int) -> Waiver:
    until = entry.get("until")
    return Waiver(
        rule=entry["rule"],
        image=entry.get("image", ""),
        table=entry.get("table", ""),
        reason=" ".join(entry["reason"].split()),
        who=entry["who"].strip(),
        until=date.fromisoformat(until) if isinstance(until, str) else until,
        digest=entry["digest"],
        line=line,
    )


def _plain(value: Any) -> Any:
    """TOML's dates as text, for a schema that only knows JSON."""
    if isinstance(value, dict):
        return {key: _plain(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [_plain(inner) for inner in value]
    if isinstance(value, date) and not isinstance(value, datetime):
        return value.isoformat()
    return value if isinstance(value, str | int | float | bool) else str(value)


def _mistakes(content: Any) -> Iterator[tuple[list[str | int], str]]:
    """Everything in which the content departs from the schema: where, and in what."""
    import jsonschema  # slow to import, and only a policy needs it

    schema = json.loads(resource("schemas/policy.schema.json").read_text("utf-8"))
    checker = jsonschema.Draft202012Validator(
        schema, format_checker=jsonschema.Draft202012Validator.FORMAT_CHECKER
    )
    for error in sorted(checker.iter_errors(content), key=lambda e: [str(part) for part in e.absolute_path]):
        place = list(error.absolute_path)
        if error.validator == "additionalProperties" and isinstance(error.instance, dict):
            known = list(error.schema.get("properties", {}))
            for key in error.instance.keys() - set(known):
                yield [*place, key], f"unknown key {key!r}{_suggestion(key, known)}"
        else:
            yield place, f"{_named(place)}: {_reason(error)}"


def _reason(error: Any) -> str:
    match error.validator:
        case "enum":
            close = _suggestion(str(error.instance), error.validator_value)
            return f"{error.instance!r} is none of {', '.join(error.validator_value)}{close}"
        case "required":
            missing = [key for key in error.validator_value if key not in error.instance]
            return f"{', '.join(missing)} is missing"
        case "oneOf":
            return "give a path or a list of paths"
        case "minLength":
            return f"at least {error.validator_value} characters are needed"
        case "pattern" if error.absolute_path and error.absolute_path[-1] == "digest":
            return "it must be sha256: and 40 hexadecimal digits, as callint show prints it"
        case "format":
            return f"{error.instance!r} is not a date; write YYYY-MM-DD"
    return str(error.message)


def _named(place: list[str | int]) -> str:
    """A place in the file for people: waivers entry 2, key digest."""
    words = [f"entry {part + 1}" if isinstance(part, int) else str(part) for part in place]
    return " ".join(words) or "the file"


def _suggestion(word: str, known: list[str]) -> str:
    close = difflib.get_close_matches(word, known, n=1)
    return f"; did you mean {close[0]!r}?" if close else f"; known are {', '.join(known)}"


class _Lines:
    """Where in the text a key or an array's entry stands; TOML readers do not tell."""

    def __init__(self, text: str) -> None:
        self._heads: dict[str, list[int]] = {}
        self._lines = text.splitlines()
        for number, line in enumerate(self._lines, 1):
            if head := re.match(r"\s*\[\[?\s*([\w.-]+)\s*\]\]?", line):
                self._heads.setdefault(head[1], []).append(number)

    def of(self, place: list[str | int]) -> int:
        """The line of a place, or of the nearest thing around it that is found; 1 at worst."""
        line = 1
        if place and isinstance(place[0], str) and place[0] in self._heads:
            heads = self._heads[place[0]]
            number = place[1] if len(place) > 1 and isinstance(place[1], int) else 0
            line = heads[min(number, len(heads) - 1)]
        if place and isinstance(place[-1], str):
            key = re.compile(rf"""\s*["']?{re.escape(place[-1])}["']?\s*=""")
            for number in range(line - 1, len(self._lines)):
                if number >= line and re.match(r"\s*\[", self._lines[number]):
                    break
                if key.match(self._lines[number]):
                    return number + 1
        return line
