"""Which vehicle a log says it is of: the identification number that it begins with, as a hash.

Logs go in, and the numbers at their heads come out, which nobody can read any more; then which of
them are the car's own, and which runs seem to be of another car. A number that the logger gives
itself or its session looks the same, so that only what most logs of a car share counts.
"""

import hashlib
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from roadlog.quantities.vin import VIN

HEAD_BYTES = 1 << 16
HASH_DIGITS = 24
LEAST_LOGS = 2  # in which a number has to stand to be the car's

Numbers = frozenset[str]


def hidden_vin(vin: str) -> str:
    """A vehicle's number as it is kept: to be compared, not read.

    >>> hidden_vin(" 1m8gdm9axkp042788") == hidden_vin("1M8GDM9AXKP042788")
    True
    """
    return hashlib.sha256(vin.strip().upper().encode()).hexdigest()[:HASH_DIGITS]


def numbers_at_head(path: Path) -> Numbers:
    """The vehicles' numbers at a log's head, as hashes."""
    with path.open("rb") as file:
        return numbers_in(file.read(HEAD_BYTES).decode("latin-1"))


def numbers_in(text: str) -> Numbers:
    """The vehicles' numbers that stand in a text, as hashes."""
    return frozenset(hidden_vin(m[0]) for m in VIN.finditer(text))


def numbers_of(runs: pd.DataFrame) -> list[Numbers]:
    """The numbers of each run of a table (`tables.RUNS`)."""
    if "vehicle_numbers" not in runs:
        return [frozenset()] * len(runs)
    return [frozenset(str(n).split()) for n in runs["vehicle_numbers"]]


def own_numbers(of_logs: Sequence[Numbers]) -> Numbers:
    """The car's own numbers: the commonest one, and those that most logs have beside it.

    >>> sorted(own_numbers([frozenset("a"), frozenset("a"), frozenset("b"), frozenset()]))
    ['a']
    """
    times = Counter(number for n in of_logs for number in n)
    top = min(times, key=lambda number: (-times[number], number), default=None)
    if top is None or times[top] < LEAST_LOGS:
        return frozenset()
    beside = Counter(number for n in of_logs if top in n for number in n)
    return frozenset(n for n, count in beside.items() if 2 * count > times[top] and count > 1)


def strays(of_logs: Sequence[Numbers], others: Numbers = frozenset()) -> list[int]:
    """Positions of logs that have another vehicle's number in place of the car's own.

    Parameters
    ----------
    of_logs : sequence of set of str
        Numbers of each log of one car.
    others : set of str
        Another car's own numbers.

    >>> strays([frozenset("a"), frozenset("a"), frozenset("a"), frozenset("b"), frozenset()])
    [3]
    """
    own = own_numbers(of_logs)
    count = Counter(number for n in of_logs for number in n)
    once = {n for n, times in count.items() if times == 1}
    sessions = 2 * sum(bool(n & once) for n in of_logs) > len(of_logs)
    known = (frozenset(count) - once if sessions else frozenset(count)) | others
    known -= own
    return [i for i, n in enumerate(of_logs) if own - n and n & known]
