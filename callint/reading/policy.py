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
#: Most entries, and most paths of all entries together; every file is compared with every one of them.
MAX_PATHS = 10_000
#: Most parts of a key with dots: far more than a policy needs, and few enough for the reader of TOML.
MAX_PARTS = 100
#: So many mistakes are told.
MOST_MISTAKES = 20

#: Atomic, and not possessive: Python before 3.11.5 mismatches possessive groups that hold alternatives.
_LONG_KEY = re.compile(
    rf"""(?<![\w-])(?>(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){{{MAX_PARTS},}})"""
)

#: The kind of entry in the cache: an empty one for each policy that is valid.
_KIND = "valid policy"


def read_policy(data: bytes, path: str) -> Policy:
    """Read a policy; ``path`` is the name that errors and findings show.

    Raises InputError with one line for every mistake in it.
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
        plain = _plain(content)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{path}: not valid TOML: {_short(str(error))}; correct it") from None
    except ValueError:  # Python reads no whole number of more than some thousand digits
        raise InputError(f"{path}: a number is too long to be read; correct it") from None
    except RecursionError:
        raise InputError(f"{path}: lists or tables are nested too deeply to be read; correct it") from None
    lines = _Lines(text)
    _refuse_too_many(content, path, lines)
    # To validate takes longer than all the rest, and a policy that was found valid is so until it changes.
    digest = hashlib.sha256(data).digest()
    if cache.load(_KIND, digest) is None:
        _refuse_mistakes(plain, path, lines)
        cache.store(bytes, _KIND, digest)
    return _policy(content, path, lines)


def _short(message: str) -> str:
    """A message that may quote a text of any length, its middle left out."""
    return message if len(message) <= 300 else f"{message[:200]} ... {message[-80:]}"


def _refuse_too_many(content: dict[str, Any], path: str, lines: _Lines) -> None:
    """InputError where the entries name more files than are looked for."""
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
                    words = f"more than {MAX_PATHS:,} paths; use globs instead"
                    raise InputError(f"{path}:{lines.of(['images', number])}: {key} has {words}")


def _refuse_mistakes(plain: Any, path: str, lines: _Lines) -> None:
    """InputError where the policy is not as its schema demands."""
    # More are not even looked for: a large policy may be wrong in every line.
    mistakes = list(islice(_mistakes(plain), 50 * MOST_MISTAKES))
    if mistakes:
        placed = sorted((lines.of(place), _short(message)) for place, message in mistakes)
        told = [f"{path}:{line}: {message}" for line, message in placed[:MOST_MISTAKES]]
        if len(placed) > MOST_MISTAKES:
            told[-1] += f" (callint lists only the first {MOST_MISTAKES} wrong lines)"
        raise InputError(*told)


def _policy(content: dict[str, Any], path: str, lines: _Lines) -> Policy:
    images, waivers = content.get("images", []), content.get("waivers", [])
    leading_out: list[str] = []
    policy = Policy(
        path=path,
        images=tuple(
            _image_rule(entry, path, lines, number, leading_out) for number, entry in enumerate(images)
        ),
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
    if leading_out:
        raise InputError(*leading_out)
    return policy


def _image_rule(
    entry: dict[str, Any], path: str, lines: _Lines, number: int, leading_out: list[str]
) -> ImageRule:
    """An entry of images; paths that lead out of the repository are complained of in ``leading_out``."""
    found: dict[str, tuple[str, ...]] = {}
    for key in ("paths", "definition", "base"):
        given = entry.get(key, [])
        inside = []
        for one in [given] if isinstance(given, str) else given:
            try:
                inside.append(normalize_repository_path(one, f"{path}:{lines.of(['images', number, key])}"))
            except InputError as error:
                leading_out += error.lines
        found[key] = tuple(inside)
    start = int(entry["start"]) if "start" in entry else None  # to a JSON schema 1.0 is a whole number too
    line = lines.of(["images", number])
    return ImageRule(found["paths"], found["definition"], found["base"], line, start)


def _log_columns(entry: dict[str, Any]) -> LogColumns:
    usual = LogColumns()
    return LogColumns(
        entry.get("columns", {}),
        entry.get("time", usual.time),
        "time" in entry,
        float(entry.get("max-gap", usual.max_gap)),
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
    said: set[tuple[str | int, ...]] = set()
    for error in checker.iter_errors(content):
        place = list(error.absolute_path)
        # A date may be wrong in its form and as a date, which is one mistake.
        if error.validator in ("format", "pattern"):
            if tuple(place) in said:
                continue
            said.add(tuple(place))
        if error.validator == "additionalProperties" and isinstance(error.instance, dict):
            known = list(error.schema.get("properties", {}))
            for key in sorted(error.instance.keys() - set(known)):
                yield [*place, key], f"unknown key {key!r}{_suggestion(key, known)}"
        elif error.validator == "pattern" and "propertyNames" in error.absolute_schema_path:
            yield (
                [*place, error.instance],
                f"{error.instance!r} is not a rule or family; callint rules lists them",
            )
        else:
            yield place, f"{_named(place)}: {_reason(error)}"


def _reason(error: Any) -> str:
    match error.validator:
        case "enum":
            from difflib import get_close_matches

            close = get_close_matches(str(error.instance), error.validator_value, n=1)
            advice = f"; did you mean {close[0]!r}?" if close else ""
            return f"{error.instance!r} is none of {', '.join(error.validator_value)}{advice}"
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
            return f"it should be {error.validator_value}, not {str(error.instance)[:60]!r}"
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


def _named(place: list[str | int]) -> str:
    """A place in the file for people: waivers entry 2, key digest."""
    words = [f"entry {part + 1}" if isinstance(part, int) else str(part) for part in place]
    return " ".join(words) or "the file"


def _suggestion(word: str, known: list[str]) -> str:
    from difflib import get_close_matches

    close = get_close_matches(word, known, n=1)
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
        # A key in an inline table stands in the line of the table's own key, at the nearest.
        for word in reversed([part for part in place[1:] or place if isinstance(part, str)]):
            key = re.compile(rf"""\s*["']?{re.escape(word)}["']?\s*=""")
            for number in range(line - 1, len(self._lines)):
                if number >= line and re.match(r"\s*\[", self._lines[number]):
                    break
                if key.match(self._lines[number]):
                    return number + 1
        return line
