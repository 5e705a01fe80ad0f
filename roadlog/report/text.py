"""The words of a result: an `Analysed` in, plain sentences and formatted numbers out.

Used by the terminal summary and by the report, so that both say the same thing. All text here is
plain ASCII apart from what the user typed; `typeset` gives a page its minus signs and fixed spaces.
"""

import math
import re
import textwrap

import pandas as pd

from roadlog.quantities.units import economy_change_pct, mpg_us
from roadlog.report.warned import told_warnings
from roadlog.results import Analysed, Interval, RoadUse
from roadlog.study.settings import ARMS, Claim

WIDTH = 88
LABEL_WIDTH = 13
UNKNOWN = "not known"
_UNIT_SPACE = re.compile(
    r"(?<=\d) (?=(?:%|L/100 km|MPG|km|L)(?!\w))|(?<=L/100) (?=km)|(?<=MPG) (?=US|\(US)"
)


def economy_interval(fuel: Interval) -> Interval:
    """The same change told as fuel economy [%]: the ends swap, since less fuel is more distance.

    >>> i = economy_interval(Interval(0.0, -20.0, 25.0))
    >>> i.estimate, round(i.low, 6), round(i.high, 6)
    (0.0, -20.0, 25.0)
    """
    return Interval(
        estimate=economy_change_pct(fuel.estimate),
        low=None if fuel.high is None else economy_change_pct(fuel.high),
        high=None if fuel.low is None else economy_change_pct(fuel.low),
        df=fuel.df,
        method=fuel.method,
        level=fuel.level,
    )


def economy_interval_mpg_us(fuel: Interval, baseline_l_per_100km: float) -> Interval:
    """The same change in MPG (US), with the baseline's own economy held fixed."""
    base = mpg_us(baseline_l_per_100km) if baseline_l_per_100km > 0 else math.nan
    return scaled(economy_interval(fuel), base / 100)


def scaled(interval: Interval, factor: float) -> Interval:
    """An interval with estimate and bounds multiplied by a positive factor."""
    return Interval(
        estimate=interval.estimate * factor,
        low=None if interval.low is None else interval.low * factor,
        high=None if interval.high is None else interval.high * factor,
        df=interval.df,
        method=interval.method,
        level=interval.level,
    )


def signed(value: float | None, digits: int = 1) -> str:
    """A change with its sign, zero without one; 'not known' where it isn't a finite number.

    >>> signed(0.62), signed(-0.04), signed(None)
    ('+0.6', '0.0', 'not known')
    """
    if value is None or not math.isfinite(value):
        return UNKNOWN
    text = f"{value:+.{digits}f}"
    return text[1:] if float(text) == 0 else text


def percent(value: float | None) -> str:
    """A change in percent, 'not known' without the sign of percent.

    >>> percent(0.62), percent(float("nan"))
    ('+0.6 %', 'not known')
    """
    text = signed(value)
    return text if text == UNKNOWN else f"{text} %"


def number(value: float | None, digits: int = 1) -> str:
    """A plain number, 'not known' where it isn't finite.

    >>> number(6.4321, 2)
    '6.43'
    """
    if value is None or not math.isfinite(value):
        return UNKNOWN
    return f"{value:,.{digits}f}"


def ends_of(interval: Interval) -> tuple[float, float] | None:
    """Both ends of an interval if it has two finite ones."""
    low, high = interval.low, interval.high
    if low is None or high is None or not (math.isfinite(low) and math.isfinite(high)):
        return None
    return low, high


def bounds(interval: Interval, digits: int = 1, unit: str = "%") -> str:
    """The interval in words, or that there is none.

    >>> bounds(Interval(0.6, -0.8, 2.0))
    '95 % interval -0.8 to +2.0 %'
    """
    known = ends_of(interval)
    if known is None:
        return "no interval can be given"
    ends = f"{signed(known[0], digits)} to {signed(known[1], digits)}"
    return f"{100 * interval.level:g} % interval {ends} {unit}".rstrip()


def typeset(text: str) -> str:
    r"""Minus signs for negative numbers and unbroken spaces before units, for pages.

    >>> ascii(typeset("-0.8 % on 2024-03-05"))
    "'\\u22120.8\\xa0% on 2024-03-05'"
    """
    text = re.sub(r"(?<![\w-])-(?=\d)", "−", text)
    return _UNIT_SPACE.sub("\u00a0", text)


def claim_words(claim: Claim) -> str:
    """The claim in the seller's quantity and, where that isn't fuel, in fuel too.

    >>> claim_words(Claim(economy_pct=12))
    '12 % more distance per fuel (10.7 % less fuel)'
    """
    in_fuel = _more_or_less(claim.fuel_use_change_pct, "more", "less")
    if claim.economy_pct is None:
        return f"{in_fuel} fuel"
    return f"{_more_or_less(claim.economy_pct, 'more', 'less')} distance per fuel ({in_fuel} fuel)"


def headline(analysed: Analysed) -> str:
    """The measured change and its interval in one sentence."""
    i = analysed.effect.primary
    device = analysed.study.device.name
    if not math.isfinite(i.estimate):
        return f"No change of fuel use with the {device} fitted could be computed."
    if float(f"{i.estimate:.1f}") == 0:
        what = "the car's fuel use changed by 0.0 %"
    else:
        what = f"the car used {abs(i.estimate):.1f} % {'more' if i.estimate > 0 else 'less'} fuel"
    return f"With the {device} fitted, {what} ({bounds(i)})."


def verdict(analysed: Analysed) -> str:
    """How the measured change and the claim compare, in one sentence."""
    claim, word = analysed.study.claim, analysed.finding.word
    if claim is None:
        return "No claim was given, so there is nothing to refute or support."
    said = f"The claim is {claim_words(claim)}"
    if word == "refuted":
        return f"{said}; the whole interval falls short of it."
    if word == "supported":
        return f"{said}; the whole interval reaches it."
    return f"{said}; these data can't settle it."


def summary_lines(analysed: Analysed) -> list[str]:
    """About ten lines for a terminal, 88 columns at most, the finding last.

    Parameters
    ----------
    analysed : Analysed

    Returns
    -------
    list of str
        Fuel use in L/100 km and MPG (US), changes in percent.
    """
    a, effect = analysed, analysed.effect
    lines = _paragraph("", a.study.name)
    if a.study.synthetic:
        lines += _paragraph("", "SYNTHETIC DATA: generated by a program, not measured on a road.")
    lines += _paragraph("Driven", _driven(a))
    if a.road_use is not None:
        lines += _paragraph("Road used", road_used(a, a.road_use))
    lines += _paragraph("Fuel use", _fuel_use(a))
    lines += _paragraph("Change", _change(a))
    lines += _paragraph("In MPG (US)", _change_mpg(a))
    lines += _paragraph("Other views", _other_views(a))
    if math.isfinite(effect.smallest_detectable_pct):
        smallest = f"{effect.smallest_detectable_pct:.1f} % is the smallest change this design"
        lines += _paragraph("Can detect", f"{smallest} finds 4 times out of 5.")
    lines += _paragraph("Fuel figure", _fuel_figure(a))
    count = len(told_warnings(a))
    if count:
        lines += _paragraph("Warnings", f"{count}, explained in report.html.")
    if a.trials:
        said = "trial of the claim is" if len(a.trials) == 1 else "trials of the claim are"
        lines += _paragraph("Beside it", f"{len(a.trials)} further {said} in report.html.")
    reasons = " ".join(a.finding.reasons) or verdict(a)
    word = (a.finding.word or "no finding").upper()
    return lines + _paragraph("Finding", f"{word}: {reasons}")


def one_line(text: str) -> str:
    """Text without line breaks or control characters (a name from a file may hold any)."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def excluded_runs(runs: pd.DataFrame) -> int:
    """How many runs were set aside."""
    return int((~runs["used"].astype(bool)).sum())


def _paragraph(label: str, text: str) -> list[str]:
    """Wrapped lines under a label; a number stays with its unit."""
    lines = textwrap.wrap(
        _UNIT_SPACE.sub("\u00a0", one_line(text)),
        width=WIDTH,
        initial_indent=label.ljust(LABEL_WIDTH) if label else "",
        subsequent_indent=" " * LABEL_WIDTH if label else "",
    )
    return [line.replace("\u00a0", " ") for line in lines]


def _more_or_less(pct: float, more: str, less: str) -> str:
    return f"{float(f'{abs(pct):.1f}'):g} % {more if pct > 0 else less}"


def _driven(a: Analysed) -> str:
    km: dict[str, float] = {
        arm: float(a.runs.loc[a.runs["arm"] == arm, "km"].sum()) for arm in ARMS
    }
    if a.road_use is not None:
        km = {arm: use.driven_km for arm, use in a.road_use.arms.items()}
    each = ", ".join(
        f"{_label(a, arm)} {km[arm]:,.0f} km in {int((a.runs['arm'] == arm).sum())} runs"
        for arm in ARMS
    )
    text = f"{each}; {a.baseline.switch_units} + {a.fitted.switch_units} switch units"
    dropped = excluded_runs(a.runs)
    return f"{text}; {dropped} runs set aside." if dropped else f"{text}."


def road_used(a: Analysed, use: RoadUse) -> str:
    """What of the road driven was placed and used, by arm, and what took the rest."""
    each = ", ".join(
        f"{_label(a, arm)} {mine.placed_km:,.0f} km placed on shared road, {mine.used_km:,.0f} used"
        for arm, mine in use.arms.items()
    )
    lost = "; ".join(
        f"{_label(a, arm)} {km:,.0f} km {cause}"
        for arm, mine in use.arms.items()
        for cause, km in mine.lost[:2]
        if km >= 0.5
    )
    return f"{each}. Lost: {lost}." if lost else f"{each}."


def _fuel_use(a: Analysed) -> str:
    uses = a.baseline.l_per_100km, a.fitted.l_per_100km
    economies = [number(mpg_us(u) if u > 0 else None) for u in uses]
    return (
        f"{_label(a, 'baseline')} {number(uses[0], 2)}, {_label(a, 'fitted')} "
        f"{number(uses[1], 2)} L/100 km ({economies[0]} and {economies[1]} MPG US), as driven."
    )


def compared_how(a: Analysed) -> str:
    """What was held equal: the driving, or nothing where fuel was only measured at the pump."""
    return "as driven" if a.fuel_estimator == "ledger" else "at equal driving"


def _change(a: Analysed) -> str:
    i = a.effect.primary
    litres = scaled(i, a.baseline.l_per_100km / 100)
    return (
        f"{percent(i.estimate)} fuel {compared_how(a)} ({bounds(i)}); "
        f"{signed(litres.estimate, 2)} L/100 km."
    )


def _change_mpg(a: Analysed) -> str:
    i = economy_interval(a.effect.primary)
    miles = economy_interval_mpg_us(a.effect.primary, a.baseline.l_per_100km)
    return f"{percent(i.estimate)} ({bounds(i)}); {signed(miles.estimate)} MPG US."


def _other_views(a: Analysed) -> str:
    effect = a.effect
    parts = [
        f"driving not allowed for {percent(effect.total.estimate)}",
        f"nothing allowed for {percent(effect.unadjusted.estimate)}",
    ]
    if effect.randomisation is not None:
        parts.append(f"by chance alone p = {effect.randomisation.p:.2g}")
    return "; ".join(parts) + "."


def _fuel_figure(a: Analysed) -> str:
    if a.fuel_estimator == "ledger":
        return "fuel weighed or filled and distance alone, compared by switch unit."
    figure = f"from the car's signals ({a.fuel_estimator}), "
    if a.closed is None:
        checked = "checked" if a.closure is not None else "not checked"
        return f"{figure}{checked} against fuel weighed or filled."
    return (
        figure
        + {
            "agrees": "in agreement with fuel weighed or filled, arm by arm.",
            "gap": "in conflict with fuel weighed or filled.",
            "uninformative": "fuel weighed or filled is too little to check it.",
            "none": "no fill or can could be held against it.",
        }[a.closed.verdict]
    )


def _label(a: Analysed, arm: str) -> str:
    return one_line(a.study.label(arm))
