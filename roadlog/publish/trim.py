"""A study becomes one that may be shown: every log read and written anew, without its hidden road.

A finished analysis and its files go in; a complete, neutral study folder comes out, which
`open_study` and `analyse` read by themselves. What is hidden and why it can't be reckoned back
stands in docs/privacy.md; what was drawn stays in the study's `computed/private.json`.
"""

import json
import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from roadlog import closure, road
from roadlog.analysis.driven import gather
from roadlog.analysis.metering import meter
from roadlog.analysis.result import Analysed
from roadlog.errors import DesignError, InputError
from roadlog.ingest import Log
from roadlog.ingest.timebase import resample
from roadlog.passes.conditions import INTAKE_BEFORE_START
from roadlog.publish.clock import Clock, Happened, PublicClock, public_clock
from roadlog.publish.cut import Mask, between, on_own_clock, shown_rows
from roadlog.publish.exits import ages_at_first, hide
from roadlog.publish.leaks import PrivateFacts, private_facts
from roadlog.publish.private import (
    PRIVATE,
    Secrets,
    draw_secrets,
    keep_secrets,
    read_secrets,
    with_circles,
)
from roadlog.publish.records import write_records
from roadlog.publish.settings import public_study, study_toml
from roadlog.publish.tables import (
    Window,
    cans_csv,
    fills_csv,
    public_gates,
    public_notes,
    public_weather,
    to_published_road,
)
from roadlog.quantities.arms import ARMS
from roadlog.quantities.signals import SIGNALS, signal
from roadlog.quantities.tables import FUEL, SAMPLES
from roadlog.road.projection import positions
from roadlog.runs.notes import read_notes
from roadlog.runs.routes import routes_of
from roadlog.runs.table import BY_NAME, Sources, read_logs
from roadlog.study.durable import atomic_write
from roadlog.study.folder import LOG_SUFFIXES
from roadlog.weather.reports import study_weather

# Signals that would lead back to a run's start, or that count over all runs; and those for nobody.
UNTOLD = frozenset(
    {"odometer_km", "since_cleared_min", "fuel_level_pct", "oil_temp_c", "catalyst_temp_c",
     "geoid_height_m", "hdop", "gps_accuracy_m", "engine_runtime_s"}
)  # fmt: skip
COOLANT_FLOOR_C = 49.0  # stands for all below 50 °C: how far it has warmed tells for how long
ALTITUDE_HEADINGS = {  # what it is above is told where the whole log tells it
    "sea level": "altitude above mean sea level [m]",
    "ellipsoid": "altitude above ellipsoid [m]",
    "unknown": "altitude [m]",
}
DEGREES = 5  # decimals of a position: about a metre
SPARE_S = 5.0  # shown before the first and after the last shared segment
BEFORE_STEP_KM = 5.0
FEWEST_KM = 0.5


@dataclass(frozen=True)
class TrimmedRun:
    """One run: its published log (None if nothing of it is shown) and the untrimmed log's hash."""

    file: str | None
    arm: str
    sha256: str


@dataclass(frozen=True)
class Trimmed:
    """What was done. `told` may be published; `private` and `gone_pct` may not.

    `moved` is what a shifted clock took every date by: give `analyse` a `now` moved by it too.
    `gone_pct` is the share of the distance that isn't shown: with it and the map a reader could
    reckon how far the ends are.
    """

    folder: Path
    runs: tuple[TrimmedRun, ...]
    told: Mapping[str, object]
    moved: pd.Timedelta
    gone_pct: float
    private: PrivateFacts = field(repr=False)


@dataclass(frozen=True)
class _Shown:
    """One log, what of it may be shown, and the run that it is."""

    log: Log
    run: int
    arm: str
    file: str
    rows: Mask
    origin: int | None  # the place at which it begins

    @property
    def frame(self) -> pd.DataFrame:
        """The shown rows on their own clock."""
        return on_own_clock(self.log.frame, self.rows)


def trimmed_study(
    whole: Analysed,
    sources: Sources,
    into: Path | str,
    *,
    clock: Clock = "hours",
    private: Path | str | None = None,
) -> Trimmed:
    """Write a study folder that may be shown.

    Parameters
    ----------
    whole : Analysed
        The analysis of the whole study.
    sources : Sources
        Its files.
    into : Path or str
        A folder that doesn't exist or is empty.
    clock : {"hours", "shifted"}
        Dates with whole hours, or all moved by a drawn number of weeks and hours.
    private : Path or str, optional
        Where the drawn secrets are kept; by default `computed/private.json` of the study. Two
        piles of logs have no study folder, so that they need one.

    Raises
    ------
    InputError
        If `into` holds something, or nothing tells where secrets are to be kept.
    DesignError
        If an arm has no shared road outside the hidden places.

    Examples
    --------
    >>> import shutil, tempfile
    >>> import roadlog
    >>> folder = Path(tempfile.mkdtemp())
    >>> _ = shutil.copytree("sample_logs", folder / "study")
    >>> study, sources = roadlog.open_study(folder / "study")
    >>> done = trimmed_study(roadlog.analyse(study, sources), sources, folder / "public")
    >>> len(done.runs), done.runs[0].file
    (24, 'logs/baseline/run-001.csv')
    """
    into = Path(into)
    if into.exists() and (not into.is_dir() or any(into.iterdir())):
        raise InputError(f"{into} is there already: name a folder that isn't")
    keep = _private_path(sources, private)
    chance = random.SystemRandom()
    secrets = read_secrets(keep) or draw_secrets(chance)
    secrets = with_circles(secrets, whole.study.privacy.circles, chance)
    _keep(keep, secrets)
    by_ledger = whole.fuel_estimator == "ledger"
    logs = [] if by_ledger else read_logs(whole.study, sources)
    secrets, shown = _hidden_road(whole, sources, logs, secrets, chance)
    shown = _to_shared_road(whole, shown)
    _require_both_arms(whole, shown, by_ledger)

    names = {
        s.file: f"logs/{s.arm}/run-{n:03d}.csv" for n, s in enumerate(shown, 1) if s.rows.any()
    }
    names |= {k.split("/")[-1]: v for k, v in names.items()}
    ledger = (
        closure.Ledger() if sources.root is None else closure.read_ledger(sources.root, whole.study)
    )
    events = [_happened(s) for s in shown if s.log.start is not None and s.rows.any()]
    of_fills = [Happened(closure.ledger.moment(f.time)) for f in ledger.fills]
    public, secrets = public_clock(clock, secrets, [*events, *of_fills], chance, by_weeks=by_ledger)
    _keep(keep, secrets)
    at = public.in_order([*events, *of_fills])
    starts = dict(
        zip([s.file for s in shown if s.log.start is not None and s.rows.any()], at, strict=False)
    )
    facts = private_facts(whole, sources, logs, secrets)
    called = {**_of_other_logs(whole, ledger, names), **names}
    _write(whole, sources, into, shown, names, called, starts, public, secrets)
    _write_ledger(whole, sources, into, ledger, shown, called, at[len(events) :])
    told = write_records(whole, sources, into, names, public, facts)
    done = Trimmed(
        folder=into,
        runs=tuple(TrimmedRun(names.get(s.file), s.arm, _sha(whole, s.file)) for s in shown),
        told=_told(clock, shown, names, told),
        moved=pd.Timedelta(weeks=public.weeks),
        gone_pct=_gone_pct(shown),
        private=facts,
    )
    text = json.dumps(
        {**done.told, "untrimmed": [{"file": r.file, "sha256": r.sha256} for r in done.runs]},
        indent=1, ensure_ascii=False,
    )  # fmt: skip
    _put(into / "trimmed.json", text + "\n")
    return done


def _keep(path: Path, secrets: Secrets) -> None:
    try:
        keep_secrets(path, secrets)
    except OSError as e:
        raise InputError(
            f"{path}: can't be written ({e.strerror}), and what was drawn has to be used again at "
            "the next publication: make the folder writable"
        ) from e


def _of_other_logs(
    whole: Analysed, ledger: closure.Ledger, names: Mapping[str, str]
) -> dict[str, str]:
    """Neutral names of logs that schedule or cans name and that aren't published."""
    units = whole.study.schedule.unit if whole.study.schedule else ()
    told = [str(u.unit) for u in units]
    told += [str(x) for c in ledger.cans for x in (c.run, c.unit) if x is not None]
    told += [str(f.unit) for f in ledger.fills if f.unit is not None]
    files = [t for t in dict.fromkeys(told) if Path(t).suffix.lower() in LOG_SUFFIXES]
    lost = [t for t in files if t not in names and t.split("/")[-1] not in names]
    return {t: f"log not shown {n}" for n, t in enumerate(lost, 1)}


def _private_path(sources: Sources, given: Path | str | None) -> Path:
    if given is not None:
        return Path(given)
    if sources.root is None:
        raise InputError(
            "two piles of logs have no study folder in which what is drawn for their privacy could "
            "be kept: name a file for it, or make a study ('roadlog new')"
        )
    return sources.root / PRIVATE


def _hidden_road(
    whole: Analysed,
    sources: Sources,
    logs: Sequence[Log],
    secrets: Secrets,
    chance: random.Random,
) -> tuple[Secrets, list[_Shown]]:
    """Each log in order of driving, with the rows outside all hidden places."""
    order = {str(f): int(r) for f, r in zip(whole.runs["file"], whole.runs["run"], strict=True)}
    arms = dict(zip(whole.runs["file"].astype(str), whole.runs["arm"].astype(str), strict=True))
    files = [sources.shown(p) for p, _ in sources.runs] if logs else []
    by_run = sorted(zip(files, logs, strict=True), key=lambda x: order[x[0]])
    frames = [log.frame for _, log in by_run]
    hidden = hide(frames, secrets, chance)
    out = []
    for (file, log), own, origin in zip(by_run, hidden.of_run, hidden.origin, strict=True):
        rows = shown_rows(log.frame, own, secrets.length_m)
        out.append(_Shown(log, order[file], arms[file], file, rows, origin))
    return hidden.secrets, out


def _to_shared_road(whole: Analysed, shown: Sequence[_Shown]) -> list[_Shown]:
    """The runs from their first to their last piece of road that both arms share.

    What lies before and after enters no comparison. The pieces are found anew, on what is shown
    alone: those of the whole study begin at the runs' true starts.
    """
    if whole.network.kind != "road":
        return list(shown)
    unmetered = dict.fromkeys((c for c in FUEL.columns if c not in SAMPLES.columns), np.nan) | {
        "fuel_state": ""
    }
    tracks = {s.run: resample(s.frame).assign(**unmetered) for s in shown if s.rows.any()}
    rule = whole.study.analysis
    used = set(whole.runs.loc[whole.runs["used"].astype(bool), "run"])
    own = {r: t for r, t in tracks.items() if r in used}  # they make the road, all are placed on it
    if len({s.arm for s in shown if s.run in own}) < len(ARMS):
        return [replace(s, rows=np.zeros(len(s.rows), bool)) for s in shown]
    network = road.find_network(
        own,
        {s.run: s.arm for s in shown if s.run in own},
        segment_length_km=rule.segment_length_km,
        min_runs_per_arm=rule.min_runs_per_arm,
    )
    if network.kind != "road":
        return [replace(s, rows=np.zeros(len(s.rows), bool)) for s in shown]
    out = []
    for s in shown:
        rows = np.zeros(len(s.rows), bool)
        if s.run in tracks:
            track = road.match(tracks[s.run], network, s.run)
            on = track.loc[track["segment"] != "", "t_s"].to_numpy(float)
            if len(on):
                kept = between(s.frame, on[0] - SPARE_S, on[-1] + SPARE_S)
                rows[np.flatnonzero(s.rows)[kept]] = True
        out.append(replace(s, rows=rows))
    return out


def _require_both_arms(whole: Analysed, shown: Sequence[_Shown], by_ledger: bool) -> None:
    left = {s.arm for s in shown if s.rows.any()}
    for arm in ARMS:
        if not by_ledger and arm not in left:
            raise DesignError(
                f"no road of the {arm} arm lies outside the places to hide (ends of runs, long "
                "stops, turns and your circles, each in a disc of some kilometres): the drives are "
                "too short to be published with positions"
            )


def _happened(s: _Shown) -> Happened:
    start, frame = s.log.start, s.frame
    assert start is not None
    begin = start.tz_localize(None)
    first = float(s.log.frame["t_s"].to_numpy(float)[np.flatnonzero(s.rows)[0]])
    return Happened(
        begin + pd.Timedelta(first, unit="s"), float(frame["t_s"].iloc[-1]), begin.normalize()
    )


def _write(
    whole: Analysed,
    sources: Sources,
    into: Path,
    shown: Sequence[_Shown],
    names: Mapping[str, str],
    called: Mapping[str, str],
    starts: Mapping[str, pd.Timestamp],
    public: PublicClock,
    secrets: Secrets,
) -> None:
    """Logs, settings, notes, weather, gates and the list of runs."""
    study = whole.study
    there = [s for s in shown if s.file in names]
    ages = ages_at_first(
        [s.log.frame for s in there],
        [s.rows for s in there],
        [s.origin for s in there],
        secrets.age_s,
    )
    for s, age_s in zip(there, ages, strict=True):
        frame = public_log(s.log, s.rows, starts.get(s.file), age_s)
        _put(into / names[s.file], csv_text(frame))
    notes = None if sources.notes is None else read_notes(
        sources.notes, study.time.day_first, tuple(whole.runs["day"].astype(str))
    )  # fmt: skip
    if notes is not None:
        bare = {k: v.split("/")[-1] for k, v in names.items()}
        bare |= {str(s.run): str(n) for n, s in enumerate(there)}
        table = public_notes(notes, study, bare, public)
        if len(table):
            _put(into / "notes.csv", csv_text(table))
    station_m = _write_weather(whole, sources, into, there, starts, secrets)
    gates = ""
    if sources.root is not None and study.road.gates is not None:
        every = (*secrets.places, *secrets.circles)
        near = [positions(s.frame)[:2] for s in there]
        gates = public_gates(road.read_gates(sources.root / study.road.gates), every, near)
    if gates:
        _put(into / "gates.geojson", gates)
    routes = {}
    if isinstance(study.road.same_route, dict) and whole.network.kind == "distance":
        of_run = routes_of(study.road, whole.runs, notes)
        routes = {names[s.file]: of_run.get(s.run, "") for s in there}
    settings = public_study(
        study, called, public, routes=routes, gates=bool(gates), station_m=station_m
    )
    _put(into / "study.toml", study_toml(settings))
    listed = _run_list(whole, there, names, public)
    if len(listed.columns) > 1:
        _put(into / "runs.csv", csv_text(listed))


def public_log(log: Log, rows: Mask, start: pd.Timestamp | None, age_s: float) -> pd.DataFrame:
    """The shown rows in canonical signals, with a clock that begins at `start`.

    `engine_runtime_s` goes on from `age_s` at the first of them; the road's hidden stretches count
    `HOLE_S` there too.
    """
    frame = on_own_clock(log.frame, rows)
    t_s = frame["t_s"].to_numpy(np.float64)
    out: dict[str, object] = {}
    if start is None:
        out["time_s"] = np.round(t_s, 3)
    else:
        at = start + pd.to_timedelta(np.round(t_s, 3), unit="s")
        out["time"] = at.strftime("%Y-%m-%dT%H:%M:%S.%f").str[:-3]
    for name in frame.columns:
        if name not in SIGNALS or name in UNTOLD or frame[name].isna().all():
            continue
        value = frame[name].to_numpy(np.float64)
        if name == "altitude_m":
            out[ALTITUDE_HEADINGS[log.altitude_datum or "unknown"]] = value.round(2)
        elif name in ("lat_deg", "lon_deg"):
            out[name] = [f"{v:.{DEGREES}f}" if np.isfinite(v) else "" for v in value]
        elif name == "coolant_temp_c":
            out[name] = np.where(value < COOLANT_FLOOR_C + 1, COOLANT_FLOOR_C, value)
        else:
            out[name] = [f"{v:.7g}" if np.isfinite(v) else "" for v in value]
    out["engine_runtime_s"] = np.round(age_s + t_s, 0)
    return pd.DataFrame(out)


def csv_text(frame: pd.DataFrame) -> str:
    """A frame as comma-separated text."""
    return frame.to_csv(index=False, lineterminator="\n")


def _write_weather(
    whole: Analysed,
    sources: Sources,
    into: Path,
    there: Sequence[_Shown],
    starts: Mapping[str, pd.Timestamp],
    secrets: Secrets,
) -> float | None:
    if sources.root is None:
        return None
    weather = study_weather(sources.root, whole.study, whole.runs["start"])
    if weather is None:
        return None
    windows = []
    for s in there:
        if s.file in starts:
            event = _happened(s)
            windows.append(Window(event.at, starts[s.file], event.shown_s))
    table, height = public_weather(weather, windows, secrets.pressure_kpa)
    if len(table.columns) > 1:
        _put(into / "weather.csv", csv_text(table))
    return height


def _run_list(
    whole: Analysed, there: Sequence[_Shown], names: Mapping[str, str], public: PublicClock
) -> pd.DataFrame:
    """`runs.csv`: what the trimmed logs can't tell any more, carried over from the whole ones."""
    passes, runs = whole.passes.groupby("run").first(), whole.runs.set_index("run")
    undated = any(s.log.start is None for s in there)
    rows = []
    for n, s in enumerate(there, 1):
        row: dict[str, object] = {"file": names[s.file]}
        if undated and whole.runs.attrs.get("told_by") != BY_NAME:
            row["order"] = n
        day = pd.to_datetime(str(runs["day"].get(s.run, "")), format="%Y-%m-%d", errors="coerce")
        if s.log.start is None and not pd.isna(day):
            row["date"] = f"{public.date(day):%Y-%m-%d}"
        row["block"] = str(runs["block"].get(s.run, ""))
        if s.run in passes.index:
            first = passes.loc[s.run]
            row["coolant at start [degC]"] = _rounded(first["coolant_start_c"])
            if first.get("ambient_source") == INTAKE_BEFORE_START:
                row["ambient at start [degC]"] = _rounded(first["ambient_c"])
        if whole.study.device.washout_km > 0:
            row["driven before [km]"] = _driven_before(whole, s)
        rows.append(row)
    table = pd.DataFrame(rows)
    return table[[c for c in table if (table[c].notna() & (table[c] != "")).any()]]


def _driven_before(whole: Analysed, s: _Shown) -> float:
    """Distance in the switch unit before the first shown sample, to the nearest 5 km."""
    runs = whole.runs
    mine = runs[runs["run"] == s.run].iloc[0]
    earlier = runs[(runs["switch_unit"] == mine["switch_unit"]) & (runs["run"] < s.run)]
    hidden = float(mine["km"]) * float(np.flatnonzero(s.rows)[0]) / len(s.rows)
    return BEFORE_STEP_KM * round((float(earlier["km"].sum()) + hidden) / BEFORE_STEP_KM)


def _rounded(value: object) -> object:
    number = float(value)  # type: ignore[arg-type]
    return round(number, 1) if np.isfinite(number) else ""


def _write_ledger(
    whole: Analysed,
    sources: Sources,
    into: Path,
    ledger: closure.Ledger,
    shown: Sequence[_Shown],
    names: Mapping[str, str],
    times: Sequence[pd.Timestamp],
) -> None:
    """Fills and cans, brought to the published road where logs are published."""
    if not ledger:
        return
    if shown:
        public = to_published_road(
            ledger, whole.runs, _metered_shares(whole, sources, ledger, shown), names, whole.study
        )
    else:
        first = next((f.odometer_km for f in ledger.fills if f.odometer_km is not None), 0.0)
        public = closure.Ledger(
            tuple(
                f if f.odometer_km is None
                else f.model_copy(update={"odometer_km": round(f.odometer_km - first, 2)})
                for f in ledger.fills
            ),
            tuple(
                c.model_copy(
                    update={"run": None if c.run is None else names.get(c.run, c.run),
                            "unit": names.get(str(c.unit), c.unit)}
                )
                for c in ledger.cans
            ),
        )  # fmt: skip
    if public.fills:
        _put(into / "fills.csv", csv_text(fills_csv(public.fills, times)))
    if public.cans:
        _put(into / "cans.csv", csv_text(cans_csv(public.cans)))


def _metered_shares(
    whole: Analysed, sources: Sources, ledger: closure.Ledger, shown: Sequence[_Shown]
) -> pd.DataFrame:
    """Distance and computed fuel of each run, and of what is shown of it."""
    driven = gather(
        whole.study,
        sources,
        switched_by=whole.switched_by,  # type: ignore[arg-type]
        order=None,
        by_chance=whole.study.randomised,
        progress=False,
    )
    metered = meter(
        whole.study, driven.runs, driven.samples, ledger, driven.notes, False, driven.units
    )
    by_run = {s.run: s for s in shown}
    rows = []
    for run, flow in zip(metered.runs["run"], metered.flows, strict=True):
        s = by_run[int(run)]
        t = flow["t_s"].to_numpy(np.float64)
        raw = s.log.frame["t_s"].to_numpy(np.float64)
        is_shown = s.rows[np.clip(np.searchsorted(raw, t), 0, len(raw) - 1)]
        dt = flow["dt_s"].to_numpy(np.float64)
        burned = np.nan_to_num(flow["fuel_flow_g_s"].to_numpy(np.float64)) * dt
        km = np.nan_to_num(signal(flow, "speed_kmh")) * dt / 3600
        rows.append(
            {"run": int(run), "km": km.sum(), "burned": burned.sum(),
             "shown_km": km[is_shown].sum(), "shown_burned": burned[is_shown].sum()}
        )  # fmt: skip
    return pd.DataFrame(rows).set_index("run").reindex(whole.runs["run"]).reset_index()


def _told(
    clock: Clock, shown: Sequence[_Shown], names: Mapping[str, str], records: Mapping[str, object]
) -> dict[str, object]:
    """What may be said of the trimming; no distance, from which a length could be reckoned."""
    return {
        "schema": 1,
        "clock": clock,
        "runs": len(shown),
        "runs_not_shown": sum(s.file not in names for s in shown),
        "positions_decimals": DEGREES,
        "carried": [
            "coolant at start", "ambient at start", "time since the engine's start, all runs alike "
            "moved by an untold time", "weather at the runs", "fills and cans, brought to the "
            "published road",
        ],
        "not_told": sorted(UNTOLD - {"engine_runtime_s"}),
        **records,
    }  # fmt: skip


def _gone_pct(shown: Sequence[_Shown]) -> float:
    rows = sum(len(s.rows) for s in shown)
    return 100 * (1 - sum(int(s.rows.sum()) for s in shown) / rows) if rows else 0.0


def _sha(whole: Analysed, file: str) -> str:
    return str(whole.runs.loc[whole.runs["file"] == file, "sha256"].iloc[0])


def _put(path: Path, text: str) -> None:
    atomic_write(path, partial(Path.write_text, data=text, encoding="utf-8"))
