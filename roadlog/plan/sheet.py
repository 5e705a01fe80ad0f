"""The page that hangs beside the car: what is switched when, what to hold equal, what to note.

A study with a schedule goes in; one self-contained HTML page, made to print on one sheet, comes
out: for the one person who does everything, for the driver who isn't to know the arm, or for the
person who switches.
"""

import datetime as dt
from collections.abc import Collection
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from roadlog.plan.mark import code_inline, in_fours
from roadlog.plan.to_log import log_lines, tanks_must_differ
from roadlog.study.settings import Study
from roadlog.wording.units import in_own_units, symbol, told

Reader = Literal["everyone", "driver", "switcher"]


@dataclass(frozen=True)
class Row:
    """One test day on the sheet."""

    number: int
    date: str
    state: str
    fitted: bool
    block: str
    last_of_block: bool
    switch: str  # what the switcher does before the first drive


def sheet_rows(study: Study, dummies: Collection[str] = ()) -> list[Row]:
    """The scheduled days in order; on `dummies` (units) the switcher only acts as if to fit."""
    if study.schedule is None:
        return []
    rows: list[Row] = []
    before: str | None = None
    last = {u.block: (u.unit, *u.also)[-1] for u in study.schedule.unit}
    for u in study.schedule.unit:
        for day in (u.unit, *u.also):
            if day != u.unit:
                switch = "leave shut"
            elif str(u.unit) in dummies:
                first = "take out, then " if before == "fitted" else ""
                switch = f"{first}act as if to fit: it stays OUT"
            elif u.arm == before:
                switch = "open, leave, shut"
            else:
                switch = "fit" if u.arm == "fitted" else "take out"
            rows.append(
                Row(
                    number=len(rows) + 1,
                    date=f"{day:%a} {day.day} {day:%b}" if isinstance(day, dt.date) else str(day),
                    state=study.label(u.arm),
                    fitted=u.arm == "fitted",
                    block="" if u.block is None else str(u.block),
                    last_of_block=u.block is not None and last[u.block] == day,
                    switch=switch,
                )
            )
            before = u.arm
    return rows


@in_own_units
def sheet_page(
    study: Study,
    *,
    reader: Reader,
    claim: str | None,
    loose: str | None = None,
    sha256: str | None = None,
    dummies: Collection[str] = (),
) -> str:
    """The page.

    Parameters
    ----------
    reader : "driver" hides the arms; "everyone" and "switcher" show them
    claim : the claim in words
    loose : what loose protocol costs in days, a sentence
    sha256 : the plan's fingerprint, to be shown as text and QR code
    dummies : units on which the switcher only acts as if to fit
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("roadlog.plan"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    rows, washout_km = sheet_rows(study, dummies), study.device.washout_km
    tables = _columns(rows)
    return environment.get_template("sheet.html").render(
        study=study,
        tyres=symbol("kPa"),
        load=symbol("kg"),
        washout=told(washout_km, "km", 0 if float(washout_km).is_integer() else 1),
        reader=reader,
        claim=claim,
        loose=loose,
        fours=in_fours(sha256) if sha256 else [],
        code=code_inline(sha256) if sha256 else "",
        dummies=len(dummies),
        apart=tanks_must_differ(study),
        to_log=log_lines(study),
        rows=rows,
        tables=tables,
        words=study.analysis.exclude_if,
        noting=reader != "switcher" and len(tables) < 3,
        stop=None if study.schedule is None else study.schedule.stop_date,
    )


def _columns(rows: list[Row]) -> list[list[Row]]:
    """One table up to 24 days, else two or three side by side, parted at the ends of blocks."""
    tables = 1 if len(rows) <= 24 else 2 if len(rows) <= 50 else 3
    ends = [i + 1 for i, r in enumerate(rows) if r.last_of_block] or list(range(1, len(rows)))
    wanted = [k * len(rows) / tables for k in range(1, tables)]
    cuts = [min((abs(e - at), e) for e in ends)[1] for at in wanted]
    return [rows[b:e] for b, e in pairwise([0, *cuts, len(rows)])]
