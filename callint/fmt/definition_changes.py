"""Changes of a definition as text."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from callint.fmt import numbers
from callint.fmt.safe_text import byte_string
from callint.fmt.tables import list_names
from callint.model.definition import Conversion, Guard, Interpolated, Linear, Rational, States
from callint.model.definition_change import (
    ChangeKind,
    DefinitionChange,
    ElementKind,
    ImageEffect,
    ReadingEffect,
    Value,
)

#: Attributes whose numbers are addresses, sizes in bytes or masks.
_ADDRESSES = frozenset({"at", "start", "size", "stored-at", "count-at"})
_HEXADECIMAL = frozenset({"mask", "fill"})
#: The most characters of a text, and the most numbers of a list, that a sentence repeats.
_MOST_CHARACTERS, _MOST_NUMBERS = 40, 6
_RELATIONS = {
    "at-most": "{} at most {}",
    "equal": "{} equal to {}",
    "inverse": "{} inverse of {}",
    "gap": "{} above {}",
}


def change_subject(change: DefinitionChange) -> str:
    """The element that changed: "rail_limit (protection)", "checksum code"."""
    name, element = change.name, change.element
    if element is ElementKind.TABLE:
        return f"{name} ({change.purpose.value})" if change.is_guarded and change.purpose else name
    if element is ElementKind.RELATION:
        kind = change.attribute.partition(" ")[0] or str(change.new or change.old)
        subject = _RELATIONS.get(kind, "{} and {}").format(name, change.other)
    elif element is ElementKind.SENSOR:
        subject = f"sensor of {name}"
    elif element in (ElementKind.MEMORY, ElementKind.DEFINITION):
        subject = element.value
    else:
        subject = f"{element.value} {name}"
    purpose = change.purpose
    return f"{subject} ({purpose.value})" if change.is_guarded and purpose is not None else subject


def change_predicate(change: DefinitionChange, arrow: str = "→") -> str:
    """What changed: "limits max: 1650 bar → 1700 bar"; "" if the whole element is new or gone."""
    attribute = change.attribute
    if not attribute:
        return ""
    if change.element is ElementKind.RELATION:
        attribute = attribute.partition(" ")[2]
    if change.element is ElementKind.CONVERSION and attribute == "conversion":
        return _conversion_change(change, arrow)
    old, new = (
        value_text(attribute, value, unit)
        for value, unit in ((change.old, change.old_unit), (change.new, change.new_unit))
    )
    if old == new and change.old != change.new:
        # Long texts and numbers may differ behind what a sentence repeats.
        return f"{attribute} changed"
    return f"{attribute}: {old} {arrow} {new}"


def change_text(change: DefinitionChange, arrow: str = "→") -> str:
    """The whole change in one line, without the lines of the files."""
    subject, predicate = change_subject(change), change_predicate(change, arrow)
    if not predicate:
        # A list of what is new or gone says so above its lines.
        verb = {ChangeKind.LOOSENED: ": gone", ChangeKind.TIGHTENED: ": new"}.get(change.kind, "")
        text = f"{subject}{verb}"
    else:
        text = f"{subject}: {predicate}"
    if change.reading is not None:
        text += f"; {reading_text(change, change.reading, arrow)}"
    if change.in_image is not None:
        text += f"; {image_text(change.in_image, arrow)}"
    shared = len(change.tables) > 1 or (change.tables and change.element is not ElementKind.TABLE)
    if shared and change.element in (ElementKind.CONVERSION, ElementKind.SIGNAL, ElementKind.AXIS):
        text += f" ({tables_text(change.tables)})"
    return text


def tables_text(tables: Sequence[str], most: int = 2) -> str:
    """A list of tables: "fuel", or "12 tables: fuel, boost and 10 more"."""
    if len(tables) == 1:
        return tables[0]
    return f"{numbers.count(len(tables), 'table')}: {list_names(tables, most)}"


def value_text(attribute: str, value: Value, unit: str = "") -> str:
    """A value of an attribute, with its unit; "none" if it is absent."""
    match value:
        case None:
            return "none"
        case bool():
            return "yes" if value else "no"
        case Guard():
            return guard_text(value, unit)
        case int() if attribute in _ADDRESSES:
            return numbers.address(value)
        case int() if attribute in _HEXADECIMAL:
            return f"0x{value:X}"
        case int() if attribute == "off":
            return f"raw {value}"
        case int():
            return numbers.with_unit(str(value), unit)
        case float():
            return numbers.with_unit(numbers.exact(value), unit)
        case Fraction():
            return numbers.with_unit(numbers.decimal_digits(value), unit)
        case bytes():
            return byte_string(value)
        case tuple():
            listed = " ".join(numbers.plain(number) for number in value[:_MOST_NUMBERS])
            return f"{listed} ..." if len(value) > _MOST_NUMBERS else listed
        case Linear() | Rational() | States() | Interpolated():
            return conversion_text(value)
        case _:
            return _quoted(attribute, str(value))


#: Attributes whose values are texts that a person wrote.
_PROSE = frozenset({"title", "note"})


def _quoted(attribute: str, text: str) -> str:
    if attribute.partition(" ")[0] not in _PROSE:
        return text
    text = " ".join(text.split())
    return f'"{text}"' if len(text) <= _MOST_CHARACTERS else f'"{text[:_MOST_CHARACTERS].rstrip()} ..."'


def guard_text(guard: Guard, unit: str) -> str:
    """The condition of a guard: "above 5000 rpm", "raw 0 in 50 % of the cells"."""
    if guard.flat:
        return "flat"
    if guard.state is not None:
        text = f'"{guard.state}"'
    elif guard.raw is not None:
        text = f"raw {guard.raw}"
    else:
        side, bound = ("above", guard.above) if guard.above is not None else ("below", guard.below)
        digits = guard.text or numbers.exact(bound or 0.0)
        text = f"{side} {numbers.with_unit(digits, unit)}"
    return text if guard.share == 1 else f"{text} in {numbers.plain(100 * guard.share)} % of the cells"


def conversion_text(conversion: Conversion) -> str:
    """A conversion: "raw * 0.1 bar", "raw * 0.5 - 40, in °C"."""
    unit = numbers.unit_word(conversion.unit)
    separator = ", in "
    match conversion:
        case Linear():
            text = "raw" if conversion.factor == 1 else f"raw * {numbers.exact(conversion.factor)}"
            if conversion.offset:
                sign = "-" if conversion.offset < 0 else "+"
                text += f" {sign} {numbers.exact(abs(conversion.offset))}"
            else:
                separator = " "
        case Rational():
            text = "rational " + " ".join(numbers.plain(number) for number in conversion.coefficients)
        case Interpolated():
            text = f"{len(conversion.raw)} points"
        case States():
            text = f"{len(conversion.names)} states"
    return f"{text}{separator}{unit}" if unit not in ("", "-") else text


def _conversion_change(change: DefinitionChange, arrow: str) -> str:
    old, new = change.old, change.new
    assert isinstance(old, Linear | Rational | States | Interpolated)
    assert isinstance(new, Linear | Rational | States | Interpolated)
    texts = [conversion_text(conversion) for conversion in (old, new)]
    if texts[0] == texts[1]:
        return f"other points or coefficients ({texts[0]})"
    if old.name != new.name:
        texts[0] += f" ({old.name or 'no conversion'})"
    return f" {arrow} ".join(texts)


def reading_text(change: DefinitionChange, effect: ReadingEffect, arrow: str = "→") -> str:
    """What another conversion does to values: "reads 2 % higher everywhere"."""
    old, new = change.old, change.new
    assert isinstance(old, Linear | Rational | Interpolated | States)
    assert isinstance(new, Linear | Rational | Interpolated | States)
    units = old.unit, new.unit
    if effect.factor is not None and numbers.same_unit(*units):
        if effect.factor == 1 and effect.offset:
            side = "higher" if effect.offset > 0 else "lower"
            amount = numbers.with_unit(
                numbers.significant(abs(effect.offset)), numbers.distance_unit(units[1])
            )
            return f"reads {amount} {side} everywhere"
        if not effect.offset and effect.factor > 0:
            percent = 100 * (effect.factor - 1)
            side = "higher" if percent > 0 else "lower"
            return f"reads {float(f'{abs(percent):.4g}'):g} % {side} everywhere"
    if effect.factor == 1 and not effect.offset:
        return "the numbers stay the same"
    ends = []
    for name, (before, after) in (("lowest", effect.low), ("highest", effect.high)):
        values = (
            numbers.with_unit(numbers.significant(value), unit)
            for value, unit in zip((before, after), units, strict=True)
        )
        ends.append(f"the {name} raw number reads {f' {arrow} '.join(values)}")
    return ", ".join(ends)


def image_text(effect: ImageEffect, arrow: str = "→") -> str:
    """What a change does to the values of an image: "12 of 48 cells read otherwise, at most ..."."""
    values = (
        numbers.with_unit(numbers.significant(value), effect.unit) for value in (effect.old, effect.new)
    )
    place = f" at {effect.place}" if effect.place else ""
    return (
        f"in the image, {effect.cells:,} of {numbers.count(effect.total, 'cell')} read otherwise, "
        f"the most {effect.table}{place}: {f' {arrow} '.join(values)}"
    )
