"""A pilot of two cars: how far their days go together, and what a schedule of periods needs."""

import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from roadlog.cli import main
from roadlog.demo import make_study
from roadlog.errors import DesignError
from roadlog.passes.table import _of_run
from roadlog.plan import two_cars
from roadlog.plan.promise import Scatter
from roadlog.plan.together import assumed, measured
from roadlog.plan.two_cars import periods_of, two_car_size
from roadlog.runs.order import days_within_periods
from roadlog.study.folder import load_study

START = ["--start", "2027-03-01"]


def days_of(rng: np.random.Generator, n: int, r: float, other: float) -> tuple[list[float], ...]:
    """Fuel of two cars [%] whose days go together by `r`; the second scatters `other` times."""
    z = rng.standard_normal((2, n))
    return z[0].tolist(), (other * (r * z[0] + np.sqrt(1 - r**2) * z[1])).tolist()


@pytest.mark.parametrize(("n", "r"), [(5, 0.6), (9, 0.9)])
def test_intervals_of_a_small_pilot_hold_as_often_as_they_say(n: int, r: float) -> None:
    """By simulation; 95 % of 120, give or take 2.4."""
    rng = np.random.default_rng(31)
    gain = np.sqrt(1 + 1.3**2 - 2 * 1.3 * r)
    found = [measured(*days_of(rng, n, r, 1.3)) for _ in range(120)]
    held = [(t.low <= r <= t.high, t.gain_low <= gain <= t.gain_high) for t in found]  # type: ignore[operator]
    assert (np.mean(held, axis=0) > 0.95 - 4 * 0.02).all()


def test_a_pilot_of_few_days_is_no_promise(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is simulated from five days is wider than from many that say the same."""
    monkeypatch.setattr(two_cars, "STUDIES", 150)
    rng = np.random.default_rng(32)
    few, many = (measured(*days_of(rng, n, 0.8, 1.0)) for n in (5, 200))
    assert few.low is not None
    assert few.high is not None
    assert few.high - few.low > 1
    scatter = Scatter(0.01, "pilot", df=3.0)
    wide, narrow = (two_car_size((8, 8, 8), scatter, t, None) for t in (few, many))
    assert wide is not None
    assert narrow is not None
    assert narrow.half_width_pct < wide.half_width_pct
    known = two_car_size((8, 8, 8), scatter, assumed(many.correlation, 0.01, None), None)
    assert known is not None
    assert narrow.half_width_pct == pytest.approx(known.half_width_pct, rel=0.2)


def test_days_that_the_two_cars_don_t_share_say_nothing() -> None:
    with pytest.raises(DesignError, match="on 3 days of the pilot only"):
        measured([1.0, 2.0, 1.5], [1.0, 2.0, 1.4])
    with pytest.raises(DesignError, match="to the last digit"):
        measured([1.0] * 6, [1.0, 2.0, 1.4, 1.0, 3.0, 2.0])


def planned(folder: Path, *options: str) -> int:
    return main(["plan", str(folder), *START, *options])


@pytest.fixture
def study(tmp_path: Path) -> Path:
    folder = tmp_path / "back"
    main(["new", str(folder), "--claim-fuel", "8", "--days", "14"])
    return folder


def test_there_and_back_is_written_beside_a_control_car(
    study: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(two_cars, "STUDIES", 20)
    assert planned(study, "--order", "there-and-back") == 1
    assert "Without a second car no interval" in " ".join(capsys.readouterr().out.split())
    assert load_study(study).schedule is None
    path = study / "study.toml"
    path.write_text(path.read_text() + '\n[control]\nname = "the other car"\n')
    assert planned(study, "--order", "there-and-back", "--days", "11") == 1
    assert "plan 12 days or more" in capsys.readouterr().err
    assert planned(study, "--order", "there-and-back", "--sealed", "x.json") == 2
    assert "known to everybody" in capsys.readouterr().err
    assert planned(study, "--order", "there-and-back") == 0
    schedule = load_study(study).schedule
    assert schedule is not None
    assert not schedule.randomised
    arms = [str(u.arm) for u in schedule.unit]
    assert arms == ["baseline"] * 5 + ["fitted"] * 4 + ["baseline"] * 5


def test_what_stays_cant_be_taken_back(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "additive"
    main(["new", str(folder), "--carry-over", "permanent", "--claim-fuel", "5"])
    assert planned(folder, "--order", "there-and-back") == 2
    assert "correct one" in capsys.readouterr().err


def test_washout_of_a_period_runs_on_from_day_to_day() -> None:
    """Counted anew each morning, a washout of a day's drive would set every drive aside."""
    day = [f"2026-03-{n:02d}" for n in range(2, 8)]
    runs = pd.DataFrame(
        {"run": range(6), "file": day, "arm": ["baseline"] * 2 + ["fitted"] * 4, "day": day,
         "switch_unit": "", "block": "", "start": pd.to_datetime(day), "used": True, "reason": "",
         "km": 30.0}
    )  # fmt: skip
    of_run = _of_run(days_within_periods(runs), {})
    assert of_run["before_km"].tolist() == [0, 30, 0, 30, 60, 90]
    assert of_run["never_switched"].tolist() == [True] * 2 + [False] * 4
    plain = _of_run(runs.assign(switch_unit=day), {})
    assert plain["before_km"].eq(0).all()
    assert not plain["never_switched"].any()


def test_periods_hold_what_the_washout_takes() -> None:
    for days in range(12, 60):
        for lost in (0, 1, 3):
            periods = periods_of(days, again=True, washout_days=lost)
            assert sum(periods) == days
            assert periods[0] == periods[2] - lost


@pytest.mark.slow
def test_a_pilot_of_both_cars_tells_how_far_they_go_together(
    study: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    demo = study.parent / "demo"
    make_study(demo, days=10, control=True, order="once")
    for place, car in (("pilot", "logs"), ("control_pilot", "logs/control")):
        (study / "logs" / place).mkdir(parents=True)
        for log in sorted((demo / car).glob("*.csv"))[:10]:
            shutil.copy(log, study / "logs" / place)
    assert planned(study, "--dry-run") == 2
    assert "no [control]" in capsys.readouterr().err
    path = study / "study.toml"
    path.write_text(path.read_text() + '\n[control]\nname = "the other car"\n')
    assert planned(study, "--dry-run") == 0
    assert "5 days, about their straight lines" in " ".join(capsys.readouterr().out.split())
    other = study / "logs" / "control_pilot"
    for log, same in zip(other.glob("*.csv"), (other.parent / "pilot").glob("*.csv"), strict=True):
        shutil.copy(same, log)
    assert planned(study, "--dry-run") == 2
    assert "are the same log" in capsys.readouterr().err
