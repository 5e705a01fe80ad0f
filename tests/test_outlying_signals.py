"""One run whose trims, mixture or status stand apart from the others' is told by its log."""

import numpy as np
import pandas as pd
import pytest

from roadlog.fuel.outliers import outlying_signals

FILES = [f"{i}.csv" for i in range(8)]
ARMS = ["baseline", "fitted"] * 4


def run(rng: np.random.Generator, **changed: float | np.ndarray) -> pd.DataFrame:
    """Ten warm minutes in closed loop, trims near nought."""
    n = 600
    return pd.DataFrame(
        {
            "t_s": np.arange(n) + 400.0, "dt_s": 1.0,
            "speed_kmh": 60 + 10 * np.sin(np.arange(n) / 9),
            "coolant_temp_c": 88.0, "fuel_status": 2.0, "lambda_commanded": 1.0,
            "stft1_pct": rng.normal(0, 1, n), "ltft1_pct": 1.0,
        }
    ).assign(**changed)  # fmt: skip


def told(petrol: bool = True, **changed: float | np.ndarray) -> dict[str, str]:
    rng = np.random.default_rng(1)
    runs = [run(rng) for _ in range(7)] + [run(rng, **changed)]
    return {w.code: w.log for w in outlying_signals(runs, FILES, ARMS, petrol=petrol)}


def test_runs_alike_are_not_accused() -> None:
    assert told() == {}


@pytest.mark.parametrize(
    "changed", [{"ltft1_pct": 12.0}, {"stft1_pct": np.where(np.arange(600) < 180, 25.0, 0.0)}]
)
def test_trims_of_one_run_that_stand_apart_are_told(changed: dict) -> None:
    found = told(**changed)
    assert found.pop("trims-apart") == "7.csv"
    assert set(found) <= {"trims-strained"}


def test_trims_that_no_sound_engine_needs_are_told_though_the_engine_is_cold() -> None:
    cold = {"coolant_temp_c": 30.0, "stft1_pct": np.where(np.arange(600) < 180, 25.0, 0.0)}
    assert told(**cold) == {"trims-strained": "7.csv"}


def test_bent_trims_of_a_whole_arm_are_no_outlier() -> None:
    """They are what the evidence by arm is for."""
    rng = np.random.default_rng(2)
    runs = [run(rng, ltft1_pct=8.0 if a == "fitted" else 1.0) for a in ARMS]
    assert outlying_signals(runs, FILES, ARMS, petrol=True) == []


def test_mixture_that_no_petrol_engine_runs_at_is_told_and_a_diesels_is_not() -> None:
    lean = {"lambda_commanded": np.where(np.arange(600) < 180, 1.99, 1.0)}
    assert told(**lean) == {"lambda-impossible": "7.csv"}
    assert told(petrol=False, **lean) == {}


def test_status_that_never_moves_from_open_loop_is_told() -> None:
    assert "status-sticks" in told(fuel_status=4.0)
