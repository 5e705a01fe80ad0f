"""OBD-visible evidence by arm: never called a tailpipe test."""

import numpy as np
import pandas as pd
import pytest

from roadlog.cli import main
from roadlog.errors import DesignError
from roadlog.trials.engine_signals import arm_means, by_arm, engine_signals_result, run_values
from roadlog.trials.result import load_all


def samples(trim=2.0, coolant=90.0, n=200, seed=0):
    rng = np.random.default_rng(seed)
    return pd.DataFrame(
        {
            "t_s": np.arange(n, dtype=float),
            "dt_s": 1.0,
            "coolant_temp_c": coolant,
            "stft1_pct": rng.normal(0, 2, n),
            "ltft1_pct": trim,
            "fuel_status": np.where(np.arange(n) < 50, 4.0, 2.0),
            "catalyst_temp_c": 550.0,
        }
    )


def study_of(effect, *, sd=0.3, units=8, seed=1):
    rng = np.random.default_rng(seed)
    arms = ["baseline", "fitted"] * (units // 2)
    frames = [
        samples(2.0 + rng.normal(0, sd) + (effect if a == "fitted" else 0.0), seed=i)
        for i, a in enumerate(arms)
    ]
    runs = pd.DataFrame({"arm": arms, "switch_unit": range(units), "block": ""})
    return [run_values(f) for f in frames], runs


def test_means_are_over_warm_time_and_count_closed_loop():
    frame = samples(trim=5.0)
    frame.loc[:99, "coolant_temp_c"] = 30.0
    frame.loc[:99, "ltft1_pct"] = -20.0
    values = run_values(frame)
    assert values["trim_pct"] == pytest.approx(5.0, abs=0.6)
    assert values["closed_loop_pct"] == 100.0
    assert np.isnan(values["lambda"])


def test_a_shift_of_trims_is_seen_and_its_interval_holds_the_truth():
    values, runs = study_of(3.0)
    compared = by_arm(values, runs)
    said = engine_signals_result(compared, arm_means(values, runs["arm"].tolist()), None)
    trim = compared["trim_pct"]
    assert trim.low < 3.0 < trim.high
    assert trim.low > 0
    assert "fuel trims" in said.measured
    assert said.finding is None
    assert "not a tailpipe measurement" in said.strength


def test_intervals_of_signals_cover_the_truth_in_simulation():
    hits = 0
    for seed in range(40):
        values, runs = study_of(1.0, seed=seed)
        trim = by_arm(values, runs)["trim_pct"]
        hits += trim.low <= 1.0 <= trim.high
    assert hits >= 35


def test_no_signal_in_both_arms_cannot_answer():
    values, runs = study_of(0.0)
    empty = [{k: float("nan") for k in v} for v in values]
    with pytest.raises(DesignError, match="trims, lambda"):
        by_arm(empty, runs)


def test_codes_and_readiness_are_told_by_arm_or_said_to_be_missing():
    values, runs = study_of(0.0)
    means = arm_means(values, runs["arm"].tolist())
    notes = pd.DataFrame({"arm": ["in", "out"], "Trouble codes": ["P0171", "none"]})
    said = engine_signals_result(by_arm(values, runs), means, notes)
    assert any("Stored trouble codes: in: P0171; out: none." in n for n in said.notes)
    assert any("Readiness monitors not complete: not written down" in n for n in said.notes)


def test_command_on_the_demo_study(demo_study, tmp_path, capsys):
    import shutil

    study = tmp_path / "study"
    shutil.copytree(demo_study, study)
    assert main(["engine-signals", str(study)]) == 0
    out = capsys.readouterr().out
    assert "not a tailpipe measurement" in " ".join(out.split())
    assert "fuel trims" in out
    (saved,) = load_all(study)
    assert saved.trial == "engine-signals"


def test_the_trims_are_one_figure_in_the_report_and_in_this_trial():
    """Open loop and fuel cut freeze or zero the trims: neither place counts them."""
    from roadlog.closure import run_evidence
    from roadlog.fuel import Calibration
    from roadlog.fuel.trims import bank_trims
    from roadlog.study.settings import Study

    frame = samples(trim=5.0)
    frame["fuel_status"] = np.where(np.arange(len(frame)) < 80, 4.0, 2.0)
    frame.loc[frame.index < 80, ["stft1_pct", "ltft1_pct"]] = 0.0
    flow = frame.assign(fuel_state=np.where(frame["fuel_status"] == 4, "cut", "metered"))
    here = run_values(frame)["trim_pct"]
    assert here == pytest.approx(5.0, abs=0.6)
    assert here == bank_trims(flow)["trim1"]
    assert here == run_evidence(flow, Study(), Calibration(None))["trim1"]
