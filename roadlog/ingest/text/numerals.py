"""Numbers as people's machines write them to numbers with a decimal point and nothing else.

In comes a column's text; out comes the same text with its decimal mark as a point and without
marks between thousands. What a comma or a point is, is settled column by column on all its cells:
`0,812` and `12,5` can't group thousands, `1,234,567` can do nothing else. Part of the ingest stage.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial
from typing import Literal

import pyarrow as pa
import pyarrow.compute as pc

Unsettled = Literal["group", "decimal", "ask"]

_SPACES = "[ \u00a0\u2009\u202f'’]"
_SPACED = rf"^[+-]?\d{{1,3}}(?:{_SPACES}\d{{3}})+(?:[.,]\d+)?(?:[^\d.,].*)?$"
_SPACE_WITHIN = rf"(\d){_SPACES}(\d{{3}})\b"
_NUMERAL = r"^[+-]?[\d.,]*\d(?:[eE][+-]?\d+)?(?:[^\d.,:/-].*)?$"
_GROUPS = r"^[+-]?[1-9]\d{{0,2}}(?:{mark}\d{{3}})+(?:{other}\d+)?(?:[^\d.,].*)?$"
_TWO_GROUPS = r"^[+-]?\d{{1,3}}(?:{mark}\d{{3}}){{2,}}"
_BELOW_1000 = r"^[+-]?\d{1,3}(?:[^\d.,].*)?$"
_MARKS = {",": r",", ".": r"\."}


class MarkUnclear(ValueError):
    """A column whose commas or points may be decimal marks or group thousands: row and cell."""

    def __init__(self, row: int, cell: str) -> None:
        super().__init__(row, cell)
        self.row, self.cell = row, cell


def plain_numerals(text: pa.Array, decimal: str, unsettled: Unsettled = "group") -> pa.Array:
    """The column with points as decimal marks and nothing between thousands.

    Parameters
    ----------
    text : Array of str
        Trimmed cells; what stands behind a number stays.
    decimal : str
        The file's decimal mark.
    unsettled : {"group", "decimal", "ask"}
        What the other mark is where every cell that has it could be in thousands (`1,234`).

    Raises
    ------
    MarkUnclear
        If `unsettled` is "ask" and neither the column nor the file tells.
    """
    text = _closed(text)
    return _with_points(text, groupings([text], decimal, unsettled))


def plain_numerals_of(
    pieces: Sequence[Callable[[], pa.Array]], decimal: str, unsettled: Unsettled = "group"
) -> Iterator[pa.Array]:
    """`plain_numerals` of a column that is given, and comes back, piece by piece."""
    closed = [partial(_closed_of, piece) for piece in pieces]
    groups = groupings(closed, decimal, unsettled)
    for piece in closed:
        yield _with_points(piece(), groups)


def groupings(
    pieces: Sequence[pa.Array | Callable[[], pa.Array]], decimal: str, unsettled: Unsettled
) -> dict[str, bool]:
    """Whether comma and point stand between thousands in a column."""
    return {
        m: _groups(pieces, m, "group" if m != decimal else "decimal", unsettled) for m in _MARKS
    }


def _closed_of(piece: Callable[[], pa.Array]) -> pa.Array:
    return _closed(piece())


def _closed(text: pa.Array) -> pa.Array:
    """The cells with a plain minus, and without blanks between thousands."""
    text = pc.replace_substring(text, "\u2212", "-")
    spaced = pc.match_substring_regex(text, _SPACED)
    if _any(spaced):
        closed = text
        for _ in range(2):  # the digit between two marks belongs to both
            closed = pc.replace_substring_regex(closed, _SPACE_WITHIN, r"\1\2")
        text = pc.if_else(spaced, closed, text)
    return text


def _with_points(text: pa.Array, groups: Mapping[str, bool]) -> pa.Array:
    numeral = pc.match_substring_regex(text, _NUMERAL)
    for mark, grouping in groups.items():
        if grouping:
            text = pc.if_else(numeral, pc.replace_substring(text, mark, ""), text)
    if not groups[","]:
        text = pc.if_else(numeral, pc.replace_substring(text, ",", "."), text)
    return text


def _groups(
    pieces: Sequence[pa.Array | Callable[[], pa.Array]],
    mark: str,
    usual: Unsettled,
    unsettled: Unsettled,
) -> bool:
    """Whether a mark stands between thousands in this column."""
    other = _MARKS["." if mark == "," else ","]

    def has(text: pa.Array) -> pa.Array:
        numeral = pc.match_substring_regex(text, _NUMERAL)
        return pc.and_(numeral, pc.match_substring(text, mark))

    def in_thousands(text: pa.Array) -> pa.Array:
        return pc.match_substring_regex(text, _GROUPS.format(mark=_MARKS[mark], other=other))

    def in_some(test: Callable[[pa.Array], pa.Array]) -> bool:
        return any(_any(test(p if isinstance(p, pa.Array) else p())) for p in pieces)

    if not in_some(has):
        return False
    if in_some(lambda text: pc.and_(has(text), pc.invert(in_thousands(text)))):
        return False
    two = _TWO_GROUPS.format(mark=_MARKS[mark])
    if in_some(lambda text: pc.match_substring_regex(text, two)) or in_some(
        lambda text: pc.and_(has(text), pc.match_substring_regex(text, rf"\d{other}\d"))
    ):
        return True
    if usual == "decimal":
        return False
    if in_some(lambda text: pc.match_substring_regex(text, _BELOW_1000)):
        return True
    if unsettled == "ask":
        raise _unclear(pieces, has)
    return unsettled == "group"


def _unclear(
    pieces: Sequence[pa.Array | Callable[[], pa.Array]], has: Callable[[pa.Array], pa.Array]
) -> MarkUnclear:
    """The first cell that has the mark."""
    before = 0
    for piece in pieces:
        text = piece if isinstance(piece, pa.Array) else piece()
        row = pc.index(has(text), True).as_py()
        if row >= 0:
            return MarkUnclear(before + row, str(text[row].as_py()))
        before += len(text)
    raise AssertionError("no cell has the mark")


def _any(cells: pa.Array) -> bool:
    return bool(pc.any(cells).as_py())
