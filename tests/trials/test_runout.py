"""Run-outs: end from the load voltage, equal load, hold-up, the add-on's own electricity."""

import numpy as np
import pandas as pd
import pytest

from roadlog.cli import main
from roadlog.errors import DesignError, InputError
from roadlog.quantities.fuels import FUELS
from roadlog.trials.runout import compare_runouts, runout_result
from roadlog.trials.runout_sheet import read_runouts, run_end
from tests.trials.synthetic import runout_table

E0 = FUELS["E0"]
ALTERNATE = ["baseline", "fitted"] * 6
BLOCKS = [str(i // 2) for i in range(12)]


def test_the_end_is_where_the_voltage_gives_out_for_two_seconds():
    t = np.arange(0, 600, 0.5)
    v = np.where(t < 500, 230.0, 0.0) + np.random.default_rng(1).normal(0, 1, len(t))
    v[(t >= 200) & (t < 201)] = 150.0  # a hiccup of one second is not the end
    assert run_end(t, v) == pytest.approx(500, abs=0.6)


def test_a_log_that_stops_with_the_engine_running_cannot_answer():
    with pytest.raises(DesignError, match="until the engine has stopped"):
        run_end(np.arange(100.0), np.full(100, 230.0))


def test_a_log_that_ends_with_the_voltage_down_counts():
    t = np.arange(0.0, 100.0)
    assert run_end(t, np.where(t < 99, 230.0, 0.0)) == pytest.approx(98.1)


def test_an_effect_is_found_and_nothing_is_not():
    for effect, claim, word in ((0.0, -10.0, "refuted"), (-12.0, -5.0, "supported")):
        table = runout_table(
            np.random.default_rng(6), arms=ALTERNATE, fuels_g=[300.0] * 12, effect_pct=effect,
            blocks=BLOCKS,
        )  # fmt: skip
        said = runout_result(
            compare_runouts(table, fixed_end_state=True, randomised=True),
            claim_fuel_pct=claim,
            fuel=E0,
        )
        assert said.low < effect < said.high
        assert said.finding == word
        time = said.details["run_time_pct"]
        assert time[1] < 100 * (1 / (1 + effect / 100) - 1) < time[2]
        assert said.details["g_per_kwh"]["baseline"] == pytest.approx(900, rel=0.02)


def test_hold_up_is_told_from_two_volumes_and_leaves_the_effect():
    fuels = [200.0, 200.0, 400.0, 400.0] * 3
    table = runout_table(
        np.random.default_rng(2), arms=ALTERNATE, fuels_g=fuels, effect_pct=-5.0, hold_up_g=40.0,
        sd=0.004,
    )  # fmt: skip
    done = compare_runouts(table, randomised=True)
    assert done.hold_up_g[0] == pytest.approx(40.0, abs=3 * done.hold_up_g[1])
    assert done.hold_up_g[1] < 6
    assert done.g_per_kwh[0] == pytest.approx(900, rel=0.03)
    said = runout_result(done, fuel=E0)
    assert said.low < -5.0 < said.high


def test_one_volume_with_hold_up_leaves_the_comparison_alone():
    table = runout_table(
        np.random.default_rng(2), arms=ALTERNATE, fuels_g=[300.0] * 12, effect_pct=-5.0,
        hold_up_g=40.0, sd=1e-6,
    )  # fmt: skip
    assert runout_result(
        compare_runouts(table, randomised=True), fuel=E0
    ).estimate == pytest.approx(-5.0, abs=1e-3)


def test_different_amounts_by_arm_only_cannot_answer():
    fuels = [300.0 if a == "baseline" else 400.0 for a in ALTERNATE]
    table = runout_table(np.random.default_rng(2), arms=ALTERNATE, fuels_g=fuels)
    with pytest.raises(DesignError, match="two amounts in each arm"):
        compare_runouts(table, randomised=True)
    assert compare_runouts(table, randomised=True, fixed_end_state=True).hold_up_g == (0.0, 0.0)


def test_unequal_loads_are_made_equal_by_the_fitted_line():
    """Fitted trials carry 8 % less load on the whole: unadjusted, they would seem to save 5 %."""
    rng = np.random.default_rng(9)
    loads = [
        float(x) for x in np.where(np.arange(12) % 2 == 1, 0.92, 1.0) * rng.uniform(800, 1200, 12)
    ]
    table = runout_table(
        rng, arms=ALTERNATE, fuels_g=[300.0] * 12, loads_w=loads, follows=0.7, sd=0.004
    )
    done = compare_runouts(table, fixed_end_state=True, randomised=True)
    assert done.line_fitted
    assert done.follows_load[0] == pytest.approx(0.7, abs=3 * done.follows_load[1])
    assert abs(done.change.estimate) < 3 * done.change.se < 0.01
    raw = np.log(table["fuel_g"] / table["time_s"]).groupby(table["arm"]).mean()
    assert raw["fitted"] - raw["baseline"] < -0.02


def test_an_assumed_line_widens_the_interval_only_where_loads_differ():
    arms = ALTERNATE
    even = runout_table(np.random.default_rng(4), arms=arms, fuels_g=[300.0] * 12)
    odd = runout_table(
        np.random.default_rng(4), arms=arms, fuels_g=[300.0] * 12,
        loads_w=[1000.0, 930.0] * 6,
    )  # fmt: skip
    narrow = compare_runouts(even, fixed_end_state=True, randomised=True)
    wide = compare_runouts(odd, fixed_end_state=True, randomised=True)
    assert not wide.line_fitted
    assert narrow.change.se < 0.8 * wide.change.se
    assert wide.change.estimate == pytest.approx(narrow.change.estimate, abs=1e-9)


def test_electricity_from_outside_is_charged_and_own_is_in_the_fuel():
    """An add-on of 100 W at 1,000 W: with 0.6 of fuel following load, 5.9 % more fuel."""
    rng = np.random.default_rng(5)
    common = {"arms": ALTERNATE, "fuels_g": [300.0] * 12, "sd": 1e-6, "addon_w": 100.0}
    outside = compare_runouts(
        runout_table(rng, outside=True, **common), fixed_end_state=True, randomised=True
    )
    inside = compare_runouts(
        runout_table(rng, outside=False, **common), fixed_end_state=True, randomised=True
    )
    assert 100 * np.expm1(outside.change.estimate) == pytest.approx(100 * (1.1**0.6 - 1), abs=0.01)
    assert inside.change.estimate == pytest.approx(0.0, abs=1e-4)
    assert any("from outside" in n for n in runout_result(outside, fuel=E0).notes)


def trials(rows):
    """Rows of arm, block, fuel [g], time [s], load [W], as a tester writes them down."""
    table = pd.DataFrame(rows, columns=["arm", "block", "fuel_g", "time_s", "load_w"])
    return table.assign(addon_w=0.0, outside=False)


def test_three_identical_pairs_have_the_width_of_scale_and_clock():
    """300 g to 1 g, whole seconds: nothing is known to better than about half a percent."""
    pair = [("baseline", "1", 300, 3600, 1000), ("fitted", "1", 300, 4000, 1000)]
    said = runout_result(
        compare_runouts(trials(pair * 3), randomised=True), claim_fuel_pct=-10, fuel=E0
    )
    assert said.estimate == pytest.approx(-10.0)
    assert 0.3 < said.high - said.estimate < 1.0
    assert said.finding == "undecided"
    assert any("set the interval" in n for n in said.notes)


@pytest.mark.parametrize(
    "fitted",
    [(300, 60.5, 1000), (300, 3630, 1.0), (300, 1650, 1000), (300, 7900, 1000)],
    ids=["minutes", "kW", "pounds for one", "half the fuel"],
)
def test_one_arm_written_in_other_units_is_never_firm(fitted):
    """Minutes for seconds gave +5,847 % and REFUTED."""
    fuel, time, load = fitted
    rows = [
        ("baseline", "", 300, 3600 + i, 1000) if i % 2 == 0
        else ("fitted", "", fuel, time * (1 + i / 5000), load)
        for i in range(12)
    ]  # fmt: skip
    said = runout_result(
        compare_runouts(trials(rows), randomised=True), claim_fuel_pct=-10.0, fuel=E0
    )
    assert said.finding == "undecided"
    assert "No add-on changes fuel use" in said.notes[0]


def test_a_change_that_an_add_on_could_make_keeps_its_word():
    rows = [
        ("baseline", "", 300, 3600 + i, 1000) if i % 2 == 0 else ("fitted", "", 300, 4800 + i, 1000)
        for i in range(12)
    ]
    said = runout_result(
        compare_runouts(trials(rows), randomised=True), claim_fuel_pct=-10.0, fuel=E0
    )
    assert said.finding == "supported"


def test_the_reading_floor_does_not_shrink_with_agreeing_repeats():
    pair = [("baseline", "", 300, 3600, 1000), ("fitted", "", 300, 4000, 1000)]
    few, many = (
        runout_result(compare_runouts(trials(pair * n), randomised=True), fuel=E0) for n in (3, 300)
    )
    assert few.high - few.low > many.high - many.low > 0.5


def test_times_read_in_minutes_are_known_to_a_minute():
    rows = [(a, "", 300, t, 1000) for a, t in zip(ALTERNATE, [3600, 3660] * 6, strict=True)]
    said = runout_result(compare_runouts(trials(rows), randomised=True), fuel=E0)
    assert said.low < -3
    assert said.high > 0


@pytest.mark.parametrize("column", ["fuel", "load", "both"])
def test_amounts_or_loads_that_go_with_the_block_are_not_fitted(column):
    """Each block with its own amount or load tells neither hold-up nor the line: they drop out."""
    rows = []
    for block, share in enumerate((0.5, 1.0, 1.5)):
        fuel = 400 * (share if column != "load" else 1.0)
        load = 1000 * (share if column != "fuel" else 1.0)
        time = fuel * 12.0 / (load / 1000) ** 0.6
        for arm, shift in (("baseline", 1.01), ("fitted", 0.995 + 0.01 * block)):
            rows.append((arm, str(block), fuel, time * shift, load))
    done = compare_runouts(trials(rows), randomised=True)
    assert not done.line_fitted
    assert done.hold_up_g[0] == 0
    said = runout_result(done, claim_fuel_pct=-10.0, fuel=E0)
    assert -5 < said.low < 1.0 / 1.005 - 1 + 0.5 < said.high < 10


def test_a_fit_that_tells_nothing_gives_no_interval_instead_of_endless_percent():
    """Run time that doesn't follow the amount at all leaves hold-up without bounds."""
    rng = np.random.default_rng(3)
    rows = [
        (arm, "", fuel, 3600 * np.exp(0.4 * rng.normal()), 1000)
        for arm, fuel in zip(ALTERNATE[:6], [200, 220, 220, 200, 200, 220], strict=True)
    ]
    said = runout_result(
        compare_runouts(trials(rows), randomised=True), claim_fuel_pct=-10.0, fuel=E0
    )
    assert said.finding == "undecided"
    assert said.low is None or said.high < 2000
    assert "inf" not in said.measured


def test_one_arm_weighed_and_one_measured_by_volume_is_unsure_by_the_density():
    table = runout_table(
        np.random.default_rng(6), arms=ALTERNATE, fuels_g=[300.0] * 12, blocks=BLOCKS
    )
    alike = compare_runouts(table.assign(weighed=True), randomised=True).change
    apart = compare_runouts(table.assign(weighed=table["arm"] == "fitted"), randomised=True).change
    assert apart.se > 0.015 > alike.se


def test_fuel_temperature_for_some_volumes_only_is_refused(tmp_path):
    load_file(tmp_path / "load.csv", 100)
    rows = "1,baseline,,400,35,load.csv,,\n2,fitted,,400,,load.csv,,\n"
    (tmp_path / "runout.csv").write_text(HEADER + rows)
    with pytest.raises(InputError, match=r"line 3: no fuel_temp_c, though other volumes have one"):
        read_runouts(tmp_path / "runout.csv", E0)


def test_volumes_of_unknown_temperature_are_less_sure_than_weighed_fuel(tmp_path):
    load_file(tmp_path / "load.csv", 100)
    (tmp_path / "runout.csv").write_text(
        HEADER + "1,baseline,,400,20,load.csv,,\n2,fitted,,400,20,load.csv,,\n"
    )
    read = read_runouts(tmp_path / "runout.csv", E0)["u_fuel_g"]
    (tmp_path / "runout.csv").write_text(
        HEADER + "1,baseline,,400,,load.csv,,\n2,fitted,,400,,load.csv,,\n"
    )
    unread = read_runouts(tmp_path / "runout.csv", E0)["u_fuel_g"]
    assert (unread > 1.5 * read).all()


def test_trials_in_one_stretch_an_arm_give_no_interval():
    arms = ["baseline"] * 5 + ["fitted"] * 5
    table = runout_table(np.random.default_rng(5), arms=arms, fuels_g=[300.0] * 10)
    said = runout_result(
        compare_runouts(table, fixed_end_state=True), claim_fuel_pct=-10.0, fuel=E0
    )
    assert said.low is None
    assert said.finding == "undecided"
    assert "order that chance decides" in said.strength


def test_repeats_that_would_settle_the_claim_are_told():
    table = runout_table(np.random.default_rng(5), arms=ALTERNATE, fuels_g=[300.0] * 12, sd=0.05)
    said = runout_result(
        compare_runouts(table, fixed_end_state=True, randomised=True), claim_fuel_pct=-3.0, fuel=E0
    )
    needed = said.details["repeats_for_claim"]
    assert needed > 12
    assert any(str(needed) in n for n in said.notes)


HEADER = "trial,arm,block,volume_ml,fuel_temp_c,load_file,addon_w,addon_fed_by\n"


def load_file(path, run_s, watts=1000.0, seed=1):
    rng = np.random.default_rng(seed)
    t = np.arange(0, run_s + 20, 1.0)
    on = (t >= 5) & (t < run_s + 5)
    pd.DataFrame(
        {
            "time_s": t,
            "voltage_v": np.where(on, 230 + rng.normal(0, 1, len(t)), 0.0),
            "current_a": np.where(on, watts / 230, 0.0),
        }
    ).to_csv(path, index=False)


def test_a_table_with_load_files_is_read_and_judged(tmp_path, capsys):
    rows = []
    for i, (arm, block) in enumerate(zip(ALTERNATE[:8], BLOCKS[:8], strict=True)):
        load_file(tmp_path / f"load{i}.csv", 1200 + (3 * i) % 7, seed=i)
        rows.append(f"{i},{arm},{block},400,20,load{i}.csv,,")
    (tmp_path / "runout.csv").write_text(HEADER + "\n".join(rows) + "\n")
    trials = read_runouts(tmp_path / "runout.csv", E0)
    assert trials["time_s"].iloc[0] == pytest.approx(1200, abs=1.1)
    assert trials["load_w"].iloc[0] == pytest.approx(1000, rel=0.01)
    cold_l = 0.4 / (1 + E0.thermal_expansion_per_k * 5)
    assert trials["fuel_g"].iloc[0] == pytest.approx(cold_l * E0.density_kg_m3, rel=1e-4)
    argv = ["runout", str(tmp_path / "runout.csv"), "--claim-fuel", "10", "--randomised"]
    assert main([*argv, "--fuel", "E0"]) == 0
    out = capsys.readouterr().out
    for words in ("REFUTED", "Exhaust gas kills", "never refuel", "g/kWh", "switch units"):
        assert words in out
    assert max(map(len, out.splitlines())) <= 88


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("1,baseline,,-400,20,load.csv,,", "line 2: volume_ml -400"),
        ("1,baseline,,,20,load.csv,,", "neither fuel_g nor volume_ml"),
        ("1,base,,400,20,load.csv,,", "arm 'base'"),
        ("1,baseline,,400,200,load.csv,,", "fuel_temp_c 200"),
        ("1,baseline,,400,20,gone.csv,,", "gone.csv doesn't exist"),
        ("1,baseline,,400,20,,,", "no run_time_s"),
        ("1,baseline,,400,20,load.csv,50,", "say addon_fed_by"),
        ("1,baseline,,400,20,load.csv,-5,engine", "addon_w -5"),
        ("1,baseline,,four,20,load.csv,,", "'four' is no number"),
    ],
)
def test_impossible_rows_are_named(tmp_path, row, words):
    load_file(tmp_path / "load.csv", 100)
    (tmp_path / "runout.csv").write_text(HEADER + row + "\n")
    with pytest.raises(InputError, match=words):
        read_runouts(tmp_path / "runout.csv", E0)


def test_a_load_of_zero_and_one_arm_only_are_named(tmp_path, capsys):
    path = tmp_path / "runout.csv"
    path.write_text("arm,fuel_g,run_time_s,load_w\nbaseline,300,1200,0\n")
    assert main(["runout", str(path)]) == 2
    assert "load 0 W is not above zero" in capsys.readouterr().err
    path.write_text("arm,fuel_g,run_time_s,load_w\nbaseline,300,1200,1000\n")
    assert main(["runout", str(path)]) == 1
    assert "no trial of the fitted arm" in capsys.readouterr().err
    path.write_text("arm,fuel_g,run_time_s,lod_w\nbaseline,300,1200,1000\n")
    assert main(["runout", str(path)]) == 2
    assert "did you mean 'load_w'?" in capsys.readouterr().err
