"""What somebody types at a question: text in, plain text or a quantity in the asked unit out.

A bare number is in the unit that was asked for, a named unit is converted, and what may be two
things (1,234; a gallon) is asked back.
"""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

from roadlog.errors import InputError
from roadlog.ingest.text.columns import unit_of
from roadlog.quantities.units import UNITS, convert, unit_symbol
from roadlog.wording.screen import one_line

_ESCAPES = re.compile(r"\x1b\[[0-?]*[ -/]*[@-~]|\x1b.?")
NUMBER = re.compile(r"([+-]?(?:\d[\d.,]*|[.,]\d+))\s*(.*)")
_MARK: ContextVar[str] = ContextVar("decimal mark of who types", default=".")
_AMBIGUOUS = {m: re.compile(rf"[+-]?[1-9]\d{{0,2}}\{m}\d{{3}}") for m in ",."}


@contextmanager
def typed_with(mark: str) -> Iterator[None]:
    """For a while, numbers are typed by somebody whose decimal mark this is: "." or ","."""
    token = _MARK.set(mark)
    try:
        yield
    finally:
        _MARK.reset(token)


def as_typed(number: str) -> str:
    """A plain number as whoever types would write it.

    >>> with typed_with(","):
    ...     as_typed("9.321")
    '9,321'
    """
    return number.replace(".", _MARK.get())


def plain_answer(text: str) -> str:
    """An answer without escape sequences, control characters and doubled spaces.

    >>> plain_answer("\\x1b[Ashut\\t now\\n")
    'shut now'
    """
    return one_line(_ESCAPES.sub("", text))


def measured(
    name: str, answer: str, unit: str, *, gallon: str | None = None, whole: bool = False
) -> tuple[float, str]:
    """A typed quantity in `unit`, and the text of the number.

    Parameters
    ----------
    name : for the message
    unit : canonical unit of the result, and of an answer that names none
    gallon : "gal (us)" or "gal (imp)", where the study says which a bare gallon is
    whole : whether three digits behind a mark are thousands, as of an odometer

    Raises
    ------
    InputError

    >>> measured("odometer", "25,620.5 mi", "km")[0]
    41232.2
    """
    found = NUMBER.fullmatch(answer)
    if found is None:
        raise InputError(f"{name}: '{cut(answer)}' is no number: write one, in {unit_symbol(unit)}")
    number, given = number_in(name, found[1], whole=whole), found[2].strip().strip("[]()")
    own = unit_of(given) if given else unit
    if own == "gal" and gallon:
        own = gallon
    if own == "gal":
        raise InputError(
            f"{name}: a gallon is US or imperial, a fifth apart: write '{found[1]} US gal' or "
            f"'{found[1]} imp gal'"
        )
    if own is None or not same_dimension(own, unit):
        raise InputError(
            f"{name}: '{cut(given)}' is no unit of it: write a number in {unit_symbol(unit)}"
        )
    if own == unit:
        return number, _shown(number, 9)
    value = float(_shown(float(convert(number, own, unit)), 6))
    return value, _shown(value, 6)


def _decimals_there(text: str) -> bool:
    """Whether the mark of who types stands before three last digits: then it is no thousands'."""
    return _MARK.get() == "," and text.count(",") == 1 and "." not in text


def _may_be_two(text: str, whole: bool) -> bool:
    """Whether a mark before three digits may be the decimal one as well as that of thousands."""
    other = "." if _MARK.get() == "," else ","
    if whole and _decimals_there(text):
        return True
    return _AMBIGUOUS[other].fullmatch(text) is not None


def number_in(name: str, text: str, *, whole: bool = False) -> float:
    """A typed number without a unit, decimal point or comma; `name`, `whole` as for `measured`.

    Raises
    ------
    InputError
        If it is none, or may be two.

    >>> with typed_with(","):
    ...     number_in("price", "1,234")
    1.234
    """
    if "," in text and "." in text:
        last = max(text.rfind(","), text.rfind("."))
        text = re.sub(r"[.,]", "", text[:last]) + "." + text[last + 1 :]
    elif whole and re.fullmatch(r"\d{1,3}([.,]\d{3})+", text) and not _decimals_there(text):
        text = re.sub(r"[.,]", "", text)
    elif _may_be_two(text, whole):
        raise InputError(
            f"{name}: '{text}' is {re.sub('[.,]', _MARK.get(), text)} or "
            f"{re.sub('[.,]', '', text)}: write it as one of the two, or with its decimals"
        )
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise InputError(f"{name}: '{cut(text)}' is no number: write one, as 12.5") from None


def _shown(value: float, digits: int) -> str:
    text = f"{value:.{digits}g}"
    if "e" in text:
        text = f"{value:.6f}".rstrip("0").rstrip(".")
    return text


def cut(text: str) -> str:
    """A piece of an answer to quote."""
    return text if len(text) <= 40 else text[:39] + "…"


def same_dimension(a: str, b: str) -> bool:
    """Whether two units measure one thing."""
    return UNITS[a].dimension == UNITS[b].dimension
