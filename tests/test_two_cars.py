"""A control car beside the test car: what a wrong one may never do is give a firm word."""

import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import jsonschema
import numpy as np
import pandas as pd
import pytest

import roadlog.analysis.beside_control as stage
from roadlog.analysis.beside_control import beside_control
from roadlog.analysis.compared import Compared, compare
from roadlog.analysis.control_car import (
    SAME_ENGINE,
    ControlCar,
    one_drive,
    read_control_car,
    with_own_positions,
)
from roadlog.analysis.driven import gather
from roadlog.analysis.driven_together import control_units, days_off, run_pairs
from roadlog.analysis.earlier import NOTHING_EARLIER
from roadlog.analysis.metering import meter
from roadlog.analysis.placed import place
from roadlog.analysis.result import Analysed, BesideControl
from roadlog.analysis.which_car import (
    mixed_up,
    of_another_vehicle,
    one_vehicle,
    swapped_by_number,
)
from roadlog.check.control import check_control
from roadlog.closure import Ledger
from roadlog.demo import make_study
from roadlog.effect import decide
from roadlog.effect.before_after import ONE_CHANGE
from roadlog.errors import InputError
from roadlog.ingest import Log, read_log
from roadlog.ingest.facts import Repair
from roadlog.quantities.signals import SIGNALS
from roadlog.quantities.vin import VIN
from roadlog.report.control import control_json, control_part, units_shown
from roadlog.report.json_out import plain_json
from roadlog.runs.table import Sources, open_study, study_sources
from roadlog.runs.vehicle_numbers import hidden_vin, numbers_at_head
from roadlog.study.car import Claim
from roadlog.study.settings import Study, parse_study

VIN_A, VIN_B = "1M8GDM9AXKP042788", "1M8GDM9A1KP042789"  # the first of 49 CFR 565's example
SCHEMA = Path(__file__).parents[1] / "roadlog" / "report" / "results.schema.json"


@dataclass(frozen=True)
class Staged:
    """A study with a control car, up to the stage that holds the cars against each other."""

    study: Study
    sources: Sources
    stages: tuple[Any, ...]
    car: ControlCar

    def held(
        self, patch: pytest.MonkeyPatch, change: Callable[[ControlCar], ControlCar] = lambda c: c
    ) -> tuple[Compared, BesideControl]:
        """What comes of the control car once something is wrong with it."""
        patch.setattr(stage, "read_control_car", lambda *_: change(self.car))
        compared, found = beside_control(
            self.study, self.sources, *self.stages, randomised=False, earlier=NOTHING_EARLIER
        )
        assert found is not None
        return compared, found


@pytest.fixture(scope="module")
def once(tmp_path_factory: pytest.TempPathFactory) -> Staged:
    """Five days without an add-on that saves 8 %, five days with it, a control car behind."""
    folder = tmp_path_factory.mktemp("two") / "cars"
    make_study(folder, days=10, effect_pct=-8.0, control=True, order="once")
    study, sources = open_study(folder)
    driven = gather(study, sources, switched_by=None, order=None, by_chance=False, progress=False)
    metered = meter(study, driven.runs, driven.samples, Ledger(), None, False, driven.units)
    placed = place(study, sources, driven, metered, False)
    compared = compare(study, driven, metered, placed, randomised=False, can_note=True)
    car = read_control_car(
        study, sources, driven.runs, driven.samples, placed, False, NOTHING_EARLIER
    )
    return Staged(study, sources, (driven, metered, placed, compared), car)


def replace_control(found: BesideControl) -> Analysed:
    """Something with a control car, for what reads nothing else."""
    return cast(Analysed, SimpleNamespace(control=found))


def word(compared: Compared, claim_pct: float) -> str | None:
    effect = compared.effect
    return decide(
        effect.primary, Claim(fuel_pct=claim_pct), held=effect.held, orders=effect.orders,
        one_stage=effect.one_stage, blocking=compared.blocking,
    ).word  # fmt: skip


def with_passes(car: ControlCar, passes: pd.DataFrame) -> ControlCar:
    return replace(car, passes=passes)


def times(car: ControlCar, on: "pd.Series[bool]", factor: float) -> ControlCar:
    f = np.where(on, factor, 1.0)
    changed = {
        c: car.passes[c] * f for c in ("fuel_ml", "fuel_low_ml", "fuel_high_ml", "ml_per_km")
    }
    return with_passes(car, car.passes.assign(**changed))


def later_half(car: ControlCar) -> "pd.Series[bool]":
    days = sorted(car.passes["day"].unique())
    return car.passes["day"].isin(days[len(days) // 2 :])


def test_one_change_gets_an_interval_from_the_control_car(
    once: Staged, monkeypatch: pytest.MonkeyPatch
) -> None:
    before: Compared = once.stages[3]
    assert before.effect.primary.low is None
    compared, found = once.held(monkeypatch)
    i = compared.effect.primary
    assert i.low is not None
    assert i.high is not None
    assert i.low < -8.0 < i.high
    assert found.used
    assert ONE_CHANGE not in compared.blocking
    assert word(compared, 20) == "refuted"
    assert word(compared, 3) == "undecided", "one change never supports"
    assert set(found.runs["arm"]) == {"baseline"}
    assert not set(found.runs["file"]) & set(compared.runs["file"])


def test_the_control_car_stands_in_results_json(
    once: Staged, monkeypatch: pytest.MonkeyPatch
) -> None:
    _, found = once.held(monkeypatch)

    told = plain_json(control_json(replace_control(found)))
    schema = json.loads(SCHEMA.read_text())["properties"]["control"]
    jsonschema.validate(told, schema)
    assert len(told["runs"]) == 20
    assert not any("arm" in r for r in told["runs"])
    assert told["design"] == "one change"


@pytest.mark.parametrize("saves", [0.92, 0.97])
def test_control_car_that_got_the_add_on_too(
    once: Staged, monkeypatch: pytest.MonkeyPatch, saves: float
) -> None:
    """The difference shrinks, and would refute what the add-on truly does."""
    compared, _ = once.held(monkeypatch, lambda c: times(c, later_half(c), saves))
    assert word(compared, 8) == "undecided"


@pytest.mark.parametrize("factor", [1.2, 1.609, 0.264])
def test_control_car_whose_unit_slips_in_one_period(
    once: Staged, monkeypatch: pytest.MonkeyPatch, factor: float
) -> None:
    compared, found = once.held(monkeypatch, lambda c: times(c, later_half(c), factor))
    for claim in (1, 8, 15, 30):
        assert word(compared, claim) == "undecided"
    assert "with the arm" in " ".join(found.vetoes)


def test_days_that_one_car_missed_are_told(once: Staged, monkeypatch: pytest.MonkeyPatch) -> None:
    first = once.car.passes["day"].min()

    def missed(c: ControlCar) -> ControlCar:
        return with_passes(c, c.passes[c.passes["day"] != first].reset_index(drop=True))

    compared, found = once.held(monkeypatch, missed)
    assert found.difference is not None
    assert len(found.difference.pairs) == 9
    told = [str(w.message) for w in compared.warnings if w.code == "control-missing"]
    assert len(told) == 1
    assert first in told[0]


def test_what_is_left_out_of_a_car_s_fit_is_told(
    once: Staged, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two days of the control car on another road: its passes there say nothing of the first."""
    days = sorted(once.car.passes["day"].unique())[:2]

    def elsewhere(c: ControlCar) -> ControlCar:
        away = c.passes["day"].isin(days)
        segment = c.passes["segment"].where(~away, "Z" + c.passes["segment"].astype(str))
        return with_passes(c, c.passes.assign(segment=segment))

    compared, found = once.held(monkeypatch, elsewhere)
    told = [str(w.message) for w in compared.warnings if w.code == "control-fit"]
    assert len(told) == 1
    assert told[0].startswith("control car: ")
    assert told[0].endswith("passes of other routes are left out")
    assert set(told) <= {str(w.message) for w in found.warnings}


def test_control_car_in_one_period_only_leaves_the_old_word(
    once: Staged, monkeypatch: pytest.MonkeyPatch
) -> None:
    def early(c: ControlCar) -> ControlCar:
        return with_passes(c, c.passes[~later_half(c)].reset_index(drop=True))

    compared, found = once.held(monkeypatch, early)
    assert not found.used
    assert "one arm" in found.why_not
    assert ONE_CHANGE in compared.blocking
    assert compared.effect.primary.low is None


def test_one_pair_gives_no_interval(once: Staged, monkeypatch: pytest.MonkeyPatch) -> None:
    days = sorted(once.car.passes["day"].unique())

    def two(c: ControlCar) -> ControlCar:
        return with_passes(
            c, c.passes[c.passes["day"].isin([days[0], days[-1]])].reset_index(drop=True)
        )

    compared, _ = once.held(monkeypatch, two)
    assert compared.effect.primary.low is None
    assert word(compared, 30) == "undecided"


def test_clocks_hours_apart_forbid_a_word(once: Staged, monkeypatch: pytest.MonkeyPatch) -> None:
    def late(c: ControlCar) -> ControlCar:
        return replace(c, runs=c.runs.assign(start=c.runs["start"] + pd.Timedelta(hours=3)))

    compared, found = once.held(monkeypatch, late)
    assert word(compared, 20) == "undecided"
    assert "same hours" in " ".join(found.vetoes)
    assert found.ratio is None


def test_a_clock_that_is_days_off_is_known_by_the_days_that_it_misses() -> None:
    """Otherwise Monday's control car is held against Tuesday's test car, and nobody is told."""
    test = [f"2026-03-{d:02d}" for d in (2, 3, 4, 5, 6, 9, 10, 11, 12, 13)]

    def moved(days: int) -> list[str]:
        return [f"{pd.Timestamp(d) + pd.Timedelta(days=days):%Y-%m-%d}" for d in test]

    assert [days_off(test, moved(k)) for k in (0, 1, -1, 3, 31)] == [0, 1, -1, 3, 31]
    assert days_off(test, moved(7)[:5]) == 0, "a week of the test car's, whatever the true one"
    assert days_off(test, [*test[1:], "2026-03-14"]) == 0, "a Saturday alone, a Monday at home"
    assert days_off(test, []) == 0


def test_the_control_car_s_logs_are_no_test_car_s_too(tmp_path: Path) -> None:
    (tmp_path / "logs").mkdir()
    (tmp_path / "logs" / "a.csv").write_text("time,speed\n")
    (tmp_path / "fills.csv").write_text("time,litres\n")
    both = parse_study('[control]\nlogs = ["logs/*.csv"]\n[logs]\nany = ["logs/*.csv"]\n')
    with pytest.raises(InputError, match="is the control car's"):
        study_sources(tmp_path, both)


def test_the_test_car_s_track_isn_t_the_control_car_s() -> None:
    """Joined by the clock, it would put the car that follows three minutes down the road."""
    t = np.arange(600.0)
    speed = 60 + 25 * np.sin(t / 40)
    metres = np.cumsum(speed / 3.6)

    def log(later_s: int) -> Log:
        frame = pd.DataFrame(
            {"t_s": t, "speed_kmh": np.roll(speed, later_s), "lat_deg": 48 + metres / 111_195,
             "lon_deg": 11.0}
        )  # fmt: skip
        facts = (Repair.JOINED(track="phone.gpx"),)
        return Log(Path("c.csv"), frame, pd.Timestamp("2026-03-02T08:00"), facts=facts)

    kept, told = with_own_positions([log(0), log(3)])
    assert all("lat_deg" in x.frame for x in kept)
    assert not told
    kept, told = with_own_positions([log(0), log(100)])
    assert ["lat_deg" in x.frame for x in kept] == [True, False]
    assert "the other car's" in told[0].message


def test_another_road_forbids_a_word(once: Staged, monkeypatch: pytest.MonkeyPatch) -> None:
    def astray(c: ControlCar) -> ControlCar:
        return replace(c, runs=c.runs.assign(km=2 * c.runs["km"]))

    compared, found = once.held(monkeypatch, astray)
    assert word(compared, 20) == "undecided"
    assert "same road" in " ".join(found.vetoes)


def test_a_control_car_that_drifts_by_itself(once: Staged, monkeypatch: pytest.MonkeyPatch) -> None:
    def drifts(c: ControlCar) -> ControlCar:
        day = pd.factorize(c.passes["day"])[0]
        f = np.exp(0.012 * day)
        return with_passes(
            c, c.passes.assign(fuel_ml=c.passes["fuel_ml"] * f, ml_per_km=c.passes["ml_per_km"] * f)
        )

    compared, _ = once.held(monkeypatch, drifts)
    for claim in (8, 12, 15):
        assert word(compared, claim) == "undecided"


def test_one_log_can_t_be_of_two_cars(once: Staged) -> None:
    driven = once.stages[0]
    a, other = driven.samples[0], once.car.samples[0]
    assert one_drive(a, a.iloc[3:].assign(t_s=a["t_s"].iloc[3:] - 3), 3.0)
    assert not one_drive(a, other, 150.0)
    assert not one_drive(a, other, 0.0)
    assert not one_drive(a, a, float("nan"))


def test_runs_are_paired_by_their_start(once: Staged) -> None:
    compared: Compared = once.stages[3]
    pairs = run_pairs(compared.runs, once.car.runs)
    assert len(pairs) == 20
    assert pairs["apart_min"].between(0, 10).all()
    assert pairs["ratio"].notna().all()
    units = control_units(compared.runs, once.car.runs)
    assert len(units) == 20


def test_a_late_control_car_stays_out(once: Staged, monkeypatch: pytest.MonkeyPatch) -> None:
    """Written into study.toml once the plan was registered, it may have been chosen to please."""
    monkeypatch.setattr(stage, "control_named_late", lambda *_: True)
    compared, found = once.held(monkeypatch)
    assert not found.used
    assert ONE_CHANGE in compared.blocking


def cruising(per_km: float, seed: int = 0) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    speed = 80 + 10 * rng.standard_normal(300)
    return pd.DataFrame({"speed_kmh": speed, "rpm": speed * per_km / 60})


def test_logs_of_two_cars_mixed_up_are_named() -> None:
    test, control = [cruising(1700, i) for i in range(6)], [cruising(1900, i) for i in range(6)]
    assert not mixed_up(test, control)
    found = mixed_up([*test[:5], control[5]], [*control[:5], test[5]])
    assert (found.test, found.control) == ((5,), (5,))
    half = mixed_up([*test[:3], *control[:3]], [*control[3:], *test[3:]])
    assert len(half.test) == len(half.control) == 3
    alike = [cruising(1700 + 4 * i, i) for i in range(6)]
    assert not mixed_up(alike, alike), "two cars of one kind can't be told apart"
    assert not mixed_up([*test[:5], cruising(2600)], control), "one drive in a low gear"
    assert not mixed_up([], control)


def test_cars_of_one_kind_that_once_stayed_in_a_lower_gear_aren_t_mixed_up() -> None:
    """Town on some days, motorway on others, behind each other: the drive's gearing, no car's."""
    per_km = [1700, 1700, 2300, 1700, 2300, 1700]
    test, control = ([cruising(r, i + k) for i, r in enumerate(per_km)] for k in (0, 10))
    together = [(i, i) for i in range(6)]
    assert not mixed_up(test, control, together)
    lower = [*test[:4], cruising(2000), test[5]]
    assert not mixed_up(lower, [cruising(1900, i) for i in range(6)], together), "nobody's gearing"


def shorter(samples: pd.DataFrame) -> pd.DataFrame:
    return samples.assign(rpm=1.12 * samples["rpm"])


def test_a_log_of_the_test_car_among_the_control_car_s_forbids_a_word(
    once: Staged, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The logs as they are read: a control car of a shorter gearing, but for one log."""

    def mixed(c: ControlCar) -> ControlCar:
        return replace(c, samples=(c.samples[0], *map(shorter, c.samples[1:])))

    compared, found = once.held(monkeypatch, mixed)
    assert f"{once.car.runs['file'].iloc[0]} has the gearing of the test car" in found.vetoes[0]
    assert word(compared, 20) == "undecided"

    def apart(c: ControlCar) -> ControlCar:
        return replace(c, samples=tuple(map(shorter, c.samples)))

    compared, found = once.held(monkeypatch, apart)
    assert word(compared, 20) == "refuted"


def numbered(runs: pd.DataFrame, *numbers: str) -> pd.DataFrame:
    """The runs with these vehicles' numbers in turn, as they are read off the logs' heads."""
    told = [" ".join(map(hidden_vin, n.split())) for n in numbers]
    return runs.assign(vehicle_numbers=[told[i % len(told)] for i in range(len(runs))])


def test_logs_of_one_vehicle_under_both_cars(once: Staged, monkeypatch: pytest.MonkeyPatch) -> None:
    """By their numbers: whichever folder is wrong, no word rests on either."""
    driven, *rest = once.stages
    one = replace(driven, runs=numbered(driven.runs, VIN_A))
    same = replace(once, stages=(one, *rest))

    def of(*numbers: str) -> Callable[[ControlCar], ControlCar]:
        return lambda c: replace(c, runs=numbered(c.runs, *numbers))

    compared, found = same.held(monkeypatch, of(VIN_A))
    assert not found.used
    assert "one vehicle identification number" in found.why_not
    assert word(compared, 20) == "undecided"
    assert any("identification number" in v for v in compared.blocking)
    compared, found = same.held(monkeypatch, of(VIN_B))
    assert found.used
    assert word(compared, 20) == "refuted"
    compared, found = same.held(monkeypatch, of(*[VIN_B] * 19, VIN_A))
    assert once.car.runs["file"].iloc[-1] in found.vetoes[0]
    assert word(compared, 20) == "undecided"


def test_two_vehicles_in_one_car_s_logs_are_told() -> None:
    runs = pd.DataFrame({"file": [f"{i}.csv" for i in range(6)]})
    assert not of_another_vehicle(numbered(runs, VIN_A))
    assert not of_another_vehicle(runs), "logs that name no vehicle"
    stray = of_another_vehicle(numbered(runs, *[VIN_A] * 5, VIN_B))
    assert "5.csv tell another vehicle" in stray[0]
    half = of_another_vehicle(numbered(runs, VIN_A, VIN_B))
    assert "and 2 more" in half[0]


def test_numbers_of_loggers_and_sessions_aren_t_taken_for_vehicles() -> None:
    """They look like a vehicle's: a serial that both cars' logs share, one that each log has."""
    runs = pd.DataFrame({"file": [f"{i}.csv" for i in range(6)]})
    sessions = [f"LGX20260302{i:06d}" for i in range(6)]
    assert all(VIN.fullmatch(s) for s in sessions)
    assert not of_another_vehicle(numbered(runs, *sessions))
    assert not of_another_vehicle(numbered(runs, *(f"{VIN_A} {s}" for s in sessions)))
    lost = [f"{VIN_A} {s}" for s in sessions[:5]] + sessions[5:]
    assert not of_another_vehicle(numbered(runs, *lost)), "a log without the car's number"
    serial = "LGXSERA1AKP000077"
    ours, theirs = numbered(runs, f"{serial} {VIN_A}"), numbered(runs, f"{serial} {VIN_B}")
    assert not one_vehicle(ours, theirs)
    assert not swapped_by_number(ours, theirs)
    assert one_vehicle(ours, ours)


def test_a_log_s_number_is_kept_as_a_hash_alone(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(f"# VIN: {VIN_A}\ntime,speed\n")
    (tmp_path / "b.csv").write_text(f"time,speed,VIN\n0,1,{VIN_A}\n1,1,{VIN_A}\n")
    found = [numbers_at_head(tmp_path / n) for n in ("a.csv", "b.csv")]
    assert found == [frozenset({hidden_vin(VIN_A)})] * 2
    assert VIN_A not in str(found)


def test_signals_by_which_one_drive_is_known_are_signals() -> None:
    assert set(SAME_ENGINE) <= set(SIGNALS)


def test_control_logs_are_never_of_an_arm(tmp_path: Path) -> None:
    text = '[control]\n[logs]\nany = ["logs/**/*.csv"]\n'
    for name in ("logs/a.csv", "logs/control/b.csv"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text("time,speed\n")
    found = study_sources(tmp_path, parse_study(text))
    assert [p.name for p, _ in found.runs] == ["a.csv"]
    assert [p.name for p in found.control] == ["b.csv"]
    named = parse_study('[control]\n[logs]\nfitted = ["logs/**/*.csv"]\n')
    with pytest.raises(InputError, match="one of the control car"):
        study_sources(tmp_path, named)


def test_the_report_tells_what_each_car_did(once: Staged, monkeypatch: pytest.MonkeyPatch) -> None:
    _, found = once.held(monkeypatch)
    part = control_part(replace_control(found))
    assert part is not None
    said = " ".join(part.said)
    assert "SAE J1321" in said
    assert "The add-on came once" in said
    assert "(no interval)" in said, "the test car alone has none after one change"
    assert part.runs is not None
    assert len(part.runs.rows) == 20


def test_what_is_shown_by_day_is_what_the_range_rests_on(
    once: Staged, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The test car's own days showed a step that the answer hadn't."""
    compared, found = once.held(monkeypatch)
    both = cast(Analysed, SimpleNamespace(control=found, effect=compared.effect))
    shown = units_shown(both).groupby("arm")["adjusted_pct"].mean()
    step = 100 * np.expm1((shown["fitted"] - shown["baseline"]) / 100)
    assert step == pytest.approx(compared.effect.primary.estimate, abs=0.01)
    assert compared.effect.leave_one_out.empty, "that of the test car alone, beside another range"


def test_check_lists_the_control_car_s_runs(once: Staged) -> None:
    two = replace(once.sources, control=once.sources.control[:2])
    runs, told = check_control(once.study, two, (), lambda _: None)
    assert [r.arm for r in runs] == ["none", "none"]
    assert all(r.usable for r in runs)
    assert told == ["the test car has no usable run on 1 days of the control car: 2026-03-02"]
    assert check_control(once.study, replace(two, control=()), (), lambda _: None)[1]


def test_check_settles_units_over_the_control_car_s_logs(once: Staged, tmp_path: Path) -> None:
    """As the analysis does: 240 is °F or K by itself, and °F beside a log with 220."""
    paths = []
    for path, hot in zip(once.sources.control[:2], (220, 240), strict=True):
        head, *rows = path.read_text().splitlines()
        told = [f"{head},oil temperature", *(f"{row},{hot + i % 3}" for i, row in enumerate(rows))]
        (tmp_path / path.name).write_text("\n".join(told) + "\n")
        paths.append(tmp_path / path.name)
    with pytest.raises(InputError, match="names no unit"):
        read_log(paths[1])
    two = replace(once.sources, control=tuple(paths))
    runs, _ = check_control(once.study, two, (), lambda _: None)
    assert [r.usable for r in runs] == [True, True]
