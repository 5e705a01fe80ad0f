"""The fleet's word: the mean held against the claim, and beside it what the next vehicle may get.

The rule is that of one car (`roadlog.effect.decide`): interval, margin, orders of chance. A firm
word must stand without any one vehicle, and without those that stand apart.
"""

from collections.abc import Sequence
from dataclasses import replace

from roadlog.effect.finding import decide
from roadlog.effect.result import HeldEqual
from roadlog.fleet.contrast import FleetContrast
from roadlog.fleet.inference import alike_veto, apart_veto, middle_veto, stands_without_any
from roadlog.stats.interval import Finding, Interval
from roadlog.stats.unit_randomisation import Orders
from roadlog.study.car import Claim
from roadlog.wording.numbers import percent, signed


def decide_fleet(
    contrast: FleetContrast,
    effect: Interval,
    claim: Claim | None,
    *,
    held: HeldEqual,
    orders: Orders | None,
    rest: FleetContrast | None,
    apart: Sequence[str],
    next_vehicle: Interval | None,
    blocking: Sequence[str] = (),
) -> Finding:
    """Hold the fleet's mean against the claim.

    Parameters
    ----------
    contrast, effect
        The fleet's contrast, and its interval in percent.
    rest : FleetContrast, optional
        The contrast without the vehicles in `apart`; None where too few are left.
    apart : names of vehicles that stand apart
    next_vehicle : Interval, optional
        Where the next vehicle's own effect lies.
    blocking : sentences that forbid a firm word
    """
    against = list(blocking)
    if claim is not None:
        c = claim.fuel_use_change_pct
        word, veto = stands_without_any(contrast, c, held.margin)
        vetoes = (
            veto,
            apart_veto(word, rest, apart, c, held.margin),
            middle_veto(contrast, word, c),
            alike_veto(contrast),
        )
        against += [v for v in vetoes if v is not None]
    found = decide(effect, claim, held=held, orders=orders, blocking=against)
    doubted = bool(found.vetoes)
    last = next_sentence(next_vehicle, claim, doubted=doubted)
    return replace(found, reasons=(*found.reasons, last))


def next_sentence(next_vehicle: Interval | None, claim: Claim | None, *, doubted: bool) -> str:
    """What the next vehicle may get, which the mean doesn't tell; nothing if that is in doubt."""
    if next_vehicle is None or next_vehicle.low is None or next_vehicle.high is None:
        return (
            "This is the mean over vehicles; what a single one gets can't be told from this test."
        )
    if doubted:
        return (
            "This is the mean over vehicles; what stands against it stands against any figure of "
            "a next vehicle too."
        )
    said = (
        "This is the mean over vehicles. The next vehicle's own change lies between "
        f"{signed(next_vehicle.low)} and {percent(next_vehicle.high)} (95 %)"
    )
    if claim is None:
        return f"{said}."
    c = claim.fuel_use_change_pct
    if next_vehicle.low > c:
        return f"{said}: none like these is expected to reach the claim."
    if next_vehicle.high <= c:
        return f"{said}: it is expected to reach the claim too."
    return f"{said}: some may reach the claim and some may not."
