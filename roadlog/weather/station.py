"""The weather's station against the route: how far from it, how much below or above it.

A study's weather and the positions of its drives go in; distances, the difference in height and
plain sentences on what they mean come out. Weather of another country is refused. Part of the air
and wind of method section 4.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from roadlog.errors import InputError
from roadlog.physics.atmosphere import LAPSE_K_M
from roadlog.physics.geodesic import distances_km
from roadlog.quantities.arrays import Floats
from roadlog.road.network import Network
from roadlog.road.projection import positions

# Radius of the largest area, 10,000 km2, that a station over even country is meant to stand for:
# WMO-No. 488, Guide to the Global Observing System, 3.2.1.2.1 (2,000 to 10,000 km2).
FAR_KM = 56.0
ELSEWHERE_KM = 500.0  # another country's weather; common practice, no source
OTHER_LEVEL_M = 300.0  # about 2 K and 3.5 kPa; valley fog below, clear above: common practice
STRAY = 0.01  # share of positions at either end of the distances that doesn't count


@dataclass(frozen=True)
class Station:
    """Where the weather comes from, as far as it is known.

    `nearest_km`, `farthest_km` from the route's positions [km]; `route_above_m` the route's median
    height over the station [m].
    """

    file: str
    lat_deg: float | None = None
    lon_deg: float | None = None
    elevation_m: float | None = None
    nearest_km: float | None = None
    farthest_km: float | None = None
    route_above_m: float | None = None


def network_positions(network: Network) -> tuple[Floats, Floats, Floats]:
    """Latitudes [°], longitudes [°] and heights [m] along all segments; empty without positions."""
    road = [s for s in network.segments if network.kind == "road"]
    if not road:
        return np.empty(0), np.empty(0), np.empty(0)
    return (
        np.concatenate([s.lat_deg for s in road]),
        np.concatenate([s.lon_deg for s in road]),
        np.concatenate([s.elevation_m for s in road]),
    )


def drive_positions(drives: Iterable[pd.DataFrame]) -> tuple[Floats, Floats, Floats]:
    """Latitudes [°], longitudes [°] and heights [m] of all fixes of drives not yet on a network."""
    lats: list[Floats] = [np.empty(0)]
    lons: list[Floats] = [np.empty(0)]
    heights: list[Floats] = [np.empty(0)]
    for drive in drives:
        lat, lon, there = positions(drive)
        height = drive["altitude_m"] if "altitude_m" in drive else pd.Series(np.nan, drive.index)
        lats.append(lat[there])
        lons.append(lon[there])
        heights.append(np.asarray(height, float)[there])
    return np.concatenate(lats), np.concatenate(lons), np.concatenate(heights)


def locate(
    weather: pd.DataFrame | None, file: str, route: tuple[Floats, Floats, Floats]
) -> Station | None:
    """The weather's station against the route; None without weather.

    Parameters
    ----------
    weather : DataFrame or None
        As `roadlog.weather.reports.study_weather` gives it, with `station_lat_deg`,
        `station_lon_deg`, `station_elevation_m` where they are known.
    file : str
        Where the weather comes from.
    route : three (n,) arrays [°], [°], [m]
        Latitude, longitude and height (NaN where unknown) of the route's positions.

    Raises
    ------
    InputError
        If all the route is more than `ELSEWHERE_KM` from the station.
    """
    if weather is None:
        return None
    lat, lon, elevation = (
        float(weather[c].iloc[0]) if c in weather.columns and len(weather) else None
        for c in ("station_lat_deg", "station_lon_deg", "station_elevation_m")
    )
    heights = route[2][np.isfinite(route[2])]
    above = None
    if elevation is not None and len(heights):
        above = float(np.median(heights)) - elevation
    near = far = None
    if lat is not None and lon is not None and len(route[0]):
        near, far = _range_km((lat, lon), route)
        if near > ELSEWHERE_KM:
            raise InputError(_mistaken(file, (lat, lon), route, near))
    return Station(file, lat, lon, elevation, near, far, above)


def about(station: Station) -> str:
    """One sentence on where the weather comes from, or that nobody can know."""
    if station.lat_deg is None:
        return (
            f"The weather is from {station.file}, and where its station stands isn't known: "
            "whether its wind and rain are the route's can't be told (give station = [latitude, "
            "longitude] in [weather] of study.toml)."
        )
    if station.nearest_km is None or station.farthest_km is None:
        return (
            f"The weather is from {station.file}; the drives have no positions, so that its "
            "station's distance from the route can't be told."
        )
    return (
        f"The weather is from {station.file}; its station stands {_km(station)} from the "
        f"route{_height(station)}."
    )


def station_warnings(station: Station | None) -> list[str]:
    """Sentences on a station too far from the route, or far above or below it."""
    found: list[str] = []
    if station is None:
        return found
    if station.farthest_km is not None and station.farthest_km > FAR_KM:
        found.append(
            f"{station.file}: the weather station stands {_km(station)} from the route, farther "
            f"than the {FAR_KM:g} km that a station can stand for in even country: its wind and "
            "rain are local and may not be the route's, its temperature and pressure less so; "
            "take a nearer one"
        )
    above = station.route_above_m
    if above is not None and abs(above) > OTHER_LEVEL_M:
        found.append(
            f"{station.file}: the route lies {abs(above):.0f} m "
            f"{'above' if above > 0 else 'below'} the weather station: its temperature is "
            f"corrected by {-1000 * LAPSE_K_M:.1f} K/km, but the air of another level may be "
            "warmer or colder than that, and its wind and rain differ"
        )
    return found


def _range_km(
    place: tuple[float, float], route: tuple[Floats, Floats, Floats]
) -> tuple[float, float]:
    near, far = np.quantile(distances_km(place, route[0], route[1]), [STRAY, 1 - STRAY])
    return float(near), float(far)


def _mistaken(
    file: str, place: tuple[float, float], route: tuple[Floats, Floats, Floats], near_km: float
) -> str:
    said = (
        f"{file}: the weather station at {place[0]:.2f}, {place[1]:.2f} is {near_km:,.0f} km from "
        "the route: this is the weather of another country; "
    )
    lat, lon = place
    if abs(lon) <= 90 and _range_km((lon, lat), route)[0] <= ELSEWHERE_KM:
        return said + "its latitude and longitude are exchanged, so write the latitude first"
    return said + "take a station near the route, or correct its place"


def _km(station: Station) -> str:
    near, far = station.nearest_km, station.farthest_km
    assert near is not None
    assert far is not None
    return f"{near:.0f} km" if round(near) == round(far) else f"{near:.0f} to {far:.0f} km"


def _height(station: Station) -> str:
    above = station.route_above_m
    if above is None:
        return (
            ", and the difference in height isn't known, so that temperature and pressure are "
            "taken as they are (100 m are about 0.65 K and 1.2 kPa)"
        )
    if round(above) == 0:
        return " and at its height"
    return f" and {abs(above):.0f} m {'below' if above > 0 else 'above'} it"
