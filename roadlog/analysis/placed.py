"""Where it was driven: metered runs go in, the study's segments and the weather on them come out.

The third stage of `roadlog.analysis.analyse`, after fuel and before passes.
"""

import hashlib
from dataclasses import dataclass

import numpy as np
import pandas as pd

from roadlog import road
from roadlog.analysis.driven import Driven
from roadlog.analysis.metering import Metered
from roadlog.errors import InputError
from roadlog.passes.conditions import Level, conditions_of_each, usual_level
from roadlog.passes.sky import sky_of
from roadlog.physics.air import wind_share
from roadlog.quantities.columns import Columns
from roadlog.quantities.facts import Warned
from roadlog.runs.routes import routes_of
from roadlog.runs.table import Sources
from roadlog.study.settings import Study
from roadlog.weather.reports import study_weather, weather_file
from roadlog.weather.station import Station, locate, network_positions, station_warnings
from roadlog.wording.progress import bar


@dataclass(frozen=True)
class Placed:
    """The network, the usable runs on it with air, wind and demand, and the weather."""

    network: road.Network
    tracks: dict[int, Columns]
    weather: pd.DataFrame | None
    station: Station | None
    warnings: tuple[Warned, ...]


def place(
    study: Study, sources: Sources, driven: Driven, metered: Metered, progress: bool
) -> Placed:
    """Find the segments, and what road and air asked on them.

    Raises
    ------
    RoadlogError
        If nothing is shared, or positions lie apart.
    """
    warnings: list[Warned] = []
    network = _network(study, sources, metered, driven.notes, warnings)
    if network.altitude_lag_s:
        warnings.append(
            Warned(
                "altitude-lag",
                f"altitudes come {network.altitude_lag_s:.0f} s later than positions, as drives "
                "there and back show: put right for the road's grade",
            )
        )
    root, starts = sources.root, driven.runs["start"]
    weather = None if root is None else study_weather(root, study, starts)
    station = locate(weather, weather_file(study), network_positions(network))
    warnings += [Warned("weather-station", w) for w in station_warnings(station)]
    tracks = placed_runs(study, metered, network, weather, progress)
    return Placed(network, tracks, weather, station, tuple(warnings))


def placed_runs(
    study: Study,
    metered: Metered,
    network: road.Network,
    weather: pd.DataFrame | None,
    progress: bool,
    usual: Level | None = None,
) -> dict[int, Columns]:
    """The usable runs on the network, with air, wind and demand.

    `usual` is the level that runs without altitude and pressure are taken to be at, by default that
    of these runs.
    """
    runs = metered.runs
    starts = {int(r): pd.Timestamp(t) for r, t in zip(runs["run"], runs["start"], strict=True)}
    wind = wind_share(study.weather.shelter, study.weather.wind_height_m)
    driven = bar(metered.usable.items(), "road", progress)
    matched = dict(road.placed_each(driven, network))
    sky = None if weather is None else sky_of(weather)
    usual = usual or usual_level(metered.usable.values())
    told = runs["ambient_start_c"] if "ambient_start_c" in runs else pd.Series(dtype=float)
    ambient = dict(zip(runs["run"], told, strict=False))
    bridged = road.bridged(matched, network)
    conditions = conditions_of_each(
        list(bridged.values()),
        study.vehicle,
        starts=[starts[r] for r in bridged],
        weather=sky,
        wind_at_car=wind,
        usual=usual,
        ambient_start_c=[float(ambient[r]) if pd.notna(ambient.get(r)) else None for r in bridged],
    )
    return dict(zip(bridged, conditions, strict=True))


def _network(
    study: Study,
    sources: Sources,
    metered: Metered,
    notes: pd.DataFrame | None,
    warnings: list[Warned],
) -> road.Network:
    """The study's segments: by its gates and raster if it has them, under the ids they had.

    Without positions they are pieces by distance, if the study says that runs share a route.

    A study folder keeps the network in `computed/`, one file for each set of choices, so that
    segments keep their names when runs are added.
    """
    root, rule, runs = sources.root, study.road, metered.runs
    arms = {int(r): str(a) for r, a in zip(runs["run"], runs["arm"], strict=True)}
    tracks = metered.usable
    located = any(np.isfinite(t.floats("lat_deg")).any() for t in tracks.values())
    if rule.same_route and not located:
        return road.find_pieces(
            tracks,
            arms,
            routes_of(rule, runs, notes),
            segment_length_km=study.analysis.segment_length_km,
            min_runs_per_arm=study.analysis.min_runs_per_arm,
        )
    if far := road.elsewhere(tracks):
        files = dict(zip(runs["run"], runs["file"], strict=True))
        raise InputError(
            f"{files[far.run]}: its positions lie {far.apart_km:,.0f} km from those of "
            f"{files[far.other]}, and beside them if {far.why} in one of the two: correct the "
            "column, or leave the log out"
        )
    if rule.same_route:
        warnings.append(
            Warned(
                "same-route-unused",
                "there are positions, so segments come from them and [road] same_route is not used",
            )
        )
    gates = () if root is None or rule.gates is None else road.read_gates(root / rule.gates)
    raster = (
        None if root is None or rule.elevation is None else road.read_raster(root / rule.elevation)
    )
    choices = repr((study.analysis.segment_length_km, study.analysis.min_runs_per_arm, gates))
    kept = (
        None
        if root is None
        else root / "computed" / f"network-{hashlib.sha256(choices.encode()).hexdigest()[:8]}.json"
    )
    network = road.find_network(
        tracks,
        {r: arms[r] for r in tracks},
        segment_length_km=study.analysis.segment_length_km,
        min_runs_per_arm=study.analysis.min_runs_per_arm,
        gates=gates,
        raster=raster,
        known=road.load_network(kept) if kept is not None and kept.is_file() else None,
    )
    if kept is not None and network.kind == "road":
        try:
            road.save_network(network, kept)
        except OSError as e:
            warnings.append(
                Warned("network-not-kept", f"segments can't keep their names: {kept}: {e.strerror}")
            )
    return network
