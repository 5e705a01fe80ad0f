"""How to bound a contrast of periods whose days aren't independent: rules held against each other.

Days are drawn as AR(1) series; each rule gives half of an interval, and how often it holds the
truth is told beside its median. `roadlog.stats.periods` has the rule that was chosen, on other
seeds than those of docs/two-cars.md. Run by hand:

    python -m tests.studies.periods --studies 10000
"""

import argparse
from collections.abc import Callable, Iterator

import numpy as np
from scipy.special import stdtr, stdtrit

from roadlog.stats import periods
from roadlog.stats.interval import satterthwaite
from roadlog.stats.periods import contrast_periods

DESIGNS = {"2 x 10": ((10, 10), (-1.0, 1.0)), "3 x 8": ((8, 8, 8), (-0.5, 1.0, -0.5)),
           "2 x 5": ((5, 5), (-1.0, 1.0)), "2 x 15": ((15, 15), (-1.0, 1.0)),
           "2 x 30": ((30, 30), (-1.0, 1.0))}  # fmt: skip
ALIKE = (0.0, 0.3, 0.5, 0.7, 0.8)
GRID = np.linspace(0, 0.95, 39)
Rule = Callable[[np.ndarray, tuple[int, ...], tuple[float, ...]], np.ndarray]


def drawn(rng: np.random.Generator, studies: int, days: int, ar: float) -> np.ndarray:
    """(studies, days) of one scatter whose neighbours are alike by `ar`."""
    new = rng.standard_normal((studies, days))
    out = new.copy()
    for i in range(1, days):
        out[:, i] = ar * out[:, i - 1] + np.sqrt(1 - ar**2) * new[:, i]
    return out


def split(x: np.ndarray, lengths: tuple[int, ...]) -> list[np.ndarray]:
    """The days of each period."""
    return np.split(x, np.cumsum(lengths)[:-1], axis=1)


def independent(x: np.ndarray, lengths: tuple[int, ...], signs: tuple[float, ...]) -> np.ndarray:
    """Welch's interval, as if days were independent."""
    parts = np.array([s**2 * p.var(1, ddof=1) / p.shape[1]
                      for s, p in zip(signs, split(x, lengths), strict=True)])  # fmt: skip
    df = satterthwaite(parts, np.array([[n - 1.0] for n in lengths]))
    return np.asarray(stdtrit(df, 0.975) * np.sqrt(parts.sum(0)))


def by_t(count: int, floor: float) -> Rule:
    """Cosines and their t quantile, never under `floor` of the independent days' (1: before)."""

    def half(x: np.ndarray, lengths: tuple[int, ...], signs: tuple[float, ...]) -> np.ndarray:
        slow, weights = np.zeros(len(x)), []
        for s, p in zip(signs, split(x, lengths), strict=True):
            n, b = p.shape[1], min(count, p.shape[1] - 1)
            place = (np.arange(n) + 0.5) / n
            waves = np.sqrt(2 / n) * np.cos(np.pi * np.outer(np.arange(1, b + 1), place))
            slow += s**2 * np.square(p @ waves.T).mean(1) / n
            weights.append(s**2 / n)
        df = satterthwaite(np.array(weights), np.full(len(weights), float(count)))
        own = stdtrit(float(df), 0.975) * np.sqrt(slow)
        return np.maximum(own, floor * independent(x, lengths, signs))

    return half


def _reml(
    lengths: tuple[int, ...], signs: tuple[float, ...], x: np.ndarray
) -> tuple[np.ndarray, np.ndarray, int]:
    """Restricted log likelihood and standard error of the contrast by AR(1) on `GRID`."""
    n = sum(lengths)
    of = np.repeat(np.arange(len(lengths)), lengths)
    design = (of[:, None] == np.arange(len(lengths))).astype(float)
    c = np.array(signs)[of] / np.array(lengths)[of]
    df = n - len(lengths)
    like, se = [], []
    for ar in GRID:
        v = ar ** np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
        vi = np.linalg.inv(v)
        info = design.T @ vi @ design
        p = vi - vi @ design @ np.linalg.inv(info) @ design.T @ vi
        rest = np.einsum("mi,ij,mj->m", x, p, x)
        const = np.linalg.slogdet(v)[1] + np.linalg.slogdet(info)[1]
        like.append(-const / 2 - df / 2 * np.log(rest))
        se.append(np.sqrt(rest / df * (c @ v @ c)))
    return np.array(like), np.array(se), df


def reml(x: np.ndarray, lengths: tuple[int, ...], signs: tuple[float, ...]) -> np.ndarray:
    """AR(1) by restricted likelihood, taken as known; t with the residual degrees of freedom."""
    like, se, df = _reml(lengths, signs, x)
    best = se[like.argmax(0), np.arange(len(x))]
    return np.asarray(stdtrit(df, 0.975) * best)


def with_prior(first: float, second: float) -> Rule:
    """AR(1) with a beta prior, integrated out: the posterior's 95 % about the means' contrast."""

    def half(x: np.ndarray, lengths: tuple[int, ...], signs: tuple[float, ...]) -> np.ndarray:
        like, se, df = _reml(lengths, signs, x)
        at = GRID + 0.0125
        like = like + ((first - 1) * np.log(at) + (second - 1) * np.log1p(-at))[:, None]
        w = np.exp(like - like.max(0))
        w /= w.sum(0)
        low, high = np.zeros(len(x)), se.max(0) * stdtrit(df, 0.9999)
        for _ in range(40):
            mid = (low + high) / 2
            wide = (w * 2 * stdtr(df, -mid / se)).sum(0) < 0.05
            low, high = np.where(wide, low, mid), np.where(wide, mid, high)
        return high

    return half


def chosen(alike: float | None, floor: float, prior: tuple[float, float] = periods.PRIOR) -> Rule:
    """`roadlog.stats.periods` with other constants; `alike` holds it fixed."""

    def half(x: np.ndarray, lengths: tuple[int, ...], signs: tuple[float, ...]) -> np.ndarray:
        kept = periods.alike, periods.LEAST_OF_INDEPENDENT, periods.PRIOR
        if alike is not None:
            periods.alike = lambda _: alike
        periods.LEAST_OF_INDEPENDENT, periods.PRIOR = floor, prior
        cuts = np.cumsum(lengths)[:-1]
        out = np.array([contrast_periods(np.split(row, cuts), signs).half for row in x])
        periods.alike, periods.LEAST_OF_INDEPENDENT, periods.PRIOR = kept
        return out

    return half


def rules() -> Iterator[tuple[str, Rule]]:
    """What was tried, by its name."""
    yield "independent days", independent
    for count in (1, 2, 3, 4):
        yield f"{count} cosines, t, not under independent", by_t(count, 1.0)
    for count in (1, 2, 3):
        yield f"{count} cosines, t", by_t(count, 0.0)
    yield "AR(1) by REML, t", reml
    for prior in ((1, 1), (1, 2), (2, 4), (3, 3)):
        yield f"AR(1), prior beta {prior}", with_prior(*prior)
    for alike in (0.3, 0.4, 0.5):
        for floor in (0.0, 0.6, 1.0):
            yield f"exact for {alike}, floor {floor}", chosen(alike, floor)
    for prior in ((1, 1), (2, 2), (2, 3), (4, 6)):
        yield f"exact for 0.4 or as days say, prior beta {prior}", chosen(None, 0.6, prior)


def main() -> None:
    """Print how often each rule holds the truth, its median half-width, and how often the tenth of
    studies with the narrowest intervals holds it."""
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("--studies", type=int, default=10_000)
    p.add_argument("--seed", type=int, default=90210)
    p.add_argument("--rule", default="", help="only rules whose name holds this")
    a = p.parse_args()
    cells = [(d, ar) for d in DESIGNS for ar in ALIKE]
    print("| rule | " + " | ".join(f"{d}, {ar}" for d, ar in cells) + " |")
    print("|---" * (len(cells) + 1) + "|")
    for name, rule in rules():
        if a.rule not in name:
            continue
        told = []
        for k, (design, ar) in enumerate(cells):
            lengths, signs = DESIGNS[design]
            x = drawn(np.random.default_rng((a.seed, k)), a.studies, sum(lengths), ar)
            tau = sum(s * p.mean(1) for s, p in zip(signs, split(x, lengths), strict=True))
            half = rule(x, lengths, signs)
            held = np.abs(tau) <= half
            narrow = 100 * np.mean(held[half <= np.quantile(half, 0.1)])
            told.append(f"{100 * np.mean(held):.1f} % ({np.median(half):.2f}; {narrow:.0f} %)")
        print(f"| {name} | " + " | ".join(told) + " |", flush=True)


if __name__ == "__main__":
    main()
