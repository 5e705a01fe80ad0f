"""The test-to-control ratio of the classic road-test procedure, as a cross-check.

Pairs of runs that two cars drove together go in; the ratio of the test car's fuel to the control
car's, the saving that the ratios' means give, and whether they repeat well enough come out. Nothing
is adjusted: that the two cars met the same road, weather and traffic is all that makes it fair.

The procedure is that of SAE J1321 (Joint TMC/SAE Fuel Consumption Test Procedure, Type II, October
1986). Its scope (a control vehicle beside the test vehicle, the per cent difference as the result,
fuel weighed for best accuracy) was read in the publisher's abstract; that three ratios of each
segment have to lie within 2 % of each other, and the formula of the saving, are from memory. The
revision of 2012 puts statistical limits in place of that gate; they aren't reproduced here.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from roadlog.quantities.arrays import Floats

BAND = 0.02  # between the lowest and the highest of the ratios that count; from memory
LEAST_RATIOS = 3  # of a segment; from memory
LEAST_SHARE = 0.5  # of all pairs, ours: among many pairs three alike come by chance


@dataclass(frozen=True)
class RatioSegment:
    """The ratios of one condition: how many, their mean, their spread, and those in one band.

    `spread_pct` is the highest over the lowest of all, less one [%]; `in_band` how many lie in the
    fullest band of 2 %, `band_mean` the mean of these.
    """

    pairs: int
    mean: float
    spread_pct: float
    in_band: int
    band_mean: float

    @property
    def repeats(self) -> bool:
        """Whether enough of them lie within one band."""
        return self.in_band >= LEAST_RATIOS and self.in_band >= LEAST_SHARE * self.pairs


@dataclass(frozen=True)
class RatioTest:
    """Baseline and test segment, and the change of fuel use between them [%], minus is less.

    `change_pct` is by the ratios within the bands where these repeat, else by all, as
    `change_all_pct` is. `measured` is where the fuel comes from.
    """

    baseline: RatioSegment
    fitted: RatioSegment
    measured: str

    @property
    def change_pct(self) -> float:
        """Change of fuel use by the ratios that repeat [%]: the procedure's saving, negative."""
        if not self.repeats:
            return self.change_all_pct
        return 100 * (self.fitted.band_mean / self.baseline.band_mean - 1)

    @property
    def change_all_pct(self) -> float:
        """The same by all ratios."""
        return 100 * (self.fitted.mean / self.baseline.mean - 1)

    @property
    def repeats(self) -> bool:
        """Whether both segments pass the gate."""
        return self.baseline.repeats and self.fitted.repeats


def ratio_test(
    baseline: Sequence[float], fitted: Sequence[float], measured: str
) -> RatioTest | None:
    """Hold the ratios of both segments against each other; None where one has none.

    Parameters
    ----------
    baseline, fitted : sequence of float
        Fuel of the test car over fuel of the control car, one for each pair of runs.
    measured : str
        Where the fuel comes from.

    >>> found = ratio_test([1.00, 1.01, 1.005], [0.95, 0.96, 0.955], "weighed")
    >>> round(found.change_pct, 2), found.repeats
    (-4.98, True)
    """
    both = [np.sort(np.asarray(x, dtype=float)) for x in (baseline, fitted)]
    both = [x[np.isfinite(x) & (x > 0)] for x in both]
    if not all(len(x) for x in both):
        return None
    return RatioTest(_segment(both[0]), _segment(both[1]), measured)


def _segment(ratios: Floats) -> RatioSegment:
    ends = np.searchsorted(ratios, ratios * (1 + BAND) + 1e-12, side="right")
    count = ends - np.arange(len(ratios))
    first = int(np.argmax(count))
    band = ratios[first : ends[first]]
    return RatioSegment(
        pairs=len(ratios),
        mean=float(ratios.mean()),
        spread_pct=100 * float(ratios[-1] / ratios[0] - 1),
        in_band=len(band),
        band_mean=float(band.mean()),
    )
