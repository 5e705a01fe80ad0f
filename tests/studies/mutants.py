"""20,000 mutants of the sample logs: does any of them change a figure without a word?

Every mutant (`tests.studies.mutations`) is read and goes on to its totals: time, distance, fuel.
Every fortieth is a whole log, or several, and goes on through the whole analysis of the sample
study; the others are a stretch of a log. A refusal is one of roadlog's own errors; anything else
that is raised is a failure, and so is an effect that moves by more than 0.3 points with nothing
said about it. `python -m tests.studies.mutants OUT --until 20000` keeps a file a thousand mutants
in OUT, goes on where it stopped, and prints the table of docs/logs.md (slow).
"""

import argparse
import csv
import json
import shutil
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np

from roadlog import fuel
from roadlog.analysis.analyse import analyse
from roadlog.analysis.metering import sampled
from roadlog.analysis.result import Analysed
from roadlog.errors import RoadlogError
from roadlog.fuel.levels import refusals
from roadlog.ingest import Log, read_log, timebase
from roadlog.ingest.clock import dayorder
from roadlog.ingest.log import read_units
from roadlog.runs.table import study_sources
from roadlog.study.durable import atomic_write
from roadlog.study.folder import load_study
from roadlog.study.settings import ColumnRule, Study, TimeRule
from tests.studies.mutations import Table, mutant

SAMPLE = Path(__file__).resolve().parents[2] / "sample_logs"
SEED = 20261125
BATCH = 1000
WHOLE_EVERY = 40
STRETCH_ROWS = 250
PARTS = 5
TOLD_POINTS = 0.3
SAME_TOTAL = 1e-4


@dataclass(frozen=True)
class Outcome:
    """What became of one mutant.

    `read`: "read", "refused" or "failed"; `moved` whether a total is another than the clean log's;
    `whole`: "" if it wasn't analysed, "same", "told", "silent", "refused" or "failed"; `shift`
    [points] of the effect, `said` what was told or raised.
    """

    number: int
    done: tuple[str, ...]
    files: tuple[str, ...]
    read: str
    moved: bool = False
    whole: str = ""
    shift: float = 0.0
    said: tuple[str, ...] = ()


@cache
def tables() -> dict[str, Table]:
    """The sample logs as tables of cells, by file name."""
    found = {}
    for path in sorted((SAMPLE / "logs").glob("*.csv")):
        with path.open(newline="") as file:
            found[path.name] = list(csv.reader(file))
    return found


@cache
def sample_study() -> Study:
    """The sample study as it is."""
    return load_study(SAMPLE)


def totals(log: Log, study: Study) -> tuple[float, float, float]:
    """Hours, kilometres and litres of one log by itself; NaN where it can't tell.

    Raises
    ------
    RoadlogError
        If the log gives no fuel, or none that an engine burns.
    """
    samples, _ = sampled([log], False)
    if "speed_kmh" not in samples[0]:
        return float(samples[0]["dt_s"].sum()) / 3600, np.nan, np.nan
    km = timebase.distance_km(samples[0])
    estimator = fuel.choose_estimator(samples, study)
    fuel.passed_over(samples, study, estimator)
    refusals(samples, study, estimator, [read_units(log)])
    calibration = fuel.calibrate(samples, study)
    flow = fuel.fuel_flow(samples[0], study, estimator, calibration)
    grams = timebase.integrate(flow, "fuel_flow_g_s", also=("speed_kmh",))
    return float(flow["dt_s"].sum()) / 3600, km, grams * fuel.litres_per_gram(flow, study, None)


def seeds(number: int) -> tuple[int, int]:
    """The seed of a mutant."""
    return SEED, number


def chosen(number: int) -> tuple[str, ...]:
    """Which logs a mutant damages: one, three, or all of an arm."""
    names = list(tables())
    rng = np.random.default_rng((*seeds(number), 1))
    if number % WHOLE_EVERY or (way := rng.random()) < 0.6:
        return (names[int(rng.integers(len(names)))],)
    if way < 0.8:
        return tuple(names[int(i)] for i in sorted(rng.choice(len(names), 3, replace=False)))
    days = {str(u.unit) for u in sample_study().schedule.unit if u.arm == "fitted"}  # type: ignore[union-attr]
    return tuple(n for n in names if n.split("_")[1] in days)


def _other(name: str, number: int) -> str:
    names = [n for n in tables() if n != name]
    return names[number * 7 % len(names)]


def _stretch(name: str, part: int, rows: int) -> Table:
    """A stretch of a log, the first or a later one."""
    whole = tables()[name]
    first = 1 + part * (len(whole) - 1 - rows) // (PARTS - 1)
    return whole[:1] + whole[first : first + rows]


@cache
def _clean_totals(name: str, part: int, rows: int) -> tuple[float, float, float]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_text("".join(",".join(row) + "\n" for row in _stretch(name, part, rows)))
        return totals(read_log(path), sample_study())


def read_stretch(number: int, folder: Path, rows: int = STRETCH_ROWS) -> Outcome:
    """A stretch of a log, damaged, through reading to its totals."""
    (name,) = chosen(number)
    part = number % PARTS
    other = _stretch(_other(name, number), part, rows)
    raw, done = mutant(_stretch(name, part, rows), other, seeds(number))
    path = folder / name
    path.write_bytes(raw)

    def both() -> tuple[bool, Sequence[str]]:
        log = read_log(path)
        mine = totals(log, sample_study())
        theirs = _clean_totals(name, part, rows)
        return not np.allclose(mine, theirs, rtol=SAME_TOTAL, equal_nan=True), log.notes

    return _outcome(number, done, (name,), both)


def _outcome(
    number: int,
    done: tuple[str, ...],
    files: tuple[str, ...],
    both: Callable[[], tuple[bool, Sequence[str]]],
) -> Outcome:
    try:
        moved, notes = both()
    except RoadlogError as e:
        return Outcome(number, done, files, "refused", said=(str(e),))
    except Exception:
        return Outcome(number, done, files, "failed", said=(traceback.format_exc(limit=-4),))
    return Outcome(number, done, files, "read", moved, said=tuple(notes)[:3])


class SampleStudy:
    """A copy of the sample study whose logs are damaged and mended, one mutant after another.

    Untouched logs are read once; everything behind reading is done anew each time.
    """

    def __init__(self, folder: Path) -> None:
        self.root = folder / "study"
        shutil.copytree(SAMPLE, self.root, ignore=shutil.ignore_patterns("computed"))
        self.clean = {p.name: p.read_bytes() for p in (self.root / "logs").glob("*.csv")}
        self.touched: set[Path] = set()
        self._logs: dict[tuple[Path, str], Log] = {}
        self._days: dict[Path, Any] = {}
        self.before = self._analysed()
        self.known = set(said_by(self.before))

    def _analysed(self) -> Analysed:
        shutil.rmtree(self.root / "computed", ignore_errors=True)
        with self._read_once():
            return analyse(sample_study(), study_sources(self.root, sample_study()))

    @contextmanager
    def _read_once(self) -> Iterator[None]:
        fields = dayorder._fields

        def read(
            path: Path,
            *,
            columns: Mapping[str, ColumnRule],
            time: TimeRule,
            alone: bool = True,
        ) -> Log:
            key = (path, repr((columns, time, alone)))
            if path in self.touched:
                return read_log(path, columns=columns, time=time, alone=alone)
            if key not in self._logs:
                self._logs[key] = read_log(path, columns=columns, time=time, alone=alone)
            return self._logs[key]

        def days(path: Path, columns: Mapping[str, ColumnRule]) -> list[tuple[int, int]]:
            if path in self.touched:
                return fields(path, columns)
            if path not in self._days:
                self._days[path] = fields(path, columns)
            return self._days[path]  # type: ignore[no-any-return]

        with patch("roadlog.runs.table.read_log", read), patch.object(dayorder, "_fields", days):
            yield

    def whole(self, number: int) -> Outcome:
        """Whole logs, damaged, through the whole analysis."""
        files = chosen(number)
        paths = [self.root / "logs" / name for name in files]
        done: tuple[str, ...] = ()
        for name, path in zip(files, paths, strict=True):
            raw, done = mutant(tables()[name], tables()[_other(name, number)], seeds(number))
            path.write_bytes(raw)
        self.touched = set(paths)
        try:
            return self._held(number, done, files)
        finally:
            for name, path in zip(files, paths, strict=True):
                path.write_bytes(self.clean[name])
            self.touched = set()

    def _held(self, number: int, done: tuple[str, ...], files: tuple[str, ...]) -> Outcome:
        path = self.root / "logs" / files[0]

        def first() -> tuple[bool, Sequence[str]]:
            log = read_log(path)
            mine = totals(log, sample_study())
            theirs = totals(self._clean_log(files[0]), sample_study())
            return not np.allclose(mine, theirs, rtol=SAME_TOTAL, equal_nan=True), log.notes

        at = _outcome(number, done, files, first)
        if at.read == "failed":
            return at
        try:
            after = self._analysed()
        except RoadlogError as e:
            return Outcome(number, done, files, at.read, at.moved, "refused", 0.0, (str(e),))
        except Exception:
            said = (traceback.format_exc(limit=-4),)
            return Outcome(number, done, files, at.read, at.moved, "failed", 0.0, said)
        shift = after.effect.primary.estimate - self.before.effect.primary.estimate
        new = [s for s in said_by(after) if s not in self.known]
        word = "same" if abs(shift) <= TOLD_POINTS else ("told" if new else "silent")
        return Outcome(number, done, files, at.read, at.moved, word, float(shift), tuple(new[:4]))

    def _clean_log(self, name: str) -> Log:
        return next(log for (path, _), log in self._logs.items() if path.name == name)


def said_by(result: Analysed) -> list[str]:
    """All that the analysis tells about its input: warnings, runs left out, what blocks a word.

    The sentences of the finding that tell the result itself say nothing about the input.
    """
    runs = result.runs[~result.runs["used"].astype(bool)]
    return [
        *(f"{w.code}: {w.message}" for w in result.warnings),
        *(f"left out: {r}" for r in runs["file"] + ": " + runs["reason"].map(str)),
        *(f"reason: {r}" for r in result.finding.reasons if _of_input(r)),
    ]


def _of_input(reason: str) -> bool:
    of_result = ("the interval", "orders that chance")
    return reason.startswith("undecided:") and not any(w in reason for w in of_result)


def run(
    out: Path, until: int, *, start: int = 0, whole_only: bool = False, seconds: float = np.inf
) -> None:
    """Do the mutants that are missing, from `start` (whole thousands) up to `until`."""
    out.mkdir(parents=True, exist_ok=True)
    began = time.process_time()
    with tempfile.TemporaryDirectory() as name:
        study = SampleStudy(Path(name))
        for first in range(start // BATCH * BATCH, until, BATCH):
            path = out / f"{first // BATCH:02d}.json"
            have = {o["number"]: o for o in json.loads(path.read_text())} if path.exists() else {}
            for number in range(first, min(first + BATCH, until)):
                whole = number % WHOLE_EVERY == 0
                if number in have or (whole_only and not whole):
                    continue
                if time.process_time() - began > seconds:
                    return
                did = study.whole(number) if whole else read_stretch(number, Path(name))
                have[number] = asdict(did)
                if whole:
                    _keep(path, have)
            _keep(path, have)


def _keep(path: Path, have: Mapping[int, object]) -> None:
    text = json.dumps(list(have.values()), indent=0)
    if not path.exists() or path.read_text() != text:
        atomic_write(path, lambda part: part.write_text(text))


def outcomes(out: Path) -> list[Outcome]:
    """All that was done so far."""
    found = [o for path in sorted(out.glob("*.json")) for o in json.loads(path.read_text())]
    listed = ("done", "files", "said")
    return [Outcome(**{**o, **{k: tuple(o[k]) for k in listed}}) for o in found]


def summary(found: Sequence[Outcome]) -> str:
    """The table of docs/logs.md, and every failure with its number."""
    read, whole = Counter(o.read for o in found), Counter(o.whole for o in found if o.whole)
    moved = sum(o.moved for o in found)
    lines = [
        f"{len(found)} mutants: {read['read']} read ({moved} with another total), "
        f"{read['refused']} refused, {read['failed']} failed",
        f"{whole.total()} through the whole analysis: {whole['same']} within {TOLD_POINTS} points, "
        f"{whole['told']} moved and told, {whole['refused']} refused, {whole['silent']} moved "
        f"without a word, {whole['failed']} failed",
    ]
    for o in found:
        if "failed" in (o.read, o.whole) or o.whole == "silent":
            why = o.said[0].strip().splitlines()[-1] if o.said else f"{o.shift:+.2f} points"
            lines.append(f"{o.number}: {', '.join(o.done)} in {len(o.files)}: {o.files[0]}: {why}")
    return "\n".join(lines)


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--start", type=int, default=0, help="so that several can share OUT")
    parser.add_argument("--until", type=int, default=20_000)
    parser.add_argument("--whole-only", action="store_true")
    parser.add_argument("--seconds", type=float, default=np.inf, help="of this process's own time")
    args = parser.parse_args()
    run(
        args.out,
        args.until,
        start=args.start,
        whole_only=args.whole_only,
        seconds=args.seconds,
    )
    print(summary(outcomes(args.out)))


if __name__ == "__main__":
    main()
