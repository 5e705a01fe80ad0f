"""What a fleet's word hangs on: one vehicle, outlying vehicles, the same data under two names.

In goes a fleet's contrast; out come the vehicles that stand apart, the copies, and the sentences
that forbid a firm word.
"""

import math
from collections import defaultdict
from collections.abc import Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from roadlog.fleet.contrast import FleetContrast
from roadlog.fleet.vehicle import NO_DIGEST, VehicleUnits
from roadlog.quantities.arrays import Floats
from roadlog.quantities.facts import Veto
from roadlog.stats.interval import FindingWord, percent, rule

_APART_P = 0.01  # that any one of the vehicles stands apart by chance
_APART_ROBUST = 6.0  # middle deviations, where several outlying ones hide each other
_LEAST_FOR_OUTLYING = 4
_LEAST_FOR_ROBUST = 6
_NORMAL_MAD = 1.4826
_SHARED = 0.25  # of a vehicle's units that another one has too
_LEAST_SHARED = 2
_NAMED = 3
_TOO_ALIKE_P = 0.001
_MOST_HOLDERS = 50


def outlying(contrast: FleetContrast) -> NDArray[np.bool_]:
    """Vehicles whose own contrast stands apart from the others', (n,).

    By the others' mean and scatter (t, 1 % shared by all vehicles), or by the middle one and the
    middle deviation, which several outlying ones don't move.
    """
    values = contrast.raw if contrast.peers is None else contrast.peers
    own = np.isfinite(values) & np.isfinite(contrast.noise)
    found = np.zeros(len(own), dtype=bool)
    found[own] = _apart(values[own], contrast.noise[own])
    return found


def _apart(raw: Floats, noise: Floats) -> NDArray[np.bool_]:
    from scipy.special import stdtr

    n = len(raw)
    if n < _LEAST_FOR_OUTLYING:
        return np.zeros(n, dtype=bool)
    centred = raw - raw.mean()
    rest = (centred @ centred - centred**2 * n / (n - 1)) / (n - 2)  # variance of the others
    sd = np.sqrt(np.maximum(rest, noise) * (1 + 1 / (n - 1)))
    means = (raw.sum() - raw) / (n - 1)
    by_others = 2 * stdtr(n - 2, -np.abs(raw - means) / sd) < _APART_P / n
    if n < _LEAST_FOR_ROBUST:
        return np.asarray(by_others)
    middle = np.median(raw)
    mad = _NORMAL_MAD * np.median(np.abs(raw - middle))
    by_middle = np.abs(raw - middle) > _APART_ROBUST * np.sqrt(np.maximum(mad**2, noise))
    return np.asarray(by_others | by_middle)


def copies(vehicles: Sequence[VehicleUnits]) -> list[tuple[str, str, bool]]:
    """Pairs of vehicles that hold the same drives, and whether their arms agree.

    Two cars don't drive the same distances in the same times on a quarter of their days.
    """
    holders: dict[int, list[int]] = defaultdict(list)
    arms: list[dict[int, int]] = []
    for i, v in enumerate(vehicles):
        own = {} if v.figures is None else dict(
            zip(v.figures.digest.tolist(), v.figures.arm.tolist(), strict=True)
        )  # fmt: skip
        arms.append(own)
        for digest in own.keys() - {NO_DIGEST}:
            holders[digest].append(i)
    shared: dict[tuple[int, int], int] = defaultdict(int)
    for own_by in holders.values():
        for a, b in combinations(own_by[:_MOST_HOLDERS], 2):
            shared[a, b] += 1
    found = []
    for (a, b), count in sorted(shared.items()):
        if count >= _LEAST_SHARED and count >= _SHARED * min(len(arms[a]), len(arms[b])):
            alike = all(
                arms[a][d] == arms[b][d] for d in arms[a].keys() & arms[b].keys() - {NO_DIGEST}
            )
            first, second = sorted((vehicles[a].vehicle, vehicles[b].vehicle))
            found.append((first, second, alike))
    return sorted(found)


def stands_without_any(
    contrast: FleetContrast, claim_pct: float, margin: float
) -> tuple[FindingWord, Veto | None]:
    """The bare word, and what forbids it if it doesn't stand without some vehicle."""
    word = word_of(contrast.tau, contrast.half, claim_pct, margin)
    if word == "undecided":
        return word, None
    pairs = zip(contrast.without, contrast.without_half, strict=True)
    fallen = [
        v.vehicle
        for v, (tau, half) in zip(contrast.vehicles, pairs, strict=True)
        if word_of(float(tau), float(half), claim_pct, margin) != word
    ]
    if not fallen:
        return word, None
    more = f" (and of {len(fallen) - 1} more)" if len(fallen) > 1 else ""
    return word, Veto(
        f"undecided: the word hangs on one vehicle: without {fallen[0]} it would not be {word}"
        f"{more}",
        f"it hangs on one vehicle, {fallen[0]}",
    )


def apart_veto(
    word: FindingWord, rest: FleetContrast | None, names: Sequence[str], claim_pct: float,
    margin: float,
) -> Veto | None:  # fmt: skip
    """What forbids a word that outlying vehicles make; `rest` is the contrast without them."""
    if word == "undecided" or not names:
        return None
    if rest is not None and word_of(rest.tau, rest.half, claim_pct, margin) == word:
        return None
    return Veto(
        f"undecided: {named(names)} stand{'s' * (len(names) == 1)} apart from the other vehicles, "
        f"and without {'it' if len(names) == 1 else 'them'} the word would not be {word}: look at "
        "the logs for a bent sensor or a wrong unit (roadlog check)",
        f"it hangs on {'a vehicle' if len(names) == 1 else 'vehicles'} unlike the others",
    )


def middle_veto(contrast: FleetContrast, word: FindingWord, claim_pct: float) -> Veto | None:
    """What forbids a word of the mean that the middle vehicle isn't on the side of.

    However many vehicles a bent sensor or a wrong unit makes alike, as long as most are sound the
    middle one is.
    """
    own = contrast.raw[np.isfinite(contrast.raw)]
    if word == "undecided" or not len(own):
        return None
    middle = percent(float(np.median(own)))
    if (middle > claim_pct) == (word == "refuted"):
        return None
    return Veto(
        f"undecided: the mean over vehicles is {word} by the interval, but the middle vehicle, at "
        f"{middle:+.1f} %, lies on the claim's other side: a part of the fleet carries the mean",
        "a part of the vehicles makes the result alone, and the middle one lies on the other side",
    )


def alike_veto(contrast: FleetContrast) -> Veto | None:
    """What forbids any word where vehicles agree better than the scatter of their days allows."""
    from scipy.special import chdtr

    own = np.isfinite(contrast.raw) & np.isfinite(contrast.noise)
    if contrast.peers is not None or own.sum() < _LEAST_FOR_OUTLYING:
        return None
    t, w = contrast.raw[own], 1 / contrast.noise[own]
    q = float(w @ (t - w @ t / w.sum()) ** 2)
    if chdtr(len(t) - 1, q) >= _TOO_ALIKE_P:
        return None
    return Veto(
        "undecided: the vehicles agree far better than the scatter of their own days allows, as "
        "copies or made-up data would: look where the pass tables come from",
        "the vehicles agree more closely than their own days allow, as copies would",
    )


def word_of(tau: float, half: float, claim_pct: float, margin: float) -> FindingWord:
    """The bare rule with the margin, for logs of fuel use."""
    if not math.isfinite(half):
        return "undecided"
    return rule(percent(tau - half - margin), percent(tau + half + margin), claim_pct)


def named(names: Sequence[str]) -> str:
    """A few names, and how many more there are.

    >>> named(["a"]), named(["a", "b", "c", "d", "e"])
    ('vehicle a', 'vehicles a, b, c and 2 more')
    """
    if len(names) == 1:
        return f"vehicle {names[0]}"
    more = len(names) - _NAMED
    listed = ", ".join(names[:_NAMED])
    return f"vehicles {listed}" + (f" and {more} more" if more > 0 else "")
