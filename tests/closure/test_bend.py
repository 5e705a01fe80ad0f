"""What could have bent the fuel figure, and what closes that: every pair of place and figure."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from roadlog.closure.bend import TrimsSeen, bend_blocking, trims_seen
from roadlog.closure.evidence import CLUES
from roadlog.closure.result import Closure, Evidence
from roadlog.closure.trims_alone import trims_part
from roadlog.fuel.sight import FIGURES, PLACES, SIGHT, sight_of
from roadlog.stats.interval import Interval
from roadlog.study.car import Claim, Device, Vehicle
from roadlog.study.settings import Study

READ = TrimsSeen("")
UNREAD = TrimsSeen("both fuel trims aren't there in 24 of 24 runs (first a.csv)")
SAVED = Interval(-7.8, -9.4, -6.2)  # supports a claim of 5 % less fuel
NOTHING = Interval(-0.2, -2.3, 1.8)  # refutes it
AIR = ("maf", "absolute-load")
BY_ENGINE = ("rate", "injection")


def study(acts_on, fuel="E10", claim=5.0):
    return Study(
        vehicle=Vehicle(fuel=fuel),
        device=Device(acts_on=acts_on),
        claim=None if claim is None else Claim(fuel_pct=claim),
    )


def clues(flagged=(), **differences):
    """Clues by arm as (difference, half-width)."""
    rows = [
        {
            "name": name,
            "clue": CLUES[name].label,
            "difference": d,
            "low": d - half,
            "high": d + half,
            "flagged": name in flagged,
        }
        for name, (d, half) in differences.items()
    ]
    return Evidence(pd.DataFrame(rows, columns=["name", "clue", "difference", "low", "high",
                                                "flagged"]), (), ())  # fmt: skip


ALIKE = clues(trim1=(0.1, 0.4))


def closure(low, high, verdict="agrees"):
    gap = Interval((low + high) / 2, low, high)
    return Closure(verdict, gap, {}, pd.DataFrame(), pd.DataFrame(), (), ())


def blocked(acts_on, figure, trims=READ, evidence=ALIKE, closed=None, primary=SAVED, **more):
    return bend_blocking(study(acts_on, **more), figure, trims, evidence, closed, primary, 3.0)


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("figure", FIGURES)
def test_no_pair_is_firm_without_what_closes_it(place, figure):
    """Without trims and measured fuel only a place that touches nothing, or the ledger, is firm."""
    why = blocked(place, figure, UNREAD, clues())
    honest = figure == "ledger" or place in ("electrical", "aero-or-rolling", "other")
    assert bool(why) != honest
    start = "undecided: say where the add-on acts" if place is None else (
        "undecided: the fuel figure could be bent"
    )  # fmt: skip
    assert all(w.startswith(start) for w in why)


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("figure", FIGURES)
def test_measured_fuel_closes_every_pair(place, figure):
    assert blocked(place, figure, UNREAD, clues(), closure(-0.8, 0.9)) == ()
    assert blocked(place, figure, UNREAD, clues(), closure(-0.8, 0.9), primary=NOTHING) == ()


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("figure", FIGURES)
def test_alike_trims_close_what_the_table_says(place, figure):
    sight = SIGHT[place, figure]
    closes = sight.follows != "no" or sight.trims_close
    assert bool(blocked(place, figure)) != closes


def test_a_bent_air_meter_without_trims_is_never_firm():
    (why,) = blocked("intake", "maf", UNREAD, clues())
    assert "both fuel trims aren't there in 24 of 24 runs" in why
    assert "log both fuel trims (PIDs 06 and 07)" in why


def test_the_trimmed_figure_holds_where_the_air_meter_is_bent():
    moved = clues(("trim1", "air_per_pressure"), trim1=(8.7, 0.3), air_per_pressure=(-8.3, 0.4))
    assert blocked("intake", "maf-trims", READ, moved) == ()
    (why,) = blocked("intake", "maf", READ, moved)
    assert "differ between the arms by +8.7 % (+8.4 to +9.0 %)" in why


@pytest.mark.parametrize("figure", ["rate", "injection", "maf-trims", "speed-density", "maf"])
def test_raised_fuel_pressure_is_never_firm(figure):
    """Real fuel unchanged: trims and the controller's fuel rate fall by 7 % alike."""
    moved = clues(("trim1", "air_per_rate"), trim1=(-7.0, 0.3), air_per_rate=(7.2, 0.3))
    (why,) = blocked("fuel", figure, READ, moved)
    assert "could be bent" in why
    assert "weigh the fuel" in why


@pytest.mark.parametrize("figure", ["rate", "injection", "maf", "maf-trims"])
def test_trims_that_contradict_the_declared_place_forbid_a_firm_word(figure):
    moved = clues(("trim1",), trim1=(-7.0, 0.3))
    for place in ("electrical", "aero-or-rolling", "other"):
        (why,) = blocked(place, figure, READ, moved)
        assert "doesn't explain" in why


def test_trims_that_move_without_the_air_meter_are_no_bent_air_meter():
    """Declared in the intake, but the controller injects 7 % less at the same charge."""
    moved = clues(
        ("trim1", "injected_per_pressure"), trim1=(-7.0, 0.3), injected_per_pressure=(-7.2, 0.4)
    )
    (why,) = blocked("intake", "maf-trims", READ, moved)
    assert "air meter times trims" in why
    assert blocked("oxygen-sensor", "maf-trims", READ, moved) == ()


def in_trims(moved, half=0.3):
    return TrimsSeen("", Interval(moved, moved - half, moved + half))


FALLEN = clues(("trim1",), trim1=(-7.0, 0.3))


def test_a_saving_that_stands_in_the_trims_alone_is_not_firm():
    """Fuel pressure, declared an intake: air a kilometre unchanged, nothing else logged."""
    (why,) = blocked("intake", "maf-trims", in_trims(-7.0), FALLEN)
    assert "the saving stands in the fuel trims, which fell by -7.0 % (-7.3 to -6.7 %)" in why
    assert "log manifold pressure" in why
    assert why.endswith("or weigh the fuel")


@pytest.mark.parametrize(
    ("moved", "clue"),
    [
        ("injected_per_pressure", (0.1, 0.4)),  # manifold pressure shows that the meter moved
        ("air_per_load", (7.2, 0.4)),  # and an absolute load of another sensor
    ],
)
def test_another_figure_of_air_tells_a_bent_meter_from_fuel_pressure(moved, clue):
    seen = clues(("trim1",), trim1=(-7.0, 0.3), **{moved: clue})
    assert blocked("intake", "maf-trims", in_trims(-7.0), seen) == ()
    unmoved = {"injected_per_pressure": (-7.1, 0.4), "air_per_load": (0.0, 0.1)}[moved]
    seen = clues(("trim1",), trim1=(-7.0, 0.3), **{moved: unmoved})
    assert blocked("intake", "maf-trims", in_trims(-7.0), seen)


def test_trims_that_the_claim_does_not_need_are_let_be():
    """Unmoved trims, trims that rose, and a claim met by metered air as well."""
    assert blocked("intake", "maf-trims", in_trims(-0.3, 0.5)) == ()
    assert blocked("intake", "maf-trims", in_trims(8.7), clues(trim1=(8.7, 0.3))) == ()
    assert blocked("intake", "maf-trims", in_trims(-2.0), FALLEN, claim=3.0) == ()
    assert blocked("intake", "maf-trims", in_trims(-7.0), FALLEN, primary=NOTHING, claim=9) == ()


def test_a_saving_in_trims_alone_is_closed_by_measured_fuel():
    assert blocked("intake", "maf-trims", in_trims(-7.0), FALLEN, closure(-0.5, 0.5)) == ()


def test_absolute_load_that_falls_at_the_same_charge_contradicts_alike_trims():
    """Trims alike, and yet the controller's air reads 8 % less for its manifold pressure."""
    moved = clues(("load_per_pressure",), trim1=(0.1, 0.3), load_per_pressure=(-8.3, 0.4))
    (why,) = blocked("intake", "absolute-load", READ, moved)
    assert "absolute load for its rpm and manifold pressure by -8.3 %" in why


def test_a_contradiction_too_small_to_matter_is_let_be():
    moved = clues(("trim1",), trim1=(-0.6, 0.2))
    assert blocked("other", "maf", READ, moved) == ()


def test_wide_trims_are_no_agreement():
    """Not different by more than chance, but known only within 4 %."""
    (why,) = blocked("fuel", "maf", READ, clues(trim1=(-1.0, 4.0)))
    assert "only within -1.0 % (-5.0 to +3.0 %)" in why
    assert blocked("fuel", "maf", READ, clues(trim1=(-0.2, 0.6))) == ()


def test_what_counts_as_alike_depends_on_what_would_change_the_finding():
    """1.5 % of trims can't rescue a claim of 10 %, but decide one that the interval just meets."""
    trims = clues(trim1=(0.2, 1.3))
    assert blocked("fuel", "maf", READ, trims, primary=NOTHING, claim=10.0) == ()
    assert blocked("fuel", "maf", READ, trims, claim=5.5)


def test_trims_that_surely_differ_are_not_alike_however_far_the_claim():
    """Around zero comes first: 2.5 to 3.5 % is no agreement, though the claim is 30 % away."""
    assert blocked("fuel", "maf", READ, clues(trim1=(3.0, 0.5)), primary=NOTHING, claim=30.0)
    within_a_step = clues(trim1=(0.5, 0.2))
    assert blocked("fuel", "maf", READ, within_a_step, primary=NOTHING, claim=30.0) == ()


def test_both_banks_must_be_alike():
    assert blocked("fuel", "maf", READ, clues(trim1=(0.0, 0.3), trim2=(-6.0, 0.3)))


def test_one_switch_unit_too_few_tells_nothing_of_trims():
    (why,) = blocked("fuel", "maf", READ, clues(trim1=(0.0, float("nan"))))
    assert "too few switch units" in why


def test_measured_fuel_that_could_change_the_finding_does_not_close_it():
    assert blocked("intake", "maf", UNREAD, clues(), closure(-2.0, 2.0), claim=5.5)
    assert blocked("intake", "maf", UNREAD, clues(), closure(-9.0, 9.0, "uninformative"))
    assert blocked("intake", "maf", UNREAD, clues(), closure(-0.5, 0.5, "uninformative"))


def test_a_diesel_goes_by_its_controllers_quantity_except_where_fuel_is_touched():
    for figure in BY_ENGINE:
        assert blocked("intake", figure, UNREAD, clues(), fuel="diesel") == ()
        (why,) = blocked("fuel", figure, UNREAD, clues(), fuel="diesel")
        assert "a diesel has no fuel trims" in why
        assert why.endswith("weigh the fuel, or fill up so that a tank belongs to one arm")
        assert blocked(None, figure, UNREAD, clues(), fuel="diesel")


def test_without_a_claim_the_effect_is_still_called_bendable():
    assert blocked("intake", "maf", UNREAD, clues(), claim=None)
    assert blocked("intake", "maf-trims", claim=None) == ()


def test_a_bent_manifold_pressure_is_not_closed_by_trims():
    """Where the controller goes by an air meter that isn't logged, its trims know nothing of it."""
    (why,) = blocked("intake", "speed-density")
    assert "log the air meter (PID 10) or absolute load (PID 43)" in why
    assert sight_of("intake", "speed-density").trims_close is False


def flow_of(*, status=2.0, short=None, long=0.8, n=400):
    rng = np.random.default_rng(4)
    trim = np.round(1.5 * rng.standard_normal(n) / 0.78125) * 0.78125 if short is None else short
    return pd.DataFrame(
        {
            "t_s": np.arange(n, dtype=float),
            "dt_s": 1.0,
            "fuel_flow_g_s": 0.5,
            "fuel_status": status,
            "stft1_pct": trim,
            "ltft1_pct": long,
        }
    )


RUNS = pd.DataFrame(
    {
        "file": ["a", "b", "c", "d"],
        "switch_unit": ["a", "b", "c", "d"],
        "arm": ["baseline", "fitted"] * 2,
        "block": "",
        "used": True,
    }
)


def test_trims_of_a_closed_loop_are_read():
    assert trims_seen([flow_of()] * 4, RUNS).read
    no_status = flow_of().drop(columns="fuel_status")
    assert trims_seen([no_status] * 4, RUNS).read


@pytest.mark.parametrize(
    ("fitted", "words"),
    [
        (flow_of(short=0.0, long=0.0), "short term trim of the fitted arm stands still"),
        (flow_of(status=1.0), "fitted arm burned under half of its fuel in closed loop"),
        (flow_of(short=np.nan), r"aren't there in 2 of 4 runs \(first b\)"),
        (flow_of().drop(columns="ltft1_pct"), r"aren't there in 2 of 4 runs \(first b\)"),
    ],
    ids=["filled with zeros", "never in closed loop", "blank", "one trim only"],
)
def test_trims_that_say_nothing_in_one_arm_are_not_read(fitted, words):
    seen = trims_seen([flow_of(), fitted] * 2, RUNS)
    assert not seen.read
    assert pd.Series([seen.lacking]).str.contains(words).all()


def test_trims_weigh_by_the_fuel_that_they_move():
    """-10 % on a tenth of the time that burns half of the fuel is 5 % of it, not 1 %."""
    flow = flow_of(short=0.0, long=0.0)
    heavy = np.arange(400) < 40
    flow = flow.assign(
        fuel_flow_g_s=np.where(heavy, 9 * 0.9, 1.0), ltft1_pct=np.where(heavy, -10.0, 0.0)
    )
    part = trims_part([flow_of(short=0.0, long=0.0), flow] * 2, RUNS)
    assert part.estimate == pytest.approx(-5.0, abs=0.01)


def test_runs_set_aside_need_no_trims():
    bad = flow_of().drop(columns="stft1_pct")
    runs = pd.concat([RUNS, RUNS.iloc[:1].assign(used=False)], ignore_index=True)
    assert trims_seen([flow_of()] * 4 + [bad], runs).read


def test_the_table_is_frozen():
    with pytest.raises(dataclasses.FrozenInstanceError):
        SIGHT["intake", "maf"].follows = "yes"
    assert len(SIGHT) == len(PLACES) * len(FIGURES)
