"""The test car held beside a control car: the comparison goes in, and comes out as a difference.

A stage of `roadlog.analysis.analyse` for studies with `[control]`, after the arms are compared and
before they are held against the claim. Where the control car can be used, the result is the test
car's change less the control car's; where it can't, the result stays what the test car alone says,
and why is told.
"""

import dataclasses
from collections.abc import Mapping, Sequence
from functools import partial

import numpy as np
import pandas as pd

from roadlog.analysis.compared import Compared, fuel_physics_of
from roadlog.analysis.control_car import ControlCar, placed_share, read_control_car
from roadlog.analysis.driven import Driven
from roadlog.analysis.driven_together import (
    clock_off,
    control_units,
    dates_of,
    days_off,
    pair_warnings,
    run_pairs,
)
from roadlog.analysis.earlier import Earlier
from roadlog.analysis.metering import Metered
from roadlog.analysis.placed import Placed
from roadlog.analysis.result import BesideControl
from roadlog.analysis.which_car import mixed_up, one_vehicle, swapped_by_number
from roadlog.closure.ledger import read_ledger
from roadlog.closure.two_cars_fuel import MeasuredRatio, measured_ratio
from roadlog.effect.before_after import METHOD, ONE_CHANGE, without_intervals
from roadlog.effect.layout import lay_out
from roadlog.effect.ratio_test import RatioTest, ratio_test
from roadlog.effect.result import EffectResult
from roadlog.effect.two_cars import (
    CarUnits,
    Difference,
    car_units,
    compare_periods,
    compare_switched,
)
from roadlog.errors import DesignError, FitError
from roadlog.plan.looks import control_named_late
from roadlog.plan.schedule import redraw
from roadlog.quantities.against import Against
from roadlog.quantities.facts import Veto, Warned
from roadlog.runs.order import in_periods
from roadlog.runs.table import Sources
from roadlog.stats.interval import Interval, NamedInterval, at_level
from roadlog.study.settings import Study

SAME_HOURS_MIN = 90.0  # beyond which the cars didn't meet the same traffic and weather
LEAST_PLACED = 0.8  # of the control car's distance, on the road that the test car is compared on
CONTROL_PREFIX = "control_"  # of the control car's fills.csv and cans.csv
MOST_OWN_CHANGE = 0.04  # of the control car between periods: as much as `ONE_CAR_ALONE` can cover
LEAST_TELLING = 0.01  # a change of the control car under it moves no word

_ONE_VEHICLE = (
    "the control car's logs and the test car's tell one vehicle identification number: one of the "
    "two folders holds the other car's logs"
)
_FEW_PERIODS = Veto(
    "undecided: the add-on came and went once, and without a control car whatever else came and "
    "went with it can't be told from it",
    Against.FEW_PERIODS(),
)


def beside_control(
    study: Study,
    sources: Sources,
    driven: Driven,
    metered: Metered,
    placed: Placed,
    compared: Compared,
    *,
    randomised: bool,
    progress: bool = False,
    earlier: Earlier,
) -> tuple[Compared, BesideControl | None]:
    """Put the difference of the two cars in place of the test car's own change.

    Raises
    ------
    InputError
        If a log of the control car can't be read, or is one of the test car.
    """
    if study.control is None:
        return compared, None
    by_period = in_periods(compared.runs[compared.runs["used"].astype(bool)], randomised)
    if by_period and not compared.once:  # days of a period aren't independent
        bare = without_intervals(compared.effect)
        compared = dataclasses.replace(compared, effect=bare)
    if control_named_late(study, sources.root, compared.runs):
        why = "[control] was written after the registration, so that it may have been chosen"
        return _unused(study, compared, why, by_period=by_period)
    car = None
    try:
        car = read_control_car(
            study, sources, driven.runs, driven.samples, placed, progress, earlier
        )
        if one_vehicle(driven.runs, car.runs):
            return _unused(
                study, compared, _ONE_VEHICLE, car, by_period=by_period,
                against=(Veto(f"undecided: {_ONE_VEHICLE}", Against.OTHER_VEHICLE()),),
            )  # fmt: skip
        difference, told = _difference(study, metered, compared, car, randomised)
    except (DesignError, FitError) as e:
        return _unused(study, compared, str(e), car, by_period=by_period)
    found = _found(study, driven, compared, car, difference, told)
    found = dataclasses.replace(found, measured=_measured(study, sources, compared, car))
    effect = _with_difference(compared.effect, difference, found.ratio, alone_bounded=randomised)
    before = [b for b in compared.blocking if b != ONE_CHANGE]
    return (
        dataclasses.replace(
            compared,
            effect=effect,
            once=False,
            blocking=(*before, *found.vetoes),
            warnings=(*compared.warnings, *found.warnings),
        ),
        found,
    )


def _found(
    study: Study,
    driven: Driven,
    compared: Compared,
    car: ControlCar,
    difference: Difference,
    told: Sequence[Warned],
) -> BesideControl:
    """What a control car that can be used says, and what forbids a word on it."""
    assert study.control is not None
    pairs = run_pairs(compared.runs, car.runs)
    vetoes = [
        *swapped_by_number(driven.runs, car.runs),
        *clock_off(compared.runs, car.runs),
        *_vetoes(difference, pairs, car, mixed_up_runs(driven, pairs, car)),
    ]
    return BesideControl(
        name=study.control.name,
        used=True,
        why_not="",
        runs=car.runs,
        passes=car.passes,
        pairs=pairs,
        difference=difference,
        ratio=_ratio(pairs),
        alone=compared.effect,
        vetoes=tuple(vetoes),
        warnings=(*car.warnings, *told, *pair_warnings(compared.runs, car.runs, pairs)),
    )


def _unused(
    study: Study,
    compared: Compared,
    why: str,
    car: ControlCar | None = None,
    *,
    by_period: bool,
    against: tuple[Veto, ...] = (),
) -> tuple[Compared, BesideControl]:
    assert study.control is not None
    told = Warned(
        "control-unused",
        f"the control car tells nothing here ({why}), so the result is of the test car alone",
    )
    nothing = pd.DataFrame()
    runs, passes = (nothing, nothing) if car is None else (car.runs, car.passes)
    found = BesideControl(
        study.control.name, False, why, runs, passes, nothing, None, None, None, against, (told,)
    )
    blocking = (*compared.blocking, *against)
    if by_period and ONE_CHANGE not in blocking:
        blocking = (*blocking, _FEW_PERIODS)
    told_too = (*compared.warnings, told)
    return dataclasses.replace(compared, warnings=told_too, blocking=blocking), found


def _difference(
    study: Study, metered: Metered, compared: Compared, car: ControlCar, randomised: bool
) -> tuple[Difference, list[Warned]]:
    """The two cars' difference on the units that both drove."""
    runs = compared.runs[compared.runs["used"].astype(bool)]
    stretches = int((runs["arm"] != runs["arm"].shift()).sum())
    by_period = in_periods(runs, randomised)
    unit = "day" if by_period else "switch_unit"
    table = compared.passes.assign(switch_unit=compared.passes[unit].astype(str))
    of_run = control_units(runs.assign(switch_unit=runs[unit].astype(str)), car.runs)
    own = car.passes.assign(switch_unit=car.passes["run"].map(of_run).fillna(""))
    own = own[own["switch_unit"] != ""]
    if own.empty:
        off = days_off(dates_of(runs), dates_of(car.runs))
        fits = f"; moved by {-off} days they would fit, so look at its clock" if off else ""
        raise DesignError(
            f"it drove on no day of the test car, as the dates of its logs have it{fits}"
        )
    whole = bool((table["segment"].astype(str) == "run").all())
    physics = fuel_physics_of(study, metered)
    test = car_units(table, physics, whole_runs=whole)
    control = car_units(own, car.physics, whole_runs=car.whole_runs)
    both = [u for u in test.units if u in control.units]
    told = [
        *_missing(test.units, control.units, table, unit),
        *_fit_notes(compared, test, control),
    ]
    test, control = test.of(both), control.of(both)
    mine = table[table["switch_unit"].isin(both)]
    arm_of = mine.groupby("switch_unit")["arm"].first()
    arms = [int(arm_of[u] == "fitted") for u in both]
    if len(set(arms)) < 2:
        raise DesignError("its drives and the test car's meet in one arm only")
    if by_period:
        if int(np.count_nonzero(np.diff(arms))) + 1 != stretches:
            raise DesignError("its drives leave out a whole period")
        return compare_periods(test, control, arms), told
    layout = lay_out(mine, randomised=randomised)
    chosen = [u for u in layout.units if u in both]
    found = compare_switched(
        test.of(chosen),
        control.of(chosen),
        layout,
        study.seed if randomised else -1,
        None if study.schedule is None else partial(redraw, study.schedule),
    )
    if found is None:
        raise DesignError("blocks that both cars drove hold one arm each")
    return found, told


def _measured(
    study: Study, sources: Sources, compared: Compared, car: ControlCar
) -> MeasuredRatio | str:
    """The cars' ratio by fuel filled or weighed, or why it isn't there."""
    if sources.root is None:
        return ""
    own = read_ledger(sources.root, study)
    other = read_ledger(sources.root, car.study, CONTROL_PREFIX)
    return measured_ratio(own, other, compared.runs, car.runs, study.ledger)


def mixed_up_runs(driven: Driven, pairs: pd.DataFrame, car: ControlCar) -> dict[str, list[str]]:
    """Files of runs that have the other car's gearing, by the car that they are listed under."""
    test, control = (runs["file"].astype(str).tolist() for runs in (driven.runs, car.runs))
    met = pairs[pairs["ratio"].notna()]
    together = [
        (test.index(str(a)), control.index(str(b)))
        for a, b in zip(met["test_file"], met["control_file"], strict=True)
    ]
    found = mixed_up(driven.samples, car.samples, together)
    return {
        "test": [test[i] for i in found.test],
        "control": [control[i] for i in found.control],
    }


def _ratio(pairs: pd.DataFrame) -> RatioTest | None:
    by_arm = {arm: pairs.loc[pairs["arm"] == arm, "ratio"].dropna() for arm in pairs["arm"]}
    if len(by_arm) < 2:
        return None
    return ratio_test(
        by_arm["baseline"].tolist(), by_arm["fitted"].tolist(), "computed from the cars' signals"
    )


def _missing(
    test: Sequence[str], control: Sequence[str], table: pd.DataFrame, unit: str
) -> list[Warned]:
    """Days or units that one of the cars didn't drive."""
    alone = [u for u in test if u not in control]
    if not alone:
        return []
    arm = table.groupby("switch_unit")["arm"].first()
    by_arm = {a: sum(arm[u] == a for u in alone) for a in ("baseline", "fitted")}
    what = "days" if unit == "day" else "switch units"
    return [
        Warned(
            "control-missing",
            f"the control car is missing on {len(alone)} of {len(test)} {what} "
            f"({by_arm['baseline']} baseline, {by_arm['fitted']} fitted): {', '.join(alone[:6])}"
            f"{' …' if len(alone) > 6 else ''}; they are left out of the difference",
        )
    ]


def _fit_notes(compared: Compared, test: CarUnits, control: CarUnits) -> list[Warned]:
    """What of each car's passes was left out of the difference or couldn't be fitted."""
    said = {str(w.message) for w in compared.effect.warnings}
    return [
        *(Warned("control-fit", f"test car: {n}") for n in test.notes if n not in said),
        *(Warned("control-fit", f"control car: {n}") for n in control.notes),
    ]


def _vetoes(
    d: Difference,
    pairs: pd.DataFrame,
    car: ControlCar,
    mixed: Mapping[str, list[str]],
) -> list[Veto]:
    """What forbids a firm word on the difference."""
    found: list[Veto] = []
    strays = [*mixed["test"], *mixed["control"]]
    if strays:
        other = "control" if mixed["test"] else "test"
        more = f" and {len(strays) - 1} more" if len(strays) > 1 else ""
        found.append(
            Veto(
                f"undecided: {strays[0]}{more} has the gearing of the {other} car (engine speed "
                "over road speed): logs of the two cars seem to be mixed up",
                Against.OTHER_CAR(),
            )
        )
    share = placed_share(car)
    if not share >= LEAST_PLACED:
        found.append(
            Veto(
                f"undecided: only {100 * share:.0f} % of what the control car drove lies on the "
                "road that the test car is compared on: both have to drive the same road",
                Against.OTHER_CAR(),
            )
        )
    apart = float(pairs["apart_min"].abs().median()) if len(pairs) else float("nan")
    if not apart <= SAME_HOURS_MIN:
        found.append(
            Veto(
                "undecided: the two cars didn't drive at the same hours, as the clocks of their "
                "logs have it, so they didn't meet the same traffic and weather",
                Against.OTHER_CAR(),
            )
        )
    found += _own_change(d)
    if d.design == "one change":
        found += _of_one_change(d)
    return found


def _own_change(d: Difference) -> list[Veto]:
    """Whether the control car's own change goes together with the arm."""
    own = d.control_alone
    if d.design == "switched":
        own = at_level(own, 0.99)
    size = abs(np.log1p(own.estimate / 100))
    said = Veto(
        f"undecided: the control car's fuel use changed by {own.estimate:+.1f} % with the arm: "
        "either weather and traffic did, by more than can be taken for shared, or it got the "
        "add-on too, or something else happened to it",
        Against.OTHER_CAR(),
    )
    if d.design == "one change":
        return [said] if size > MOST_OWN_CHANGE else []
    return [said] if _clear_of_zero(own) and size > LEAST_TELLING else []


def _of_one_change(d: Difference) -> list[Veto]:
    """What the cars' own drift forbids at one change."""
    if d.drift is None or not _clear_of_zero(at_level(d.drift, 0.99)):
        return []
    return [
        Veto(
            f"undecided: the two cars drift apart by themselves, by {d.drift.estimate:+.1f} % "
            "from the middle of one period to that of the other",
            Against.OTHER_CAR(),
        )
    ]


def _clear_of_zero(i: Interval) -> bool:
    return i.low is not None and i.high is not None and not i.low <= 0 <= i.high


def _with_difference(
    effect: EffectResult, d: Difference, ratio: RatioTest | None, *, alone_bounded: bool
) -> EffectResult:
    """The effect with the difference as its result and the test car's own beside it."""
    alone = effect.primary if alone_bounded else d.test_alone
    rows = [
        NamedInterval("test car less control car", d.primary, "primary"),
        NamedInterval("test car alone", alone, "crosscheck", "its own change, no control car"),
        NamedInterval("control car alone", d.control_alone, "sensitivity", "had no add-on"),
    ]
    if d.design != "switched":
        bare = dataclasses.replace(d.test_alone, low=None, high=None, method=METHOD)
        rows[1] = dataclasses.replace(rows[1], interval=bare)
    if ratio is not None:
        rows.append(
            NamedInterval(
                "test-to-control ratio",
                dataclasses.replace(d.primary, estimate=ratio.change_pct, low=None, high=None),
                "crosscheck",
                "plain fuel of run pairs, nothing adjusted"
                + ("" if ratio.repeats else "; the ratios don't repeat within 2 %"),
            )
        )
    rest = [r for r in effect.forest if r.role not in ("primary", "total", "mixed")]
    kept = [w for w in effect.warnings if w.code not in ("before-after", "one-stage-apart")]
    return dataclasses.replace(
        effect,
        primary=d.primary,
        total=d.total,
        randomisation=None if d.orders is None else effect.randomisation,
        forest=(*rows, NamedInterval("total effect", d.total, "total"), *rest),
        smallest_detectable_pct=d.smallest_detectable_pct,
        warnings=tuple(kept),
        held=d.held,
        orders=d.orders,
        one_stage=None,
        leave_one_out=effect.leave_one_out.iloc[:0],  # of the test car alone
    )
