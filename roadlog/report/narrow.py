"""What would narrow the answer, from this study's own numbers: days, driving, fuel, notes, weather.

An `Analysed` goes in; rows of what, how much and how it was computed come out, and one sentence of
them without statistics.
"""

import math
from dataclasses import dataclass

import numpy as np

from roadlog.analysis.answered import deciding_interval
from roadlog.analysis.result import Analysed
from roadlog.report.top import unit_words
from roadlog.stats.interval import Interval, log_half
from roadlog.stats.power import smallest_detectable
from roadlog.wording.numbers import ends_of

MOST_UNITS = 400
_BY_WIDTH = (
    "the scatter between {units} stays as it was; its share of the width falls with the root of "
    "their number, and the t quantile with the degrees of freedom, taken in proportion to it"
)


@dataclass(frozen=True)
class Narrower:
    """One thing that would narrow the answer, by how much, and how that was computed."""

    what: str
    gain: str
    how: str


@dataclass(frozen=True)
class Width:
    """What the half-width of an interval is made of, on the log scale, for so many units."""

    units: int
    df: float
    se: float
    floor_se: float
    level: float

    def at(self, units: int) -> "Width":
        """The same scatter with another number of units."""
        more = units / self.units
        root = math.sqrt(more)
        return Width(units, self.df * more, self.se / root, self.floor_se / root, self.level)

    @property
    def half(self) -> float:
        """Half of the width, log scale."""
        from scipy.special import ndtri, stdtrit

        upper = 0.5 + self.level / 2
        return float(max(stdtrit(self.df, upper) * self.se, ndtri(upper) * self.floor_se))

    @property
    def detects(self) -> float:
        """Smallest change [log] found 4 times out of 5."""
        return smallest_detectable(max(self.se, self.floor_se), self.df)


def width_of(interval: Interval, units: int) -> Width | None:
    """What this interval's width is made of; None where there is no interval of a t quantile."""
    from scipy.special import stdtrit

    ends = ends_of(interval)
    if ends is None or units < 1 or not interval.df >= 1 or min(ends) <= -100:
        return None
    half = log_half(*ends)
    se = interval.se
    if se is None:
        se = half / float(stdtrit(interval.df, 0.5 + interval.level / 2))
    return Width(units, interval.df, se, interval.floor_se or 0.0, interval.level)


def units_for(width: Width, enough: float, *, detects: bool = False) -> int | None:
    """Fewest units (even) whose half-width, or what they detect, is `enough`; None over the most.

    >>> now = Width(units=12, df=10, se=0.01, floor_se=0.0, level=0.95)
    >>> units_for(now, now.half / 2)
    40
    """
    for n in range(width.units, MOST_UNITS + 1):
        if n % 2 and n != width.units:
            continue
        then = width.at(n)
        if (then.detects if detects else then.half) <= enough:
            return n
    return None


def scatter_pct(width: Width, baseline: int, fitted: int) -> float:
    """Standard deviation between switch units [% fuel] that this width came from."""
    return 100 * width.se / math.sqrt(1 / baseline + 1 / fitted)


def narrowers(analysed: Analysed) -> list[Narrower]:
    """Everything that this study's numbers say would narrow the answer or firm it."""
    a = analysed
    found = [_half_the_width(a), _settling(a), _driving(a), _fuel(a), _accessory(a), _weather(a)]
    return [row for row in (*found, _road(a)) if row is not None]


def in_short(analysed: Analysed) -> list[str]:
    """The most useful of it in plain words."""
    half, settle = _half_the_width(analysed), _settling(analysed)
    return [f"{row.what}: {row.gain}." for row in (half, settle) if row is not None]


def width_now(analysed: Analysed) -> Width | None:
    """The width of the interval that decides, over all switch units used."""
    a = analysed
    return width_of(deciding_interval(a), a.baseline.switch_units + a.fitted.switch_units)


def _half_the_width(a: Analysed) -> Narrower | None:
    width = width_now(a)
    if width is None:
        return None
    needed = units_for(width, width.half / 2)
    many = unit_words(a)
    gain = (
        f"more than {MOST_UNITS} {many}"
        if needed is None
        else f"about {needed} {many} in place of {width.units}"
    )
    return Narrower("A range half as wide", gain, _BY_WIDTH.format(units=many))


def _settling(a: Analysed) -> Narrower | None:
    """Units that rule the claim out 4 times out of 5, where this study couldn't."""
    width, claim = width_now(a), a.study.claim
    if width is None or claim is None or a.finding.word != "undecided" or a.finding.vetoes:
        return None
    if a.oversight is not None and a.oversight.look.interim:
        return None  # it would tell what the look may not
    c = math.log1p(claim.fuel_use_change_pct / 100)
    if c >= 0:
        return None
    margin = 0.0 if a.effect.held is None else a.effect.held.margin
    needed = units_for(width, -c - margin, detects=True) if -c > margin else None
    many = unit_words(a)
    number = f"more than {MOST_UNITS} {many}" if needed is None else f"about {needed} {many}"
    if needed == width.units:
        number = f"{width.units} {many}, as here, would do"
    return Narrower(
        "To rule the claim out 4 times out of 5 if the add-on does nothing",
        number,
        f"the smallest change found 4 times out of 5 is the claim less the margin for driving; "
        f"{_BY_WIDTH.format(units=many)}",
    )


def _driving(a: Analysed) -> Narrower | None:
    held, total = a.effect.held, ends_of(a.effect.total)
    primary = ends_of(a.effect.primary)
    if held is None or total is None or primary is None:
        return None
    halves = [(high - low) / 2 for low, high in (primary, total)]
    return Narrower(
        "Driving alike",
        f"a firm word has to clear {100 * held.margin:.2f} points for driving and air; with no "
        f"allowance for driving at all the range would be {halves[1]:.1f} to either side, not "
        f"{halves[0]:.1f}",
        "margin of method section 5, and the half-widths of total and equal-driving effect",
    )


def _fuel(a: Analysed) -> Narrower | None:
    if a.fuel_estimator == "ledger":
        return Narrower(
            "Logging the drives as well",
            "driving, weather and road would be allowed for; now they are part of the range",
            "fuel and distance alone were measured",
        )
    if a.closed is None or a.closed.verdict == "none":
        return Narrower(
            "Weighing the fuel, or filling up at each switch",
            "wouldn't narrow the range, but would show whether the car's readings tell the fuel",
            "none was weighed or filled that could be held against the readings",
        )
    gap = ends_of(a.closed.gap)
    within = "" if gap is None else f", now only to within {max(map(abs, gap)):.1f} %"
    if a.closed.verdict == "uninformative":
        return Narrower(
            "Weighing more fuel, or more fills",
            f"wouldn't narrow the range, but would hold the readings to the fuel burned{within}",
            "the larger end of the interval of fuel burned per fuel computed, between the arms",
        )
    return None


def _accessory(a: Analysed) -> Narrower | None:
    if a.accessory is None or a.accessory.runs.empty:
        return None
    runs = a.accessory.runs
    open_ = int((~runs["answered"].astype(bool)).sum())
    if not open_:
        return None
    gain = f"{open_} of {len(runs)} drives have no note of it"
    if math.isfinite(a.accessory.worth_pct) and a.accessory.visible:
        gain += f"; as the logs show it, it moves the effect by {abs(a.accessory.worth_pct):.1f} %"
    return Narrower(
        "Noting each day whether air conditioning ran", gain, "column of notes.csv left blank"
    )


def _weather(a: Analysed) -> Narrower | None:
    used = a.passes[a.passes["used"].astype(bool)]
    if a.fuel_estimator == "ledger" or used.empty:
        return None
    blind = float(np.isnan(used["headwind_m_s"].astype(float)).mean())
    if blind == 0:
        return None
    return Narrower(
        "A weather record of a station nearby",
        f"wind isn't known for {100 * blind:.0f} % of the passes, so it is part of the scatter",
        "passes used without headwind_m_s",
    )


def _road(a: Analysed) -> Narrower | None:
    if a.road_use is None:
        return None
    arms = a.road_use.arms.values()
    driven, used = sum(m.driven_km for m in arms), sum(m.used_km for m in arms)
    if not driven > 0 or used >= 0.95 * driven:
        return None
    return Narrower(
        "Losing less of the road driven",
        f"{driven - used:.0f} of {driven:.0f} km couldn't be compared",
        "road driven, placed and used, by cause, below",
    )
