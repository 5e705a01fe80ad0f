"""Results that show themselves: rows of text in, a screen or a notebook's small table out."""

from collections.abc import Sequence
from html import escape
from typing import NamedTuple

from roadlog.wording.screen import grid, paragraph, typeset


class Said(NamedTuple):
    """A title, rows of cells (a label and a sentence where there are no headings), lines below."""

    title: str
    rows: Sequence[tuple[str, ...]]
    headings: tuple[str, ...] = ()
    below: Sequence[str] = ()


class Shown:
    """Prints what `_said` gives, as text and as HTML in which every cell is escaped."""

    def _said(self) -> Said:
        raise NotImplementedError

    def __str__(self) -> str:
        told = self._said()
        if told.headings:
            lines = grid(told.headings, told.rows)
        else:
            lines = [line for label, text in told.rows for line in paragraph(label, text)]
        return "\n".join([told.title, *lines, *told.below])

    def __repr__(self) -> str:
        return str(self)

    def _repr_html_(self) -> str:
        told = self._said()
        rows = [("th", told.headings)] * bool(told.headings) + [("td", r) for r in told.rows]
        body = "".join(
            f"<tr>{''.join(f'<{tag}>{escape(typeset(c))}</{tag}>' for c in cells)}</tr>"
            for tag, cells in rows
        )
        below = "".join(f"<p>{escape(typeset(line))}</p>" for line in told.below)
        return f"<table><caption>{escape(told.title)}</caption>{body}</table>{below}"
