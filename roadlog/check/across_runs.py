"""A study's check: every run's, and what only shows across runs.

In come the study and its files; out comes a `StudyCheck`. A log that can't be read is a run that
isn't usable, with its reason, never the end of the check.
"""

import textwrap
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import pandas as pd

from roadlog import fuel
from roadlog.check.control import check_control
from roadlog.check.each_run import each_run, read_tracks, with_day_order
from roadlog.check.one_run import RunCheck
from roadlog.check.remark import Remark
from roadlog.errors import DesignError, RoadlogError
from roadlog.fuel.levels import arm_refusal, refusals
from roadlog.ingest.alike import units_said
from roadlog.ingest.clock.localday import clock_warnings, zone_warning
from roadlog.ingest.datum import datum_counts, uneven_datum
from roadlog.ingest.twice import same_speeds
from roadlog.quantities.arms import ARMS
from roadlog.runs.deviations import find_deviations
from roadlog.runs.notes import of_no_drive, read_notes
from roadlog.runs.table import Sources
from roadlog.runs.taken import read_taken, sha256_of
from roadlog.study.settings import Study
from roadlog.weather.reports import study_weather, weather_file
from roadlog.weather.station import about, drive_positions, locate, station_warnings
from roadlog.wording.colours import ARM_COLOURS, NO_DATA
from roadlog.wording.numbers import number
from roadlog.wording.shown import Said, Shown
from roadlog.wording.units import in_figures, in_own_units, symbol, with_twins

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True, repr=False)
class StudyCheck(Shown):
    """All runs in order of start, and plain sentences on what they show together.

    `control` are the control car's, of no arm.
    """

    study: Study
    runs: tuple[RunCheck, ...]
    warnings: tuple[str, ...]
    estimator: str
    control: tuple[RunCheck, ...] = ()

    def __str__(self) -> str:
        return "\n".join(self.lines(100))

    def to_frame(self) -> pd.DataFrame:
        """A row a run: file, arm, start, minutes, km, known share, estimator, usable, verdict."""
        kept = ("file", "arm", "start", "minutes", "km", "known", "estimator", "usable", "verdict")
        return pd.DataFrame([{k: getattr(r, k) for k in kept} for r in self.runs], columns=kept)

    def plot(self, axes: "Axes | None" = None) -> "Axes":
        """Distance of every run [km], pale where it can't be used."""
        colours: list[Any] = [ARM_COLOURS["fitted"] if r.usable else NO_DATA for r in self.runs]
        table = self.to_frame().iloc[::-1]
        axes = table.plot.barh(x="file", y="km", color=colours[::-1], ax=axes, legend=False)
        axes.set(xlabel="km", ylabel="")
        return axes

    def _said(self) -> Said:
        rows = [
            (r.file, r.begun, r.arm, number(r.minutes, 0), number(r.km), r.verdict)
            for r in self.runs
        ]
        headings = ("run", "start", "arm", "min", "km", "verdict")
        return Said(self.study.name, rows, headings, [f"Warning: {w}." for w in self.warnings])

    @in_own_units
    def lines(self, width: int) -> list[str]:
        """What a terminal of so many columns shows."""
        wide = min(max((len(r.file) for r in self.runs), default=4), 40)
        heads = (
            f"{'run':<{wide}}  {'start':<16}  {'arm':<8}  {'min':>4}  {symbol('km'):>5}  "
            f"{'1/s':>4}  known"
        )
        lines = ["SYNTHETIC DATA", ""] if self.study.synthetic else []
        lines.append(heads + "  verdict")
        for r in self.runs:
            lines += self._row(r, wide, width)
        if self.control:
            lines += ["", "The control car's, of no arm:"]
        for r in self.control:
            lines += self._row(r, wide, width)
        usable = sum(r.usable for r in self.runs)
        lines += ["", f"{usable} of {len(self.runs)} runs can be used."]
        if self.control:
            good = sum(r.usable for r in self.control)
            lines.append(f"{good} of {len(self.control)} runs of the control car can be used.")
        if self.estimator:
            lines.append(f"Fuel estimate that all usable runs allow: {self.estimator}.")
        if above := datum_counts([r.altitude_datum for r in self.runs]):
            lines.append(f"Altitudes: {above}.")
        lines += [with_twins(f"Warning: {w}.") for w in self.warnings]
        return lines

    @staticmethod
    def _row(r: RunCheck, wide: int, width: int) -> list[str]:
        """One run on a terminal: its figures, and what is odd about it below."""
        file = r.file if len(r.file) <= wide else "…" + r.file[1 - wide :]
        rate = number(r.rate_of("speed_kmh"), 1) if r.signals else ""
        known = f"{100 * r.known:.0f} %" if r.signals else ""
        minutes, km = (number(r.minutes, 0), in_figures(r.km, "km", 1)) if r.signals else ("", "")
        row = (
            f"{file:<{wide}}  {r.begun:<16}  {r.arm or '?':<8}  {minutes:>4}  {km:>5}  "
            f"{rate:>4}  {known:>5}"
        )
        if r.verdict == "usable":
            return [f"{row}  usable"]
        indent = "    "
        said = textwrap.wrap(
            with_twins(r.verdict),
            max(60, width),
            initial_indent=indent,
            subsequent_indent=indent,
        )
        return [row, *said]


def check_study(
    study: Study, sources: Sources, *, progress: Callable[[str], object] = lambda _: None
) -> StudyCheck:
    """Check every run of a study.

    Parameters
    ----------
    sources : Sources
        From `roadlog.runs.table.study_sources` or `pile_sources`.
    progress : callable
        Called with each file's name before it is read.

    >>> from roadlog.runs.table import open_study
    >>> checked = check_study(*open_study("sample_logs"))
    >>> sum(r.usable for r in checked.runs), checked.estimator
    (24, 'maf-trims')
    """
    warnings: list[str] = []
    study = with_day_order(study, sources, warnings)
    tracks = read_tracks(study, sources, warnings)
    runs, logs = each_run(study, sources, tracks, warnings, progress)
    warnings += units_said(logs)
    warnings += clock_warnings(logs, study.time)
    warnings += same_speeds(logs)
    runs = _with_deviations(runs, study, sources, warnings)
    if by_day(study) and (zone := zone_warning(logs, study.time)):
        warnings.append(zone)
    warnings += _changed(sources)
    warnings += _overlaps(runs)
    warnings += _weather(study, sources, runs)
    if uneven := uneven_datum([r.arm for r in runs], [r.altitude_datum for r in runs]):
        warnings.append(uneven)
    estimator, why = _estimator(runs, study)
    warnings += why
    if estimator in fuel.ESTIMATORS:
        runs = _levels_together(runs, study, estimator, warnings)
    if study.shut:
        warnings.append("the schedule is sealed: no arm is known or shown until it is opened")
    else:
        warnings += [f"no usable run of the {a} arm" for a in ARMS if not _usable(runs, a)]
    control, of_control = check_control(study, sources, runs, progress, tracks)
    return StudyCheck(study, tuple(runs), (*warnings, *of_control), estimator, control)


def by_day(study: Study) -> bool:
    """Whether days decide the arm."""
    return study.schedule is not None and study.schedule.switched_by == "day"


def _with_deviations(
    runs: list[RunCheck], study: Study, sources: Sources, warnings: list[str]
) -> list[RunCheck]:
    """The runs with what the driver noted of them, by the study's rule."""
    table = pd.DataFrame(
        {
            "run": range(len(runs)),
            "file": [r.file for r in runs],
            "day": ["" if r.start is None else f"{r.start:%Y-%m-%d}" for r in runs],
        }
    )
    try:
        notes = None
        if sources.notes is not None:
            notes = read_notes(sources.notes, study.time.day_first, tuple(table["day"]))
        warnings += of_no_drive(notes, table)
        found = find_deviations(table, notes, study.analysis.exclude_if)
    except RoadlogError as e:
        warnings.append(str(e))
        return runs
    warnings += found.doubts
    said = {i: Remark("fatal", "deviation", str(why)) for i, why in found.set_aside.items()} | {
        i: Remark("care", "deviation", f"a noted deviation ('{note}') that holds no agreed word")
        for i, note in found.staying.items()
    }
    return [
        replace(r, findings=(*r.findings, said[i])) if i in said else r for i, r in enumerate(runs)
    ]


def _levels_together(
    runs: list[RunCheck], study: Study, estimator: str, warnings: list[str]
) -> list[RunCheck]:
    """The runs held against each other, and each arm as a whole, for fuel that can't be."""
    at = [i for i, r in enumerate(runs) if r.usable and not r.samples.empty]
    said = refusals([runs[i].samples for i in at], study, estimator)
    fatal = {i: Remark("fatal", "level", str(why)) for i, why in zip(at, said, strict=True) if why}
    runs = [
        replace(r, findings=(*r.findings, fatal[i])) if i in fatal else r
        for i, r in enumerate(runs)
    ]
    for arm in ARMS:
        mine = [r.samples for r in runs if r.usable and r.arm == arm and not r.samples.empty]
        if fault := arm_refusal(mine, study, estimator):
            warnings.append(f"the runs of the {arm} arm together can't be right: {fault}")
    return runs


def _changed(sources: Sources) -> list[str]:
    if sources.root is None:
        return []
    out = []
    for entry in read_taken(sources.root):
        path = sources.root / entry.file
        if not path.is_file():
            out.append(f"{entry.file} was taken in and is missing")
        elif sha256_of(path) != entry.sha256:
            out.append(f"{entry.file} is not what was taken in: its contents changed since")
    return out


def _overlaps(runs: Sequence[RunCheck]) -> list[str]:
    dated = [r for r in runs if r.start is not None and r.start != r.start.normalize()]
    out = []
    for a, b in pairwise(dated):
        assert a.start is not None
        assert b.start is not None
        if (a.start.tz is None) != (b.start.tz is None):
            continue
        apart = (b.start - a.start).total_seconds()
        if apart < a.minutes * 60 - 60:
            out.append(f"{a.file} and {b.file} overlap in time: one drive logged twice?")
    return out


def _weather(study: Study, sources: Sources, runs: Sequence[RunCheck]) -> list[str]:
    """What is wrong with the study's weather, or that its station's place isn't known."""
    if sources.root is None:
        return []
    starts = pd.Series([r.start.tz_localize(None) for r in runs if r.start is not None])
    file = weather_file(study)
    try:
        weather = study_weather(sources.root, study, starts.astype("datetime64[ns]"))
        station = locate(weather, file, drive_positions(r.samples for r in runs))
    except RoadlogError as e:
        return [str(e)]
    if station is None:
        return []
    unplaced = [] if station.nearest_km is not None else [about(station).rstrip(".")]
    return unplaced + station_warnings(station)


def _usable(runs: Sequence[RunCheck], arm: str) -> bool:
    return any(r.usable for r in runs if r.arm == arm)


def _estimator(runs: Sequence[RunCheck], study: Study) -> tuple[str, list[str]]:
    """The estimator that all usable runs allow, and the runs that hold a better one back."""
    good = [r for r in runs if r.usable and r.estimator in fuel.ESTIMATORS]
    if not good:
        return "", []
    try:
        common = fuel.choose_estimator([r.samples for r in good], study)
    except DesignError as e:
        return "", [str(e)]
    counts = Counter(r.estimator for r in good)
    best, _ = counts.most_common(1)[0]
    if best == common or len(counts) == 1:
        return common, []
    held = [r.file for r in good if r.estimator != best]
    more = f" and {len(held) - 1} more lack" if len(held) > 1 else " lacks"
    return common, [
        f"{held[0]}{more} signals that the other runs have, so all runs share the fuel "
        f"estimate '{common}' instead of '{best}': leave them out, or log alike"
    ]
