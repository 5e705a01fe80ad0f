"""What is compared with what: blocks, trends, routes, and long stretches that are called days."""

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

from roadlog.effect.layout import lay_out
from roadlog.errors import DesignError, InputError
from roadlog.runs.order import believed_units, by_order, drawn_by_chance
from roadlog.runs.table import Sources
from roadlog.study.settings import Schedule, Study
from tests.effect.drives import passes


def table(**options: object) -> pd.DataFrame:
    return passes(np.random.default_rng(1), **options)  # type: ignore[arg-type]


def test_blocks_stand_as_drawn_where_chance_drew_them() -> None:
    drawn = lay_out(table(), randomised=True)
    assert drawn.blocked
    assert not drawn.trended
    assert drawn.unit_fixed.shape == (12, 6)


def test_trend_takes_the_blocks_place_where_chance_did_not() -> None:
    turns = lay_out(table(), randomised=False)
    assert turns.trended
    assert not turns.blocked
    assert turns.fixed_names[1] == "trend over time 1"


def test_one_draw_for_the_whole_order_keeps_a_line_over_time() -> None:
    lots = lay_out(table(paired=False), randomised=True)
    assert (lots.blocked, lots.trended) == (False, False)
    assert lots.unit_fixed[:, 1] == pytest.approx(np.linspace(-11 / 12, 11 / 12, 12))


def test_runs_switched_one_by_one_are_blocked_by_their_days() -> None:
    by_run = lay_out(table(switched_by_run=True), randomised=True)
    assert by_run.blocked
    assert len(set(by_run.unit_block)) == 12


def test_routes_without_a_common_segment_get_a_column_each() -> None:
    t = table(paired=False)
    far = t["day"].isin(t["day"].unique()[:6])
    both = lay_out(t.assign(segment=t["segment"].where(~far, t["segment"] + "x")), randomised=True)
    assert both.fixed_names[-1] == "route 2"
    assert both.dropped == ()


def test_route_that_one_arm_alone_drove_is_left_out_by_name() -> None:
    t = table(paired=False)
    one = t["day"] == t.loc[t["arm"] == "fitted", "day"].iloc[0]
    shared = lay_out(
        t.assign(segment=t["segment"].where(~one, t["segment"] + "x")), randomised=True
    )
    assert len(shared.units) == 11


def test_no_common_route_is_refused() -> None:
    t = table()
    with pytest.raises(DesignError, match="no segment was driven in both arms"):
        lay_out(t.assign(segment=t["segment"] + t["arm"]), randomised=True)


def runs(arms: str) -> pd.DataFrame:
    """One run a day, arms as letters B and F."""
    days = pd.date_range("2026-03-02", periods=len(arms)).strftime("%Y-%m-%d")
    return pd.DataFrame(
        {
            "log": range(len(arms)),
            "file": [f"{d}.csv" for d in days],
            "arm": ["fitted" if a == "F" else "baseline" for a in arms],
            "switch_unit": days,
            "day": days,
            "block": "",
        }
    )


@pytest.mark.parametrize(
    ("arms", "believed"),
    [
        ("BFBFBFBFBFBF", True),
        ("BBFFBBFFBBFF", True),  # five changes in twelve days are just enough
        ("BBBFFFBBBFFF", False),
        ("BBBBBFFFFFFB", False),
        ("BBBBBBFFFFFF", False),
        ("BFBFB", True),
        ("BBBFF", False),
    ],
)
def test_days_count_one_by_one_only_if_the_arm_changed_often(arms: str, believed: bool) -> None:
    table, told = believed_units(runs(arms), "day", False)
    assert (told == []) is believed
    if not believed:
        changes = sum(a != b for a, b in pairwise(arms))
        assert table["switch_unit"].nunique() == changes + 1
        assert told[0].code == "days-are-stretches"


def test_order_that_chance_drew_is_believed_whatever_it_is() -> None:
    table, told = believed_units(runs("BBBBBBFFFFFF"), "day", True)
    assert told == []
    assert table["switch_unit"].nunique() == 12


def test_pairs_are_neighbours_and_must_hold_both_arms() -> None:
    pairs = by_order(runs("BFFBFBB"), "pairs", Sources(()))
    assert pairs["block"].tolist()[:2] == ["pair 1", "pair 1"]
    assert pairs["block"].nunique() == 4
    with pytest.raises(InputError, match=r"pair 1 .* holds one arm only"):
        by_order(runs("BBFF"), "pairs", Sources(()))


def test_blocks_are_named_by_folders_of_both_piles(tmp_path) -> None:
    files = [tmp_path / pile / block / "a.csv" for pile in ("out", "in") for block in ("w1", "w2")]
    sources = Sources(tuple((f, "baseline") for f in files))
    blocked = by_order(runs("BBFF"), "blocks", sources)
    assert blocked["block"].tolist() == ["w1", "w2", "w1", "w2"]
    flat = Sources(tuple((tmp_path / p / f"{i}.csv", None) for i, p in enumerate("aabb")))
    with pytest.raises(InputError, match="folder of the same name in both piles"):
        by_order(runs("BBFF"), "blocks", flat)


def test_word_on_the_order_and_a_schedule_contradict_each_other() -> None:
    assert drawn_by_chance(Study(name="x"), "lots", None)
    assert not drawn_by_chance(Study(name="x"), "turns", None)
    with pytest.raises(InputError, match="leave one of them out"):
        drawn_by_chance(Study(name="x", schedule=Schedule()), "lots", None)
