"""Whether a log whose clock is UTC may belong to another calendar day where it was driven.

In come a log's start and longitudes; out comes whether the local day is in doubt. Days decide the
arm where the add-on was switched by day, and an epoch clock knows none. Part of the ingest stage.
"""

import datetime as dt
from collections.abc import Sequence

import numpy as np
import pandas as pd

from roadlog.ingest.log import Log
from roadlog.study.settings import TimeRule

_HOURS_PER_DEGREE = 1 / 15.0
_CLOCK_OFF_SUN_H = 2.5  # summer time and wide zones; the largest is about 3 h, from memory
_WORLD_H = (-12.0, 14.0)


def day_in_doubt(log: Log) -> bool:
    """Whether a UTC start can be another day by the clock on the wall."""
    return len(possible_days(log)) > 1


def possible_days(log: Log) -> set[dt.date]:
    """The days that a UTC start can be by the clock on the wall; empty for any other clock.

    With positions only the offsets that their longitude allows count, else all that there are.
    """
    if log.start is None or log.start.tz is None or str(log.start.tz) != "UTC":
        return set()
    low, high = _WORLD_H
    if "lon_deg" in log.frame and log.frame["lon_deg"].notna().any():
        sun = float(np.nanmedian(log.frame["lon_deg"])) * _HOURS_PER_DEGREE
        low, high = sun - _CLOCK_OFF_SUN_H, sun + _CLOCK_OFF_SUN_H
    return {(log.start + pd.Timedelta(hours=h)).date() for h in (low, 0.0, high)}


def zone_warning(logs: Sequence[Log], rule: TimeRule) -> str | None:
    """One sentence for a study without a zone some of whose days are in doubt, else None."""
    if rule.zone is not None:
        return None
    doubtful = [log for log in logs if day_in_doubt(log)]
    if not doubtful:
        return None
    many = f" and {len(doubtful) - 1} more" if len(doubtful) > 1 else ""
    return (
        f"{doubtful[0].path.name}{many}: the clock is UTC and the study names no zone, so a drive "
        "may count to the wrong day: set zone under [time] in study.toml, as zone = "
        '"Europe/Paris"'
    )


def clock_warnings(logs: Sequence[Log], rule: TimeRule) -> list[str]:
    """Clocks of which some name a zone and others none, without a zone for the study."""
    said = []
    dated = [log for log in logs if log.start is not None]
    naive = [log for log in dated if log.start is not None and log.start.tz is None]
    aware = [log for log in dated if log.start is not None and log.start.tz is not None]
    if naive and aware and rule.zone is None:
        said.append(
            f"{naive[0].path.name} and {len(naive) - 1} more tell local time and "
            f"{aware[0].path.name} and {len(aware) - 1} more a time with its zone: days and order "
            'may be mixed up; set zone under [time] in study.toml, as zone = "Europe/Paris"'
        )
    return said
