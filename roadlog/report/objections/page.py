"""objections.html: a finished analysis in, one self-contained page of objections and answers out.

It looks like the report and leads back to it; the browser is forbidden to fetch anything.
"""

from dataclasses import dataclass

from roadlog.analysis.answered import answer_of
from roadlog.analysis.result import Analysed
from roadlog.report.objections import objections
from roadlog.report.objections.objection import Answered, Number, Objection, Source
from roadlog.report.templating import NO_NETWORK, raw, render
from roadlog.stats.interval import Interval
from roadlog.wording.numbers import ends_of, number, signed
from roadlog.wording.units import in_figures, in_own_units, is_told, symbol

REPORT = "report.html"
PUBLISHED_REPORT = "index.html"
_MARKS: dict[Answered, tuple[str, str]] = {
    "yes": ("Answered", "yes"),
    "partly": ("In part", "partly"),
    "can't tell": ("This study can't tell", "open"),
}
_SIDES = (
    ("seller", "What a seller may say"),
    ("sceptic", "What a sceptic may say"),
)


@dataclass(frozen=True)
class Row:
    """One number as the page shows it; the second line is in L/100 km, '' where it isn't fuel."""

    what: str
    value: str
    low: str
    high: str
    litres: str
    litres_low: str
    litres_high: str


@dataclass(frozen=True)
class Shown:
    """One objection as the page shows it."""

    of: Objection
    answered: str
    mark: str  # class of its mark
    rows: tuple[Row, ...]
    links: tuple[tuple[str, str], ...]  # words and address, '' where there is nothing to lead to


@in_own_units
def objections_page(analysed: Analysed, *, published: bool = False) -> str:
    """The whole page.

    Parameters
    ----------
    analysed : Analysed
    published : bool
        Whether it lies beside index.html (`roadlog publish`) in place of report.html.
    """
    found = objections(analysed)
    report = PUBLISHED_REPORT if published else REPORT
    shown = {
        o.key: Shown(
            o, *_MARKS[o.answered], tuple(map(row, o.numbers)), links(o.sources, report, published)
        )
        for o in found
    }
    counts = {word: sum(o.answered == word for o in found) for word in ("yes", "partly")}
    return render(
        "objections.html",
        study=analysed.study,
        policy=NO_NETWORK,
        base_css=raw("base.css"),
        report_css=raw("report.css"),
        objections_css=raw("objections.css"),
        report=report,
        published=published,
        result=answer_of(analysed).sentences,
        sides=[(side, title, [shown[o.key] for o in found if o.who == side])
               for side, title in _SIDES],
        counts={**counts, "open": len(found) - sum(counts.values()), "all": len(found)},
    )  # fmt: skip


def row(n: Number) -> Row:
    """A number and its bounds as text.

    >>> row(Number("driving", 0.4, -1.0, 1.9, litres=0.064)).litres
    '+0.03'
    """

    unit = n.unit

    def told(value: float | None, digits: int) -> str:
        if value is None:
            return ""
        if is_told(unit):
            return in_figures(value, unit, digits, change=n.with_sign, sign=n.with_sign)
        return signed(value, digits) if n.with_sign else number(value, digits)

    ends = ends_of(Interval(n.value, n.low, n.high))
    low, high = (None, None) if ends is None else ends
    litres = [
        ""
        if n.litres is None or x is None
        else in_figures(x * n.litres, "L/100 km", 2, change=True, sign=n.with_sign)
        for x in (n.value, low, high)
    ]
    return Row(
        f"{n.what}, {symbol(unit) if is_told(unit) else unit}" if unit else n.what,
        told(n.value, n.digits),
        told(low, n.digits),
        told(high, n.digits),
        *litres,
    )


def links(sources: tuple[Source, ...], report: str, published: bool) -> tuple[tuple[str, str], ...]:
    """Where each source leads: a place in the report, or a file that lies beside the page."""
    found = []
    for s in sources:
        if s.anchor:
            found.append((s.name, f"{report}#{s.anchor}"))
        else:
            found.append((s.name, "" if published else s.file))
    return tuple(found)
