"""What the page and results.json say of fuel weighed or filled, and of bent signals."""

import json

import pytest

from roadlog.analysis.result import Analysed
from roadlog.analysis.summary import summary_lines
from roadlog.closure import Ledger, close, evidence_by_arm
from roadlog.report import to_json
from roadlog.report.page import report_page
from tests.closure.logbook import fills_of, runs_of, study
from tests.closure.test_against_fuel import UNEVEN, cans_for
from tests.report.conftest import Change


def checked(analysed: Analysed, change: Change, read: float, *, cans: bool) -> Analysed:
    runs = runs_of(UNEVEN * 2, reads={"baseline": 1.0, "fitted": read})
    ledger = Ledger(fills_of(runs, 4, 0.3), cans_for(runs, sd=0.004) if cans else ())
    closed = close(ledger, runs, study(), 2.0)
    assert closed is not None
    clues = [
        {"trim1": 1.0 + 5 * (arm == "fitted") + 0.1 * (i % 3)} for i, arm in enumerate(runs["arm"])
    ]
    return change(closed=closed, evidence=evidence_by_arm(clues, runs))


@pytest.mark.parametrize(
    ("read", "cans", "verdict", "words"),
    [
        (1.0, True, "agrees", "the same in both arms within its error"),
        (1.06, True, "gap", "differs between the arms by"),
        (1.0, False, "uninformative", "This is no agreement."),
    ],
)
def test_page_summary_and_json_tell_the_same_verdict(
    analysed: Analysed, change: Change, read: float, cans: bool, verdict: str, words: str
) -> None:
    a = checked(analysed, change, read, cans=cans)
    page = report_page(a, passes_sha256="0" * 64)
    assert words in page
    assert "Do the car's own signals look bent?" in page.replace("&#39;", "'")
    assert "fuel trims, bank 1" in page
    r = to_json(a)
    json.dumps(r, allow_nan=False)
    assert r["closure"]["verdict"] == verdict
    assert r["evidence"][0]["flagged"] is True
    told = {"agrees": "in agreement", "gap": "in conflict", "uninformative": "too little"}
    assert told[verdict] in " ".join(summary_lines(a))


def test_error_model_of_the_estimator_is_on_the_page(analysed: Analysed, change: Change) -> None:
    page = report_page(change(fuel_estimator="maf"), passes_sha256="0" * 64)
    assert "reading of the air meter" in page
    assert "differs between switch units" in page
