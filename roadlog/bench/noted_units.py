"""The day's form in the reader's units: what is shown for a cell, and which text a typed one means.

The file keeps its headings' units. A bare number gets the unit that the form asked in, and the
readers of the notes take it from there; what was offered and came back stands for its cell, to the
last digit.
"""

from collections.abc import Iterable, Mapping

from roadlog.errors import InputError
from roadlog.ingest.text.handanswer import NUMBER, as_typed, measured, plain_answer
from roadlog.quantities.units import UNITS, convert, unit_symbol
from roadlog.runs.daily_notes import Column
from roadlog.wording.units import Units

PRICED = {"US gal": "a US gallon", "imp gal": "an imperial gallon", "": "a litre"}


def asked_unit(unit: str, reader: Units | None) -> str:
    """The canonical unit that a reader is asked in for a column in `unit`; "" for none.

    >>> asked_unit("kpa", Units("MPG (US)", "mi", "°F", "psi")), asked_unit("h", Units())
    ('psi', 'h')
    """
    if reader is None or not unit:
        return unit
    imperial = reader.distance == "mi"
    by_dimension = {
        "pressure": reader.pressure.lower(),
        "temperature": reader.temperature.lower(),
        "mass": "lb" if imperial else "kg",
        "length": reader.distance,
    }
    return by_dimension.get(UNITS[unit].dimension, unit)


def shown_cell(column: Column, cell: str, unit: str) -> str:
    """A cell of the notes as the form offers it, in `unit`; as it stands if it is no number."""
    bare = cell.strip()
    if not column.unit or not NUMBER.fullmatch(bare):
        return cell
    try:
        value, text = measured(column.item.name, as_typed(bare), column.unit)
    except InputError:
        return cell
    if unit != column.unit:
        text = f"{float(convert(value, column.unit, unit)):.4g}"
    return as_typed(text)


def meant(column: Column, text: str, unit: str, cells: Iterable[str]) -> str:
    """What was typed, with the unit that was asked in, or the cell that was offered as such.

    Parameters
    ----------
    cells : that the form may have offered
    """
    answer = plain_answer(text)
    if not column.unit or not answer:
        return text
    for cell in cells:
        if cell and answer == shown_cell(column, cell, unit):
            return as_typed(cell) if NUMBER.fullmatch(cell.strip()) else cell
    return with_unit(answer, "" if unit == column.unit else unit_symbol(unit))


def with_unit(answer: str, symbol: str) -> str:
    """A bare number with its unit behind it; any other answer as it is.

    >>> with_unit("33", "psi"), with_unit("2.3 bar", "psi")
    ('33 psi', '2.3 bar')
    """
    number = NUMBER.fullmatch(answer)
    return f"{answer} {symbol}" if number and not number[2] and symbol else answer


def fill_meant(fill: Mapping[str, str], reader: Units | None) -> dict[str, str]:
    """A fill's answers with the units that the form asked in."""
    told = {name: plain_answer(text) for name, text in fill.items()}
    if reader is None:
        return told
    for name, unit in (("litres", reader.gallon or "L"), ("odometer_km", reader.distance)):
        if name in told:
            told[name] = with_unit(told[name], unit)
    price = told.get("price_per_l", "")
    if price and "/" not in price:
        told["price_per_l"] = f"{price}/{reader.gallon or 'L'}"
    return told
