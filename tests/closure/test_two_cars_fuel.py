"""Both cars' fuel filled or weighed: the change of their ratio, and why there may be none."""

import datetime as dt
from dataclasses import replace

import pandas as pd
import pytest

from roadlog.closure.ledger import Ledger
from roadlog.closure.two_cars_fuel import MeasuredRatio, measured_ratio
from roadlog.errors import InputError
from roadlog.study.settings import Can, Fill, LedgerRule

DAYS = [f"2026-03-{d:02d}" for d in range(2, 10)]
RULE = LedgerRule()


def runs(name: str) -> pd.DataFrame:
    """A drive of 50 km on each of eight days, the add-on in on the last four."""
    return pd.DataFrame(
        {"file": [f"logs/{name}{i}.csv" for i in range(8)], "day": DAYS, "km": 50.0, "hours": 1.0,
         "start": pd.to_datetime(DAYS) + pd.Timedelta(hours=8),
         "arm": ["baseline"] * 4 + ["fitted"] * 4}
    )  # fmt: skip


TEST, CONTROL = runs("t"), runs("c").assign(arm="baseline")


def filled(*litres: float, at: tuple[str, ...] = ("02T07", "05T19", "09T19")) -> Ledger:
    """Full at the start, at the switch and at the end."""
    fills = [Fill.model_validate({"time": f"2026-03-{t}:00", "litres": v, "odometer_km": km})
             for t, v, km in zip(at, litres, (0.0, 200.0, 400.0), strict=True)]  # fmt: skip
    return Ledger(tuple(fills))


def test_ratio_of_filled_fuel_worked_by_hand() -> None:
    """12 and 11.4 L of the test car, 12 and 12 of the other: 5 % less; 0.5 L of level each end."""
    found = measured_ratio(filled(30, 12, 11.4), filled(9, 12, 12), TEST, CONTROL, RULE)
    assert isinstance(found, MeasuredRatio)
    assert found.kind == "filled"
    assert found.change_pct == pytest.approx(-5.0)
    level = (2 * 0.5**2 * (3 / 12**2 + 1 / 11.4**2)) ** 0.5
    assert found.error_pct == pytest.approx(100 * 1.96 * level * 0.95)
    assert found.left_out == 0


def test_a_tank_that_holds_both_arms_tells_nothing() -> None:
    late = filled(9, 12, 12, at=("02T07", "06T19", "09T19"))
    found = measured_ratio(filled(30, 12, 11.4), late, TEST, CONTROL, RULE)
    assert isinstance(found, str)
    assert "at each switch" in found


def test_weighed_cans_go_before_tanks() -> None:
    def cans(name: str, kg: tuple[float, float]) -> tuple[Can, ...]:
        return tuple(Can(before_kg=5 + kg[i // 4], after_kg=5, run=f"{name}{i}.csv")
                     for i in range(8))  # fmt: skip

    test = replace(filled(30, 12, 12), cans=cans("t", (2.0, 1.9)))
    control = replace(filled(9, 12, 12), cans=cans("c", (2.2, 2.2)))
    found = measured_ratio(test, control, TEST, CONTROL, RULE)
    assert isinstance(found, MeasuredRatio)
    assert found.kind == "weighed"
    assert found.change_pct == pytest.approx(-5.0)
    scale = 0.005 * (2 * 4 * (1 / 8**2 + 1 / 7.6**2 + 2 / 8.8**2)) ** 0.5
    assert found.error_pct == pytest.approx(100 * 1.96 * scale * 0.95)


def test_why_there_is_none_is_told() -> None:
    assert "control_fills.csv" in str(
        measured_ratio(filled(9, 1, 1), Ledger(), TEST, CONTROL, RULE)
    )
    assert "test car" in str(measured_ratio(Ledger(), filled(9, 1, 1), TEST, CONTROL, RULE))
    nowhen = Ledger((Fill(time=dt.date(2026, 3, 3), litres=9),))
    with pytest.raises(InputError, match="driven that day"):
        measured_ratio(filled(9, 12, 12), nowhen, TEST, CONTROL, RULE)
