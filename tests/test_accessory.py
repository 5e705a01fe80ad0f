"""Accessory time: the state from closed-throttle air on invented cars, the tester's word, and what
the study makes of both."""

import dataclasses
import shutil
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from roadlog.analysis.accessory_time import (
    accessory_blocking,
    accessory_time,
    other_effect,
    with_accessory,
)
from roadlog.cli import main
from roadlog.effect import fuel_physics
from roadlog.effect.estimate import estimate_effect, primary_stages
from roadlog.errors import InputError
from roadlog.fuel.accessory_state import (
    VALUE_S,
    find_accessory,
    on_less_off,
    two_modes,
    values,
)
from roadlog.report.along import along
from roadlog.runs.accessory_notes import accessory_noted, write_answers
from roadlog.runs.notes import read_notes
from roadlog.stats.interval import Interval
from roadlog.study.settings import parse_study

SAMPLE = Path(__file__).parents[1] / "sample_logs"


@dataclasses.dataclass(frozen=True)
class Car:
    """An invented car's idle: speed [1/min] and pressure [kPa] without and with the accessory."""

    off_rpm: float = 700.0
    on_rpm: float = 850.0
    off_kpa: float = 28.0
    on_kpa: float = 38.0
    creep_kpa: float = 0.0  # an automatic gearbox in drive loads the standing engine
    mass_air: bool = False
    pedal: bool = True


def drive(
    car: Car, on: np.ndarray | float, seed: int, stops: int = 14, bend: float = 1.0
) -> pd.DataFrame:
    """Samples of a run: park, stops of 25 s between 50 s of driving, park. `on` 0 to 1: load."""
    rng = np.random.default_rng(seed)
    speed = [0.0] * 40
    for _ in range(stops):
        up, down = np.linspace(0, 50, 11), np.linspace(50, 0, 16)
        speed += [*up, *[50.0] * 20, *down, *[0.0] * 25]
    v = np.array(speed + [0.0] * 40)
    n = len(v)
    load = np.broadcast_to(np.asarray(on, float), n) if np.ndim(on) == 0 else np.resize(on, n)
    slowing = np.append(np.diff(v) < 0, False)
    shut = (v == 0) | slowing
    in_drive = np.ones(n, bool)
    in_drive[:40] = in_drive[-40:] = False
    idle_rpm = car.off_rpm + load * (car.on_rpm - car.off_rpm)
    kpa = car.off_kpa + load * (car.on_kpa - car.off_kpa) + car.creep_kpa * in_drive
    rpm = np.where(v == 0, idle_rpm, np.where(slowing, idle_rpm + 8 * v, 1400 + 20 * v))
    flow_like = kpa * idle_rpm
    p = np.where(v == 0, kpa, np.where(shut, flow_like / rpm, 60.0))
    rpm = rpm + rng.normal(0, 8, n)
    p = np.round(p * bend + rng.normal(0, 0.3, n))
    air = 1.5 * p * rpm / (120 * 0.287 * 300)
    frame = pd.DataFrame({
        "t_s": np.arange(float(n)), "dt_s": 1.0, "speed_kmh": v, "rpm": rpm,
        "coolant_temp_c": 88.0, "engine_runtime_s": np.arange(float(n)) + 400,
    })  # fmt: skip
    if car.pedal:
        frame["pedal_pct"] = np.where(shut, 15.5, 30.0)
    if car.mass_air:
        frame["maf_g_s"] = 0.8 * air
    else:
        frame["map_kpa"], frame["intake_air_temp_c"] = p, 27.0
    fuel = np.where(slowing & (rpm > 1200), 0.0, 0.8 * air / 14.7)
    return frame.assign(fuel_flow_g_s=fuel)


def cycling(share: float, seed: int, n: int = 1500) -> np.ndarray:
    """A clutch that cycles with a period of about 57 s, on for `share` of it."""
    start = np.random.default_rng(seed).uniform(0, 57)
    return (((np.arange(n) + start) % 57) < 57 * share).astype(float)


CARS = {
    "speed-density": Car(),
    "mass air": Car(mass_air=True),
    "high idle": Car(off_rpm=900, on_rpm=1020, off_kpa=30, on_kpa=40),
    "idle speed held": Car(off_rpm=750, on_rpm=750, off_kpa=29, on_kpa=41),
    "automatic, creeping": Car(creep_kpa=6.0),
    "no pedal": Car(pedal=False),
}
SHARES = (0.0, 0.3, 0.7, 1.0, 0.5, 0.0)


@pytest.mark.parametrize("name", CARS)
def test_the_state_is_found_on_other_cars(name: str) -> None:
    on = [cycling(s, i) for i, s in enumerate(SHARES)]
    runs = [drive(CARS[name], o, i) for i, o in enumerate(on)]
    found = find_accessory(runs, ["baseline", "fitted"] * 3)
    assert found.visible, found.why
    for run, state, truth in zip(runs, found.states, on, strict=True):
        known = np.isfinite(state)
        assert known.sum() > 200
        assert np.mean(state[known] == np.resize(truth, len(run))[known]) > 0.98
    seen = found.runs["on_s"] / found.runs["known_s"]
    assert seen.to_numpy() == pytest.approx(np.array(SHARES), abs=0.08)


def test_what_it_takes_is_the_idle_flow_with_it_less_without() -> None:
    runs = [drive(Car(), cycling(0.5, i), i) for i in range(4)]
    found = find_accessory(runs, ["baseline"] * 4)
    takes = on_less_off(found, [r["fuel_flow_g_s"].to_numpy() for r in runs])
    idle = [0.8 * 1.5 * p * n / (120 * 0.287 * 300) / 14.7 for p, n in ((28, 700), (38, 850))]
    assert takes == pytest.approx(idle[1] - idle[0], rel=0.05)


@pytest.mark.parametrize("kind", ["never on", "always on", "within runs", "steady by run"])
def test_what_isnt_two_modes_is_told_invisible(kind: str) -> None:
    rng = np.random.default_rng(5)
    loads = {
        "never on": lambda: 0.0,
        "always on": lambda: 1.0,
        "within runs": lambda: 0.5 + 0.5 * np.sin(np.arange(1500) / 90 + rng.uniform(0, 6)),
        "steady by run": lambda: float(rng.uniform(0, 1)),
    }
    runs = [drive(Car(), loads[kind](), i) for i in range(12)]
    found = find_accessory(runs, ["baseline", "fitted"] * 6)
    assert not found.visible
    assert "one mode or no clear two" in found.why


def test_an_automatic_taken_out_of_gear_when_parked_is_no_accessory() -> None:
    runs = [drive(Car(creep_kpa=10.0), 0.0, i) for i in range(6)]
    assert not find_accessory(runs, ["baseline", "fitted"] * 3).visible


def test_without_air_or_with_little_standstill_it_is_invisible() -> None:
    run = drive(Car(), 0.5, 1).drop(columns="map_kpa")
    assert "no air flow" in find_accessory([run], ["baseline"]).why
    moving = drive(Car(), 0.5, 1).query("speed_kmh > 0").reset_index(drop=True)
    assert "too little" in find_accessory([moving], ["baseline"]).why


def test_a_device_that_bends_pressure_moves_no_share() -> None:
    arms = ["baseline", "fitted"] * 4
    plain = [drive(Car(), cycling(0.4, i), i) for i in range(8)]
    bent = [
        drive(Car(), cycling(0.4, i), i, bend=0.94 if a == "fitted" else 1.0)
        for i, a in enumerate(arms)
    ]
    was, now = find_accessory(plain, arms).runs, find_accessory(bent, arms).runs
    assert now["share"].to_numpy() == pytest.approx(was["share"].to_numpy(), abs=0.01)


def test_a_device_that_saves_at_idle_is_no_accessory() -> None:
    arms = ["baseline", "fitted"] * 4
    runs = [drive(Car(mass_air=True), 0.0, i) for i in range(8)]
    bent = [
        r.assign(maf_g_s=r["maf_g_s"] * (0.85 if a == "fitted" else 1.0))
        for r, a in zip(runs, arms, strict=True)
    ]
    found = find_accessory(bent, arms)
    assert not found.visible
    assert "between the arms" in found.why


def test_one_gaussian_isnt_two_and_two_are() -> None:
    rng = np.random.default_rng(2)
    one = two_modes(rng.normal(0, 0.1, 3000))
    two = two_modes(np.concatenate([rng.normal(0, 0.05, 2000), rng.normal(0.6, 0.05, 500)]))
    assert one is not None
    assert not one.apart()
    assert two is not None
    assert two.apart()
    assert (two.off, two.on, two.weight_on) == pytest.approx((0.0, 0.6, 0.2), abs=0.01)
    # sqrt(2) x 0.6 / sqrt(2 x 0.05²), by hand
    assert two.separation == pytest.approx(12.0, rel=0.05)


def study_of(
    shares: dict[str, list[float]], answer: dict[int, str], bend: float = 1.0
) -> tuple[SimpleNamespace, pd.DataFrame, pd.DataFrame]:
    """Metered runs, passes and notes of 12 days in pairs, six passes a run, 0.15 mL/s taken."""
    arms = ["baseline", "fitted", "fitted", "baseline"] * 3
    each = {a: iter(s) for a, s in shares.items()}
    days = [f"2026-03-{d:02d}" for d in range(2, 14)]
    on = [next(each[a]) for a in arms]
    flows = [
        drive(Car(), cycling(p, i), i, bend=bend if a == "fitted" else 1.0)
        for i, (p, a) in enumerate(zip(on, arms, strict=True))
    ]
    runs = pd.DataFrame({
        "run": range(12), "file": [f"{d}.csv" for d in days], "arm": arms, "day": days, "used": True
    })  # fmt: skip
    rng = np.random.default_rng(9)
    rows = []
    for i, (p, a) in enumerate(zip(on, arms, strict=True)):
        for s in range(6):
            t = 100.0 + 10 * rng.uniform(-1, 1)
            fuel = (60 + 0.17 * t + 0.15 * p * t) * (1 + 0.004 * rng.standard_normal())
            rows.append({
                "run": i, "arm": a, "day": days[i], "switch_unit": days[i], "block": str(i // 2),
                "segment": f"s{s}", "start": pd.Timestamp(days[i]) + pd.Timedelta(minutes=10 * s),
                "distance_km": 1.0, "duration_s": t, "fuel_ml": fuel, "ml_per_km": fuel,
                "idle_s_per_km": 0.0, "demand_kj_per_km": 400 + 20 * rng.standard_normal(),
                "ambient_c": 15.0, "coolant_start_c": 85.0, "since_start_s": 600.0 + 100 * s,
                "cold_share": 0.0, "used": True, "mean_speed_kmh": 36.0,
            })  # fmt: skip
    notes = pd.DataFrame(
        {"date": days, "accessory": [answer.get(i) for i in range(12)]}, dtype="str"
    )
    metered = SimpleNamespace(runs=runs, samples=flows, flows=flows)
    return metered, pd.DataFrame(rows), notes


CAR = parse_study('[vehicle]\nfuel = "E10"\ndisplacement_l = 1.5\n')
EVEN = {"baseline": [0, 0.5, 0.2, 0.6, 0, 0.4], "fitted": [0.5, 0, 0.6, 0.1, 0.4, 0.1]}
UNEVEN = {"baseline": [0, 0.1, 0, 0.1, 0, 0.1], "fitted": [0.7, 0.6, 0.8, 0.7, 0.5, 0.8]}
AUTOMATIC = dict.fromkeys(range(12), "automatic")
PHYSICS = fuel_physics(density_kg_m3=745, lhv_mj_kg=42.0, displacement_l=1.5)


def time_of(shares, answer, bend=1.0):
    metered, passes, notes = study_of(shares, answer, bend)
    return accessory_time(CAR, metered, passes, notes, randomised=True, can_note=True), passes


def test_visible_and_confirmed_it_enters_and_narrows_the_interval() -> None:
    time, passes = time_of(EVEN, AUTOMATIC)
    assert time.enters
    assert not time.warnings
    without = primary_stages(passes, randomised=True, physics=PHYSICS).contrast
    with_it = primary_stages(
        with_accessory(passes, time), randomised=True, physics=PHYSICS
    ).contrast
    assert with_it.half_width() < 0.5 * without.half_width()
    row = other_effect(
        with_accessory(passes, time), time, randomised=True, physics=PHYSICS, whole_runs=False
    )
    assert row is not None
    assert row.name == "without accessory time"
    assert row.interval.estimate == pytest.approx(100 * np.expm1(without.tau))


def test_the_mixed_model_beneath_knows_accessory_time_too() -> None:
    time, passes = time_of(EVEN, AUTOMATIC)
    full = passes.assign(
        supply_voltage_v=14.0, headwind_m_s=np.nan, air_density_kg_m3=1.2, coverage=1.0,
        mean_vsp_kw_t=5.0, pressure_kpa=100.0, fuel_low_ml=passes["fuel_ml"],
        fuel_high_ml=passes["fuel_ml"], reason="",
    )  # fmt: skip
    rows = [
        estimate_effect(t, randomised=True, physics=PHYSICS).one_stage
        for t in (full, with_accessory(full, time))
    ]
    width = [r.high - r.low for r in rows]
    assert width[1] < 0.6 * width[0]


def test_the_page_says_what_was_seen_and_done() -> None:
    told = time_of(EVEN, AUTOMATIC)[0].told
    assert told[0].startswith("An accessory shows")
    assert told[-1] == "Its fuel is part of expected fuel"
    assert "% in the fitted arm" in told[1]


def test_visible_and_not_confirmed_it_stays_out_and_asks() -> None:
    time, _ = time_of(EVEN, {})
    assert time.visible
    assert not time.enters
    assert "roadlog accessory" in time.warnings[0].message


def test_half_the_days_answered_confirm_nothing() -> None:
    assert not time_of(EVEN, dict.fromkeys(range(6), "automatic"))[0].enters


def test_answers_that_contradict_the_state_confirm_nothing() -> None:
    time, _ = time_of(UNEVEN, dict.fromkeys(range(12), "off"))
    assert not time.enters
    assert "contradict" in time.warnings[0].message


@pytest.mark.parametrize(("shares", "blocked"), [(EVEN, False), (UNEVEN, True)])
def test_a_share_that_differs_by_arm_forbids_a_firm_word(shares, blocked: bool) -> None:
    time, passes = time_of(shares, AUTOMATIC)
    row = other_effect(passes, time, randomised=True, physics=PHYSICS, whole_runs=False)
    said = accessory_blocking(time, Interval(-1.0, -2.0, 0.0), row, CAR)
    assert bool(said) is blocked
    if said:
        assert "accessory differed" in said[0]
        assert "-1.0 %" in said[0]


def test_a_share_that_is_nought_in_both_arms_forbids_nothing() -> None:
    nought = {"baseline": [0.0] * 6, "fitted": [0.0] * 6}
    time, _ = time_of(nought, dict.fromkeys(range(12), "off"))
    assert not time.visible
    assert not time.warnings
    assert not accessory_blocking(time, Interval(-1.0, -2.0, 0.0), None, CAR)


def test_notes_alone_that_differ_by_arm_forbid_a_firm_word() -> None:
    nought = {"baseline": [0.0] * 6, "fitted": [0.0] * 6}
    arms = ["baseline", "fitted", "fitted", "baseline"] * 3
    words = {i: "on" if a == "fitted" else "off" for i, a in enumerate(arms)} | {0: "on"}
    time, _ = time_of(nought, words)
    said = accessory_blocking(time, Interval(-1.0, -2.0, 0.0), None, CAR)
    assert said
    assert "the notes" in said[0]


def test_a_compressor_that_never_rested_in_one_arm_forbids_a_firm_word_unless_noted() -> None:
    one = {"baseline": [1.0] * 6, "fitted": [0.0] * 6}
    time, _ = time_of(one, {})
    assert not time.visible
    said = accessory_blocking(time, Interval(-9.0, -10.0, -8.0), None, CAR)
    assert "in one arm only" in said[0]
    time, _ = time_of(one, dict.fromkeys(range(12), "off"))
    assert not accessory_blocking(time, Interval(-9.0, -10.0, -8.0), None, CAR)


def test_a_diesel_shows_no_accessory() -> None:
    metered, passes, notes = study_of(EVEN, {})
    diesel = parse_study('[vehicle]\nfuel = "diesel"\n')
    time = accessory_time(diesel, metered, passes, notes, randomised=True, can_note=True)
    assert not time.visible
    assert "throttled" in time.warnings[0].message


def test_the_check_page_draws_the_state_along_the_drive() -> None:
    runs = [drive(Car(), cycling(0.5, i), i) for i in range(4)]
    found = find_accessory(runs, ["baseline"] * 4)
    drawn = along(runs[0], accessory=found.states[0])
    assert drawn.ribbons[-1].name == "accessory looks on"
    assert drawn.ribbons[-1].shades[0]
    assert drawn.ribbons[-1].shades[-1]
    assert 20 < drawn.ribbons[-1].known_pct < 60
    assert all(r.name != "accessory looks on" for r in along(runs[0]).ribbons)


def test_a_mode_that_moves_with_the_arm_refuses_the_state() -> None:
    time, _ = time_of(EVEN, AUTOMATIC, bend=1.2)
    assert time.visible
    assert not time.enters
    assert time.warnings[0].code == "accessory-refused"


NOTES = 'date;arm;remark\r\n04.03.2026;out;"wet; cold"\r\n05.03.2026; in ;\r\n'


def test_answers_change_no_other_cell(tmp_path: Path) -> None:
    path = tmp_path / "notes.csv"
    path.write_bytes(NOTES.encode())
    write_answers(path, {"2026-03-04": "on", "2026-03-09": "automatic"}, True)
    lines = path.read_bytes().decode().split("\r\n")
    assert lines[0] == "date;arm;remark;accessory"
    assert lines[1].endswith('"wet; cold";on')
    assert lines[2] == "05.03.2026; in ;"
    write_answers(path, {"2026-03-04": "off"}, True)
    notes = read_notes(path, True)
    runs = pd.DataFrame(
        {
            "run": [0, 1, 2],
            "file": ["a", "b", "c"],
            "day": ["2026-03-04", "2026-03-05", "2026-03-09"],
        }
    )
    noted = accessory_noted(notes, runs)
    assert noted.answered.tolist() == [True, False, True]
    assert noted.share.iloc[0] == 0
    assert np.isnan(noted.share.iloc[2])


def test_notes_are_made_where_there_are_none(tmp_path: Path) -> None:
    path = tmp_path / "notes.csv"
    write_answers(path, {"2026-03-04": "on"})
    assert path.read_text() == "date,accessory\n2026-03-04,on\n"


def test_rows_of_runs_stay_and_the_day_gets_its_own(tmp_path: Path) -> None:
    path = tmp_path / "notes.csv"
    path.write_text("file,remark\nb.csv,late\n")
    write_answers(path, {"b.csv": "on"})
    assert path.read_text() == "file,remark,accessory\nb.csv,late,on\n"
    with pytest.raises(InputError, match="no column 'date'"):
        write_answers(path, {"2026-03-04": "on"})


def test_the_command_asks_blind_and_keeps_answers(tmp_path: Path, capsys) -> None:
    study = tmp_path / "study"
    shutil.copytree(SAMPLE, study)
    assert main(["accessory", str(study), "--answer", "2026-03-04=on"]) == 0
    said = capsys.readouterr().out
    assert "On 2026-03-05" in said
    assert "collar" not in said
    assert "fitted" not in said
    kept = read_notes(study / "notes.csv")
    assert kept["accessory"].dropna().tolist() == ["on"]
    assert main(["accessory", str(study), "--answer", "2026-03-04=hot"]) == 2
    assert main(["accessory", str(study), "--answer", "2027-03-04=on"]) == 2


def test_idle_air_is_the_median_of_each_five_seconds_of_which_half_is_there():
    rng = np.random.default_rng(9)
    for n, step in ((1, 1.0), (4, 1.0), (300, 1.0), (300, 0.2)):
        t, x = 3.7 + step * np.arange(n), rng.normal(size=n)
        x[rng.random(n) < 0.3] = np.nan
        keep = np.repeat(rng.random(n // 10 + 1) < 0.6, 10)[:n]
        groups = pd.Series(x[keep]).groupby(np.floor(t[keep] / VALUE_S))
        expected = groups.median()[groups.size() >= VALUE_S / 2]
        np.testing.assert_array_equal(values(x, keep, t), expected)
