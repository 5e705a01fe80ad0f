"""Engine speed that no engine turns: a log goes in, and comes out unless its readings are none.

`1.948` for 1948 in a file without decimal commas reads as two turns a minute, and where idle
stands as `943` beside it no unit explains both. Part of the ingest stage.
"""

import numpy as np

from roadlog.errors import InputError
from roadlog.ingest import shelf
from roadlog.ingest.log import Log

SLOWEST_RPM = 50.0  # starters turn an engine at 100 to 250: common practice, no source
LARGEST_SHARE = 0.1  # of the readings above zero, as an engine that stops passes through
LEAST_READINGS = 20


def refuse_crawling(log: Log) -> Log:
    """The log as it is.

    Raises
    ------
    InputError
        If over a tenth of the engine speeds above zero are under 50 rpm and have decimals.
    """
    if "rpm" not in log.read:
        return log
    rpm = log.read.floats("rpm")
    turning, found = 0, []
    for part in shelf.parts(len(rpm)):
        some = rpm[part][rpm[part] > 0]
        turning += len(some)
        some = some[some < SLOWEST_RPM]
        found.append(some[some % 1 != 0])
    slow = np.concatenate(found)
    if len(slow) < LEAST_READINGS or len(slow) <= LARGEST_SHARE * turning:
        return log
    header = next((c.header for c in log.columns if c.signal == "rpm"), "rpm")
    raise InputError(
        f"{log.path}: column '{header}': {len(slow)} of {turning} engine speeds lie under "
        f"{SLOWEST_RPM:.0f} rpm, which no engine runs at ({slow[0]:g}): if the point stands "
        "between thousands, take it out; else name the unit"
    )
