"""Numbers and intervals as they are printed everywhere."""

import math

from roadlog.stats.interval import Interval

UNKNOWN = "not known"


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
