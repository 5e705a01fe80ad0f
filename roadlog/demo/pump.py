"""The fill-ups of the demonstration: what a pump shows of the fuel that the runs truly burned.

The plan and the truth of every run go in; rows of `fills.csv` come out, with the errors that a real
pump and a real tank have. It feeds the generator behind `roadlog demo` and implements no part of
the method.
"""

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from roadlog.demo import car
from roadlog.demo.schedule import Day
from roadlog.quantities.fuels import volume_l

METER_SD_PCT = 0.2  # of the pump, one for the whole study; half of the 0.5 % that it may err
LEVEL_SD_L = 0.25  # of the level at which the nozzle clicks off
FULL_AFTER_DAYS = (4, 7)  # of each week of seven working days, at whose end the batch changes
PARTIAL_AFTER_DAY, PARTIAL_L = 10, 5.0
FIRST_ODOMETER_KM = 41_230.0
BEFORE, AFTER = dt.time(6, 20), dt.time(18, 30)  # no run is under way then


@dataclass(frozen=True)
class Filled:
    """One fill as the driver wrote it down."""

    time: dt.datetime
    litres: float
    odometer_km: float
    full: bool
    price_per_l: float
    temp_c: float


def fill_ups(
    planned: list[Day], burned: Iterable[tuple[dt.date, float, float]], rng: np.random.Generator
) -> list[Filled]:
    """Fills before the first day, twice in seven days and after the last; one of them partial.

    Parameters
    ----------
    planned : list of Day
    burned : (date, km, litres at 15 °C)
        What each run truly drove and burned.
    rng : Generator
        Not that of the runs, so that logs are the same with and without fills.

    Notes
    -----
    A full fill replaces what was burned since the last one, less partial fills between, plus the
    difference of two levels; litres are those of fuel at the pump's temperature.
    """
    runs = list(burned)
    days = [d.date for d in planned]
    meter = 1 + METER_SD_PCT / 100 * rng.standard_normal()
    level, price = LEVEL_SD_L * rng.standard_normal(), 1.739
    temp = 9.0
    first = Filled(dt.datetime.combine(days[0], BEFORE), 31.4, FIRST_ODOMETER_KM, True, price, temp)
    fills, missing = [first], 0.0
    for i, day in enumerate(days, 1):
        missing += sum(litres for date, _, litres in runs if date == day)
        last = i == len(days)
        full = last or (_weekly(i) and len(days) - i >= 2)
        if not full and i != PARTIAL_AFTER_DAY:
            continue
        price += float(rng.choice([-0.02, 0.0, 0.01, 0.02]))
        temp += float(rng.normal(0.5, 0.8))
        before, into = level, PARTIAL_L
        if full:
            level = LEVEL_SD_L * rng.standard_normal()
            into = missing + level - before
        missing = 0.0 if full else missing - into
        shown = meter * volume_l(into * car.FUEL.density_kg_m3, car.FUEL, temp)
        km = FIRST_ODOMETER_KM + sum(km for date, km, _ in runs if date <= day)
        at = dt.datetime.combine(day, AFTER)
        fills.append(Filled(at, shown, km, full, price, temp))
    return fills


def _weekly(day: int) -> bool:
    return (day - 1) % FULL_AFTER_DAYS[-1] + 1 in FULL_AFTER_DAYS
