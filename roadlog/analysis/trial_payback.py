"""Whether an add-on pays for itself, from a study's road test: prices in, the trial's result out.

What isn't given comes from the study's [payback] and its fills; the result inherits the road
test's doubt and is kept in the study.
"""

import contextlib
import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from roadlog.closure import read_ledger
from roadlog.errors import InputError
from roadlog.quantities.fuels import FUELS
from roadlog.runs.table import study_sources, with_day_order
from roadlog.study.folder import load_car
from roadlog.study.settings import Study
from roadlog.trials.ceiling import ALTERNATOR_EFFICIENCY, marginal_efficiency
from roadlog.trials.payback import Purchase, extra_litres, payback_result
from roadlog.trials.result import TrialResult, save
from roadlog.trials.road_test import road_test, under_road_test
from roadlog.wording.units import show_in


@dataclass(frozen=True)
class Given:
    """What the command's options of the same names say; None where the study is asked."""

    study: Path
    price: float | None = None
    fuel_price: float | None = None
    km_per_year: float | None = None
    currency: str | None = None
    claim_years: float | None = None
    draw_not_in_test: float | None = None
    results: Path | None = None


@dataclass(frozen=True)
class Reckoned:
    """The result and the file that keeps it."""

    result: TrialResult
    synthetic: bool
    saved: Path


def reckon_payback(a: Given) -> Reckoned:
    """Years until the add-on has paid for itself, at the effect and both ends of its interval.

    Raises
    ------
    InputError
        If a price or distance is missing, or the study has no result yet.
    """
    study = load_car(a.study)
    show_in(study.units)
    plan = study.payback
    results = _results(a.results or a.study / "results" / "results.json")
    given = {
        "price": plan.price if a.price is None else a.price,
        "km-per-year": plan.km_per_year if a.km_per_year is None else a.km_per_year,
    }
    for name, value in given.items():
        if value is None:
            raise InputError(f"--{name} is missing: give it, or write it into [payback]")
    fuel_price, priced_by = _fuel_price(a, study)
    km_per_year = float(given["km-per-year"] or 0.0)
    extra = 0.0
    if a.draw_not_in_test is not None:
        fuel = FUELS[study.vehicle.fuel]
        speed = _mean_speed(results)
        extra = extra_litres(
            a.draw_not_in_test,
            km_per_year / speed,
            fuel.lhv_mj_kg * fuel.density_kg_m3 / 1000,
            ALTERNATOR_EFFICIENCY * marginal_efficiency(fuel, study.vehicle.aspiration),
        )
    change = results["fuel_use_change_pct"]
    result = payback_result(
        Purchase(
            price=float(given["price"] or 0.0),
            fuel_price=fuel_price,
            fuel_price_from=priced_by,
            km_per_year=km_per_year,
            baseline_l_per_100km=float(results["baseline"]["l_per_100km"]),
            extra_l_per_year=extra,
            currency=a.currency or plan.currency,
        ),
        float(change["estimate"]),
        change["low"],
        change["high"],
        claim_pct=None if study.claim is None else study.claim.fuel_use_change_pct,
        claim_years=plan.claim_years if a.claim_years is None else a.claim_years,
        synthetic=bool(results["synthetic"]),
    )
    road = road_test(results)
    result = under_road_test(result, road)
    result = replace(result, details={**result.details, "road_test": road.word})
    saved = save(result, a.study)
    return Reckoned(result, bool(results["synthetic"]), saved)


def _fuel_price(a: Given, study: Study) -> tuple[float, str]:
    """Price of a litre, and where it is from: the command line, `[payback]`, or the latest fill."""
    if a.fuel_price is not None:
        return float(a.fuel_price), "as given on the command line"
    if study.payback.fuel_price is not None:
        return study.payback.fuel_price, "as [payback] of study.toml says"
    with contextlib.suppress(InputError):  # without logs nothing settles the order of dates
        study = with_day_order(study, study_sources(a.study, study))
    priced = [f for f in read_ledger(a.study, study).fills if f.price_per_l is not None]
    if not priced:
        raise InputError(
            "--fuel-price is missing: give it, write fuel_price into [payback], or write the "
            "price beside a fill"
        )
    last = priced[-1]
    assert last.price_per_l is not None
    return last.price_per_l, f"paid at the fill of {last.time:%Y-%m-%d}, the latest with a price"


def _results(path: Path) -> dict[str, Any]:
    if not path.is_file():
        raise InputError(f"{path} doesn't exist: run 'roadlog analyze' first")
    try:
        data: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        float(data["fuel_use_change_pct"]["estimate"])
        float(data["baseline"]["l_per_100km"])
    except (ValueError, KeyError, TypeError) as e:
        raise InputError(
            f"{path} holds no effect (an interim look hides it): run 'roadlog analyze' again when "
            "the study is complete"
        ) from e
    return data


def _mean_speed(results: dict[str, Any]) -> float:
    """Mean speed of the used runs [km/h]."""
    used = [r for r in results["runs"] if r["used"] and r.get("hours")]
    hours = sum(float(r["hours"]) for r in used)
    if not hours > 0:
        raise InputError("results.json holds no hours: run 'roadlog analyze' again")
    return sum(float(r["km"]) for r in used) / hours
