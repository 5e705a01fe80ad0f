"""what-is-known.html: a `Known` in, one self-contained page out.

The answer in plain words comes first, then every study with its range, how the answer stands if one
is left out, who agreed on what beforehand, and every archive that isn't in it with why.
"""

import warnings
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from roadlog import __version__
from roadlog.publish.pool.entry import Entry
from roadlog.publish.pool.known import LEAST_STUDIES, Known, in_percent
from roadlog.publish.pool.trust import Asked, asked
from roadlog.report.figures import interval_rows
from roadlog.report.span import span_picture
from roadlog.report.templating import NO_NETWORK, raw, render
from roadlog.stats.interval import Interval, NamedInterval, percent
from roadlog.stats.meta_analysis import Pooled
from roadlog.wording.answer import claim_words
from roadlog.wording.numbers import number, signed
from roadlog.wording.units import in_figures, in_own_units

MOST_DRAWN = 30  # studies; a picture longer than a screen or three is no picture
VOUCHED = {
    "vouched for": "yes, vouched for",
    "by its own word": "by its own word",
    "late": "only after it began",
    "changed since": "changed since",
    "of several": "by the plan of another too",
    "none": "no",
}


@dataclass(frozen=True)
class Row:
    """One study as the page shows it."""

    count: int
    entry: Entry
    range: str
    weight: str
    registered: str
    km: str
    without: str
    marks: str


@in_own_units
def known_page(k: Known) -> str:
    """The whole page."""
    questions = asked(k)
    return render(
        "known.html",
        k=k,
        policy=NO_NETWORK,
        base_css=raw("base.css"),
        report_css=raw("report.css"),
        span=span_picture(k.answer),
        claim=None if k.claim is None else claim_words(k.claim),
        questions=questions,
        numbers=_numbers(k, questions),
        forest=_forest(k),
        drawn=min(len(k.entries), MOST_DRAWN),
        rows=[_row(k, i, e) for i, e in enumerate(k.entries)],
        parts=[(p.name, len(p.entries), _own(p.pooled)) for p in k.parts],
        least=LEAST_STUDIES,
        version=__version__,
    )


def _numbers(k: Known, questions: Sequence[Asked]) -> list[tuple[str, str]]:
    return [
        ("Mean change of fuel use, 95 % interval", _range(k.interval)),
        ("Mean change, estimate", f"{signed(k.interval.estimate)} %"),
        ("The next car's own change, 95 %", _ahead(k)),
        ("What driving and air may be worth", _margin(k)),
        *(row for q in questions for row in q.figures),
    ]


def _margin(k: Known) -> str:
    bare = sum(e.only_measured for e in k.entries)
    if bare == len(k.entries):
        return "part of the range: fuel was only weighed or filled"
    beside = f", and part of the range in {bare} that only weighed or filled" if bare else ""
    return f"{100 * k.margin:.1f} points{beside}"


def _ahead(k: Known) -> str:
    if k.pooled.ahead is None:
        return "not to be told from two studies"
    low, high = (percent(end) for end in k.pooled.ahead)
    return f"{signed(low)} to {signed(high)} %"


def _range(i: Interval) -> str:
    return f"{signed(i.low)} to {signed(i.high)} %"


def _own(pooled: Pooled | None) -> str:
    return _part(None if pooled is None else in_percent(pooled.mean))


def _part(i: Interval | None) -> str:
    return "–" if i is None else _range(i)


def _row(k: Known, i: int, e: Entry) -> Row:
    without = in_percent(k.pooled.without[i]) if k.pooled.without else None
    turns = without is not None and _sides(without) != _sides(k.interval)
    return Row(
        count=i + 1,
        entry=e,
        range=_range(e.interval),
        weight=number(100 * float(k.pooled.mean.weights[i]), 1),
        registered=VOUCHED[e.registered],
        km=in_figures(e.km, "km", 0),
        without=_part(without),
        marks="*" * turns + "†" * (i in k.influence.apart),
    )


def _sides(i: Interval) -> tuple[bool, bool]:
    """Whether the range leaves no change out below and above."""
    assert i.low is not None and i.high is not None  # noqa: PT018
    return i.low > 0, i.high < 0


def _forest(k: Known) -> Markup:
    rows = [
        NamedInterval(f"{i}  {e.name}", e.interval, "crosscheck")
        for i, e in enumerate(k.entries[:MOST_DRAWN], start=1)
    ]
    every = NamedInterval(f"All {len(k.entries)} together", k.interval, "primary")
    rows = [every, *rows]
    if k.pooled.ahead is not None:
        low, high = (percent(end) for end in k.pooled.ahead)
        ahead = Interval(k.interval.estimate, low, high)
        rows.insert(1, NamedInterval("The next car", ahead, "total"))
    claim = None if k.claim is None else k.claim.fuel_use_change_pct
    said = f"Ranges of {len(k.entries)} studies and of all together: {_range(k.interval)}"
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph")  # the page's own font has it
        return interval_rows("pooled", rows, claim, said)
