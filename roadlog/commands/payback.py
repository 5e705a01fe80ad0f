"""`roadlog payback`: years until the add-on has paid for itself, or never."""

import argparse
import contextlib
import json
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from roadlog.commands.sources import opened
from roadlog.errors import InputError

if TYPE_CHECKING:
    from roadlog.study.settings import Study


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command to the parser."""
    p = commands.add_parser(
        "payback",
        help="years until the add-on has paid for itself, with the road test's interval",
        description=(
            "From the price, the yearly distance and the fuel price, the years until the add-on "
            "has paid for itself at the measured effect and at both ends of its interval. 'Never' "
            "is a result. Run 'roadlog analyze STUDY' first."
        ),
        epilog=(
            "example:\n"
            "  roadlog payback my_study --price 89 --fuel-price 1.75 --km-per-year 14000\n"
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    p.add_argument("study", type=Path, metavar="STUDY", help="folder with study.toml")
    p.add_argument("--price", type=float, metavar="MONEY", help="of the add-on, fitted")
    p.add_argument(
        "--fuel-price", type=float, metavar="MONEY", help="a litre (the latest fill's, if known)"
    )
    p.add_argument("--km-per-year", type=float, metavar="KM", help="driven in a year")
    p.add_argument("--currency", metavar="TEXT", help="shown beside amounts")
    p.add_argument("--claim-years", type=float, metavar="YEARS", help="claimed payback time")
    p.add_argument(
        "--draw-not-in-test", type=float, metavar="W",
        help="power that the add-on took from elsewhere during the road test, W",
    )  # fmt: skip
    p.add_argument("--results", type=Path, metavar="JSON", help="(STUDY/results/results.json)")
    p.set_defaults(run=_run)


def _run(a: argparse.Namespace) -> int:
    from roadlog.quantities.fuels import FUELS
    from roadlog.trials.ceiling import ALTERNATOR_EFFICIENCY, marginal_efficiency
    from roadlog.trials.payback import Purchase, extra_litres, payback_result
    from roadlog.trials.result import save, screen
    from roadlog.trials.road_test import road_test, under_road_test

    study = opened(a.study)
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
    print("\n".join(screen(result, synthetic=bool(results["synthetic"]))))
    print(f"Saved: {saved}; the next 'roadlog analyze' shows it.")
    return 0


def _fuel_price(a: argparse.Namespace, study: "Study") -> tuple[float, str]:
    """Price of a litre, and where it is from: the command line, `[payback]`, or the latest fill."""
    from roadlog.closure import read_ledger
    from roadlog.runs.table import study_sources, with_day_order

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
