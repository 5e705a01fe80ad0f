"""What two cars drove together: runs in pairs, units in common, and what their clocks say.

The run tables of the test car and the control car go in; nothing here looks at fuel per expected
fuel.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from roadlog.quantities.against import Against
from roadlog.quantities.facts import Veto, Warned

TOGETHER_MIN = 30.0  # between the starts of two runs that count as one pair
SAME_LENGTH = 0.05  # of the two runs of a pair, relative
MOST_DAYS_OFF, LEAST_DAYS_BETTER = 31, 2


def control_units(test: pd.DataFrame, control: pd.DataFrame) -> dict[int, str]:
    """The unit of each used run of the control car: the test car's of the same day.

    Where a day holds several units it is that of the test car's run that started nearest.
    """
    found: dict[int, str] = {}
    for run in control[control["used"].astype(bool)].to_dict("records"):
        day = test[test["day"] == run["day"]]
        units = day["switch_unit"].unique()
        if len(units) == 1:
            found[int(run["run"])] = str(units[0])
        elif len(units) > 1:
            apart = (day["start"] - run["start"]).abs()
            if apart.min() <= pd.Timedelta(minutes=TOGETHER_MIN):
                found[int(run["run"])] = str(day.loc[apart.idxmin(), "switch_unit"])
    return found


def run_pairs(test: pd.DataFrame, control: pd.DataFrame) -> pd.DataFrame:
    """Runs of the two cars on one day whose starts lie nearest, each in one pair.

    Returns
    -------
    DataFrame
        `day`, `arm`, `test_file`, `control_file`, `apart_min` (control less test), litres and km of
        each, and `ratio` of the litres; NaN where the pair wasn't driven together.
    """
    rows: list[dict[str, Any]] = []
    free = control[control["used"].astype(bool)]
    for t in test[test["used"].astype(bool)].to_dict("records"):
        day = free[free["day"] == t["day"]]
        if day.empty or pd.isna(t["start"]):
            continue
        apart = (day["start"] - t["start"]).dt.total_seconds() / 60
        at = apart.abs().idxmin()
        c = day.loc[at].to_dict()
        free = free.drop(index=at)
        together = abs(float(apart[at])) <= TOGETHER_MIN
        alike = abs(float(np.log(c["km"] / t["km"]))) < SAME_LENGTH
        rows.append(
            {
                "day": t["day"], "arm": t["arm"], "test_file": t["file"],
                "control_file": c["file"], "apart_min": float(apart[at]),
                "test_l": t["fuel_l"], "control_l": c["fuel_l"],
                "test_km": t["km"], "control_km": c["km"],
                "ratio": t["fuel_l"] / c["fuel_l"] if together and alike else np.nan,
            }
        )  # fmt: skip
    columns = ("day", "arm", "test_file", "control_file", "apart_min", "test_l", "control_l",
               "test_km", "control_km", "ratio")  # fmt: skip
    return pd.DataFrame(rows, columns=list(columns))


def days_off(test: Sequence[str], control: Sequence[str]) -> int:
    """By how many whole days the control car's clock seems to be off (+ late); 0 if it doesn't.

    Only where all of its days become the test car's, and at least `LEAST_DAYS_BETTER` more than
    are now.
    """
    ours = {pd.Timestamp(d) for d in test}
    theirs = {pd.Timestamp(d) for d in control}
    if not theirs or theirs <= ours:
        return 0
    now = len(theirs & ours)
    for off in sorted(range(-MOST_DAYS_OFF, MOST_DAYS_OFF + 1), key=abs):
        moved = {d - pd.Timedelta(days=off) for d in theirs}
        if moved <= ours and len(theirs) >= now + LEAST_DAYS_BETTER:
            return off
    return 0


def dates_of(runs: pd.DataFrame) -> list[str]:
    """The days of a car's used runs that are dates."""
    days = runs.loc[runs["used"].astype(bool) & runs["start"].notna(), "day"]
    return sorted(days.astype(str).unique())


def clock_off(test: pd.DataFrame, control: pd.DataFrame) -> list[Veto]:
    """What forbids a word because the control car's clock is days off: one veto, or none."""
    off = days_off(dates_of(test), dates_of(control))
    if not off:
        return []
    way = "late" if off > 0 else "early"
    days = f"{abs(off)} day{'s' * (abs(off) != 1)}"
    return [
        Veto(
            f"undecided: the control car's clock seems to be {days} {way}: so moved, all "
            "of its days are days of the test car, as they aren't now; give its logs the true "
            "dates",
            Against.OTHER_CAR(),
        )
    ]


def pair_warnings(test: pd.DataFrame, control: pd.DataFrame, pairs: pd.DataFrame) -> list[Warned]:
    """What is to be told of days and hours at which the cars drove apart."""
    found = []
    days = set(control.loc[control["used"].astype(bool), "day"]) - set(test["day"])
    if days:
        found.append(
            Warned(
                "control-alone",
                f"the control car drove without the test car on {len(days)} days "
                f"({', '.join(sorted(map(str, days))[:4])}): they say nothing here",
            )
        )
    if len(pairs):
        apart = float(pairs["apart_min"].median())
        if pairs["apart_min"].abs().median() > TOGETHER_MIN:
            found.append(
                Warned(
                    "control-hours",
                    f"the control car starts {pairs['apart_min'].abs().median():.0f} min "
                    f"{'after' if apart > 0 else 'before'} the test car, as the logs' clocks have "
                    "it: drive together, or set the clocks alike",
                )
            )
    return found
