"""Two accounts of one analysis, number by number: published and computed anew.

Two results.json (as dictionaries) or two passes.csv (as text) go in; out comes each value with how
far it is the same. Processors and library versions round differently, so that equal numbers may
part in their last places: what is taken as the same is told, and is far below what is printed.
"""

import csv
import io
import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import zip_longest
from typing import Any, Literal

How = Literal["the same", "to 1e-9", "to 1e-6", "differs", "not recomputed", "not published"]
SAME: tuple[How, ...] = ("the same", "to 1e-9", "to 1e-6")
# Shares of the number, or of 1 where it is smaller. Percentages are printed to 0.1, litres to 0.01:
# the larger one is a thousandth of a printed digit or less.
TOLERANCES: tuple[tuple[float, How], ...] = ((1e-9, "to 1e-9"), (1e-6, "to 1e-6"))
# What tells the rows of a list apart, so that one row more doesn't shift all that follow.
ROW_NAMES = ("file", "id", "name", "clue", "tank", "what", "trial", "cause", "of", "time")
PASSES = "passes.csv"
_NOWHERE = object()


@dataclass(frozen=True)
class Value:
    """One published value (or a column of `count` values) and what came of it here.

    `by` is the difference of two numbers, of a column the largest.
    """

    group: str
    place: str
    published: Any
    recomputed: Any
    how: How
    by: float | None = None
    count: int = 1

    @property
    def same(self) -> bool:
        """Whether it counts as the same."""
        return self.how in SAME


def compare_results(
    published: Mapping[str, Any], recomputed: Mapping[str, Any], aside: Sequence[str] = ()
) -> list[Value]:
    """Every value of two results.json, in the order of the published one.

    Parameters
    ----------
    aside : sequence of str
        Keys at the top that are left out.

    >>> [v.how for v in compare_results({"a": 1.0, "b": [2]}, {"a": 1.0 + 1e-12, "b": [3]})]
    ['to 1e-9', 'differs']
    """
    values = []
    for key in dict.fromkeys((*published, *recomputed)):
        if key not in aside:
            pair = published.get(key, _NOWHERE), recomputed.get(key, _NOWHERE)
            values += [_value(key, place, *both) for place, both in _leaves("", *pair)]
    return values


def compare_passes(published: str, recomputed: str) -> list[Value]:
    """Every column of two passes.csv, row by row.

    >>> one = "run,fuel_ml\\n0,64.1\\n1,63.9\\n"
    >>> [(v.place, v.how) for v in compare_passes(one, one)]
    [('run', 'the same'), ('fuel_ml', 'the same')]
    """
    try:
        there, here = _table(published), _table(recomputed)
    except csv.Error as e:
        return [Value(PASSES, f"can't be read as a table ({e})", None, None, "differs")]
    counts = [len(next(iter(t.values()), [])) for t in (there, here)]
    if counts[0] != counts[1]:
        return [_value(PASSES, "rows", *counts)]
    columns = dict.fromkeys((*there, *here))
    return [_column(name, there.get(name), here.get(name)) for name in columns]


def difference(a: Any, b: Any) -> tuple[How, float | None]:
    """How far two values are the same, and by how much two numbers differ.

    >>> difference(-1.0, -1.5), difference(True, 1), difference(None, None)
    (('differs', 0.5), ('differs', None), ('the same', None))
    """
    if a is _NOWHERE or b is _NOWHERE:
        return ("not published" if a is _NOWHERE else "not recomputed"), None
    if not (_is_number(a) and _is_number(b)):
        return ("the same" if type(a) is type(b) and a == b else "differs"), None
    if a == b:
        return "the same", 0.0
    try:
        by = float(abs(a - b))
        size = max(1.0, float(abs(a)), float(abs(b)))
    except OverflowError:  # JSON's whole numbers may have any number of digits
        return "differs", None
    if not math.isfinite(by):
        return "differs", None
    return next((how for share, how in TOLERANCES if by <= share * size), "differs"), by


def _value(group: str, place: str, published: Any, recomputed: Any) -> Value:
    how, by = difference(published, recomputed)
    there, here = (None if v is _NOWHERE else v for v in (published, recomputed))
    return Value(group, place, there, here, how, by)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _leaves(place: str, a: Any, b: Any) -> Iterator[tuple[str, tuple[Any, Any]]]:
    """Every value that either holds, with its place; what only one holds is one value."""
    if isinstance(a, dict) and isinstance(b, dict) and (a or b):
        pairs = _pairs(a, b)
    elif isinstance(a, list) and isinstance(b, list) and (a or b):
        pairs = _rows(a, b)
    else:
        yield place, (a, b)
        return
    for name, (left, right) in pairs:
        yield from _leaves(f"{place} / {name}" if place else name, left, right)


def _pairs(a: Mapping[Any, Any], b: Mapping[Any, Any]) -> list[tuple[str, tuple[Any, Any]]]:
    return [(str(k), (a.get(k, _NOWHERE), b.get(k, _NOWHERE))) for k in dict.fromkeys((*a, *b))]


def _rows(a: list[Any], b: list[Any]) -> list[tuple[str, tuple[Any, Any]]]:
    """Rows by what they are called, else by their number."""
    for name in ROW_NAMES:
        keys = [[_name(row, name) for row in rows] for rows in (a, b)]
        if all(None not in k and len(set(k)) == len(k) for k in keys):
            left, right = (dict(zip(k, r, strict=True)) for k, r in zip(keys, (a, b), strict=True))
            return _pairs(left, right)
    pairs = zip_longest(a, b, fillvalue=_NOWHERE)
    return [(str(i), pair) for i, pair in enumerate(pairs, start=1)]


def _name(row: Any, name: str) -> str | None:
    found = row.get(name) if isinstance(row, dict) else None
    return found if isinstance(found, str) else None


def _table(text: str) -> dict[str, list[str]]:
    """Columns of a table by their headings; a row that is too short has empty cells.

    A heading that is there twice is told apart, and so are cells beyond the headings, so that
    nothing can stand in a table that isn't compared.
    """
    rows = list(csv.reader(io.StringIO(text, newline="")))
    if not rows:
        return {}
    width = max(map(len, rows))
    plain = [*rows[0], *["(no heading)"] * (width - len(rows[0]))]
    before = Counter[str]()
    headings = []
    for heading in plain:
        before[heading] += 1
        headings.append(heading if before[heading] == 1 else f"{heading} ({before[heading]})")
    return {
        heading: [row[i] if i < len(row) else "" for row in rows[1:]]
        for i, heading in enumerate(headings)
    }


def _column(name: str, there: list[str] | None, here: list[str] | None) -> Value:
    if there is None or here is None:
        how: How = "not published" if there is None else "not recomputed"
        return Value(PASSES, name, None, None, how, count=len(there or here or ()))
    cells = [(*_cell_difference(a, b), i) for i, (a, b) in enumerate(zip(there, here, strict=True))]
    odd = [c for c in cells if c[0] == "differs"]
    if odd:
        i = odd[0][2]
        place = f"{name}, row {i + 1}" + (f" and {len(odd) - 1} more" if len(odd) > 1 else "")
        by = max((c[1] for c in odd if c[1] is not None), default=None)
        return Value(PASSES, place, there[i], here[i], "differs", by, len(cells))
    worst = max((c[0] for c in cells), key=SAME.index, default=SAME[0])
    by = max((c[1] or 0.0 for c in cells), default=0.0)
    values = f"{len(cells)} values"
    return Value(PASSES, name, values, values, worst, by, len(cells))


def _cell_difference(a: str, b: str) -> tuple[How, float | None]:
    if a == b:
        return "the same", None
    try:
        x, y = float(a), float(b)
    except ValueError:
        return "differs", None
    return difference(x, y) if math.isfinite(x) and math.isfinite(y) else ("differs", None)
