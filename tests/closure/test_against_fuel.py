import dataclasses
import datetime as dt

import numpy as np
import pytest

from roadlog.closure.against_fuel import close
from roadlog.closure.ledger import Ledger, checked, tanks
from roadlog.errors import InputError
from roadlog.fuel.batches import weighed_baseline_l
from roadlog.study.settings import Can, Fill
from tests.closure.logbook import fills_of, runs_of, study

ALTERNATING = ["baseline", "fitted"] * 8
UNEVEN = ["baseline"] * 3 + ["fitted"] + ["fitted"] * 3 + ["baseline"]
BY_TANK = ["baseline"] * 4 + ["fitted"] * 4
LEVEL_SENSED = "[ledger]\nfill_repeatability_l = 0.2\n"
SMALLEST = 2.0


def test_exact_fills_agree_with_an_exact_figure():
    runs = runs_of(BY_TANK * 8, km=180)
    found = close(Ledger(fills_of(runs, 4)), runs, study(LEVEL_SENSED), SMALLEST)
    assert found.verdict == "agrees"
    assert found.values["arm_gap_pct"] == pytest.approx(0, abs=1e-6)
    assert found.values["scale"] == pytest.approx(1)
    assert found.values["tanks_used"] == 16
    assert found.blocking == ()


def test_a_figure_that_reads_high_in_one_arm_is_a_gap_and_blocks():
    runs = runs_of(UNEVEN * 3, km=400, reads={"baseline": 1.0, "fitted": 1.06})
    found = close(Ledger(fills_of(runs, 4, level_sd_l=0.3)), runs, study(), SMALLEST)
    assert found.verdict == "gap"
    assert found.values["arm_gap_low_pct"] < 100 * (1 / 1.06 - 1)
    assert found.values["arm_gap_high_pct"] > 100 * (1 / 1.06 - 1)
    assert "undecided: closure gap" in found.blocking[0]


def test_daily_switching_in_one_tank_is_uninformative_never_agreement():
    runs = runs_of(ALTERNATING, km=100)
    found = close(Ledger(fills_of(runs, 4, level_sd_l=0.3)), runs, study(), SMALLEST)
    assert found.verdict != "agrees"
    assert found.blocking == ()


def test_wide_interval_says_that_it_is_no_agreement():
    runs = runs_of(UNEVEN, km=100)
    found = close(Ledger(fills_of(runs, 2, level_sd_l=0.4)), runs, study(), SMALLEST)
    assert found.verdict == "uninformative"
    assert "no agreement" in found.said[0]


def test_common_scale_moves_no_arm_but_is_told():
    runs = runs_of(BY_TANK * 8, km=180, reads={"baseline": 0.95, "fitted": 0.95})
    found = close(Ledger(fills_of(runs, 4)), runs, study(LEVEL_SENSED), SMALLEST)
    assert found.verdict == "agrees"
    assert found.values["scale"] == pytest.approx(1 / 0.95)
    assert found.values["scale_low"] < 1 / 0.95 < found.values["scale_high"]
    assert any("vehicle.fuel_scale = 1.053" in s for s in found.said)


def test_fill_level_repeatability_is_estimated_from_the_tanks():
    runs = runs_of(UNEVEN * 20, km=300)
    found = close(Ledger(fills_of(runs, 2, level_sd_l=1.5, seed=5)), runs, study(), SMALLEST)
    assert found.values["fill_repeatability_estimated_l"] == pytest.approx(1.5, rel=0.2)
    assert found.values["fill_repeatability_l"] == found.values["fill_repeatability_estimated_l"]
    assert any("These tanks scatter as if" in s for s in found.said)


def test_tanks_that_fill_to_a_hair_count_as_they_show_and_not_as_a_default_says():
    """Topped up every evening to 0.04 L, one arm a day: a figure 8 % low in one arm is a gap."""
    runs = runs_of(ALTERNATING, km=34, reads={"baseline": 1.0, "fitted": 0.92})
    fills = fills_of(runs, 1, level_sd_l=0.04)
    found = close(Ledger(fills), runs, study(), SMALLEST)
    assert found.values["fill_repeatability_l"] == pytest.approx(0.04, rel=0.5)
    assert found.verdict == "gap"
    assert found.values["arm_gap_low_pct"] < 100 * (1 / 0.92 - 1) < found.values["arm_gap_high_pct"]


def test_what_was_stated_bounds_the_level_from_below():
    runs = runs_of(ALTERNATING, km=34)
    stated = study("[ledger]\nfill_repeatability_l = 0.3\n")
    found = close(Ledger(fills_of(runs, 1, level_sd_l=0.04)), runs, stated, SMALLEST)
    assert found.values["fill_repeatability_l"] == 0.3
    assert any("no less than the 0.30 L stated" in s for s in found.said)


def test_litres_read_to_the_tenth_are_no_better_than_that():
    runs = runs_of(ALTERNATING, km=34)
    fills = fills_of(runs, 1)
    coarse = [f.model_copy(update={"litres": round(f.litres, 1)}) for f in fills]
    exact = runs.assign(burned_l=[f.litres for f in coarse[1:]])
    found = close(Ledger(tuple(coarse)), exact, study(), SMALLEST)
    assert found.values["fill_repeatability_l"] == pytest.approx(0.1 / np.sqrt(12))


def test_too_few_tanks_to_show_it_leave_an_assumption():
    runs = runs_of(BY_TANK, km=180)
    found = close(Ledger(fills_of(runs, 4)), runs, study(), SMALLEST)
    assert found.values["fill_repeatability_l"] == 0.5
    assert "fill_repeatability_estimated_l" not in found.values
    assert any("assumed" in s for s in found.said)


@pytest.mark.parametrize(("arms", "level", "own"), [("BFBFBF", 0.04, 0.0), ("BBBBFFFF", 0.0, 0.02)])
def test_the_gaps_interval_holds_the_truth_whatever_the_scatter_is(arms, level, own):
    """Level errors, which the next tank takes back, or the figure's own; arms in turn or not."""
    runs = runs_of(["baseline" if a == "B" else "fitted" for a in arms], km=34)
    rng = np.random.default_rng(8)
    hits, draws = 0, 40
    for k in range(draws):
        noisy = np.exp(own * rng.standard_normal(len(runs)))
        computed = runs.assign(burned_l=runs["true_l"] * noisy)
        found = close(Ledger(fills_of(runs, 1, level, seed=k)), computed, study(), SMALLEST)
        hits += found.gap.low is None or found.gap.low <= 0 <= found.gap.high
    assert hits / draws > 0.85


def test_full_to_full_change_has_its_own_interval():
    runs = runs_of(UNEVEN * 4, km=400)
    runs["true_l"] *= np.where(runs["arm"] == "fitted", 1.05, 1.0)
    found = close(Ledger(fills_of(runs, 4, level_sd_l=0.2)), runs, study(), SMALLEST)
    assert found.values["full_to_full_low_pct"] < 5 < found.values["full_to_full_high_pct"]
    assert found.values["full_to_full_change_pct"] == pytest.approx(5, abs=2)
    (row,) = found.measured
    assert (row.name, row.role) == ("fuel filled per distance", "crosscheck")
    assert row.interval.estimate == found.values["full_to_full_change_pct"]


def test_a_tank_with_under_97_percent_logged_is_left_out_by_name():
    runs = runs_of(UNEVEN * 2, km=400)
    runs.loc[1, "km"] *= 0.8
    found = close(Ledger(fills_of(runs_of(UNEVEN * 2, km=400), 4)), runs, study(), SMALLEST)
    row = found.tanks.iloc[0]
    assert not row["used"]
    assert row["reason"] == "95 % of its distance logged, 97 needed"


def test_more_logged_than_the_odometer_moved_is_named():
    runs = runs_of(UNEVEN, km=400)
    fills = fills_of(runs_of(UNEVEN, km=300), 4)
    found = close(Ledger(fills), runs, study(), SMALLEST)
    assert "odometer or dates are wrong" in found.tanks["reason"].iloc[0]


def test_fills_before_the_first_run_are_named():
    runs = runs_of(UNEVEN, km=400)
    early = Fill(time=dt.datetime(2026, 2, 20, 8), litres=20, odometer_km=9_500)
    found = close(Ledger((early, *fills_of(runs, 4))), runs, study(), SMALLEST)
    assert found.tanks["reason"].iloc[0].startswith("filled before the first run")


def test_warm_fuel_is_counted_at_fifteen_degrees():
    runs = runs_of(UNEVEN, km=400)
    found = close(Ledger(fills_of(runs, 4, temp_c=35.0)), runs, study(), SMALLEST)
    pumped = found.tanks["litres"].iloc[0] / runs["true_l"].iloc[:4].sum()
    assert pumped == pytest.approx(1 / np.exp(0.0240 * 1.0192), abs=2e-4)  # E10: 0.00120 1/K


def test_partial_fills_add_to_the_tank_that_they_lie_in():
    fills = (
        Fill(time=dt.date(2026, 3, 1), litres=30, odometer_km=0),
        Fill(time=dt.date(2026, 3, 4), litres=10, full=False),
        Fill(time=dt.date(2026, 3, 8), litres=20, odometer_km=450),
    )
    (tank,) = tanks(fills)
    assert tank.litres == 30
    assert tank.odometer_km == 450


def cans_for(runs, read=1.0, sd=0.0, seed=2):
    rng = np.random.default_rng(seed)
    burned = runs["true_l"] * 0.745 * read * np.exp(sd * rng.standard_normal(len(runs)))
    return tuple(
        Can(before_kg=40.0, after_kg=40.0 - kg, run=file)
        for kg, file in zip(burned, runs["file"], strict=True)
    )


def test_weighed_cans_close_sharper_than_a_shared_tank():
    runs = runs_of(ALTERNATING)
    found = close(Ledger(cans=cans_for(runs, sd=0.005)), runs, study(), SMALLEST)
    assert found.verdict == "agrees"
    assert found.values["arm_gap_high_pct"] - found.values["arm_gap_low_pct"] < 2


def test_weighed_cans_tell_the_change_by_themselves():
    """Sensors that miss the change don't matter to the scale: 5 % more was burned."""
    runs = runs_of(ALTERNATING)
    more = runs.assign(true_l=runs["true_l"] * np.where(runs["arm"] == "fitted", 1.05, 1.0))
    found = close(Ledger(cans=cans_for(more, sd=0.005)), runs, study(), SMALLEST)
    (row,) = found.measured
    assert row.name == "fuel weighed per distance"
    assert row.interval.low < 5 < row.interval.high
    assert row.interval.high - row.interval.low < 3


def test_weighed_cans_find_a_bent_arm():
    runs = runs_of(ALTERNATING, reads={"baseline": 1.0, "fitted": 0.96})
    found = close(Ledger(cans=cans_for(runs, sd=0.005)), runs, study(), SMALLEST)
    assert found.verdict == "gap"
    assert found.values["arm_gap_pct"] == pytest.approx(100 * (1 / 0.96 - 1), abs=1)


def test_a_can_of_an_unknown_run_names_the_nearest():
    can = Can(before_kg=10, after_kg=8, run="dya3.csv")
    with pytest.raises(InputError, match=r"no such run or switch unit: did you mean 'day3\.csv'"):
        close(Ledger(cans=(can,)), runs_of(UNEVEN), study(), SMALLEST)


def test_a_run_with_its_own_can_and_its_days_is_refused():
    runs = runs_of(UNEVEN)
    cans = (
        Can(before_kg=10, after_kg=5, run="day0.csv"),
        Can(before_kg=10, after_kg=5, unit="2026-03-02"),
    )
    with pytest.raises(InputError, match="keep one"):
        close(Ledger(cans=cans), runs, study(), SMALLEST)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"odometer_km": 9_000.0}, "the odometer goes back from 10000 to 9000 km"),
        ({"litres": 80.0}, "80 litres don't go into a tank of 50"),
        ({"time": dt.datetime(2026, 3, 2)}, "given twice"),
    ],
)
def test_impossible_fills_are_named(change, message):
    first, second, *_ = fills_of(runs_of(UNEVEN), 4)
    with pytest.raises(InputError, match=message):
        checked(Ledger((first, second.model_copy(update=change))), study())


def test_a_bare_date_on_a_driven_day_asks_for_the_time():
    runs = runs_of(UNEVEN)
    fills = (Fill(time=dt.date(2026, 3, 3), litres=30, odometer_km=1),)
    with pytest.raises(InputError, match=r"day1\.csv was driven that day: give the time"):
        close(Ledger(fills), runs, study(), SMALLEST)


def test_a_fill_in_mid_run_is_refused():
    runs = runs_of(UNEVEN)
    fills = (Fill(time=dt.datetime(2026, 3, 3, 8, 30), litres=30, odometer_km=1),)
    with pytest.raises(InputError, match=r"falls into the run day1\.csv"):
        close(Ledger(fills), runs, study(), SMALLEST)


def test_no_ledger_is_no_closure():
    assert close(Ledger(), runs_of(UNEVEN), study(), SMALLEST) is None


def test_runs_set_aside_still_burned_fuel():
    runs = runs_of(UNEVEN * 2, km=400)
    runs.loc[2, "used"] = False
    found = close(Ledger(fills_of(runs, 4)), runs, study(), SMALLEST)
    assert found.tanks["used"].all()
    assert dataclasses.is_dataclass(found)


def test_cans_over_all_baseline_runs_give_the_litres_that_set_the_level():
    runs = runs_of(UNEVEN)
    found = weighed_baseline_l(cans_for(runs), runs, study())
    assert found == pytest.approx(runs.loc[runs["arm"] == "baseline", "true_l"].sum(), rel=0.01)
    assert weighed_baseline_l(cans_for(runs)[1:], runs, study()) is None
    assert weighed_baseline_l((), runs, study()) is None
