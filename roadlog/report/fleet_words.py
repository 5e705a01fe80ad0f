"""A fleet's result in plain sentences, alike on screen and page.

The answer comes first, in the words that one car's has; figures and their statistics stand apart.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import unquote

import pandas as pd

from roadlog.analysis.answered import claimed
from roadlog.fleet.answer import FleetStudy
from roadlog.fleet.answered import answer_of_fleet
from roadlog.fleet.pipeline import Tables
from roadlog.quantities.facts import Veto
from roadlog.wording.answer import claim_words, first_large
from roadlog.wording.numbers import ends_of, number, percent, signed
from roadlog.wording.screen import paragraph
from roadlog.wording.units import told

HOW = {
    "within": "Each vehicle drove with and without the add-on, switched by the day",
    "vehicle": "Each vehicle drove with or without the add-on, for good",
    "rollout": "All vehicles began without the add-on, and got it at different times",
}
_FOLDER = re.compile(r"(?<=vehicle=)[^/\\]+")
_MONTH = re.compile(r"month=(\d{4}-\d\d)")


@dataclass(frozen=True)
class Reason:
    """One reason for leaving out: what it cost in words, and the first few of them."""

    why: str
    n: int
    cost: str
    others: int
    examples: tuple[str, ...]


def reasons(left_out: pd.DataFrame) -> list[Reason]:
    """Why something was left out, a line a cause, the commonest first."""
    found = []
    for _, rows in left_out.groupby("code", sort=True):
        shown = [
            f"{v}: {readable(str(w))}" if w else str(v)
            for v, w in zip(rows["vehicle"], rows["what"], strict=True)
        ]
        every = rows["why"].astype(str).value_counts()
        first = min(every[every == every.max()].index)
        found.append(Reason(first, len(rows), _cost(rows), len(every) - 1, tuple(shown[:3])))
    return sorted(found, key=lambda r: (-r.n, r.why))


def readable(path: str) -> str:
    """A path whose vehicle is written as it is called.

    >>> readable("samples/vehicle=van%201/month=2026-03/a%20b.parquet")
    'samples/vehicle=van 1/month=2026-03/a%20b.parquet'
    """
    return _FOLDER.sub(lambda m: unquote(m[0]), path)


def _cost(rows: pd.DataFrame) -> str:
    whole = rows.loc[rows["what"] == "", "vehicle"].nunique()
    parts = (rows["what"] != "").sum()
    said = [_counted(whole, "whole vehicle")] if whole else []
    if parts:
        of = rows.loc[rows["what"] != "", "vehicle"].nunique()
        said.append(f"{_counted(int(parts), 'log or run', 'logs or runs')} of {_counted(of)}")
    return " and ".join(said)


def _counted(n: int, one: str = "vehicle", many: str = "") -> str:
    return f"{n:,} {one if n == 1 else many or one + 's'}"


def first_lines(found: FleetStudy) -> list[tuple[str, str]]:
    """What stands under the answer, without statistics: how much was driven, when, how switched."""
    records = found.tables.compared
    km = sum(r.km for r in records)
    drives = sum(r.n_used for r in records)
    lines = [("Driven", f"{_counted(len(records))}, {drives:,} drives, {told(km, 'km')}")]
    months = sorted({m[1] for r in records for p in r.passes if (m := _MONTH.search(p))})
    if months:
        lines.append(("Dates", months[0] if len(months) == 1 else f"{months[0]} to {months[-1]}"))
    chance = "chance decided" if found.design.randomised else "chance didn't decide"
    what = {"within": "on which days", "vehicle": "which vehicles", "rollout": "when each"}
    lines.append(("Switched", f"{HOW[found.result.design]}; {chance} {what[found.result.design]}"))
    if found.study.claim is not None:
        lines.append(("Claim", claim_words(claimed(found.study.claim))))
    return lines


def silent(found: FleetStudy) -> list[tuple[str, str]]:
    """Vehicles that say nothing of a change of their own, each with why."""
    why = {str(v): str(w) for v, w in zip(*(found.result.left_out[c] for c in ("vehicle", "why")),
                                          strict=True)}  # fmt: skip
    whole = found.left_out[found.left_out["what"] == ""]
    for v, w in zip(whole["vehicle"], whole["why"], strict=True):
        why.setdefault(str(v), str(w))
    rows = found.result.vehicles
    if rows["estimate"].notna().any():  # else the design tells no vehicle's own
        for _, row in rows[rows["estimate"].isna()].iterrows():
            why.setdefault(str(row["vehicle"]), _mute(found.result.design, row))
    return sorted(why.items())


def _mute(design: str, row: "pd.Series[Any]") -> str:
    """Why a vehicle that counts shows no change of its own."""
    if design == "vehicle" and not row["fitted_units"]:
        return "it drove without the add-on for good: the others are held against it"
    if design == "rollout" and not row["weight"]:
        return (
            "no vehicle was left without the add-on when it got it: it serves as yardstick before "
            "and says nothing after"
        )
    return "its own drives alone don't tell a change; they count in the range of all"


def figures(found: FleetStudy) -> list[tuple[str, str]]:
    """Label and sentence of what the annex has beside the intervals."""
    r = found.result
    lines = []
    if r.spread is not None and (both := ends_of(r.spread)) is not None:
        lines.append(
            (
                "Spread",
                f"the vehicles' own effects differ by a standard deviation of "
                f"{number(r.spread.estimate)} points (95 % interval {number(both[0])} to "
                f"{number(both[1])}; with a few vehicles far from the others it is less sure)",
            )
        )
    lines.append(
        (
            "Fuel use",
            f"{told(r.baseline.l_per_100km, 'L/100 km', 2)} without, "
            f"{told(r.fitted.l_per_100km, 'L/100 km', 2)} with the add-on (plain sums, unadjusted)",
        )
    )
    return lines


def of_fills(found: FleetStudy) -> list[str]:
    """What the fleet's fills say of the computed fuel, as sentences; none without fills."""
    fuel = found.result.filled
    if fuel is None:
        return []
    said = [*fuel.said, *_silent_fills(fuel.vehicles)]
    odd = unused_fills(found)
    if len(odd):
        first = odd[odd["code"] == odd["code"].value_counts().index[0]].iloc[0]
        whose = f"{first['vehicle']}, " if first["vehicle"] else ""
        many = "1 fill doesn't count as it stands" if len(odd) == 1 else (
            f"{len(odd):,} fills don't count as they stand; the first of the commonest kind"
        )  # fmt: skip
        said.append(f"{many}: {whose}{first['what']}: {first['why']}.")
    return said


def _silent_fills(vehicles: pd.DataFrame) -> list[str]:
    """Of how many vehicles the fills say nothing, and why."""
    silent = vehicles[vehicles["why"] != ""]
    if not len(silent):
        return []
    why = str(silent["why"].value_counts().index[0])
    alike = silent[silent["why"] == why]
    others = len(silent) - len(alike)
    more = [f"so of {len(alike) - 1} more"] if len(alike) > 1 else []
    more += [f"{others} for other reasons"] if others else []
    told = f" ({', '.join(more)})" if more else ""
    return [
        f"The fills of {_counted(len(silent))} say nothing of it: {alike['vehicle'].iloc[0]}: "
        f"{why}{told}."
    ]


def unused_fills(found: FleetStudy) -> pd.DataFrame:
    """Fills that don't count as they stand: `vehicle`, `what`, `code`, `why`."""
    fuel, receipts = found.result.filled, found.tables.fleet.receipts
    none = pd.DataFrame(columns=["vehicle", "what", "code", "why"])
    own = none if fuel is None else fuel.left_out
    lost = [] if receipts is None else [(v, w, f.code.name, str(f)) for v, w, f in receipts.lost]
    table = pd.concat([own, pd.DataFrame(lost, columns=own.columns)], ignore_index=True)
    return table.sort_values(["vehicle", "what"], kind="stable", ignore_index=True)


def told_reasons(found: FleetStudy) -> list[str]:
    """The finding's reasons as sentences of their own, without the word that stands before them."""
    said = found.result.finding.reasons
    return [first_large(f"{r.bare}.") if isinstance(r, Veto) else r for r in said]


def fleet_lines(found: FleetStudy) -> list[str]:
    """The summary for a screen: the answer, what it rests on, and the figures at the end."""
    made = answer_of_fleet(found)
    first = found.study.name + (" (SYNTHETIC DATA)" if found.study.synthetic else "")
    lines = paragraph("Fleet", first)
    lines += paragraph("Answer", f"{made.title}. {made.text}")
    for label, text in first_lines(found):
        lines += paragraph(label, text)
    out = found.left_out
    if len(out):
        lines += paragraph("Left out", f"{_cost(out)}, each with why in left_out.csv")
        for r in reasons(out)[:5]:
            lines += paragraph(" ", f"{r.n}: {r.why}{_alike(r)}", hang=2)
    for row in found.result.rows():
        ends = ends_of(row.interval)
        span = "no interval" if ends is None else f"{signed(ends[0])} to {signed(ends[1])} %"
        lines += paragraph("In numbers" if row is found.result.rows()[0] else " ",
                           f"{row.name}: {percent(row.interval.estimate)} ({span})")  # fmt: skip
    for label, text in figures(found):
        lines += paragraph(label, text)
    for i, sentence in enumerate(of_fills(found)):
        lines += paragraph(" " if i else "Fuel filled", sentence)
    for w in found.result.warnings:
        lines += paragraph("Note", str(w.message))
    finding = found.result.finding
    if found.study.claim is not None:
        lines += paragraph("Finding", str(finding.word))
    for reason in told_reasons(found)[1:]:
        lines += paragraph(" ", reason)
    return lines


def work_lines(tables: Tables, again: Mapping[str, int]) -> list[str]:
    """What this run did anew, and what it had to begin more than once."""
    logs, vehicles = tables.anew["logs"], tables.anew["vehicles"]
    told = f"{_counted(logs, 'file')} read and {_counted(vehicles)} computed in this run"
    kept = "" if vehicles == len(tables.records) else "; the rest is kept from before"
    lines = paragraph("Work", f"{told}{kept}")
    if again:
        names = sorted(again)
        more = f" and {len(names) - 3:,} more" if len(names) > 3 else ""
        lines += paragraph(
            " ",
            f"begun again since a worker died or a disk failed: {', '.join(names[:3])}{more} "
            "(last_run.json); what came of them is as if nothing had happened",
        )
    return lines


def _alike(r: Reason) -> str:
    return f" (and {r.others} other such reason{'s' * (r.others > 1)})" if r.others else ""
