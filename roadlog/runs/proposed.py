"""What `take` says of the logs that it is shown: a few lines a file, a table of the columns.

In come proposals of `roadlog.runs.intake`; nothing is read again. Part of the intake stage.
"""

from collections.abc import Sequence
from typing import NamedTuple

import pandas as pd

from roadlog.ingest import Log
from roadlog.quantities.facts import Fact, Kind
from roadlog.quantities.units import unit_symbol
from roadlog.runs.facts import OfIntake
from roadlog.runs.intake import Proposal


class ColumnSaid(NamedTuple):
    """One column: its header, what it is taken for, its unit, its share of filled rows, a note."""

    header: str
    taken_for: str
    unit: str
    filled: str
    note: str


def proposal_lines(p: Proposal) -> list[str]:
    """What would become of a file, its arm, its drives, where it would lie; as `take` prints it."""
    if p.refused:
        return [f"NOT TAKEN: {p.refused}"]
    first, *more = proposal_facts(p)
    indent: dict[Kind, str] = {OfIntake.DRIVE: "    "}
    return [f"{p.source.name}: {first}", *(f"{indent.get(f.code, '  ')}{f}" for f in more)]


def proposal_facts(p: Proposal) -> list[Fact]:
    """What would become of a file that isn't refused."""
    if p.already:
        return [OfIntake.ALREADY(place=p.already)]
    assert p.log is not None
    log = p.log
    minutes = float(log.frame["t_s"].iloc[-1]) / 60
    start = OfIntake.NO_DATE() if log.start is None else f"{log.start:%Y-%m-%d %H:%M}"
    what = OfIntake.POSITIONS()
    if p.kind != "positions":
        what = OfIntake.ARM(arm=p.arm or OfIntake.ARM_NOT_TOLD(), why=p.arm_from)
    said = [
        OfIntake.FILE(start=start, minutes=f"{minutes:.0f}", rows=len(log.frame), what=what),
        *_of_drives(p, log),
    ]
    said += [OfIntake.TARGET(place=t) for t in p.targets]
    return said + [OfIntake.NOTE(why=n) for n in log.facts]


def _of_drives(p: Proposal, log: Log) -> list[Fact]:
    driven = [d for d in p.drives if d.driven]
    if len(driven) < 2:
        return []
    said = [(OfIntake.DRIVES if p.split else OfIntake.DRIVES_TOGETHER)(n=len(driven))]
    for i, d in enumerate(driven):
        said.append(
            OfIntake.DRIVE(
                number=i + 1,
                start=_clock(log, d.start_s),
                end=_clock(log, d.end_s),
                km="" if d.km != d.km else OfIntake.KM(km=f"{d.km:.1f}"),
                arm=OfIntake.OF_ARM(arm=p.arms[i]) if len(set(p.arms)) > 1 else "",
                then=OfIntake.THEN(why=d.why) if d.why else "",
            )
        )
    return said


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
