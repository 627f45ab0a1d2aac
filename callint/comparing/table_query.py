"""Questions about the values of tables, such as ``overspeed_cut > 4400 rpm and not egr_valve is off``.

A question is parsed into conditions, each about one table; nothing in it is run. The grammar:

    question   = every ("or" every)*
    every      = factor ("and" factor)*
    factor     = "not" factor | "(" question ")" | condition
    condition  = ["any" | "all"] TABLE (operator NUMBER [UNIT] | "is" ["not"] STATE)
                 ["at" SIGNAL=NUMBER ("," SIGNAL=NUMBER)*]
    operator   = "<" | "<=" | ">" | ">=" | "=" | "!="
    STATE      = "off" | "on" | the name of a state

A name with spaces or of a word of the grammar is in double quotes.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from callint import fmt
from callint.decoding.decode import Decoded
from callint.decoding.signal_names import signal_named
from callint.decoding.surfaces import grid_points, surface
from callint.decoding.unit_conversions import unit_conversion
from callint.model.change import Flags, Numbers
from callint.model.definition import Conversion, Definition, States, Table
from callint.model.errors import InputError

#: The most characters of a question, the most conditions in it, and the most parentheses around one.
MAX_LENGTH, MAX_CONDITIONS, MAX_DEPTH = 2_000, 32, 32

_TOKEN = re.compile(r'\s*(?:("[^"]*")|(<=|>=|!=|[<>=(),])|([^\s<>=!(),"]+))')
_NUMBER_AND_UNIT = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)((?![eE][\d+-])[^\W\d_].*|[%°].*)")
_KEYWORDS = frozenset({"and", "or", "not", "any", "all", "is", "at"})
_OPERATORS = frozenset({"<", "<=", ">", ">=", "=", "!="})
#: Six significant digits, which callint prints if a conversion does not say how many decimals count.
_SIGNIFICANT = 5e-6


class Answer(IntEnum):
    """Whether an image meets a condition or a question."""

    NO = 0
    YES = 1
    #: Some cells meet the condition, and others do not.
    PARTLY = 2
    #: The image or its definition lacks the table, or the table cannot be evaluated.
    UNKNOWN = 3


@dataclass(frozen=True, slots=True)
class Condition:
    """A condition about one table: ``table operator number unit``, or ``table is state``.

    ``is_any`` says that one cell that meets it is enough. ``at`` are values by signal.
    """

    table: str
    is_any: bool
    operator: str
    number: float
    unit: str
    state: str
    at: tuple[tuple[str, float], ...]

    def __str__(self) -> str:
        statement = f"is {self.state}"
        if self.operator == "is not":
            statement = f"is not {self.state}"
        elif self.operator != "is":
            statement = f"{self.operator} {fmt.with_unit(fmt.plain(self.number), self.unit)}"
        place = ", ".join(f"{signal}={fmt.plain(value)}" for signal, value in self.at)
        return f"{self.table} {statement}{f' at {place}' if place else ''}"


@dataclass(frozen=True, slots=True)
class Not:
    """The opposite of a question."""

    part: Question


@dataclass(frozen=True, slots=True)
class AllOf:
    """All of some questions."""

    parts: tuple[Question, ...]


@dataclass(frozen=True, slots=True)
class AnyOf:
    """At least one of some questions."""

    parts: tuple[Question, ...]


Question = Condition | Not | AllOf | AnyOf


def conditions(question: Question) -> Iterator[Condition]:
    """The conditions of a question, from left to right."""
    if isinstance(question, Condition):
        yield question
    elif isinstance(question, Not):
        yield from conditions(question.part)
    else:
        for part in question.parts:
            yield from conditions(part)


# Parsing


@dataclass(frozen=True, slots=True)
class _Token:
    """A name, word, number or sign; ``column`` counts from 1. A quoted name is not a word of the grammar."""

    text: str
    column: int
    is_quoted: bool = False
    is_sign: bool = False

    @property
    def keyword(self) -> str:
        return "" if self.is_quoted or self.is_sign or self.text not in _KEYWORDS else self.text


_END = "the end"


class _Parser:
    """Parses one question; every problem is an InputError with its column."""

    def __init__(self, text: str, option: str) -> None:
        self._option = option
        if len(text) > MAX_LENGTH:
            raise InputError(f"{option}: the question has more than {MAX_LENGTH:,} characters; shorten it")
        self._tokens = list(self._tokenized(text))
        self._end = _Token(_END, len(text) + 1, is_sign=True)
        self._place = 0
        self._conditions = 0

    def _tokenized(self, text: str) -> Iterator[_Token]:
        place = 0
        end = len(text.rstrip())
        while place < end:
            match = _TOKEN.match(text, place)
            if match is None:
                column = place + len(text[place:]) - len(text[place:].lstrip()) + 1
                problem = "a quote is not closed" if text[column - 1] == '"' else "unexpected sign"
                raise self.error(_Token(text[column - 1], column), f"{problem}; correct it")
            quoted, sign, word = match.groups()
            column = match.start(match.lastindex or 0) + 1
            yield _Token((quoted or "")[1:-1] or sign or word or "", column, quoted is not None, bool(sign))
            place = match.end()

    def error(self, token: _Token, problem: str) -> InputError:
        """An error at a token: option, column, the token, the problem with its remedy."""
        shown = token.text if token.text == _END and token.is_sign else f"{fmt.clean(token.text)!r}"
        return InputError(f"{self._option}: column {token.column}, {shown}: {problem}")

    @property
    def _next(self) -> _Token:
        return self._tokens[self._place] if self._place < len(self._tokens) else self._end

    def _take(self) -> _Token:
        token = self._next
        self._place += 1
        return token

    def _takes(self, keyword: str) -> bool:
        """Take a word of the grammar if it is next."""
        if self._next.keyword != keyword:
            return False
        self._place += 1
        return True

    def _takes_sign(self, sign: str) -> bool:
        if not self._next.is_sign or self._next.text != sign or self._next is self._end:
            return False
        self._place += 1
        return True

    def parse(self) -> Question:
        """The whole question."""
        if not self._tokens:
            example = "'overspeed_cut > 4400 rpm'"
            raise InputError(f"{self._option}: the question is empty; write one, such as {example}")
        question = self._question(0)
        if self._next is not self._end:
            raise self.error(self._next, "expected 'and', 'or' or the end; join two conditions with 'and'")
        return question

    def _question(self, depth: int) -> Question:
        parts = [self._every(depth)]
        while self._takes("or"):
            parts.append(self._every(depth))
        return parts[0] if len(parts) == 1 else AnyOf(tuple(parts))

    def _every(self, depth: int) -> Question:
        parts = [self._factor(depth)]
        while self._takes("and"):
            parts.append(self._factor(depth))
        return parts[0] if len(parts) == 1 else AllOf(tuple(parts))

    def _factor(self, depth: int) -> Question:
        if depth > MAX_DEPTH:
            raise self.error(self._next, f"more than {MAX_DEPTH} levels; simplify the question")
        if self._takes("not"):
            return Not(self._factor(depth + 1))
        if self._takes_sign("("):
            question = self._question(depth + 1)
            if not self._takes_sign(")"):
                raise self.error(self._next, "expected ')'; close the parenthesis")
            return question
        return self._condition()

    def _condition(self) -> Condition:
        self._conditions += 1
        if self._conditions > MAX_CONDITIONS:
            raise self.error(self._next, f"more than {MAX_CONDITIONS} conditions; ask in two questions")
        is_any = self._takes("any")
        if not is_any:
            self._takes("all")
        table = self._name("the name of a table")
        operator, number, unit, state = "is", 0.0, "", ""
        if self._takes("is"):
            operator = "is not" if self._takes("not") else "is"
            state = self._name("off, on or the name of a state")
        else:
            sign = self._take()
            if not sign.is_sign or sign.text not in _OPERATORS:
                raise self.error(sign, "expected <, <=, >, >=, =, != or 'is'; compare the table with a value")
            operator = sign.text
            number, unit = self._quantity()
        at = tuple(self._point()) if self._takes("at") else ()
        return Condition(table, is_any, operator, number, unit, state, at)

    def _point(self) -> Iterator[tuple[str, float]]:
        given: set[str] = set()
        while True:
            token = self._next
            signal = self._name("the name of a signal")
            if signal in given:
                raise self.error(token, "the signal occurs twice; remove one")
            given.add(signal)
            if not self._takes_sign("="):
                raise self.error(self._next, "expected '='; write SIGNAL=VALUE")
            yield signal, self._number()
            if not self._takes_sign(","):
                return

    def _name(self, what: str) -> str:
        token = self._take()
        if token.is_sign or token.keyword:
            raise self.error(token, f"expected {what}; write a name of one of these words in double quotes")
        return token.text

    def _quantity(self) -> tuple[float, str]:
        """A number and its unit, which may follow without a space."""
        match = None if self._next.is_quoted else _NUMBER_AND_UNIT.fullmatch(self._next.text)
        if match is not None:
            self._take()
            number, unit = float(match[1]), match[2]
        else:
            number, unit = self._number(), ""
            if not (self._next.is_sign or self._next.keyword):
                unit = self._take().text
        if self._next.is_sign and self._next.text == ",":
            raise self.error(self._next, "write decimals with a point, and thousands without a comma")
        return number, unit

    def _number(self) -> float:
        token = self._take()
        try:
            value = math.nan if token.is_sign or token.is_quoted else float(token.text)
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            raise self.error(token, "not a number; write it as in 12.5, or a state as in TABLE is off")
        return value


def parse_question(text: str, option: str = "--where") -> Question:
    """The question in a text; InputError with the column of the first problem."""
    return _Parser(text, option).parse()


# Answers for one image


@dataclass(frozen=True)
class TableCondition:
    """A condition about a table of one definition, with its values in the units of the table.

    ``number`` is the value to compare with, ``tolerance`` what callint does not print; ``state`` a raw state,
    None for off and on. ``is_off`` is True for the question whether the table is off.
    """

    condition: Condition
    table: Table
    number: float
    tolerance: float
    state: int | None
    is_off: bool

    def answer(self, decoded: Decoded) -> Answer:
        """Whether the table of an image meets the condition."""
        if not decoded.grid(self.table).present.all():
            return Answer.UNKNOWN
        flags = self._flags(decoded)
        if flags is None or not flags.size:
            return Answer.UNKNOWN
        if flags.all() or (self.condition.is_any and flags.any()):
            return Answer.YES
        return Answer.PARTLY if flags.any() else Answer.NO

    def values(self, decoded: Decoded) -> Numbers | None:
        """The values that the condition is about: all cells, or the outputs at its point; NaN if off.

        None if the table cannot be evaluated at a point.
        """
        grid = decoded.grid(self.table)
        if not self.condition.at:
            return np.where(grid.off, np.nan, grid.physical)
        found = self._points(decoded)
        return None if found is None else found[0]

    def _points(self, decoded: Decoded) -> tuple[Numbers, Flags] | None:
        """The outputs at the point and at all breakpoints of other signals, and whether they are off."""
        table_surface = surface(decoded, self.table)
        if table_surface is None:
            return None
        given = dict(self.condition.at)
        points = {
            signal: np.array([given[signal]]) if signal in given else breakpoints
            for signal, breakpoints in table_surface.breakpoints.items()
        }
        grid = grid_points(points, table_surface.signals)
        return table_surface.at(grid), table_surface.is_off(grid)

    def _flags(self, decoded: Decoded) -> Flags | None:
        """Whether each value meets the condition; any shape."""
        grid = decoded.grid(self.table)
        values, off = grid.physical, grid.off
        if self.condition.at:
            found = self._points(decoded)
            if found is None:
                return None
            values, off = found
        if self.condition.operator in ("is", "is not"):
            flags = off
            if self.state is not None:
                flags = np.abs(values - self.state) < self.tolerance
            elif not self.is_off:
                flags = ~off
            return flags if self.condition.operator == "is" else ~flags
        with np.errstate(invalid="ignore"):
            return self._compared(values) & ~off

    def _compared(self, values: Numbers) -> Flags:
        number = self.number
        if self.condition.operator in ("=", "!="):
            # Equal is what callint prints with the same digits.
            equal: Flags = np.abs(values - number) <= self.tolerance
            return equal if self.condition.operator == "=" else ~equal & ~np.isnan(values)
        operators = {"<": np.less, "<=": np.less_equal, ">": np.greater, ">=": np.greater_equal}
        flags: Flags = operators[self.condition.operator](values, number)
        return flags


def condition_for(definition: Definition, condition: Condition, option: str = "--where") -> TableCondition:
    """A condition by one definition; InputError if a unit, state or signal does not fit the table."""
    table = definition.tables[condition.table]
    conversion, unit = definition.conversion_of(table), definition.unit_of(table)
    signals = [definition.axes[axis].signal for axis in table.axes]
    for signal, _ in condition.at:
        if signal not in signals:
            signal_named(definition, signal, option)
            known = f"its signals are {', '.join(signals)}" if signals else "it is a scalar; remove 'at'"
            raise InputError(f"{option}: {table.name} does not depend on {signal}; {known}")
    if condition.operator in ("is", "is not"):
        return _state_condition(condition, table, conversion, option)
    if isinstance(conversion, States):
        names = ", ".join(map(fmt.clean, list(conversion.names.values())[:8]))
        raise InputError(
            f"{option}: {table.name} has states; ask '{table.name} is STATE' with one of {names}"
        )
    number = condition.number
    if condition.unit:
        converted = unit_conversion(condition.unit, unit)
        if converted is None:
            own = fmt.unit_word(unit) if unit not in ("", "-") else "no unit"
            raise InputError(
                f"{option}: {table.name} is in {own}, which {fmt.clean(condition.unit)} cannot be converted "
                "to; give the value in that"
            )
        number = float(converted.values(np.array([number]))[0])
    digits = fmt.decimals(conversion)
    tolerance = abs(number) * _SIGNIFICANT if digits is None else 0.5 * 10.0**-digits
    return TableCondition(condition, table, number, tolerance, None, False)


def _state_condition(
    condition: Condition, table: Table, conversion: Conversion, option: str
) -> TableCondition:
    if isinstance(conversion, States):
        raw = conversion.raw_of(condition.state)
        if raw is not None:
            return TableCondition(condition, table, 0.0, 0.5, raw, False)
    if condition.state not in ("off", "on"):
        names = [*conversion.names.values()] if isinstance(conversion, States) else ["off", "on"]
        known = ", ".join(map(fmt.clean, names[:8]))
        raise InputError(
            f"{option}: {table.name} has no state {fmt.clean(condition.state)!r}; use one of {known}"
        )
    if table.demands.off is None:
        raise InputError(f"{option}: {table.name} has no off code; compare it with a value")
    return TableCondition(condition, table, 0.0, 0.0, None, condition.state == "off")
