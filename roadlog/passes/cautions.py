"""What the sources of a pass table make uncertain, in warnings."""

import numpy as np
import pandas as pd

from roadlog.ingest.datum import uneven_datum
from roadlog.passes.conditions import BY_HEIGHT

SOURCE_SHARE = 0.2
_AIR = ("ambient_source", "pressure_source")


def source_warnings(passes: pd.DataFrame) -> list[str]:
    """Sentences on temperature or pressure that come from different sources in the two arms.

    A source is a bias of its own (a sensor behind a warm bumper, a station far away), so a share
    of passes that differs by arm by more than `SOURCE_SHARE` can look like an effect.
    """
    used = passes[passes["used"].astype(bool)]
    found = []
    for column, what in (("ambient_source", "temperature"), ("pressure_source", "pressure")):
        if column not in used.columns or used["arm"].nunique() < 2:
            continue
        share = pd.crosstab(used[column], used["arm"], normalize="columns")
        apart = share.max(axis=1) - share.min(axis=1)
        if apart.max() > SOURCE_SHARE:
            name = str(apart.index[int(apart.to_numpy().argmax())])
            row = share.iloc[int(apart.to_numpy().argmax())]
            by_arm = ", ".join(f"{100 * v:.0f} % of {arm}" for arm, v in row.items())
            found.append(
                f"ambient {what} is from another source in one arm ({name}: {by_arm} passes), so "
                "that its error can pass for an effect: log it alike in both arms, or give weather"
            )
    return found


def datum_warnings(passes: pd.DataFrame, runs: pd.DataFrame) -> list[str]:
    """A sentence if air was computed from altitudes that aren't above one surface in both arms.

    Parameters
    ----------
    passes : DataFrame
        `tables.PASSES`.
    runs : DataFrame
        `run`, `arm` and `altitude_datum` (`roadlog.ingest.Log`).
    """
    used = passes[passes["used"].astype(bool)]
    by_height = [used[c].isin(BY_HEIGHT) for c in _AIR if c in used]
    if not by_height or "altitude_datum" not in runs:
        return []
    mine = runs[runs["run"].isin(used.loc[np.logical_or.reduce(by_height), "run"])]
    known = [d if isinstance(d, str) else None for d in mine["altitude_datum"]]
    uneven = uneven_datum(mine["arm"].tolist(), known)
    return [] if uneven is None else [uneven]
