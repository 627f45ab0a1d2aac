"""The signals, sensors and conversions of a definition."""

from __future__ import annotations

from collections import Counter

from lxml import etree

from callint.model.definition import (
    Conversion,
    Interpolated,
    Linear,
    Range,
    Rational,
    Sensor,
    Signal,
    States,
)
from callint.reading.elements.attributes import required, tag_of, to_integer, to_real, to_reals
from callint.reading.elements.reader import ElementReader


def read_signal(reader: ElementReader, element: etree._Element) -> Signal:
    """A signal with its ranges."""
    return Signal(
        name=required(element, "name"),
        title=" ".join("".join(element.itertext()).split()),
        unit=required(element, "unit").strip(),
        plausible=_range(element, "plausible"),
        operating=_range(element, "operating"),
        line=reader.line(element),
    )


def _range(element: etree._Element, name: str) -> Range | None:
    text = element.get(name)
    if text is None:
        return None
    low, high = to_reals(text)
    return Range(low, high)


def read_sensor(reader: ElementReader, element: etree._Element) -> Sensor:
    """A sensor circuit: supply in volts and pull-up in ohms, as the definition states them."""
    return Sensor(
        signal=required(element, "signal"),
        curve=required(element, "curve"),
        supply=to_real(required(element, "supply")),
        pull_up=to_real(required(element, "pull-up")),
        line=reader.line(element),
    )


def read_conversion(reader: ElementReader, element: etree._Element) -> Conversion:
    """A linear, rational, interpolated or state conversion."""
    name, line = required(element, "name"), reader.line(element)
    unit = element.get("unit", "").strip()
    decimals = int(required(element, "decimals")) if element.get("decimals") is not None else None
    match tag_of(element):
        case "linear":
            factor, offset = to_real(required(element, "factor")), to_real(element.get("offset", "0"))
            return Linear(name, unit, decimals, factor, offset, line)
        case "rational":
            a, b, c, d, e, f = (to_real(required(element, key)) for key in "abcdef")
            return Rational(name, unit, decimals, (a, b, c, d, e, f), line)
        case "states":
            return _states(element, name, line)
        case "interpolated":
            points = [
                (to_real(required(point, "raw")), to_real(required(point, "physical"))) for point in element
            ]
            raw, physical = zip(*points, strict=True)
            return Interpolated(name, unit, decimals, tuple(raw), tuple(physical), line)
    raise KeyError(element.tag)


def _states(element: etree._Element, name: str, line: int) -> States:
    states = [(to_integer(required(state, "raw")), (state.text or "").strip()) for state in element]
    raws, titles = Counter(raw for raw, _ in states), Counter(title for _, title in states)
    repeats = [str(raw) for raw, times in raws.items() if times > 1]
    repeats += [title for title, times in titles.items() if times > 1]
    return States(name, dict(states), tuple(repeats), line)
