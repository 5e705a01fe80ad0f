"""The network: directed segments found in the data, each with its mean line and fused elevation."""

from dataclasses import dataclass, field

from roadlog.quantities.arrays import Floats
from roadlog.quantities.facts import Fact


@dataclass(frozen=True)
class Segment:
    """A directed stretch of road that runs drive again and again.

    `x_m`, `y_m`, `lat_deg`, `lon_deg`, `elevation_m` and `grade` are sampled along the mean line
    at the distances `s_m` (increasing from 0 to `length_m`). `elevation_m` is NaN where no run
    logged altitude.
    """

    id: str
    length_m: float
    s_m: Floats
    x_m: Floats
    y_m: Floats
    lat_deg: Floats
    lon_deg: Floats
    elevation_m: Floats
    grade: Floats


@dataclass(frozen=True, eq=False)
class Network:
    """All segments of a study, in driving order, and the centre of the local projection.

    `origin` is (lat, lon) of x = y = 0, None for a study without positions, whose `kind` is then
    `run` (the run itself is the unit) or `distance` (pieces of routes by wheel distance); `lines`
    holds the tracks for the map, one a run: run -> (lat_deg, lon_deg). In kind `distance`,
    `routes` has the route of each run and how far the wheels turned over it [m], `off` why a run is
    on none. `altitude_lag_s` is by how much altitudes came later than positions, put right in
    `elevation_m` and `grade` [s]. A network equals itself only.
    """

    kind: str
    origin: tuple[float, float] | None
    segments: tuple[Segment, ...]
    lines: dict[int, tuple[Floats, Floats]]
    routes: dict[int, tuple[str, float]] = field(default_factory=dict)
    off: dict[int, Fact] = field(default_factory=dict)
    altitude_lag_s: float = 0.0
