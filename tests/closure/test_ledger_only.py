import datetime as dt
import json

import numpy as np
import pandas as pd
import pytest

from roadlog.analysis.by_ledger import analyse_ledger
from roadlog.cli import main
from roadlog.closure import Ledger
from roadlog.errors import DesignError, InputError
from roadlog.plan.schedule import draw_schedule, driving_days, switch_units, weekday_gap
from roadlog.stats.interval import percent_interval
from roadlog.stats.randomise import assignments
from roadlog.stats.unit_contrast import block_columns, unit_t
from roadlog.stats.unit_randomisation import randomise_units
from roadlog.study.settings import Plan, parse_study

FIRST = dt.date(2026, 3, 2)


def schedule(pairs, seed=4):
    first = np.random.default_rng(seed).integers(0, 2, pairs)
    return [("baseline", "fitted")[(first[i // 2] + i) % 2] for i in range(2 * pairs)]


def can_study(arms, effect=-0.1, sd=0.01, claim="fuel_pct = 5", seed=8, extra="", days=None):
    """One can a day over 34 km, 2 kg at baseline."""
    rng = np.random.default_rng(seed)
    units, cans = [], []
    for i, arm in enumerate(arms):
        day = days[i] if days else FIRST + dt.timedelta(days=i)
        kg = 2 * np.exp(sd * rng.standard_normal()) * (1 + effect * (arm == "fitted"))
        units.append(f'{{unit = {day}, arm = "{arm}", block = {i // 2}}}')
        cans.append(f"[[cans]]\nbefore_kg = 9.0\nafter_kg = {9 - kg:.4f}\nunit = {day}\nkm = 34\n")
    return (
        f"[claim]\n{claim}\n[schedule]\nrandomised = true\nunit = [{', '.join(units)}]\n"
        + extra
        + "".join(cans)
    )


def test_a_folder_with_nothing_but_cans_yields_an_interval(tmp_path, capsys):
    folder = tmp_path / "study"
    folder.mkdir()
    (folder / "study.toml").write_text(can_study(schedule(6)))
    out = tmp_path / "out"
    assert main(["analyze", str(folder), "--out", str(out)]) == 0
    r = json.loads((out / "results.json").read_text())
    assert r["fuel_estimator"] == "ledger"
    assert r["fuel_use_change_pct"]["low"] < -10 < r["fuel_use_change_pct"]["high"]
    assert r["finding"] == "supported"
    assert r["randomisation"]["assignments"] == 64
    assert "compared by switch unit" in " ".join(capsys.readouterr().out.split())


def test_fills_csv_with_a_unit_a_tank_yields_an_interval(tmp_path):
    folder = tmp_path / "study"
    folder.mkdir()
    (folder / "study.toml").write_text("[claim]\nfuel_pct = 10\n")
    rng = np.random.default_rng(5)
    lines = ["time,litres,odometer [km],arm,unit", "2026-03-02,31.2,1000,,"]
    for i, arm in enumerate(["baseline", "fitted", "fitted", "baseline"] * 2):
        litres = 32 * np.exp(0.02 * rng.standard_normal())
        day = FIRST + dt.timedelta(days=7 * (i + 1))
        lines.append(f"{day},{litres:.2f},{1000 + 500 * (i + 1)},{arm},week {i + 1}")
    (folder / "fills.csv").write_text("\n".join(lines))
    assert main(["analyze", str(folder), "--out", str(tmp_path / "out")]) == 0
    r = json.loads((tmp_path / "out" / "results.json").read_text())
    assert r["fuel_use_change_pct"]["low"] < 0 < r["fuel_use_change_pct"]["high"]
    assert r["baseline"]["switch_units"] == 4
    assert r["finding"] == "refuted"


def test_a_can_of_a_day_with_an_agreed_deviation_is_set_aside(tmp_path):
    folder = tmp_path / "study"
    folder.mkdir()
    words = '[analysis]\nexclude_if = ["trailer"]\n'
    (folder / "study.toml").write_text(can_study(schedule(6), extra=words))
    (folder / "notes.csv").write_text("date,deviation\n2026-03-04,trailer\n2026-03-05,jam\n")
    assert main(["analyze", str(folder), "--out", str(tmp_path / "out")]) == 0
    r = json.loads((tmp_path / "out" / "results.json").read_text())
    (left_out,) = [run for run in r["runs"] if not run["used"]]
    assert left_out["file"] == "can 2026-03-04"
    assert str(left_out["reason"]) == "deviation noted: trailer"
    assert "deviation-stays" in {w["code"] for w in r["warnings"]}


def test_interval_is_the_switch_unit_t_interval():
    arms = schedule(6)
    study = parse_study(can_study(arms))
    found = analyse_ledger(study, Ledger((), study.cans)).effect.primary
    values = np.log([(c.before_kg - c.after_kg) / c.km for c in study.cans])
    pairs = block_columns(12, [str(i // 2) for i in range(12)])
    tau, half, df = unit_t(values, np.array([a == "fitted" for a in arms], np.intp), pairs)
    assert found.df == 5
    assert (found.low, found.high) == pytest.approx(
        (percent_interval(tau, half, df, "").low, percent_interval(tau, half, df, "").high)
    )


def test_both_arms_in_every_tank_is_told():
    text = can_study(["baseline", "fitted"] * 3).split("[[cans]]")[0]
    fills = "".join(
        f"[[fills]]\ntime = {FIRST + dt.timedelta(days=d)}\nlitres = 20\nodometer_km = {d * 100}\n"
        for d in (0, 3, 6)
    )
    study = parse_study(text + fills)
    with pytest.raises(DesignError, match="both arms in one tank"):
        analyse_ledger(study, Ledger(study.fills))


def test_a_can_without_distance_or_arm_is_refused():
    study = parse_study('[[cans]]\nbefore_kg = 9\nafter_kg = 7\nunit = "a"\narm = "fitted"\n')
    with pytest.raises(InputError, match="needs the distance driven"):
        analyse_ledger(study, Ledger((), study.cans))
    study = parse_study('[[cans]]\nbefore_kg = 9\nafter_kg = 7\nunit = "a"\nkm = 3\n')
    with pytest.raises(InputError, match="its arm is unknown"):
        analyse_ledger(study, Ledger((), study.cans))


def test_winter_batch_in_one_arm_is_no_effect_of_the_add_on():
    """Fitted days burn fuel of 4 % less energy, 4 % more of it: no effect at equal energy."""
    arms = schedule(6)
    text = can_study(arms, effect=1 / 0.96 - 1, sd=0.004, extra="")
    batch = '[[batches]]\nname = "winter"\nlhv_mj_kg = 40.08\n'
    text = text.replace("km = 34\n", 'km = 34\nbatch = "?"\n')
    for arm in arms:
        name = '"winter"' if arm == "fitted" else '"summer"'
        text = text.replace('"?"', name, 1)
    lhv = 40.08 / 0.96
    summer = f'[[batches]]\nname = "summer"\nlhv_mj_kg = {lhv}\n'
    study = parse_study(text + batch + summer)
    effect = analyse_ledger(study, Ledger((), study.cans)).effect.primary
    assert effect.low < 0 < effect.high
    assert effect.estimate == pytest.approx(0, abs=0.6)


def test_randomisation_interval_covers_and_its_p_is_uniform():
    rng = np.random.default_rng(2)
    arm = np.array([0, 1] * 6, np.intp)
    blocks = [str(i // 2) for i in range(12)]
    drawn, pairs = assignments(arm, blocks, rng), block_columns(12, blocks)
    hits, small = 0, 0
    for _ in range(60):
        values = 0.02 * rng.standard_normal(12) + 0.05 * arm
        found = randomise_units(values, arm, pairs, drawn)
        hits += found.low <= 0.05 <= found.high
        small += randomise_units(values - 0.05 * arm, arm, pairs, drawn).p <= 0.05
    assert hits >= 54
    assert small <= 8


def test_the_orders_keep_the_schedules_weekday_limit():
    """Sixteen working days in pairs have 256 orders; the drawn limit, no weekday 4:0,
    leaves 224."""
    plan = Plan(days=16)
    units = switch_units(plan, driving_days(plan, FIRST))
    drawn = draw_schedule(units, block_size=2, seed=6)
    arms = [u.arm for u in drawn.unit]
    study = parse_study(can_study(arms, days=[u.unit for u in drawn.unit]))
    study = study.model_copy(update={"schedule": drawn})
    found = analyse_ledger(study, Ledger((), study.cans)).effect.randomisation
    every = assignments([a == "fitted" for a in arms], [str(i // 2) for i in range(16)], None).arms
    assert len(every) == 256
    assert found.assignments == int((weekday_gap(every, units) <= drawn.weekday_limit).sum()) == 224
    assert found.exact


def test_two_cans_of_one_switch_unit_are_one_value():
    """A weekend driven on one state is one switch unit, however many cans were weighed."""
    units, cans = [], []
    for i, arm in enumerate(schedule(4)):
        day, next_day = (FIRST + dt.timedelta(days=2 * i + k) for k in (0, 1))
        units.append(f'{{unit = {day}, also = [{next_day}], arm = "{arm}", block = {i // 2}}}')
        for when, kg in ((day, 2.0 + 0.01 * i), (next_day, 2.02)):
            cans.append(f"[[cans]]\nbefore_kg = 9.0\nafter_kg = {9 - kg}\nunit = {when}\nkm = 34")
    text = f"[schedule]\nrandomised = true\nunit = [{', '.join(units)}]\n" + "\n".join(cans)
    study = parse_study(text)
    found = analyse_ledger(study, Ledger((), study.cans))
    assert found.baseline.switch_units == found.fitted.switch_units == 4
    assert found.effect.randomisation.assignments == 16


def test_a_can_against_its_scheduled_arm_is_refused():
    text = can_study(["baseline", "fitted"] * 2) + 'arm = "baseline"\n'
    study = parse_study(text)
    with pytest.raises(InputError, match="scheduled as fitted"):
        analyse_ledger(study, Ledger((), study.cans))


def test_results_show_no_driving_that_was_not_logged():
    study = parse_study(can_study(schedule(4)))
    found = analyse_ledger(study, Ledger((), study.cans))
    assert found.passes["demand_kj_per_km"].isna().all()
    assert "ledger-only" in {w.code for w in found.warnings}
    assert isinstance(found.effect.residuals, pd.DataFrame)
