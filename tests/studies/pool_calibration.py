"""How often the pooled interval holds the truth, and how often a pooled word is false.

    python -m tests.studies.pool_calibration [--pools 2000] [--seed 1] [--df "4 to 30"]

Studies are drawn with a known mean change, a spread tau between cars, unlike true standard errors
(log-normal about 1 %) and the few degrees of freedom that road tests have; pooled by
`roadlog.stats.meta_analysis`. Three intervals are counted side by side: this project's, the usual
one that takes standard errors as known (Hartung–Knapp), and the prediction for the next car. The
word is counted at a claim that the mean just meets, once with cars that differ normally, once with
one car in five that gains and four that don't. The results stand in docs/pool.md.
"""

import argparse
from collections.abc import Sequence

import numpy as np
from scipy.special import stdtrit

from roadlog.publish.pool.known import LEAST_STUDIES, firm
from roadlog.quantities.arrays import Floats
from roadlog.stats.meta_analysis import mean_of, moderated, reach_ahead

COUNTS = (2, 3, 4, 5, 6, 10, 20)
DFS: dict[str, Sequence[float]] = {
    "4": (4,), "8": (8,), "30": (30,), "4 to 30": (4, 8, 16, 30),
}  # fmt: skip
TAUS = (0.0, 0.005, 0.01, 0.03)
TYPICAL_SE, SPREAD = 0.01, 0.4
ONE_IN = 5  # cars that gain, where effects are lopsided


def studies(
    rng: np.random.Generator, k: int, dfs: Sequence[float], tau: float, *, lopsided: bool = False
) -> tuple[Floats, Floats, Floats]:
    """Estimates, standard errors and degrees of freedom of k studies whose mean is 0."""
    df = np.resize(np.asarray(dfs, dtype=float), k)
    sigma = TYPICAL_SE * np.exp(SPREAD * rng.standard_normal(k))
    true = tau * rng.standard_normal(k)
    if lopsided:
        share = 1 / ONE_IN
        true = tau * ((rng.random(k) < share) - share) / np.sqrt(share * (1 - share))
    return (
        true + sigma * rng.standard_normal(k),
        sigma * np.sqrt(rng.chisquare(df) / df),
        df,
    )


def interval_row(
    rng: np.random.Generator, pools: int, k: int, dfs: Sequence[float], tau: float
) -> str:
    """Coverage of the three intervals, and the median half-width."""
    hits, usual, ahead, halves = 0, 0, 0, []
    for _ in range(pools):
        y, se, df = studies(rng, k, dfs, tau)
        found = mean_of(y, moderated(se, df), df)
        hits += found.low <= 0 <= found.high
        halves.append(found.high - found.mean)
        w = 1 / (se**2 + mean_of(y, se**2, np.full(k, np.inf)).tau2)
        m = w @ y / w.sum()
        half = stdtrit(k - 1, 0.975) * np.sqrt(w @ (y - m) ** 2 / (k - 1) / w.sum())
        usual += abs(m) <= half
        if k > 2:
            next_car = tau * rng.standard_normal()
            ahead += abs(next_car - found.mean) <= reach_ahead(found, y, moderated(se, df))
    told = f"{100 * ahead / pools:.1f}" if k > 2 else "–"
    return (
        f"{100 * hits / pools:.1f} | {100 * usual / pools:.1f} | {told} | "
        f"{100 * float(np.median(halves)):.2f}"
    )


def false_words(
    rng: np.random.Generator, pools: int, k: int, tau: float, *, lopsided: bool
) -> tuple[float, float]:
    """Share of pools [%] that call a claim false which the mean just meets: by the interval alone,
    and by the word's whole rule at any number of studies."""
    bare = whole = 0
    for _ in range(pools):
        y, se, df = studies(rng, k, DFS["4 to 30"], tau, lopsided=lopsided)
        found = mean_of(y, moderated(se, df), df)
        bare += found.low > 0 or found.high < 0
        kept = [np.arange(k) != i for i in range(k)]
        without = [mean_of(y[m], moderated(se[m], df[m]), df[m]) for m in kept] if k > 2 else []
        whole += any(firm(found, without, 0.0, 0.0, word) for word in ("refuted", "supported"))
    return 100 * bare / pools, 100 * whole / pools


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--pools", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--df", choices=DFS, action="append", help="only these (default: all)")
    a = parser.parse_args()
    print("| studies | df each | tau, % | holds mean, % | usual, % | holds next car, % | ± % |")
    print("|---|---|---|---|---|---|---|")
    for n, (name, dfs) in enumerate(DFS.items()):
        for k in COUNTS if name in (a.df or DFS) else ():
            for tau in TAUS:
                rng = np.random.default_rng([a.seed, n, k, round(1e4 * tau)])
                row = interval_row(rng, a.pools, k, dfs, tau)
                print(f"| {k} | {name} | {100 * tau:g} | {row} |", flush=True)
    print(f"\nLeast number of studies for a firm word: {LEAST_STUDIES}\n")
    print("| studies | tau, % | cars differ | false by the interval, % | by the word, % |")
    print("|---|---|---|---|---|")
    for k in (2, 3, 4, 5, 6, 10):
        for tau in (0.0, 0.01, 0.03):
            for lopsided in (False, True):
                rng = np.random.default_rng([a.seed, 9, k, round(1e4 * tau), int(lopsided)])
                bare, whole = false_words(rng, a.pools, k, tau, lopsided=lopsided)
                how = f"one in {ONE_IN} gains" if lopsided else "normally"
                print(f"| {k} | {100 * tau:g} | {how} | {bare:.1f} | {whole:.1f} |")


if __name__ == "__main__":
    main()
