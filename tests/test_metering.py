"""What each run drove and burned: totals by hand, and runs that are set aside with why."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from roadlog.analysis.metering import SHORTEST_RUN_KM, estimators_beside, judged, meter, sampled
from roadlog.closure import Ledger
from roadlog.errors import DesignError
from roadlog.ingest import Log
from roadlog.ingest.facts import Repair
from roadlog.quantities.fuels import FUELS
from roadlog.study.settings import parse_study

STUDY = parse_study('[vehicle]\nfuel = "E10"\ndisplacement_l = 1.8\n')
ARMS = ["baseline", "fitted", "baseline", "fitted"]


def samples(seconds: int = 600, kmh: float = 60.0, **columns: object) -> pd.DataFrame:
    """A warm cruise on 4 L/h: 10 km and 0.667 L in ten minutes."""
    frame = {"t_s": np.arange(float(seconds)), "dt_s": 1.0, "speed_kmh": kmh, "rpm": 2000.0,
             "coolant_temp_c": 88.0, "fuel_rate_l_h": 4.0}  # fmt: skip
    return pd.DataFrame({**frame, **columns})


def table(n: int = 4) -> pd.DataFrame:
    arms = (ARMS * n)[:n]
    return pd.DataFrame(
        {
            "run": range(n), "file": [f"{i}.csv" for i in range(n)], "arm": arms,
            "start": pd.date_range("2026-03-02 07:00", periods=n, freq="D"),
            "day": [f"d{i}" for i in range(n)], "switch_unit": [f"d{i}" for i in range(n)],
            "block": "",
        }
    )  # fmt: skip


def metered(*frames: pd.DataFrame, study=STUDY):
    runs = judged(table(len(frames)), frames)
    return meter(study, runs, frames, Ledger(), None, False)


def test_litres_kilometres_and_hours_of_a_run_by_hand():
    got = metered(samples(), samples(fuel_rate_l_h=3.6), samples(), samples())
    assert got.estimator == "rate"
    first = got.runs.iloc[0]
    assert first["km"] == pytest.approx(10)
    assert first["hours"] == pytest.approx(1 / 6)
    assert first["fuel_l"] == pytest.approx(4 / 6)
    assert first["burned_kg"] == pytest.approx(4 / 6 * FUELS["E10"].density_kg_m3 / 1000)
    assert first["burned_l"] == pytest.approx(4 / 6)
    assert first["lhv_mj_kg"] == FUELS["E10"].lhv_mj_kg
    assert got.runs["fuel_l"].iloc[1] == pytest.approx(3.6 / 6)
    assert got.runs["used"].all()
    assert sorted(got.usable) == [0, 1, 2, 3]


def test_a_kilometre_without_fuel_is_no_kilometre_of_the_run_and_neither_is_the_reverse():
    rate = np.where(np.arange(600) < 60, np.nan, 4.0)
    speed = np.where(np.arange(600) >= 540, np.nan, 60.0)
    got = metered(samples(fuel_rate_l_h=rate), samples(), samples(speed_kmh=speed), samples())
    no_fuel, whole, no_speed, _ = got.runs.itertuples()
    assert no_fuel.km == pytest.approx(9)
    assert no_speed.fuel_l == pytest.approx(0.9 * whole.fuel_l)
    assert no_fuel.fuel_l / no_fuel.km == pytest.approx(whole.fuel_l / whole.km)
    assert no_speed.fuel_l / no_speed.km == pytest.approx(whole.fuel_l / whole.km)


def test_another_batch_counts_by_its_energy_not_by_its_volume():
    """A winter tank of E0 in a study of E10, by the driver's note."""
    frames = [samples() for _ in range(4)]
    runs = judged(table(), frames)
    study = parse_study(
        '[vehicle]\nfuel = "E10"\ndisplacement_l = 1.8\n[[batches]]\nname = "A"\nfuel = "E10"\n'
        '[[batches]]\nname = "W"\nfuel = "E0"\n'
    )
    notes = pd.DataFrame({"run": ["0", "1", "2", "3"], "batch": ["W", "A", "A", "A"]})
    got = meter(study, runs, frames, Ledger(), notes, False)
    first, second = got.runs.iloc[0], got.runs.iloc[1]
    energy = first["burned_kg"] * FUELS["E0"].lhv_mj_kg
    declared = FUELS["E10"].lhv_mj_kg * FUELS["E10"].density_kg_m3 / 1000
    assert first["fuel_l"] == pytest.approx(energy / declared)
    assert first["burned_l"] == pytest.approx(second["burned_l"])
    assert first["lhv_mj_kg"] == FUELS["E0"].lhv_mj_kg


@pytest.mark.parametrize(("km", "used"), [(0.98, False), (1.02, True)])
def test_a_run_that_hardly_moved_is_set_aside(km, used):
    short = samples(60, kmh=60 * km * SHORTEST_RUN_KM)
    runs = judged(table(), [short, samples(), samples(), samples()])
    assert runs["used"].tolist() == [used, True, True, True]
    assert str(runs["reason"].iloc[0]) == ("" if used else "only 0.49 km driven")


def test_a_run_without_speed_and_one_that_notes_set_aside_say_why():
    frames = [samples().drop(columns="speed_kmh"), samples(), samples(), samples(), samples(),
              samples()]  # fmt: skip
    runs = judged(table(6), frames, {1: "a trailer was towed", 0: "other"})
    assert runs["reason"].map(str).tolist()[:2] == [
        "no vehicle speed in the log",
        "a trailer was towed",
    ]
    assert runs["used"].tolist() == [False, False, True, True, True, True]
    assert runs["km"].iloc[0] == 0


def test_an_arm_without_a_usable_run_is_refused_with_the_first_reason():
    with pytest.raises(DesignError, match=r"no usable run of the fitted arm: 1\.csv: only"):
        judged(table(2), [samples(), samples(kmh=0.5)])


def test_one_unit_an_arm_is_refused_before_anything_is_computed():
    with pytest.raises(DesignError, match="one switch unit in each arm"):
        metered(samples(), samples())


def test_a_run_whose_fuel_is_nought_is_set_aside():
    got = metered(samples(), samples(), samples(), samples(fuel_rate_l_h=0.0))
    assert str(got.runs["reason"].iloc[3]) == "no fuel flow could be computed"
    assert sorted(got.usable) == [0, 1, 2]


def test_estimators_stand_side_by_side_over_the_runs_that_count():
    air = {"maf_g_s": 12.0}
    got = metered(
        samples(**air), samples(fuel_rate_l_h=3.6, **air), samples(**air),
        samples(fuel_rate_l_h=3.6, **air),
    )  # fmt: skip
    beside = estimators_beside(got, got.runs, STUDY).set_index("name")
    assert beside.loc["rate", "change_pct"] == pytest.approx(-10)
    assert beside.loc["rate", "baseline_l_per_100km"] == pytest.approx(4 / 60 * 100)
    assert beside.loc["maf", "change_pct"] == pytest.approx(0)
    left_out = got.runs.assign(used=[True, False, True, True])
    fewer = estimators_beside(got, left_out, STUDY).set_index("name")
    assert fewer.loc["rate", "fitted_l_per_100km"] == pytest.approx(6)


def test_positions_on_a_late_clock_are_put_right_and_told():
    t = np.arange(900.0)
    wheel = 50 + 20 * np.sin(t / 11) + 10 * np.sin(t / 37)
    late = 4
    frame = pd.DataFrame(
        {
            "t_s": t, "speed_kmh": wheel, "gps_speed_kmh": np.roll(wheel, late),
            "lat_deg": 45 + np.cumsum(np.roll(wheel, late)) * 2.5e-6, "lon_deg": 7.0,
        }
    )  # fmt: skip
    log = Log(Path("a.csv"), frame, None, facts=(Repair.TORN_END(),))
    (put_right,), told = sampled([log], False)
    assert [w.code for w in told] == ["clock-offset", "log-repaired"]
    assert "+4 s off" in str(told[0].message)
    assert (told[1].log, told[1].message) == ("a.csv", Repair.TORN_END())
    middle = slice(50, 800)
    step = np.diff(put_right["lat_deg"].to_numpy())[middle]
    assert np.corrcoef(step, wheel[1:][middle])[0, 1] > 0.999
    (left,), quiet = sampled([Log(Path("b.csv"), frame.drop(columns="gps_speed_kmh"), None)], False)
    assert quiet == []
    assert left["lat_deg"].iloc[100] == pytest.approx(frame["lat_deg"].iloc[100])
