"""What is wrong with a value of study.toml or of a table, in the project's own words.

In comes what the model says of the first value that it refuses; out comes one plain sentence with
the key, what was written there and what would do. No library's text reaches the user.
"""

import difflib
import re
from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import BaseModel, ValidationError

_LONGEST = 60
_LIMITS = {
    "greater_than": ("gt", "more than"),
    "greater_than_equal": ("ge", "at least"),
    "less_than": ("lt", "less than"),
    "less_than_equal": ("le", "at most"),
}
_KINDS = (  # beginning of the fault's type, what is needed
    ("float", "a number, as 12.5"),
    ("int", "a whole number, as 12"),
    ("finite_number", "a number that is finite"),
    ("bool", "true or false"),
    ("string", 'text in quotes, as "text"'),
    ("datetime", "a date with time, as 2026-03-02T08:00"),
    ("date", "a date, as 2026-03-02"),
    ("tuple", "a list in square brackets"),
    ("list", "a list in square brackets"),
    ("dict", "a table of keys and values"),
    ("model", "a table of keys and values"),
)
_TOML_PLACE = re.compile(r"\(at line (\d+), column (\d+)\)")


def first_fault(error: ValidationError, model: type[BaseModel]) -> str:
    """The first fault of a value, with its key.

    Parameters
    ----------
    model : type
        The model that refused it, to find the key that was meant.
    """
    faults = error.errors(include_url=False)
    fault = faults[0]
    where = _key(fault["loc"])
    if fault["type"] == "extra_forbidden":
        return f"key '{where}' is not known: {_nearest(model, fault['loc'])}"
    if fault["type"] == "missing":
        return f"'{where}' is missing: add it"
    own = fault["msg"].removeprefix("Value error, ")
    if fault["type"] == "value_error":
        return f"'{where or 'study'}': {own}"
    if fault["type"].startswith("too_"):
        return f"'{where}': {_shown(fault['input'])} has the wrong number of entries: correct it"
    rivals = [f for f in faults if f["loc"][:1] == fault["loc"][:1]] if len(faults) > 1 else [fault]
    needed = list(dict.fromkeys(n for f in rivals if (n := _needed(f))))
    if not needed:
        return f"'{where}': {_shown(fault['input'])} can't be used here: correct it"
    if len(rivals) > 1 and any(f["input"] != fault["input"] for f in rivals):
        needed = needed[:1]
    return f"'{where}': {_shown(fault['input'])} won't do: give {' or '.join(needed)}"


def toml_fault(error: Exception, text: str) -> str:
    """Where a text stops being TOML, and what to do.

    >>> import tomllib
    >>> try:
    ...     _ = tomllib.loads("a = 1\\nname = my ring")
    ... except ValueError as e:
    ...     print(toml_fault(e, "a = 1\\nname = my ring"))
    line 2, column 8: 'name = my ring' can't be read: write key = value, text in quotes, dates as \
2026-03-02, decimal points, each key once
    """
    remedy = "write key = value, text in quotes, dates as 2026-03-02, decimal points, each key once"
    lines = text.splitlines()
    twice = re.search("overwrite|declare|twice|mutate|immutable", str(error), re.IGNORECASE)
    place = _TOML_PLACE.search(str(error))
    if place is None:
        at = len(lines)
        if twice:
            return f"line {at}: the key or table is there before: keep one of the two"
        if "end of document" not in str(error):
            return f"can't be read as TOML: {remedy}"
        return f"line {at}: the file ends before a value or bracket does: close it"
    at, column = int(place[1]), int(place[2])
    if twice:
        return f"line {at}: the key or table is there before: keep one of the two"
    line = lines[at - 1].strip() if at <= len(lines) else ""
    return f"line {at}, column {column}: {_shown(line)} can't be read: {remedy}"


def _needed(fault: Mapping[str, Any]) -> str:
    kind, told = fault["type"], fault.get("ctx", {})
    if kind in _LIMITS:
        key, words = _LIMITS[kind]
        return f"{words} {told[key]:g}"
    if kind == "literal_error":
        return str(told["expected"]).replace("'", '"')
    return next((need for begins, need in _KINDS if kind.startswith(begins)), "")


def _key(loc: Sequence[int | str]) -> str:
    """The key in words: an entry of a list by its number, without the names of types."""
    out = ""
    for part in loc:
        if isinstance(part, int):
            out += f" (entry {part + 1})"
        elif re.fullmatch(r"[\w -]+", part) and part not in ("date", "datetime", "str", "bool"):
            out += f".{part}" if out else part
    return out


def _nearest(model: type[BaseModel], loc: Sequence[int | str]) -> str:
    parent: Any = model
    for part in loc[:-1]:
        parent = _model_of(parent, str(part))
    known = [f.alias or name for name, f in parent.model_fields.items()] if parent else []
    near = difflib.get_close_matches(str(loc[-1]), known, n=1, cutoff=0.5)
    return f"did you mean '{near[0]}'?" if near else f"known are {', '.join(known)}"


def _model_of(parent: Any, part: str) -> Any:
    if parent is None or part.isdigit() or part not in parent.model_fields:
        return parent
    kind = parent.model_fields[part].annotation
    for candidate in (kind, *getattr(kind, "__args__", ())):
        if isinstance(candidate, type) and issubclass(candidate, BaseModel):
            return candidate
    return None


def _shown(value: object) -> str:
    text = str(value)
    return f"'{text}'" if len(text) <= _LONGEST else f"'{text[: _LONGEST - 1]}…'"
