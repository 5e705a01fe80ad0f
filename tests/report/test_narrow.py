"""What would narrow the answer, and planned against achieved: from this study's own numbers."""

import math

import pytest

from roadlog.analysis.result import Analysed
from roadlog.plan.result import ChanceOfWord, Look, Oversight, Promised
from roadlog.report.narrow import in_short, narrowers, scatter_pct, units_for, width_of
from roadlog.report.registration import achieved, planned_against_achieved
from roadlog.stats.interval import Finding, Interval, percent_interval
from tests.report.conftest import Change

SD, UNITS = 0.02, 12


def interval(units: int = UNITS, df: float = 10.0) -> Interval:
    """Of units that scatter by 2 %, half of them in each arm."""
    from scipy.special import stdtrit

    return percent_interval(0.0, float(stdtrit(df, 0.975)) * SD * math.sqrt(4 / units), df, "t")


def oversight(*, interim: bool = False, promised: Promised | None = None) -> Oversight:
    look = Look("2026-03-17T20:00+00:00", 20, 24, interim, 0.95, None, "a" * 64, "b" * 64)
    return Oversight(
        registered_at=None, registered_sha256=None, registered_late=False, registrations=0,
        changes=(), stop_date="2026-03-20", look=look, earlier=(), spends_alpha=False,
        promised=promised,
    )  # fmt: skip


def side_by_side(a: Analysed) -> dict[str, tuple[str, ...]]:
    assert a.oversight is not None
    rows = planned_against_achieved(a.oversight, achieved(a)).rows
    return {r[0].replace("\xa0", " "): r[1:] for r in rows}


def test_scatter_and_half_width_come_back_from_the_interval() -> None:
    width = width_of(interval(), UNITS)
    assert width is not None
    assert scatter_pct(width, 6, 6) == pytest.approx(100 * SD)
    more = units_for(width, width.half / 2)
    assert more is not None
    assert width.at(more).half <= width.half / 2 < width.at(more - 2).half
    # By the known standard deviation four times as many; the t quantile makes it fewer.
    assert 3 * UNITS < more <= 4 * UNITS


def test_no_interval_gives_no_number_of_days(variants: dict[str, Analysed]) -> None:
    assert width_of(Interval(0.3, None, None), UNITS) is None
    assert in_short(variants["before/after"]) == []
    assert all("half as wide" not in n.what for n in narrowers(variants["before/after"]))


def test_days_that_would_settle_an_open_claim_are_told_but_not_at_an_interim_look(
    change: Change,
) -> None:
    wide = Interval(-5, -14, 5, 18)
    made = {"effect_primary": wide, "finding": Finding("undecided", ())}
    told = in_short(change(**made))
    assert any(t.startswith("To rule the claim out 4 times out of 5") for t in told)
    assert len(in_short(change(**made, oversight=oversight(interim=True)))) == 1
    doubted = Finding("undecided", (), vetoes=("undecided: x",))
    assert len(in_short(change(effect_primary=wide, finding=doubted))) == 1


def test_promise_and_what_came_stand_beside_one_another(analysed: Analysed, change: Change) -> None:
    promise = Promised(
        "2026-03-01T10:00+00:00", late=False, units=24, half_width_pct=1.4, refutable_pct=-2.9,
        claim_pct=-10.7, chances=(ChanceOfWord(0.0, 0.97, 0.0, 0.03),), scatter_pct=1.6,
        scatter_source="pilot",
    )  # fmt: skip
    a = change(oversight=oversight(promised=promise))
    rows = side_by_side(a)
    assert rows["switch units"] == ("24", "20")
    assert rows["half-width of the 95 % interval, %"] == ("±1.4", "±1.4")
    assert rows["chance that the claim is refuted if the add-on does nothing"][1] == (
        "finding: refuted"
    )
    bare = change(oversight=oversight(), effect_primary=Interval(0.3, None, None))
    rows = side_by_side(bare)
    assert rows["half-width of the 95 % interval, %"] == ("–", "–")
    assert analysed.oversight is None
