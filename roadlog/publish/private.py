"""What is drawn for a study's privacy and kept: lengths, offsets, the clock's shift.

A study's places go in; a `Secrets` comes out, drawn from the system's randomness once and kept in
`computed/private.json` (readable by its owner alone), so that two publications of one study can't
be compared. A disc hides a place: its centre lies a drawn way off, so that where roads enter it
tells nothing of where in it the place is.
"""

import json
import math
import random
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from roadlog.errors import InputError
from roadlog.physics.geodesic import place_fault
from roadlog.quantities.arrays import Floats
from roadlog.study.durable import atomic_write
from roadlog.study.settings import Circle

PRIVATE = Path("computed") / "private.json"
OWNER_ONLY = 0o600
SHORTEST_M, LONGEST_M = 500.0, 1500.0  # of the drawn length that goes from each end
OFFSET_M = (300.0, 1000.0)  # from a place to the centre of its disc
ONE_PLACE_M = 150.0  # ends of runs so near each other are one place
WEEKS_BACK = (8, 260)
LONGEST_AGE_S = 300.0  # added to every run's time since the start, the same for all
METRES_PER_DEGREE = 6371008.8 * math.pi / 180  # mean radius R1, IUGG (GRS 80)
_SCHEMA = 1


@dataclass(frozen=True)
class Place:
    """Somewhere to hide: its true latitude and longitude [°], how far round it all goes [m], and
    where the disc's centre lies from it [m].

    `more` are further discs, on roads that would point at it: east, north and radius [m].
    """

    lat_deg: float
    lon_deg: float
    reach_m: float
    east_m: float
    north_m: float
    more: tuple[tuple[float, float, float], ...] = ()

    @property
    def radius_m(self) -> float:
        """The disc's radius: it holds all within `reach_m` of the place, wherever its centre is."""
        return self.reach_m + OFFSET_M[1]

    def away_m(self, lat_deg: Floats, lon_deg: Floats) -> Floats:
        """How far positions are from the true place [m]."""
        return np.hypot(*self.metres_from(lat_deg, lon_deg))

    def inside(self, lat_deg: Floats, lon_deg: Floats, margin_m: float = 0.0) -> np.ndarray:
        """Whether positions lie within a disc, or as near to one as `margin_m`."""
        east, north = self.metres_from(lat_deg, lon_deg)
        out = np.zeros(np.shape(east), bool)
        for x, y, radius in ((self.east_m, self.north_m, self.radius_m), *self.more):
            out |= np.hypot(east - x, north - y) < radius + margin_m
        return out

    def metres_from(self, lat_deg: Floats, lon_deg: Floats) -> tuple[Floats, Floats]:
        """How far east and north of the true place positions lie [m]."""
        east = (np.asarray(lon_deg) - self.lon_deg + 180) % 360 - 180
        north = np.asarray(lat_deg) - self.lat_deg
        scale = METRES_PER_DEGREE * math.cos(math.radians(self.lat_deg))
        return east * scale, north * METRES_PER_DEGREE


@dataclass(frozen=True)
class Secrets:
    """All that was drawn for one study.

    `length_m` is the least that goes from each end of a run; `weeks` and `hours` move a shifted
    clock; `age_s` is added to every run's time since the engine's start; `pressure_kpa` to a
    station's pressure where its height isn't known. `places` are the ends of runs and stops,
    `circles` the user's own.
    """

    length_m: float
    weeks: int
    hours: int | None
    age_s: float
    pressure_kpa: float
    places: tuple[Place, ...] = ()
    circles: tuple[Place, ...] = ()


def draw_secrets(chance: random.Random) -> Secrets:
    """A study's secrets before its places are known."""
    return Secrets(
        length_m=chance.uniform(SHORTEST_M, LONGEST_M),
        weeks=-chance.randint(*WEEKS_BACK),
        hours=None,
        age_s=round(chance.uniform(0.0, LONGEST_AGE_S)),
        pressure_kpa=round(chance.uniform(-0.7, 0.7), 3),
    )


def draw_place(lat_deg: float, lon_deg: float, reach_m: float, chance: random.Random) -> Place:
    """A place with its disc's centre even over the ring of `OFFSET_M` round it."""
    low, high = OFFSET_M
    away = math.sqrt(chance.uniform(low**2, high**2))
    turn = chance.uniform(0.0, 2 * math.pi)
    return Place(lat_deg, lon_deg, reach_m, away * math.sin(turn), away * math.cos(turn))


def with_circles(secrets: Secrets, wanted: Sequence[Circle], chance: random.Random) -> Secrets:
    """The secrets with a disc for each of the user's circles; those drawn before stay as they are.

    A disc holds all of its circle and up to a third of its radius more.
    """
    kept = {(p.lat_deg, p.lon_deg): p for p in secrets.circles}
    found = []
    for circle in wanted:
        old = kept.get((circle.lat, circle.lon))
        if old is not None and old.reach_m >= circle.radius_m:
            found.append(old)
            continue
        reach = circle.radius_m * chance.uniform(1.0, 4 / 3)
        drawn = draw_place(circle.lat, circle.lon, reach, chance)
        if old is not None:  # a circle that grew keeps its centre
            drawn = replace(drawn, east_m=old.east_m, north_m=old.north_m)
        found.append(drawn)
    return replace(secrets, circles=tuple(found))


def with_places(
    secrets: Secrets, points: Iterable[tuple[float, float]], chance: random.Random
) -> tuple[Secrets, list[int]]:
    """The secrets with a disc for each point, and which disc each point has.

    Points within `ONE_PLACE_M` of a place are that place.
    """
    places, which = list(secrets.places), []
    for lat, lon in points:
        near = [float(p.away_m(np.array(lat), np.array(lon))) for p in places]
        best = int(np.argmin(near)) if near else -1
        if best < 0 or near[best] > ONE_PLACE_M:
            best = len(places)
            reach = secrets.length_m + ONE_PLACE_M
            places.append(draw_place(round(lat, 6), round(lon, 6), reach, chance))
        which.append(best)
    return replace(secrets, places=tuple(places)), which


def read_secrets(path: Path) -> Secrets | None:
    """What was drawn before; None if nothing was.

    Raises
    ------
    InputError
        If the file can't be read: drawing anew would let two publications be compared.
    """
    if not path.is_file():
        return None
    try:
        raw: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        if raw.pop("schema") != _SCHEMA:
            raise ValueError("schema")
        for key in ("places", "circles"):
            raw[key] = tuple(
                Place(**{**p, "more": tuple(tuple(m) for m in p["more"])}) for p in raw[key]
            )
        secrets = Secrets(**raw)
        numbers = [secrets.length_m, secrets.age_s, secrets.pressure_kpa]
        faults = [place_fault(p.lat_deg, p.lon_deg) for p in (*secrets.places, *secrets.circles)]
        if not all(map(math.isfinite, numbers)) or any(faults):
            raise ValueError("value")
    except (ValueError, KeyError, TypeError, AttributeError, OSError) as e:
        raise InputError(
            f"{path}: can't be read: put back the copy that roadlog wrote; what is drawn anew can "
            "be held against what was published before, and then shows more than each alone"
        ) from e
    return secrets


def keep_secrets(path: Path, secrets: Secrets) -> None:
    """Write the secrets for their owner alone, if they aren't there already."""
    if path.is_file() and read_secrets(path) == secrets:
        return
    text = json.dumps({"schema": _SCHEMA, **asdict(secrets)}, indent=1) + "\n"
    atomic_write(path, partial(Path.write_text, data=text, encoding="utf-8"), OWNER_ONLY)
