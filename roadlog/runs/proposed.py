"""What `take` says of the logs that it is shown: a few lines a file, a table of the columns.

In come proposals of `roadlog.runs.intake`; nothing is read again. Part of the intake stage.
"""

from collections.abc import Callable, Sequence
from typing import NamedTuple

import pandas as pd

from roadlog.ingest import Log
from roadlog.quantities.facts import Fact
from roadlog.quantities.units import unit_symbol
from roadlog.runs.intake import Proposal


class ColumnSaid(NamedTuple):
    """One column: its header, what it is taken for, its unit, its share of filled rows, a note."""

    header: str
    taken_for: str
    unit: str
    filled: str
    note: str


def proposal_lines(
    p: Proposal, told: Callable[[Fact | str], str] = str, to_split: str = "--split makes each a run"
) -> list[str]:
    """What would become of a file, its arm, its drives, where it would lie.

    Parameters
    ----------
    told : why it isn't taken, in words that fit where they are shown
    to_split : how drives become runs of their own, likewise
    """
    if p.already:
        return [f"{p.source.name}: in the study already, as {p.already}: left out"]
    if p.refused:
        return [f"NOT TAKEN: {told(p.refused)}"]
    assert p.log is not None
    log = p.log
    minutes = float(log.frame["t_s"].iloc[-1]) / 60
    start = "no date" if log.start is None else f"{log.start:%Y-%m-%d %H:%M}"
    arm = "positions" if p.kind == "positions" else f"{p.arm or 'arm not told'} ({p.arm_from})"
    lines = [f"{p.source.name}: {start}, {minutes:.0f} min, {len(log.frame)} rows, {arm}"]
    driven = [d for d in p.drives if d.driven]
    if len(driven) > 1:
        lines.append(f"  {len(driven)} drives" + ("" if p.split else f"; {to_split}"))
        for i, d in enumerate(driven):
            km = "" if d.km != d.km else f", {d.km:.1f} km"
            lines.append(
                f"    drive {i + 1}: {_clock(log, d.start_s)} to {_clock(log, d.end_s)}{km}"
                + (f", {p.arms[i]}" if len(set(p.arms)) > 1 else "")
                + (f"; then {d.why}" if d.why else "")
            )
    lines += [f"  to {t}" for t in p.targets]
    lines += [f"  note: {n}" for n in log.notes]
    return lines


def _clock(log: Log, t_s: float) -> str:
    if log.start is None:
        return f"{t_s / 60:.0f} min"
    return f"{log.start + pd.Timedelta(t_s, unit='s'):%H:%M}"


def alike(logs: Sequence[Log]) -> list[list[Log]]:
    """The logs in groups whose columns were taken for the same."""
    groups: dict[object, list[Log]] = {}
    for log in logs:
        groups.setdefault(tuple((c.header, c.signal, c.unit) for c in log.columns), []).append(log)
    return list(groups.values())


def columns_said(logs: Sequence[Log]) -> list[ColumnSaid]:
    """How each column of logs that are alike was understood."""
    said = []
    for c in logs[0].columns:
        share = ""
        if c.signal and c.signal in logs[0].frame:
            filled = sum(float(log.frame[c.signal].notna().mean()) for log in logs) / len(logs)
            share = f"{100 * filled:.0f} %"
        taken_for = c.signal or ("time" if c.role == "time" else "-")
        unit = "" if c.unit is None else unit_symbol(c.unit)
        note = c.note if c.signal or c.role == "ignored" else c.note or "not recognised: not used"
        said.append(ColumnSaid(c.header, taken_for, unit, share, "" if note == "time" else note))
    return said
