"""In which order the runs came whose logs tell no date.

Logs, their names, and what the user's list says of them go in; each log's place in the order comes
out, or one sentence on what to give. Counters that the car keeps (odometer, time since trouble
codes were cleared) tell the order where every log has one; a file's name tells nothing by itself.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from roadlog.errors import InputError
from roadlog.ingest.log import Log
from roadlog.quantities.arrays import Floats
from roadlog.runs.run_list import Listed

ODOMETER, SINCE_CLEARED = "odometer_km", "since_cleared_min"
GIVE = (
    "log date and time, log the odometer or the time since trouble codes were cleared in every "
    "run, or list the logs in order of driving in a table with the columns file and date (runs.csv "
    "in the study, else --runs)"
)
RESOLUTION = {ODOMETER: 0.1, SINCE_CLEARED: 1.0}  # SAE J1979, PIDs A6 and 4E
COUNTER_WORDS = {
    ODOMETER: "odometer",
    SINCE_CLEARED: "time since trouble codes were cleared",
}
FULL_MIN = 65535.0  # PID 4E counts no further
EARLY_MIN = 60.0  # a counter that begins below this may have been cleared between two runs
EARLY_GAPS = 2.0  # or below so many times the longest other pause between runs


@dataclass(frozen=True)
class Placed:
    """Each log's place in the order of driving, and what told it."""

    place: tuple[int, ...]
    told_by: str


def order_of_undated(
    logs: Sequence[Log],
    names: Sequence[str],
    listed: Mapping[int, Listed],
    scheduled: Sequence[int | None] = (),
) -> Placed | None:
    """The order of runs of which at least one has no date; None where nothing tells it.

    Parameters
    ----------
    logs : sequence of Log
    names : sequence of str
        Their names, as the report shows them.
    listed : mapping of int to Listed
        What the list says of each log, in order of driving, if there is one.
    scheduled : sequence of int or None, optional
        Each log's place in a schedule that names files.

    Raises
    ------
    InputError
        If the list leaves a log out, or a counter contradicts itself.
    """
    if listed:
        missing = [n for i, n in enumerate(names) if i not in listed]
        if missing:
            raise InputError(
                f"{missing[0]}: the list of runs doesn't name it, and not every log has a date: "
                "add it in its place"
            )
        at = {i: place for place, i in enumerate(listed)}
        return Placed(tuple(at[i] for i in range(len(logs))), "the list of runs")
    if scheduled and all(s is not None for s in scheduled):
        return Placed(tuple(int(s) for s in scheduled if s is not None), "the schedule")
    for counter in (ODOMETER, SINCE_CLEARED):
        if all(_known(log, counter).size for log in logs):
            return Placed(_by_counter(logs, names, counter), f"the {COUNTER_WORDS[counter]}")
    return None


def _known(log: Log, counter: str) -> Floats:
    if counter not in log.frame:
        return np.empty(0)
    values = log.frame[counter].to_numpy(float)
    known: Floats = values[np.isfinite(values)]
    return known


def _by_counter(logs: Sequence[Log], names: Sequence[str], counter: str) -> tuple[int, ...]:
    """Places by what the counter showed, if its ends can only stand in one order."""
    values, word = [_known(log, counter) for log in logs], COUNTER_WORDS[counter]
    for name, v in zip(names, values, strict=True):
        if (np.diff(v) < -RESOLUTION[counter]).any():
            raise InputError(
                f"{name}: the {word} falls within the drive, so it can't tell the order of runs "
                f"without a date: {GIVE}"
            )
    first, last = (np.array([v[i] for v in values]) for i in (0, -1))
    order = np.lexsort((last, first))
    pause = first[order][1:] - last[order][:-1]
    tied = (pause < -RESOLUTION[counter]) | (
        (np.diff(first[order]) == 0) & (np.diff(last[order]) == 0)
    )
    if tied.any() or (counter == SINCE_CLEARED and (last >= FULL_MIN).any()):
        k = int(np.argmax(tied)) if tied.any() else int(np.argmax(last[order] >= FULL_MIN))
        pair = " and ".join(names[i] for i in order[k : k + 2])
        raise InputError(
            f"{pair}: the {word} doesn't tell which came first (it was cleared between runs, or "
            f"stands at its end), and the logs have no date: {GIVE}"
        )
    if counter == SINCE_CLEARED and _may_have_been_cleared(first[order], pause):
        by_name = sorted(range(len(names)), key=lambda i: natural(names[i]))
        if by_name != order.tolist():
            raise InputError(
                f"{names[order[0]]}: the {word} begins at {first[order[0]]:.0f} min, so it may "
                "have been cleared between two runs, and then it misleads about their order: "
                f"{GIVE}"
            )
    place = np.empty(len(order), dtype=int)
    place[order] = np.arange(len(order))
    return tuple(int(p) for p in place)


def _may_have_been_cleared(first: Floats, pause: Floats) -> bool:
    """Whether the lowest reading is so low that it may follow a clearing between two runs.

    The runs before a clearing then stand behind those after it, with a leap where they join. That
    leap is none of the usual pauses, so the longest of the others bounds how far the counter
    usually goes from one run to the next.
    """
    if len(first) < 2:
        return False
    others = float(np.sort(pause)[-2]) if len(pause) > 1 else 0.0
    return bool(first[0] <= max(EARLY_MIN, EARLY_GAPS * others))


def natural(name: str) -> list[tuple[int, str]]:
    """Sort key in which `drive9` comes before `drive10`.

    >>> sorted(["drive10", "drive9"], key=natural)
    ['drive9', 'drive10']
    """
    parts = re.findall(r"\d+|\D+", name)
    return [(int(p), "") if p.isdigit() else (-1, p.casefold()) for p in parts]
