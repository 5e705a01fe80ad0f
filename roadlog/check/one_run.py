"""One run's check: signals with their rates and gaps, clocks, positions, and the verdict.

In come a run's log and study; out comes a `RunCheck`. Thresholds are common practice without a
source, unless said otherwise.
"""

from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from roadlog import fuel
from roadlog.check import sensors
from roadlog.check.remark import Remark, verdict
from roadlog.errors import DesignError, RoadlogError
from roadlog.fuel.levels import refusal
from roadlog.fuel.states import standing_still
from roadlog.ingest import Log, timebase
from roadlog.ingest.log import Datum, read_units
from roadlog.ingest.positions.join import ground_speed_kmh
from roadlog.quantities.signals import SIGNALS, plain
from roadlog.quantities.units import unit_symbol
from roadlog.study.settings import Study
from roadlog.wording.numbers import number
from roadlog.wording.shown import Said, Shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LEAST_KM = 0.5
# between two readings of speed or fuel, for passes of a minute
SLOWEST_S = {"flow": 2.5, "slow": 60.0, "status": 60.0, "position": 10.0}
LEAST_KNOWN = 0.5
FASTEST_FIX_KMH = 250.0
SCALE_BAND = 0.06


@dataclass(frozen=True)
class SignalRow:
    """One signal of a run: `rate_hz` readings a second, `gap_s` the longest time without one,
    `filled` the share of logged time in which it is known."""

    signal: str
    header: str
    unit: str
    readings: int
    rate_hz: float
    gap_s: float
    filled: float
    low: float
    high: float


@dataclass(frozen=True, repr=False)
class RunCheck(Shown):
    """What is known about one run before any analysis."""

    file: str
    arm: str = ""
    start: pd.Timestamp | None = None
    minutes: float = float("nan")
    km: float = float("nan")
    rows: int = 0
    signals: tuple[SignalRow, ...] = ()
    needed: tuple[str, ...] = ("speed_kmh",)
    known: float = float("nan")
    gaps: int = 0
    estimator: str = ""
    speed_factor: float = float("nan")
    lag_s: float = float("nan")
    closed_loop: float = float("nan")
    coolant_start_c: float = float("nan")
    warm_after_s: float = float("nan")
    altitude_datum: Datum | None = None
    findings: tuple[Remark, ...] = ()
    samples: pd.DataFrame = field(default_factory=pd.DataFrame, repr=False, compare=False)

    @property
    def verdict(self) -> str:
        """`usable`, `usable with …` or `not usable because …`."""
        return verdict(self.findings)

    @property
    def usable(self) -> bool:
        """Whether nothing fatal was found."""
        return all(f.weight != "fatal" for f in self.findings)

    def rate_of(self, *names: str) -> float:
        """Readings a second of the slowest of these signals, NaN if one is missing."""
        rates = {s.signal: s.rate_hz for s in self.signals}
        return min((rates.get(n, float("nan")) for n in names), default=float("nan"))

    @property
    def begun(self) -> str:
        """Date and time of the first row, "no date" without."""
        return "no date" if self.start is None else f"{self.start:%Y-%m-%d %H:%M}"

    def to_frame(self) -> pd.DataFrame:
        """A row a signal, with the fields of `SignalRow`."""
        return pd.DataFrame([asdict(s) for s in self.signals])

    def plot(self, signal: str = "speed_kmh", axes: "Axes | None" = None) -> "Axes":
        """A signal's samples against the time since the first row [s]."""
        axes = self.samples.plot(x="t_s", y=signal, ax=axes, legend=False)
        axes.set(xlabel="time, s", ylabel=signal, title=self.file)
        return axes

    def _said(self) -> Said:
        rows = [
            (s.signal, s.unit, f"{s.rate_hz:.2f}", f"{s.gap_s:.0f}", f"{100 * s.filled:.0f}")
            for s in self.signals
        ]
        below = (f"{self.verdict[:1].upper()}{self.verdict[1:]}.",)
        title = f"{self.file}: {self.begun}, {number(self.minutes, 0)} min, {number(self.km)} km"
        return Said(title, rows, ("signal", "unit", "1/s", "longest gap, s", "known, %"), below)


def unread(file: str, arm: str, path: Path, error: RoadlogError) -> RunCheck:
    """The check of a log that can't be read."""
    text = str(error).removeprefix(f"{path}: ").replace(str(path), "the log")
    return RunCheck(file, arm, findings=(Remark("fatal", "unreadable", text),))


def check_run(log: Log, study: Study, *, file: str, arm: str = "") -> RunCheck:
    """Check one run.

    Parameters
    ----------
    log : Log
        With positions joined, if they come from a track.
    study : Study
        Its vehicle and analysis settings.
    file : str
        Name to show.
    arm : str
        Its arm, "" if unknown.

    >>> from roadlog.ingest import read_log
    >>> log = read_log("sample_logs/logs/synthetic_2026-03-02_0710_out.csv")
    >>> check_run(log, Study(), file=log.path.name).verdict
    'usable'
    """
    try:
        samples = timebase.resample(log.frame)
    except RoadlogError as e:
        return unread(file, arm, log.path, e)
    scale = timebase.speed_scale(samples)
    km = timebase.distance_km(samples) if "speed_kmh" in samples else float("nan")
    elapsed = float(samples["t_s"].iloc[-1] - samples["t_s"].iloc[0]) or 1.0
    start_c, warm_after = sensors.warm_up(samples)
    estimator, found = _fuel(samples, study)
    needed = ("speed_kmh", *_signals_of(estimator, samples))
    known = _known(samples, needed, elapsed)
    rows = tuple(_signal_row(log, samples, n) for n in log.frame.columns if n in SIGNALS)
    found += _driven(km, needed, known, study)
    found += _rates(rows, needed)
    found += sensors.stuck(log.frame)
    found += sensors.impossible(log)
    found += sensors.overfilled(samples, study.vehicle)
    found += _level(log, samples, study, estimator, km)
    found += sensors.ceiling(samples)
    found += sensors.trims(samples)
    found += sensors.lamp(log.frame)
    found += sensors.loop(samples, study.vehicle)
    found += _warmth(start_c, warm_after, elapsed, samples)
    found += _positions(log, by_distance=bool(study.road.same_route))
    found += _clocks(log.frame, scale)
    found += [Remark("note", "read", n) for n in log.notes]
    return RunCheck(
        file=file,
        arm=arm,
        start=log.start,
        minutes=elapsed / 60,
        km=km,
        rows=len(log.frame),
        signals=rows,
        needed=needed,
        known=known,
        gaps=_gap_count(samples),
        estimator=estimator,
        speed_factor=scale.factor,
        lag_s=scale.lag_s if scale.aligned else float("nan"),
        closed_loop=sensors.closed_loop_share(samples),
        coolant_start_c=start_c,
        warm_after_s=warm_after,
        altitude_datum=log.altitude_datum,
        findings=tuple(found),
        samples=samples,
    )


def _fuel(samples: pd.DataFrame, study: Study) -> tuple[str, list[Remark]]:
    try:
        return fuel.choose_estimator([samples], study), []
    except DesignError as e:
        if study.fills or study.cans or study.analysis.estimator == "ledger":
            return "ledger", [Remark("note", "no-fuel", "fuel comes from fills and cans alone")]
        return "", [Remark("fatal", "no-fuel", f"fuel can't be told ({e})")]


def _level(
    log: Log, samples: pd.DataFrame, study: Study, estimator: str, km: float
) -> list[Remark]:
    """Fuel that no engine can have burned for this driving."""
    if estimator not in fuel.ESTIMATORS or not km >= LEAST_KM:
        return []
    fault = refusal(samples, study, estimator, read_units(log))
    return [Remark("fatal", "level", str(fault))] if fault else []


def _signals_of(estimator: str, samples: pd.DataFrame) -> tuple[str, ...]:
    if estimator not in fuel.ESTIMATORS:
        return ()
    sets = fuel.ESTIMATORS[estimator].signals
    return next((s for s in sets if set(s) <= set(samples.columns)), sets[0])


def _known(samples: pd.DataFrame, names: tuple[str, ...], elapsed_s: float) -> float:
    """Share of the time from first to last row in which all these signals are known."""
    there = np.ones(len(samples), bool)
    for name in names:
        if name not in samples:
            return 0.0
        known = np.isfinite(samples[name].to_numpy(np.float64))
        there &= known if name == "speed_kmh" else known | standing_still(samples)
    return float(min(1.0, samples["dt_s"].to_numpy(np.float64)[there].sum() / elapsed_s))


def _driven(km: float, needed: tuple[str, ...], known: float, study: Study) -> list[Remark]:
    if np.isnan(km):
        return [Remark("fatal", "no-speed", "the log has no vehicle speed")]
    if km < LEAST_KM:
        return [Remark("fatal", "short", f"only {km:.2f} km were driven")]
    what = "speed is known" if len(needed) == 1 else "speed and fuel are known"
    if known < LEAST_KNOWN:
        return [Remark("fatal", "gaps", f"{what} in only {100 * known:.0f} % of the time")]
    if known < study.analysis.min_coverage:
        share = 100 * (1 - known)
        return [Remark("care", "gaps", f"gaps in speed or fuel over {share:.0f} % of the time")]
    return []


def _rates(rows: tuple[SignalRow, ...], needed: tuple[str, ...]) -> list[Remark]:
    slow = [
        r
        for r in rows
        if r.signal in needed and r.rate_hz * SLOWEST_S[SIGNALS[r.signal].nature] < 1
    ]
    if not slow:
        return []
    worst = min(slow, key=lambda r: r.rate_hz)
    return [Remark("care", "slow", f"{plain(worst.signal)} only every {1 / worst.rate_hz:.0f} s")]


def _warmth(
    start_c: float, warm_after_s: float, elapsed_s: float, samples: pd.DataFrame
) -> list[Remark]:
    if np.isnan(start_c) or samples["coolant_temp_c"].nunique() < 2:
        return []
    if np.isnan(warm_after_s):
        most = float(samples["coolant_temp_c"].max())
        return [Remark("care", "cold", f"an engine that never got warm ({most:.0f} °C at most)")]
    if warm_after_s == 0:
        return [Remark("note", "warm", f"the engine was warm from the start ({start_c:.0f} °C)")]
    return [
        Remark(
            "note",
            "warm",
            f"warm after {warm_after_s / 60:.0f} of {elapsed_s / 60:.0f} min, from "
            f"{start_c:.0f} °C",
        )
    ]


def _positions(log: Log, *, by_distance: bool) -> list[Remark]:
    """Fixes that leap, and fixes that stand still while the wheels turn."""
    frame = log.frame
    if not {"lat_deg", "lon_deg"} <= set(frame.columns):
        counted = "is cut by wheel distance" if by_distance else "counts as a whole"
        return [Remark("note", "no-positions", f"no positions: the run {counted}")]
    fixes = frame[["t_s", "lat_deg", "lon_deg"]].dropna().reset_index(drop=True)
    if len(fixes) < 2:
        return [Remark("care", "no-fix", "position columns without a fix that can be used")]
    found = []
    t = fixes["t_s"].to_numpy(np.float64)
    leap = ground_speed_kmh(fixes)[1:] > FASTEST_FIX_KMH
    leap &= np.diff(t) > 0
    if leap.any():
        n = int(leap.sum())
        found.append(Remark("care", "leaps", f"{n} position jump{'s' if n > 1 else ''}"))
    if log.frozen_s > 0:
        text = f"positions that stand still for {log.frozen_s:.0f} s"
        found.append(Remark("care", "frozen", text))
    return found


def _clocks(frame: pd.DataFrame, scale: timebase.SpeedScale) -> list[Remark]:
    found = [Remark("care", "clock-step", f"a clock step ({s.message})")
             for s in timebase.clock_steps(frame)]  # fmt: skip
    if np.isnan(scale.factor) and scale.n == 0:
        return found
    if scale.aligned and abs(scale.lag_s) >= 1:
        found.append(
            Remark(
                "note", "lag", f"the position clock is {scale.lag_s:+.0f} s off, to be put right"
            )
        )
    if not scale.aligned and scale.note:
        found.append(Remark("care", "not-aligned", f"clocks not laid together ({scale.note})"))
    if np.isfinite(scale.factor):
        off = 100 * (scale.factor - 1)
        text = f"wheel speed {abs(off):.1f} % {'below' if off > 0 else 'above'} GPS speed"
        odd = abs(scale.factor - 1) > SCALE_BAND
        found.append(Remark("care", "scale", "a " + text) if odd else Remark("note", "scale", text))
    return found


def _gap_count(samples: pd.DataFrame) -> int:
    empty = samples["dt_s"].to_numpy(np.float64) == 0
    return int(np.sum(np.diff(np.concatenate([[False], empty]).astype(np.int8)) == 1))


def _signal_row(log: Log, samples: pd.DataFrame, name: str) -> SignalRow:
    t, v = sensors.readings(log.frame, name)
    t = np.unique(t)
    header: Any = next((c.header for c in log.columns if c.signal == name), name)
    dt = samples["dt_s"].to_numpy(np.float64)
    there = (
        np.isfinite(samples[name].to_numpy(np.float64)) if name in samples else np.zeros(len(dt))
    )
    step = np.diff(t)
    ends = log.frame["t_s"].to_numpy(np.float64)[[0, -1]]
    widest = np.diff(np.concatenate([ends[:1], t, ends[1:]]))
    return SignalRow(
        signal=name,
        header=str(header),
        unit=unit_symbol(SIGNALS[name].unit),
        readings=len(v),
        rate_hz=float(1 / np.median(step)) if len(step) else float("nan"),
        gap_s=float(widest.max()) if len(widest) else float("nan"),
        filled=float(dt[there.astype(bool)].sum() / dt.sum()) if dt.sum() > 0 else float("nan"),
        low=float(v.min()) if len(v) else float("nan"),
        high=float(v.max()) if len(v) else float("nan"),
    )
