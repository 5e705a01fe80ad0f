"""The fleet's contrast: what each design's estimator gives, in one shape.

`within`, `parallel` and `rollout` make it; `inference` asks what it hangs on; `fit` makes the
result of it.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from roadlog.fleet.vehicle import Figures, VehicleUnits
from roadlog.quantities.arrays import Floats
from roadlog.stats.between import Fiducial

Which = Callable[[Figures], Floats]  # one value a switch unit


@dataclass(frozen=True, eq=False)
class FleetContrast:
    """The fleet's effect and what its interval is made of; logs of fuel use.

    Of the n vehicles that count, in order of name: `raw` (n,) their own contrasts and `noise` (n,)
    the variances of these without the spread, NaN where a vehicle has none of its own; `weights`
    (n,) sum to 1; `without`, `without_half` (n,) the effect and its half-width if one is left out.
    `unit_weights` times the units' values give `tau`. `half` is half of the interval's width (NaN:
    none), `se` and `df` what it is made of. `draws` is what is left open of spread and mean, with
    `shared` the variance that days common to all vehicles add to the mean's; None where the design
    can't tell the spread. `noise` is `scale` times what `draws` takes as noise. `alone` names
    vehicles that say nothing, each with why. `peers` (n,) are what vehicles are held against each
    other by, if not `raw`; `ends` are the interval's where it isn't symmetric about `tau`.
    """

    vehicles: tuple[VehicleUnits, ...]
    tau: float
    se: float
    df: float
    half: float
    method: str
    raw: Floats
    noise: Floats
    weights: Floats
    without: Floats
    without_half: Floats
    unit_weights: tuple[Floats, ...]
    draws: Fiducial | None
    reading_sd: float = float("nan")
    shared: float = 0.0
    alone: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = ()
    scale: float = 1.0
    tau2: float = float("nan")
    ends: tuple[float, float] | None = None
    peers: Floats | None = None

    def of(self, which: Which) -> float:
        """The same contrast of other values."""
        return float(
            sum(w @ which(v.known) for w, v in zip(self.unit_weights, self.vehicles, strict=True))
        )


def t_half(se: float | Floats, df: float, level: float = 0.95) -> Floats:
    """Half-width of a t interval; NaN where df isn't positive."""
    from scipy.special import stdtrit

    return np.asarray(stdtrit(df, 0.5 + level / 2) * se if df > 0 else np.nan * np.asarray(se))


def in_order(vehicles: Sequence[VehicleUnits]) -> list[VehicleUnits]:
    """Vehicles by name, so that no sum depends on the input's order."""
    return sorted(vehicles, key=lambda v: v.vehicle)
