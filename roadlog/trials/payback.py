"""Years until an add-on has paid for itself, from the measured effect and its interval.

In go price, yearly distance, fuel price and the effect with its bounds; out come the years at the
estimate and at both bounds, where "never" is a result. Implements payback of method section 7.
"""

import math
from dataclasses import dataclass

from roadlog.errors import InputError
from roadlog.stats.interval import rule
from roadlog.study.car import fuel_words
from roadlog.trials.result import TrialResult


@dataclass(frozen=True)
class Purchase:
    """What the add-on costs and how the car is used.

    `price` and `fuel_price` per litre in one currency; `km_per_year` [km]; `baseline_l_per_100km`
    [L/100 km]; `extra_l_per_year` fuel a year that the road test didn't see [L] (an add-on that
    was fed from elsewhere while it was tested); `fuel_price_from` says where that price is from.
    """

    price: float
    fuel_price: float
    km_per_year: float
    baseline_l_per_100km: float
    extra_l_per_year: float = 0.0
    currency: str = ""
    fuel_price_from: str = "as given"


def saving_per_year(purchase: Purchase, change_pct: float) -> float:
    """Money saved a year [currency], negative if the add-on costs fuel.

    >>> round(saving_per_year(Purchase(100, 1.8, 15_000, 6.0), -10.0), 2)
    162.0
    """
    litres = purchase.km_per_year / 100 * purchase.baseline_l_per_100km * -change_pct / 100
    return (litres - purchase.extra_l_per_year) * purchase.fuel_price


def years_to_pay_back(purchase: Purchase, change_pct: float) -> float:
    """Years until the savings equal the price; infinite if there are none.

    >>> years_to_pay_back(Purchase(81, 1.8, 15_000, 6.0), -10.0)
    0.5
    >>> years_to_pay_back(Purchase(81, 1.8, 15_000, 6.0), 0.6)
    inf
    """
    saving = saving_per_year(purchase, change_pct)
    return purchase.price / saving if saving > 0 else math.inf


def payback_result(
    purchase: Purchase,
    estimate_pct: float,
    low_pct: float | None,
    high_pct: float | None,
    *,
    claim_pct: float | None = None,
    claim_years: float | None = None,
    synthetic: bool = False,
) -> TrialResult:
    """Payback as one part of the claim.

    Parameters
    ----------
    estimate_pct, low_pct, high_pct : float or None [% fuel use]
        The road test's effect, negative for less fuel.
    claim_pct : float, optional [% fuel use]
        The seller's change of fuel use, for the years that it would mean.
    claim_years : float, optional
        The seller's own payback time.

    Raises
    ------
    InputError
        If a price, distance or fuel use isn't above zero.

    >>> payback_result(Purchase(89, 1.75, 14_000, 6.5), 0.4, -1.0, 1.9).details["never"]
    {'estimate': True, 'best': False, 'worst': True}
    """
    _check(purchase, claim_years)
    at = years_to_pay_back(purchase, estimate_pct)
    known = low_pct is not None and high_pct is not None
    best = years_to_pay_back(purchase, low_pct) if low_pct is not None else None
    worst = years_to_pay_back(purchase, high_pct) if high_pct is not None else None
    return TrialResult(
        trial="payback",
        question="When has the add-on paid for itself?",
        claimed=_claimed(purchase, claim_pct, claim_years),
        measured=_measured(at, best, worst),
        estimate=_finite(at),
        low=_finite(best),
        high=_finite(worst),
        unit="years",
        finding=None if claim_years is None else rule(best, worst, claim_years),
        strength=(
            "As firm as the road test's interval, from which it is computed."
            if known
            else "Weak: the road test gave no interval."
        ),
        notes=_notes(purchase, synthetic),
        method="price over yearly saving; interval from the road test's bounds",
        details={
            "effect_pct": estimate_pct,
            "fuel_price": purchase.fuel_price,
            "fuel_price_from": purchase.fuel_price_from,
            "saving_per_year": saving_per_year(purchase, estimate_pct),
            "saving_per_year_best": None if low_pct is None else saving_per_year(purchase, low_pct),
            "saving_per_year_worst": None
            if high_pct is None
            else saving_per_year(purchase, high_pct),
            "never": {
                "estimate": _is_never(at),
                "best": _is_never(best),
                "worst": _is_never(worst),
            },
        },
    )


def extra_litres(power_w: float, hours_per_year: float, fuel_w_per_l: float, share: float) -> float:
    """Fuel [L/year] that an electrical draw costs.

    Parameters
    ----------
    power_w : float [W]
    hours_per_year : float [h]
    fuel_w_per_l : float [MJ/L]
        Lower heating value by volume.
    share : float
        Electricity from fuel: alternator times engine efficiency.
    """
    return power_w * hours_per_year * 3600 / 1e6 / share / fuel_w_per_l


def _measured(at: float, best: float | None, worst: float | None) -> str:
    """The years at the effect and at both ends of its interval, in words."""
    alone = f"(by its estimate alone: {_years(at)})"
    if best is None or worst is None:
        return f"The road test gives no interval {alone}."
    if math.isinf(best) and math.isinf(worst):
        return f"Never, anywhere in the road test's 95 % interval {alone}."
    best_said = _years(best)
    ends = f"at the best end of the road test's 95 % interval, {_years(worst)} at the other"
    return f"{best_said[0].upper()}{best_said[1:]} {ends} {alone}."


def _claimed(purchase: Purchase, claim_pct: float | None, claim_years: float | None) -> str:
    """The seller's years, and those that the seller's saving would mean, in words."""
    said = []
    if claim_years is not None:
        said.append(f"paid back in {_years(claim_years)}")
    if claim_pct is not None:
        would = years_to_pay_back(purchase, claim_pct)
        said.append(f"{fuel_words(claim_pct)}, which would be {_years(would)}")
    return "; ".join(said)


def _notes(purchase: Purchase, synthetic: bool) -> tuple[str, ...]:
    """What the years rest on."""
    money = purchase.currency or "in the currency given"
    notes = [
        f"Price {purchase.price:g} {money}, {purchase.km_per_year:,.0f} km a year, as given; "
        f"{purchase.baseline_l_per_100km:.2f} L/100 km without the add-on, as measured.",
        f"Fuel at {purchase.fuel_price:.4g} a litre: {purchase.fuel_price_from}.",
        "Interest, fitting, upkeep and the add-on's lifetime are left out: they all lengthen it.",
    ]
    if purchase.extra_l_per_year:
        notes.append(
            f"{purchase.extra_l_per_year:.1f} L a year are added for electricity that the road "
            "test didn't see."
        )
    if synthetic:
        notes.append("The effect is from SYNTHETIC data.")
    return tuple(notes)


def _years(value: float) -> str:
    if math.isinf(value):
        return "never"
    if value < 0.1:
        return f"{value * 365.25:.0f} days"
    if value == 1:
        return "1 year"
    return f"{value:.1f} years" if value < 100 else f"{value:,.0f} years"


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def _is_never(value: float | None) -> bool | None:
    return None if value is None else math.isinf(value)


def _check(purchase: Purchase, claim_years: float | None) -> None:
    for name, value in (
        ("price", purchase.price),
        ("fuel price", purchase.fuel_price),
        ("distance a year", purchase.km_per_year),
        ("fuel use without the add-on", purchase.baseline_l_per_100km),
        ("claimed years", 1.0 if claim_years is None else claim_years),
    ):
        if not (value > 0 and math.isfinite(value)):
            raise InputError(f"{name} {value:g} is not above zero: correct it")
    if purchase.extra_l_per_year < 0:
        raise InputError("the power draw is below zero: give what the add-on takes, in W")
