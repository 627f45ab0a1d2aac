"""``callint.toml`` into a policy."""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from collections.abc import Iterator
from datetime import date, datetime
from itertools import islice
from typing import Any

from callint.model.errors import InputError
from callint.model.finding import Severity
from callint.model.policy import ImageRule, LogColumns, Policy
from callint.model.waiver import Waiver
from callint.reading import cache
from callint.reading.resources import resource
from callint.reading.tree import normalize_repository_path

#: Largest policy that is read, in bytes.
MAX_BYTES = 4 * 2**20
#: Most entries, and most paths in all entries; every file is compared with each of them.
MAX_PATHS = 10_000
#: Most parts of a dotted key: far more than a policy needs, and few enough for the TOML parser's recursion.
MAX_PARTS = 100
#: Number of mistakes that are reported.
MOST_MISTAKES = 20

#: An atomic group: Python before 3.11.5 mismatches possessive groups that hold alternatives.
_LONG_KEY = re.compile(
    rf"""(?<![\w-])(?>(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){{{MAX_PARTS},}})"""
)

#: The kind of entry in the cache; a valid policy has an empty entry.
_KIND = "valid policy"


def read_policy(data: bytes, path: str) -> Policy:
    """Read a policy; ``path`` is the name that errors and findings show.

    Raises InputError with one line per mistake.
    """
    if len(data) > MAX_BYTES:
        raise InputError(f"{path}: the file is larger than {MAX_BYTES >> 20} MiB; shorten it")
    try:
        text = data.decode("utf-8-sig")  # some editors put a byte order mark in front
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise InputError(f"{path}:{line}: the file is not UTF-8 text; save it as UTF-8") from None
    if long := _LONG_KEY.search(text):
        line = text.count("\n", 0, long.start()) + 1
        raise InputError(f"{path}:{line}: a key has more than {MAX_PARTS} parts; shorten it")
    try:
        content = tomllib.loads(text)
        json_content = _as_json(content)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{path}: not valid TOML: {_short(str(error))}; correct it") from None
    except ValueError:  # Python refuses whole numbers with more than 4300 digits
        raise InputError(f"{path}: a number has too many digits; correct it") from None
    except RecursionError:
        raise InputError(f"{path}: lists or tables are nested too deeply; correct it") from None
    lines = _Lines(text)
    _check_amounts(content, path, lines)
    # Validation takes longer than all the rest, and its result depends on the content alone.
    digest = hashlib.sha256(data).digest()
    if cache.load(_KIND, digest) is None:
        _check_schema(json_content, path, lines)
        cache.store(bytes, _KIND, digest)
    return _policy(content, path, lines)


def _short(message: str) -> str:
    """A message that may quote a text of any length, without its middle."""
    return message if len(message) <= 300 else f"{message[:200]} ... {message[-80:]}"


def _check_amounts(content: dict[str, Any], path: str, lines: _Lines) -> None:
    """Raise InputError if there are too many entries, or too many paths in them."""
    entries = content.get("images")
    if not isinstance(entries, list):
        return
    if len(entries) > MAX_PATHS:
        raise InputError(f"{path}: there are more than {MAX_PATHS:,} entries of images; use globs instead")
    named = 0
    for number, entry in enumerate(entries):
        for key in ("paths", "definition", "base") if isinstance(entry, dict) else ():
            given = entry.get(key, ())
            for _ in [given] if isinstance(given, str) else given if isinstance(given, list) else ():
                named += 1
                if named > MAX_PATHS:
                    line = lines.of(["images", number])
                    raise InputError(
                        f"{path}:{line}: {key} has more than {MAX_PATHS:,} paths; use globs instead"
                    )


def _check_schema(json_content: Any, path: str, lines: _Lines) -> None:
    """Raise InputError if the policy violates its schema."""
    # Bounded: a large policy may be wrong in every line.
    mistakes = list(islice(_schema_mistakes(json_content), 50 * MOST_MISTAKES))
    if mistakes:
        by_line = sorted((lines.of(place), _short(message)) for place, message in mistakes)
        messages = [f"{path}:{line}: {message}" for line, message in by_line[:MOST_MISTAKES]]
        if len(by_line) > MOST_MISTAKES:
            messages[-1] += f" (callint lists only the first {MOST_MISTAKES} wrong lines)"
        raise InputError(*messages)


def _policy(content: dict[str, Any], path: str, lines: _Lines) -> Policy:
    images, waivers = content.get("images", []), content.get("waivers", [])
    outside: list[str] = []
    policy = Policy(
        path=path,
        images=tuple(_image_rule(entry, path, lines, number, outside) for number, entry in enumerate(images)),
        severities={
            rule: None if severity == "off" else Severity(severity)
            for rule, severity in content.get("severity", {}).items()
        },
        severity_lines={rule: lines.of(["severity", rule]) for rule in content.get("severity", {})},
        waivers=tuple(_waiver(entry, lines.of(["waivers", number])) for number, entry in enumerate(waivers)),
        fail_on=Severity(content.get("fail-on", "error")),
        second_person=content.get("second-person", False),
        log=_log_columns(content.get("log", {})),
    )
    if outside:
        raise InputError(*outside)
    return policy


def _image_rule(
    entry: dict[str, Any], path: str, lines: _Lines, number: int, outside: list[str]
) -> ImageRule:
    """An entry of images; appends an error to ``outside`` for each path outside the repository."""
    paths: dict[str, tuple[str, ...]] = {}
    for key in ("paths", "definition", "base"):
        given = entry.get(key, [])
        inside = []
        for item in [given] if isinstance(given, str) else given:
            try:
                inside.append(normalize_repository_path(item, f"{path}:{lines.of(['images', number, key])}"))
            except InputError as error:
                outside += error.lines
        paths[key] = tuple(inside)
    start = int(entry["start"]) if "start" in entry else None  # a JSON schema accepts 1.0 as a whole number
    line = lines.of(["images", number])
    return ImageRule(paths["paths"], paths["definition"], paths["base"], line, start)


def _log_columns(entry: dict[str, Any]) -> LogColumns:
    defaults = LogColumns()
    return LogColumns(
        entry.get("columns", {}),
        entry.get("time", defaults.time),
        "time" in entry,
        float(entry.get("max-gap", defaults.max_gap)),
    )


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


def _as_json(value: Any) -> Any:
    """TOML content with dates as texts, as a JSON schema needs it."""
    if isinstance(value, dict):
        return {key: _as_json(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [_as_json(inner) for inner in value]
    if isinstance(value, date) and not isinstance(value, datetime):
        return value.isoformat()
    return value if isinstance(value, str | int | float | bool) else str(value)


def _schema_mistakes(content: Any) -> Iterator[tuple[list[str | int], str]]:
    """Every mistake by the schema: its place in the content, and a message."""
    import jsonschema  # slow to import, and only needed for a policy that is not in the cache

    schema = json.loads(resource("schemas/policy.schema.json").read_text("utf-8"))
    checker = jsonschema.Draft202012Validator(
        schema, format_checker=jsonschema.Draft202012Validator.FORMAT_CHECKER
    )
    reported: set[tuple[str | int, ...]] = set()
    for error in checker.iter_errors(content):
        place = list(error.absolute_path)
        is_key = "propertyNames" in error.absolute_schema_path
        if is_key:
            place.append(error.instance)
        # A date may violate both its pattern and its format, which is one mistake.
        if error.validator in ("format", "pattern"):
            if tuple(place) in reported:
                continue
            reported.add(tuple(place))
        if error.validator == "additionalProperties" and isinstance(error.instance, dict):
            known = list(error.schema.get("properties", {}))
            for key in sorted(error.instance.keys() - set(known)):
                yield [*place, key], f"unknown key {key!r}{_suggestion(key, known)}"
        elif error.validator == "pattern" and is_key:
            yield place, f"{error.instance!r} is not a rule or family; callint rules lists them"
        else:
            yield place, f"{_place_text(place)}: {_mistake_text(error)}"


def _mistake_text(error: Any) -> str:
    """A schema error in plain English."""
    match error.validator:
        case "enum":
            from difflib import get_close_matches

            close = get_close_matches(str(error.instance), error.validator_value, n=1)
            advice = f"; did you mean {close[0]!r}?" if close else ""
            return f"{error.instance!r} is not one of {', '.join(error.validator_value)}{advice}"
        case "required":
            missing = [key for key in error.validator_value if key not in error.instance]
            return f"{', '.join(missing)} is missing"
        case "oneOf":
            return "give a path or a list of paths"
        case "type" if error.absolute_path and error.absolute_path[-1] == "start":
            return "write an address without quotes, as in 0x40000"
        case "type" if error.validator_value == "array":
            entry = isinstance(error.instance, dict)
            return f"write [[{error.absolute_path[-1]}]]" if entry else 'give a list, as in ["..."]'
        case "type" if error.validator_value == "boolean":
            return "write true or false, without quotes"
        case "type":
            return f"it must be {error.validator_value}, not {str(error.instance)[:60]!r}"
        case "minimum" | "maximum" if error.absolute_path and error.absolute_path[-1] == "start":
            return "it must be an address, 0 to 0xFFFFFFFF"
        case "minLength":
            return f"at least {error.validator_value} characters are needed"
        case "pattern" if error.absolute_path and error.absolute_path[-1] == "digest":
            return "it must be sha256: and 28/14/14 hexadecimal digits, as callint show prints it"
        case "pattern" if error.absolute_path and error.absolute_path[-1] == "rule":
            return f"{error.instance!r} is not the id of a rule; callint rules lists them"
        case "format" | "pattern":
            return f"{error.instance!r} is not a date; write YYYY-MM-DD"
    return str(error.message)


def _place_text(place: list[str | int]) -> str:
    """A place in the file as a text: "waivers entry 2 digest"."""
    parts = [f"entry {part + 1}" if isinstance(part, int) else str(part) for part in place]
    return " ".join(parts) or "the file"


def _suggestion(key: str, known: list[str]) -> str:
    from difflib import get_close_matches

    close = get_close_matches(key, known, n=1)
    return f"; did you mean {close[0]!r}?" if close else f"; known keys are {', '.join(known)}"


class _Lines:
    """Finds the line of a key or of an array's entry in the text; TOML parsers do not report it."""

    def __init__(self, text: str) -> None:
        self._heads: dict[str, list[int]] = {}
        self._lines = text.splitlines()
        for number, line in enumerate(self._lines, 1):
            if head := re.match(r"\s*\[\[?\s*([\w.-]+)\s*\]\]?", line):
                self._heads.setdefault(head[1], []).append(number)

    def of(self, place: list[str | int]) -> int:
        """The line of a place, or of the nearest enclosing key or table that is found; 1 if none is."""
        line = 1
        if place and isinstance(place[0], str) and place[0] in self._heads:
            heads = self._heads[place[0]]
            number = place[1] if len(place) > 1 and isinstance(place[1], int) else 0
            line = heads[min(number, len(heads) - 1)]
        # A key in an inline table is on the line of the table's own key, or after it.
        for key in reversed([part for part in place[1:] or place if isinstance(part, str)]):
            pattern = re.compile(rf"""\s*["']?{re.escape(key)}["']?\s*=""")
            for number in range(line - 1, len(self._lines)):
                if number >= line and re.match(r"\s*\[", self._lines[number]):
                    break
                if pattern.match(self._lines[number]):
                    return number + 1
        return line
