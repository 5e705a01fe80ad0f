"""Fills and cans as they may be shown: brought to the road that is published, on the public clock.

A ledger and a car's runs go in; a ledger of which no hidden length can be reckoned comes out, and
its tables are written (docs/privacy.md).
"""

import datetime as dt
from collections.abc import Mapping, Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd

from roadlog.analysis.metering import Metered
from roadlog.closure.ledger import Ledger, moment
from roadlog.publish.clock import PublicClock
from roadlog.publish.public_logs import csv_text, put
from roadlog.publish.shown import Shown
from roadlog.quantities.signals import signal
from roadlog.study.settings import Can, Fill

A_CAR_S_OWN_KM = 1000.0  # a reading from here on isn't of a published distance that began at 0
_TIME = "%Y-%m-%dT%H:%M"


def put_ledger(public: Ledger, times: Sequence[pd.Timestamp], into: Path, prefix: str = "") -> None:
    """Write `fills.csv` with published times, and `cans.csv`; `prefix` as for `read_ledger`."""
    if public.fills:
        put(into / f"{prefix}fills.csv", csv_text(fills_csv(public.fills, times)))
    if public.cans:
        put(into / f"{prefix}cans.csv", csv_text(cans_csv(public.cans)))


def shown_shares(metered: Metered, shown: Sequence[Shown]) -> pd.DataFrame:
    """Distance and computed fuel of each run, and of what is shown of it; by run."""
    by_run = {s.run: s for s in shown}
    rows = []
    for run, flow in zip(metered.runs["run"], metered.flows, strict=True):
        s = by_run[int(run)]
        t = flow["t_s"].to_numpy(np.float64)
        raw = s.log.frame["t_s"].to_numpy(np.float64)
        is_shown = s.rows[np.clip(np.searchsorted(raw, t), 0, len(raw) - 1)]
        dt_s = flow["dt_s"].to_numpy(np.float64)
        burned = np.nan_to_num(flow["fuel_flow_g_s"].to_numpy(np.float64)) * dt_s
        km = np.nan_to_num(signal(flow, "speed_kmh")) * dt_s / 3600
        rows.append(
            {"run": int(run), "km": km.sum(), "burned": burned.sum(),
             "shown_km": km[is_shown].sum(), "shown_burned": burned[is_shown].sum()}
        )  # fmt: skip
    return pd.DataFrame(rows).set_index("run")


def true_of_fills(fills: Sequence[Fill], public: Sequence[pd.Timestamp]) -> frozenset[str]:
    """What the fills' published tables must not have: true times and readings of the odometer."""
    told = {f"{t:{_TIME}}" for t in public}
    times = {f"{moment(f.time):{_TIME}}" for f in fills} - told
    read = (f.odometer_km for f in fills if f.odometer_km is not None)
    return frozenset({*times, *(f"{km:.1f}" for km in read if km >= A_CAR_S_OWN_KM)})


def to_published_road(
    ledger: Ledger,
    runs: pd.DataFrame,
    shown: pd.DataFrame,
    names: Mapping[str, str],
    clock: PublicClock,
) -> Ledger:
    """Fills and cans as they would be had only the published road been driven.

    Litres and kilograms are multiplied by the share of the computed fuel that is published, the
    odometer by that of the distance, tank by tank. Their ratios to the computed fuel and to the
    logged distance stay, so that nothing of the hidden road can be taken from them.

    Parameters
    ----------
    runs : DataFrame
        `file`, `start`, `switch_unit` of the whole study's runs.
    shown : DataFrame
        A row a run, as `runs`: `km`, `burned`, and `shown_km`, `shown_burned` of them.
    """
    usual = _shares(shown)
    fills: list[Fill] = []
    odometer: float | None = None
    starts = pd.to_datetime(runs["start"])
    full = [f for f in ledger.fills if f.full]
    bounds = [*(moment(f.time) for f in full), pd.Timestamp.max]
    by_tank = {
        low: _shares(shown[((starts >= low) & (starts < high)).to_numpy(bool)], usual)
        for low, high in pairwise([pd.Timestamp.min, *bounds])
    }
    lows = sorted(by_tank)
    last_read: float | None = None
    for f in ledger.fills:
        low = max(b for b in lows if b < moment(f.time) or b == pd.Timestamp.min)
        of_fuel, of_km = by_tank[low]
        if f.odometer_km is not None:
            gone = 0.0 if last_read is None else of_km * (f.odometer_km - last_read)
            odometer = gone if odometer is None else odometer + gone
            last_read = f.odometer_km
        litres = round(f.litres * of_fuel, _decimals(ledger.fills))
        fills.append(
            f.model_copy(
                update={
                    "litres": max(litres, 0.01),
                    "odometer_km": None if f.odometer_km is None else round(odometer or 0.0, 1),
                    "unit": _unit(f.unit, names, clock),
                }
            )
        )
    cans = []
    for can in ledger.cans:
        of_unit = runs["switch_unit"].astype(str) == str(can.unit)
        bare = runs["file"].str.split("/").str[-1]
        of_run = (runs["file"] == can.run) | (bare == str(can.run).split("/")[-1])
        mine = (of_unit if can.run is None else of_run).to_numpy(bool)
        of_fuel, of_km = _shares(shown[mine], usual)
        name = None if can.run is None else names.get(str(can.run).split("/")[-1])
        if can.run is not None and not (name or "").startswith("logs/"):
            continue
        mass = can.before_kg - can.after_kg
        cans.append(
            can.model_copy(
                update={
                    "run": name,
                    "unit": _unit(can.unit, names, clock),
                    "before_kg": round(mass * of_fuel + 1.0, 4),
                    "after_kg": 1.0,
                    "km": None if can.km is None else round(can.km * of_km, 2),
                }
            )
        )
    return Ledger(tuple(fills), tuple(cans))


def without_logs(ledger: Ledger, names: Mapping[str, str], clock: PublicClock) -> Ledger:
    """Fills and cans of a study that publishes no log: as they are, from an odometer of 0 on."""
    first = next((f.odometer_km for f in ledger.fills if f.odometer_km is not None), 0.0)
    fills = tuple(
        f.model_copy(
            update={
                "odometer_km": None if f.odometer_km is None else round(f.odometer_km - first, 2),
                "unit": _unit(f.unit, names, clock),
            }
        )
        for f in ledger.fills
    )
    cans = tuple(
        c.model_copy(
            update={
                "run": None if c.run is None else names.get(c.run, c.run),
                "unit": _unit(c.unit, names, clock),
            }
        )
        for c in ledger.cans
    )
    return Ledger(fills, cans)


def _unit(
    unit: dt.date | str | None, names: Mapping[str, str], clock: PublicClock
) -> dt.date | str | None:
    if unit is None:
        return None
    return names.get(str(unit)) or clock.name(unit)


def _shares(shown: pd.DataFrame, usual: tuple[float, float] = (1.0, 1.0)) -> tuple[float, float]:
    """Share of the fuel and of the distance that is published; the usual ones without a run."""
    sums = shown[["burned", "shown_burned", "km", "shown_km"]].sum()
    if not (sums["burned"] > 0 and sums["km"] > 0):
        return usual
    return (
        float(sums["shown_burned"] / sums["burned"]),
        float(sums["shown_km"] / sums["km"]),
    )


def _decimals(fills: Sequence[Fill]) -> int:
    return next(
        (n for n in (0, 1) if all(abs(f.litres - round(f.litres, n)) < 1e-6 for f in fills)), 2
    )


def fills_csv(fills: Sequence[Fill], times: Sequence[pd.Timestamp]) -> pd.DataFrame:
    """`fills.csv` with published times; nothing where there is no fill."""
    rows = [
        {
            "time": f"{t:{_TIME}}",
            "litres": f"{f.litres:.2f}".rstrip("0").rstrip("."),
            "odometer [km]": "" if f.odometer_km is None else f"{f.odometer_km:.1f}",
            "full": "yes" if f.full else "no",
            "price": "" if f.price_per_l is None else f"{f.price_per_l:g}",
            "temperature [degC]": "" if f.temp_c is None else f"{f.temp_c:g}",
            "batch": f.batch or "",
            "unit": "" if f.unit is None else str(f.unit),
            "arm": f.arm or "",
        }
        for f, t in zip(fills, times, strict=True)
    ]
    return _without_blank(pd.DataFrame(rows))


def cans_csv(cans: Sequence[Can]) -> pd.DataFrame:
    """`cans.csv`; nothing where there is no can."""
    rows = [
        {
            "before [kg]": f"{c.before_kg:g}",
            "after [kg]": f"{c.after_kg:g}",
            "run": c.run or "",
            "unit": "" if c.unit is None else str(c.unit),
            "arm": c.arm or "",
            "km": "" if c.km is None else f"{c.km:g}",
            "batch": c.batch or "",
        }
        for c in cans
    ]
    return _without_blank(pd.DataFrame(rows))


def _without_blank(frame: pd.DataFrame) -> pd.DataFrame:
    return frame[[c for c in frame if (frame[c] != "").any()]] if len(frame) else frame
