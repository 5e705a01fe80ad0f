"""The plan's promise on paper: appended, never changed, and the one from before the data counts."""

import datetime as dt
import json

import pytest

from roadlog.cli import main
from roadlog.errors import InputError
from roadlog.plan.promise import typical_order
from roadlog.plan.promised import PROMISES, keep_promise, promise_of, promise_that_counts
from roadlog.plan.size import UnitPlan, assumed_scatter, size
from roadlog.study.car import Claim

UTC = dt.UTC
SPRING = dt.datetime(2027, 3, 1, 6, tzinfo=UTC)
MIXED = assumed_scatter("mixed", 2)


def promise(units: int, at: dt.datetime, claim: Claim | None = None):
    return promise_of(size(typical_order(units, 4), MIXED, UnitPlan(2, 4), claim), MIXED, claim, at)


def test_plan_writes_its_promise_once_and_a_new_one_beside_it(tmp_path, capsys):
    folder = tmp_path / "collar"
    main(["new", str(folder), "--claim-economy", "12", "--days", "12"])
    plan = ["plan", str(folder), "--start", "2027-03-01"]
    assert main(plan) == 0
    assert main(plan) == 0
    rows = json.loads((folder / PROMISES).read_text())["promises"]
    assert len(rows) == 1
    assert rows[0]["units"] == 12
    assert rows[0]["chances"][0]["refuted"] > 0.99
    assert main([*plan, "--days", "20", "--redraw"]) == 0
    rows = json.loads((folder / PROMISES).read_text())["promises"]
    assert [r["units"] for r in rows] == [12, 20]
    assert rows[1]["half_width_pct"] < rows[0]["half_width_pct"]


def test_a_dry_run_promises_nothing(tmp_path):
    folder = tmp_path / "collar"
    main(["new", str(folder)])
    assert main(["plan", str(folder), "--dry-run"]) == 0
    assert not (folder / PROMISES).exists()


def test_the_last_promise_before_the_first_fitted_run_counts(tmp_path):
    for units, days in ((8, 0), (12, 1), (20, 5)):
        keep_promise(tmp_path, promise(units, SPRING + dt.timedelta(days=days)))
    first_fitted = SPRING + dt.timedelta(days=3)
    found = promise_that_counts(tmp_path, first_fitted)
    assert (found.units, found.late) == (12, False)
    assert promise_that_counts(tmp_path, None).units == 20


def test_a_promise_made_after_the_first_fitted_run_is_called_late(tmp_path):
    keep_promise(tmp_path, promise(12, SPRING, Claim(fuel_pct=6)))
    found = promise_that_counts(tmp_path, SPRING - dt.timedelta(hours=1))
    assert found.late
    assert found.chances[0].refuted > 0.9
    assert promise_that_counts(tmp_path / "none", SPRING) is None


@pytest.mark.parametrize(
    "text", ["{", "[]", '{"promises": [1]}', '{"promises": [{"made_at": "x"}]}']
)
def test_a_damaged_promise_is_one_sentence(tmp_path, text):
    (tmp_path / PROMISES).parent.mkdir()
    (tmp_path / PROMISES).write_text(text)
    with pytest.raises(InputError, match="put back the copy"):
        promise_that_counts(tmp_path, SPRING)
