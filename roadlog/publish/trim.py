"""A study becomes one that may be shown: every log read and written anew, without its hidden road.

A finished analysis and its files go in; a complete, neutral study folder comes out, which
`open_study` and `analyse` read by themselves. What is hidden and why it can't be reckoned back
stands in docs/privacy.md; what was drawn stays in the study's `computed/private.json`.
"""

import json
import random
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import pandas as pd

from roadlog import closure, road
from roadlog.analysis.driven import gather
from roadlog.analysis.metering import meter
from roadlog.analysis.result import Analysed
from roadlog.errors import DesignError, InputError
from roadlog.publish.clock import Clock, Happened, PublicClock, among, beside, public_clock
from roadlog.publish.control import (
    ControlLogs,
    control_logs,
    write_control,
    write_control_ledger,
)
from roadlog.publish.exits import ages_at_first
from roadlog.publish.leaks import PrivateFacts, private_facts
from roadlog.publish.ledger import (
    put_ledger,
    shown_shares,
    to_published_road,
    true_of_fills,
    without_logs,
)
from roadlog.publish.private import (
    PRIVATE,
    Secrets,
    draw_secrets,
    keep_secrets,
    read_secrets,
    with_circles,
)
from roadlog.publish.public_logs import (
    DEGREES,
    UNTOLD,
    PublicCar,
    csv_text,
    neutral_names,
    put,
    run_list,
    told_vehicles,
    write_logs,
    write_notes,
)
from roadlog.publish.records import write_records
from roadlog.publish.settings import public_study, study_toml
from roadlog.publish.shown import CONTROL, Drive, Shown, happened, on_shared_road, outside_places
from roadlog.publish.tables import Window, public_gates, public_weather
from roadlog.quantities.arms import ARMS
from roadlog.road.projection import positions
from roadlog.runs.routes import routes_of
from roadlog.runs.table import RUN_LIST, Sources, read_logs
from roadlog.study.folder import LOG_SUFFIXES
from roadlog.weather.reports import study_weather


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
    control = ControlLogs() if by_ledger else control_logs(whole, sources)
    secrets, test_shown, control_shown = _both_shown(whole, sources, control, secrets, chance)
    _require_both_arms(whole, test_shown, control_shown, by_ledger)
    ledger = (
        closure.Ledger() if sources.root is None else closure.read_ledger(sources.root, whole.study)
    )
    times = _public_times(
        clock, secrets, (test_shown, control_shown), (ledger, control.ledger), chance, by_ledger
    )
    public, secrets, starts = times.clock, times.secrets, times.starts
    _keep(keep, secrets)
    test, other = _public_cars(test_shown, control_shown, starts, secrets)
    both = [*test_shown, *control_shown]
    facts = private_facts(whole, sources, [s.log for s in both], secrets)
    true = [*ledger.fills, *control.ledger.fills], [*times.of_fills, *times.of_control]
    facts = replace(facts, dates=_true_dates(public, times.days), fills=true_of_fills(*true))
    vehicles = told_vehicles(whole.runs, control.runs)
    called = {**_of_other_logs(whole, ledger, test.names), **test.names}
    _write(whole, sources, into, test, other, called, public, secrets, vehicles)
    write_control(control, whole.study, other, public, vehicles, into)
    _write_ledger(whole, sources, into, ledger, test_shown, called, times)
    write_control_ledger(
        control, whole, sources, control_shown, other.names, times.of_control, public, into
    )
    names = {**other.names, **test.names}
    told = write_records(whole, sources, into, names, public, facts)
    done = Trimmed(
        folder=into,
        runs=tuple(
            TrimmedRun(names.get(s.file), s.arm, sha)
            for s, sha in zip(both, _hashes(whole, control, both), strict=True)
        ),
        told=_told(clock, both, names, told),
        moved=pd.Timedelta(weeks=public.weeks),
        gone_pct=_gone_pct(both),
        private=facts,
    )
    text = json.dumps(
        {**done.told, "untrimmed": [{"file": r.file, "sha256": r.sha256} for r in done.runs]},
        indent=1, ensure_ascii=False,
    )  # fmt: skip
    put(into / "trimmed.json", text + "\n")
    return done


def _both_shown(
    whole: Analysed,
    sources: Sources,
    control: ControlLogs,
    secrets: Secrets,
    chance: random.Random,
) -> tuple[Secrets, list[Shown], list[Shown]]:
    """What may be shown of the test car's drives and of the control car's, each in order."""
    drives: list[Drive] = []
    if whole.fuel_estimator != "ledger":
        logs = read_logs(whole.study, sources)
        by_file = {sources.shown(p): log for (p, _), log in zip(sources.runs, logs, strict=True)}
        drives = [
            Drive(by_file[str(file)], int(run), str(arm), str(file))
            for run, arm, file in zip(
                whole.runs["run"], whole.runs["arm"], whole.runs["file"], strict=True
            )
        ]
    secrets, shown = outside_places([*drives, *control.drives], secrets, chance)
    return secrets, *on_shared_road(whole, shown[: len(drives)], shown[len(drives) :])


@dataclass(frozen=True)
class _Times:
    """The public clock, the secrets with what it drew, each drive's start by its file, the fills'
    times, those of the control car, and the true days of all of them."""

    clock: PublicClock
    secrets: Secrets
    starts: Mapping[str, pd.Timestamp]
    of_fills: Sequence[pd.Timestamp]
    of_control: Sequence[pd.Timestamp]
    days: frozenset[pd.Timestamp]


def _public_times(
    kind: Clock,
    secrets: Secrets,
    cars: tuple[Sequence[Shown], Sequence[Shown]],
    ledgers: tuple[closure.Ledger, closure.Ledger],
    chance: random.Random,
    by_ledger: bool,
) -> _Times:
    """When all that has a date happens in public; what is the control car's beside the other's."""
    first, second = (
        {s.file: happened(s) for s in car if s.log.start is not None and s.rows.any()}
        for car in cars
    )
    of_fills, of_control = (
        [Happened(closure.ledger.moment(f.time)) for f in ledger.fills] for ledger in ledgers
    )
    every = [*first.values(), *second.values(), *of_fills, *of_control]
    clock, secrets = public_clock(kind, secrets, every, chance, by_weeks=by_ledger)
    own, theirs = list(first.values()), list(second.values())
    at = clock.in_order([*own, *of_fills])
    starts = dict(zip(first, at[: len(own)], strict=True))
    others = beside(clock, theirs, own, at[: len(own)])
    starts |= dict(zip(second, others, strict=True))
    control = among(clock, of_control, [*own, *theirs], [*at[: len(own)], *others])
    days = frozenset(e.own_day for e in every)
    return _Times(clock, secrets, starts, at[len(own) :], control, days)


def _true_dates(clock: PublicClock, days: Collection[pd.Timestamp]) -> frozenset[str]:
    """The days that a shifted clock hides, but for those that are published of another."""
    if not clock.weeks:
        return frozenset()
    public = {clock.date(d) for d in days}
    return frozenset(f"{d:%Y-%m-%d}" for d in days if d not in public)


def _public_cars(
    test: Sequence[Shown],
    control: Sequence[Shown],
    starts: Mapping[str, pd.Timestamp],
    secrets: Secrets,
) -> tuple[PublicCar, PublicCar]:
    """Both cars' drives that are published; times since the start are alike for one place."""
    there = [[s for s in car if s.rows.any()] for car in (test, control)]
    every = [*there[0], *there[1]]
    ages = ages_at_first(
        [s.log.frame for s in every],
        [s.rows for s in every],
        [s.origin for s in every],
        secrets.age_s,
    )
    ages_s = dict(zip([s.file for s in every], ages, strict=True))
    first, second = (
        PublicCar(tuple(mine), neutral_names(car), starts, ages_s)
        for mine, car in zip(there, (test, control), strict=True)
    )
    return first, second


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


def _require_both_arms(
    whole: Analysed, test: Sequence[Shown], control: Sequence[Shown], by_ledger: bool
) -> None:
    left = {s.arm for s in (*test, *control) if s.rows.any()}
    needs_control = whole.control is not None and whole.control.used
    wanted = [] if by_ledger else [*ARMS, *([CONTROL] if needs_control else [])]
    for arm in wanted:
        if arm not in left:
            whose = "control car" if arm == CONTROL else f"{arm} arm"
            raise DesignError(
                f"no road of the {whose} lies outside the places to hide (ends of runs, long "
                "stops, turns and your circles, each in a disc of some kilometres): the drives are "
                "too short to be published with positions"
            )


def _write(
    whole: Analysed,
    sources: Sources,
    into: Path,
    car: PublicCar,
    other: PublicCar,
    called: Mapping[str, str],
    public: PublicClock,
    secrets: Secrets,
    vehicles: Mapping[str, str],
) -> None:
    """The test car's logs, notes and list of runs; settings, weather at both cars' drives, gates.

    `called` has published names of logs, and neutral ones of those that aren't published.
    """
    study = whole.study
    write_logs(car, into)
    notes = write_notes(sources.notes, study, whole.runs, car, public, into / "notes.csv")
    station_m = _write_weather(
        whole, sources, into, [*car.there, *other.there], car.starts, secrets
    )
    gates = ""
    if sources.root is not None and study.road.gates is not None:
        every = (*secrets.places, *secrets.circles)
        near = [positions(s.frame)[:2] for s in car.there]
        gates = public_gates(road.read_gates(sources.root / study.road.gates), every, near)
    if gates:
        put(into / "gates.geojson", gates)
    routes = {}
    if isinstance(study.road.same_route, dict) and whole.network.kind == "distance":
        of_run = routes_of(study.road, whole.runs, notes)
        routes = {car.names[s.file]: of_run.get(s.run, "") for s in car.there}
    settings = public_study(
        study, called, public, routes=routes, gates=bool(gates), station_m=station_m
    )
    put(into / "study.toml", study_toml(settings))
    washout = study.device.washout_km > 0
    listed = run_list(whole.runs, whole.passes, car, public, washout=washout, vehicles=vehicles)
    if len(listed.columns) > 1:
        put(into / RUN_LIST, csv_text(listed))


def _write_weather(
    whole: Analysed,
    sources: Sources,
    into: Path,
    there: Sequence[Shown],
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
            event = happened(s)
            windows.append(Window(event.at, starts[s.file], event.shown_s))
    table, height = public_weather(weather, windows, secrets.pressure_kpa)
    if len(table.columns) > 1:
        put(into / "weather.csv", csv_text(table))
    return height


def _write_ledger(
    whole: Analysed,
    sources: Sources,
    into: Path,
    ledger: closure.Ledger,
    shown: Sequence[Shown],
    names: Mapping[str, str],
    times: _Times,
) -> None:
    """Fills and cans, brought to the published road where logs are published."""
    if not ledger:
        return
    if shown:
        shares = _metered_shares(whole, sources, ledger, shown)
        public = to_published_road(ledger, whole.runs, shares, names, times.clock)
    else:
        public = without_logs(ledger, names, times.clock)
    put_ledger(public, times.of_fills, into)


def _metered_shares(
    whole: Analysed, sources: Sources, ledger: closure.Ledger, shown: Sequence[Shown]
) -> pd.DataFrame:
    """Distance and computed fuel of each run of the test car, and of what is shown of it."""
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
    return shown_shares(metered, shown).reindex(whole.runs["run"]).reset_index()


def _told(
    clock: Clock, shown: Sequence[Shown], names: Mapping[str, str], records: Mapping[str, object]
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


def _gone_pct(shown: Sequence[Shown]) -> float:
    rows = sum(len(s.rows) for s in shown)
    return 100 * (1 - sum(int(s.rows.sum()) for s in shown) / rows) if rows else 0.0


def _hashes(whole: Analysed, control: ControlLogs, shown: Sequence[Shown]) -> list[str]:
    """SHA-256 of each untrimmed log."""
    tables = [t for t in (whole.runs, control.runs) if len(t)]
    of = {str(f): str(h) for t in tables for f, h in zip(t["file"], t["sha256"], strict=True)}
    return [of[s.file] for s in shown]
