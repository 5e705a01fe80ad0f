"""How often the difference of two cars holds the truth, and how often its word is wrong.

Days of both cars are drawn at unit level: weather and traffic that both met (AR(1) over the days),
a scatter of each car's own (AR(1) too), the driving held equal exactly. The analysis's own
functions judge them. Run by hand:

    python -m tests.studies.two_cars --studies 2000
"""

import argparse
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from roadlog.effect.finding import decide
from roadlog.effect.layout import Layout
from roadlog.effect.two_cars import CarUnits, Difference, compare_periods, compare_switched
from roadlog.plan.schedule import block_sizes
from roadlog.stats.unit_contrast import block_columns
from roadlog.study.car import Claim


@dataclass(frozen=True)
class Cell:
    """One kind of study: design, days, what both cars met, what each had by itself."""

    design: str
    days: int
    met_sd: float
    met_ar: float
    own_sd: float
    own_ar: float
    effect: float
    step: float = 0.0  # of the test car alone, with the arm
    drift: float = 0.0  # of the control car alone, over the whole study


def cells() -> Iterator[Cell]:
    """The table of docs/two-cars.md."""
    for design, days in (("switched", 12), ("one change", 20), ("baseline-device-baseline", 24)):
        for effect in (0.0, -0.05):
            for met_ar, own_ar in ((0.0, 0.0), (0.7, 0.0), (0.7, 0.3), (0.7, 0.5)):
                yield Cell(design, days, 0.03, met_ar, 0.007, own_ar, effect)
        yield Cell(design, days, 0.03, 0.7, 0.007, 0.0, 0.0, drift=0.02)
    yield Cell("one change", 20, 0.03, 0.7, 0.007, 0.0, -0.05, step=0.025)
    yield Cell("one change", 20, 0.03, 0.7, 0.007, 0.0, -0.05, step=-0.025)
    yield Cell("one change", 10, 0.03, 0.7, 0.007, 0.3, -0.05)


def autoregressive(rng: np.random.Generator, n: int, sd: float, ar: float) -> np.ndarray:
    """Values of one scatter whose neighbours are alike by `ar`."""
    out = np.empty(n)
    out[0] = rng.standard_normal()
    for i in range(1, n):
        out[i] = ar * out[i - 1] + np.sqrt(1 - ar**2) * rng.standard_normal()
    return sd * out


def car(value: np.ndarray) -> CarUnits:
    """A car whose driving and air are alike on all days."""
    n, even = len(value), np.ones(len(value))
    return CarUnits(
        units=tuple(map(str, range(n))), value=value, total=value, physical=value,
        expected_ml=1000 * even, pass_variance=0 * even, air_c=10 * even, fuel_ml=1000 * even,
        km=20 * even, obstacles=(), notes=(),
    )  # fmt: skip


def one(cell: Cell, rng: np.random.Generator) -> Difference:
    """Draw one study and hold its two cars against each other."""
    n = cell.days
    arm, blocks = _arms(cell, rng)
    met = autoregressive(rng, n, cell.met_sd, cell.met_ar)
    own = [autoregressive(rng, n, cell.own_sd, cell.own_ar) for _ in range(2)]
    test = car(met + own[0] + (cell.effect + cell.step) * arm)
    control = car(met + own[1] + cell.drift * np.arange(n) / n)
    if cell.design != "switched":
        return compare_periods(test, control, arm)
    layout = Layout(
        passes=pd.DataFrame(), unit=np.arange(n), units=test.units, unit_arm=arm,
        unit_block=tuple(blocks), blocked=True, trended=False,
        unit_fixed=block_columns(n, blocks), fixed_names=(), dropped=(),
    )  # fmt: skip
    found = compare_switched(test, control, layout, -1, None)
    assert found is not None
    return found


def _arms(cell: Cell, rng: np.random.Generator) -> tuple[np.ndarray, list[str]]:
    n = cell.days
    if cell.design == "switched":
        sizes = block_sizes(n, 4)
        arm = np.concatenate([rng.permutation(np.arange(s) % 2) for s in sizes])
        return arm, [str(b) for b, s in enumerate(sizes) for _ in range(s)]
    periods = 2 if cell.design == "one change" else 3
    return np.arange(n) * periods // n % 2, [""] * n


@dataclass(frozen=True)
class Row:
    """What came of one cell, shares in percent."""

    held: float
    half_pct: float
    without_pct: float  # half-width of the test car alone by the same method
    wrong: float  # a firm word against a claim that is just true
    refuted: float  # a claim of -10.7 %
    supported: float  # a claim of half of the truth


def run(cell: Cell, studies: int, seed: int) -> Row:
    """Many studies of one cell."""
    rng = np.random.default_rng(seed)
    held, half, without, words = [], [], [], []
    just = Claim(fuel_pct=-100 * np.expm1(cell.effect))
    big, small = Claim(fuel_pct=10.7), Claim(fuel_pct=-50 * np.expm1(cell.effect))
    for _ in range(studies):
        d = one(cell, rng)
        assert d.primary.low is not None
        assert d.primary.high is not None
        truth = 100 * np.expm1(cell.effect)
        held.append(d.primary.low <= truth <= d.primary.high)
        half.append((d.primary.high - d.primary.low) / 2)
        assert d.test_alone.low is not None
        assert d.test_alone.high is not None
        without.append((d.test_alone.high - d.test_alone.low) / 2)
        words.append([decide(d.primary, c, held=d.held).word for c in (just, big, small)])
    told = np.array(words)
    return Row(
        100 * float(np.mean(held)),
        float(np.median(half)),
        float(np.median(without)),
        100 * float(np.mean(told[:, 0] != "undecided")),
        100 * float(np.mean(told[:, 1] == "refuted")),
        100 * float(np.mean(told[:, 2] == "supported")),
    )


def main() -> None:
    """Print the table."""
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("--studies", type=int, default=2000)
    p.add_argument("--seed", type=int, default=1)
    a = p.parse_args()
    print("| design | days | both, AR | own, AR | effect | beside | holds the truth | half-width |"
          " test car alone | wrong word | −10.7 % refuted | half supported |")  # fmt: skip
    print("|" + "---|" * 12)
    for k, cell in enumerate(cells()):
        r = run(cell, a.studies, a.seed + k)
        beside = f"test car {100 * cell.step:+.1f} %" if cell.step else (
            f"control drifts {100 * cell.drift:.0f} %" if cell.drift else ""
        )  # fmt: skip
        print(
            f"| {cell.design} | {cell.days} | {cell.met_ar} | {cell.own_ar} | "
            f"{100 * cell.effect:+.0f} % | {beside} | {r.held:.1f} % | {r.half_pct:.1f} | "
            f"{r.without_pct:.1f} | {r.wrong:.1f} % | {r.refuted:.0f} % | {r.supported:.0f} % |",
            flush=True,
        )


if __name__ == "__main__":
    main()
