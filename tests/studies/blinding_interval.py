"""How often the interval of Bang's blinding index holds at the few guesses of a road test.

    python -m tests.studies.blinding_interval

First table, exactly: of n guesses in one arm, each right, wrong or unsure with the same shares, the
chance that the interval holds the true index, over a grid of shares. Second table, simulated: a
driver who knows nothing, on days of which chance puts half of each block of four into each arm.
"""

import math

import numpy as np

from roadlog.stats.blinding import BlindingIndex, blinding_index, right_by_chance
from roadlog.stats.randomise import assignments

GUESSES = (3, 4, 6, 8, 10, 12, 20, 30)
SHARES = np.linspace(0, 1, 41)
STUDIES = 1000


def coverage(n: int) -> tuple[float, float, float, float]:
    """Least and mean chance [0 to 1] of the interval that is shown, and of the paper's."""
    cells = [(r, w, n - r - w) for r in range(n + 1) for w in range(n + 1 - r)]
    ways = np.array([math.factorial(n) / math.prod(map(math.factorial, c)) for c in cells])
    right, wrong, unsure = np.array(cells).T
    found = [blinding_index(*c) for c in cells]
    ends = [
        (np.array([b.low for b in found]), np.array([b.high for b in found])),
        (np.array([b.wald_low for b in found]), np.array([b.wald_high for b in found])),
    ]
    held: list[list[float]] = [[], []]
    for r in SHARES:
        for w in SHARES[1 - r + 1e-12 >= SHARES]:
            chance = ways * r**right * w**wrong * max(0.0, 1 - r - w) ** unsure
            for kept, (low, high) in zip(held, ends, strict=True):
                inside = (low - 1e-12 <= r - w) & (r - w <= high + 1e-12)
                kept.append(float(chance[inside].sum()))
    shown, paper = held
    return min(shown), float(np.mean(shown)), min(paper), float(np.mean(paper))


def ignorant(days: int, unsure: float, rng: np.random.Generator) -> tuple[float, float]:
    """Share of studies whose fitted arm's interval holds 0, and whose p is at most 0.05."""
    blocks = [str(i // 4) for i in range(days)]
    orders = assignments([0, 1] * (days // 2), blocks, rng)
    holds = small = 0
    for _ in range(STUDIES):
        real = orders.arms[int(rng.integers(len(orders.arms)))]
        said = rng.choice([1, -1, 0], days, p=[(1 - unsure) / 2, (1 - unsure) / 2, unsure])
        fitted = said[real == 1]
        index: BlindingIndex = blinding_index(
            int((fitted == 1).sum()), int((fitted == -1).sum()), int((fitted == 0).sum())
        )
        assert index.low is not None
        assert index.high is not None
        holds += index.low <= 0 <= index.high
        mine = assignments(real, blocks, rng)
        small += right_by_chance(said, mine) <= 0.05
    return holds / STUDIES, small / STUDIES


def main() -> None:
    """Print both tables."""
    print("guesses  shown: least mean   paper: least mean")
    for n in GUESSES:
        a, b, c, d = coverage(n)
        print(f"{n:7}         {a:.2f}  {b:.2f}          {c:.2f}  {d:.2f}")
    print("days  don't know  0 in the fitted arm's interval  p at most 0.05")
    rng = np.random.default_rng(1)
    for days in (8, 12, 16):
        for unsure in (0.0, 0.5):
            holds, small = ignorant(days, unsure, rng)
            print(f"{days:4}  {unsure:10.1f}  {holds:30.3f}  {small:14.3f}")


if __name__ == "__main__":
    main()
