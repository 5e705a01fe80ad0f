"""The network: directed segments found in the data, each with its mean line and fused elevation."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from roadlog.quantities.arrays import Floats
from roadlog.quantities.facts import Fact
from roadlog.road.projection import Origin, to_geographic


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


class RunLines(Mapping[int, tuple[Floats, Floats]]):
    """Tracks of runs for the map: latitudes and longitudes [°], made when they are asked for.

    `places` has each run's eastings and northings [m] about `origin`.
    """

    def __init__(self, places: Mapping[int, tuple[Floats, Floats]], origin: Origin) -> None:
        self._places, self._origin = dict(places), origin
        self._made: dict[int, tuple[Floats, Floats]] = {}

    def __getitem__(self, run: int) -> tuple[Floats, Floats]:
        if run not in self._made:
            self._made[run] = to_geographic(*self._places[run], self._origin)
        return self._made[run]

    def metres(self, run: int) -> tuple[Floats, Floats]:
        """A run's eastings and northings [m] about the origin."""
        return self._places[run]

    def __contains__(self, run: object) -> bool:
        return run in self._places

    def __iter__(self) -> Iterator[int]:
        return iter(self._places)

    def __len__(self) -> int:
        return len(self._places)


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
    lines: Mapping[int, tuple[Floats, Floats]]
    routes: dict[int, tuple[str, float]] = field(default_factory=dict)
    off: dict[int, Fact] = field(default_factory=dict)
    altitude_lag_s: float = 0.0
