"""From runs' positions to the study's network of directed segments.

Frames of samples with positions go in; a `Network` comes out: stretches that both arms share, cut
into segments of about the asked length, with fused elevation and grade (method section 3). Cuts
lie where runs part or join and, within a margin, where the traffic flows.
"""

import string
from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np
from scipy.ndimage import gaussian_filter1d

from roadlog.errors import DesignError, InputError
from roadlog.quantities.arrays import Floats
from roadlog.quantities.columns import Table
from roadlog.road.alignment import LINE_STEP_M, Points, gather
from roadlog.road.altitude_lag import altitude_lag_s, lagged
from roadlog.road.elevation import BIN_M, fuse, smooth
from roadlog.road.gates import Gate, named_pieces, passed
from roadlog.road.network import Network, RunLines, Segment
from roadlog.road.projection import Origin, centre, to_geographic
from roadlog.road.raster import ElevationRaster, check_heights
from roadlog.road.shared_lines import COUNT_STEP_M, Stretch, shared_stretches
from roadlog.road.store import known_pieces
from roadlog.road.trace import STEP_M, Trace, make_traces

WHOLE_RUN = "run"
SHORTEST_SHARE = 0.4  # stretches shorter than this share of a segment's length are left out
CUT_MARGIN = 0.2  # a cut may move by this share of a segment to leave a queue
JUNCTION_SHARE = 0.2  # runs parting or joining at one place, as a share of all, that force a cut
DIGITS = "0123456789"

Piece = tuple[str, float, float]  # id, start and end along a stretch [m]


def find_network(
    tracks: Mapping[int, Table],
    arms: Mapping[int, str],
    *,
    segment_length_km: float = 1.0,
    min_runs_per_arm: int = 2,
    gates: Sequence[Gate] = (),
    raster: ElevationRaster | None = None,
    known: Network | None = None,
) -> Network:
    """Find the directed segments that runs of both arms share.

    Parameters
    ----------
    tracks : mapping of run to DataFrame
        Samples with `t_s` [s] and, where logged, `lat_deg`, `lon_deg` [°] (NaN where no fix),
        `speed_kmh`, `gps_speed_kmh` [km/h], `altitude_m` [m].
    arms : mapping of run to str
        `baseline` or `fitted`.
    segment_length_km : float [km]
        Wanted length of a segment; stretches are cut into equal pieces near it.
    min_runs_per_arm : int
        Runs of each arm that have to drive a stretch.
    gates : sequence of Gate
        Where the user wants segments to end; roads outside them are then no segments.
    raster : ElevationRaster, optional
        Heights to take in place of the drives' own.
    known : Network, optional
        An earlier network of the study, which lends its ids to segments that are for the most
        part the same, and nothing else. Not used with gates, whose names are the ids.

    Returns
    -------
    Network
        Segments `A01`, `A02` … along the first stretch in driving order of the first run, `B01` …
        along the next; of kind `run`, with the one segment `run`, if no run has positions.

    Raises
    ------
    DesignError
        If there are positions but no stretch that enough runs of both arms share.
    InputError
        If a gate is on no such stretch, or the raster doesn't cover one.

    >>> import pandas as pd
    >>> drive = pd.DataFrame({"t_s": np.arange(200.0), "dt_s": 1.0, "speed_kmh": 72.0})
    >>> drive["lat_deg"], drive["lon_deg"] = 50 + 0.00018 * drive["t_s"], 8.0
    >>> arms = ["baseline", "fitted", "baseline", "fitted"]
    >>> network = find_network(dict.fromkeys(range(4), drive), dict(enumerate(arms)))
    >>> [(s.id, round(s.length_m)) for s in network.segments]
    [('A01', 980), ('A02', 1000), ('A03', 980), ('A04', 999)]
    """
    runs = sorted(tracks)
    origin = centre([tracks[r] for r in runs])
    if origin is None:
        return _whole_runs(tracks)
    traces = make_traces([tracks[r] for r in runs], runs, origin)
    points = gather(traces)
    fitted = np.array([arms[r] == "fitted" for r in runs])
    shortest = SHORTEST_SHARE * 1000 * segment_length_km
    stretches, longest = shared_stretches(points, fitted, min_runs_per_arm, shortest)
    if not stretches:
        raise DesignError(_no_stretch(traces, fitted, min_runs_per_arm, longest, shortest))
    stretches.sort(key=lambda s: int(s.point.min()))
    lag_s = altitude_lag_s(traces)
    altitude = np.concatenate([lagged(t, lag_s) for t in traces])
    if raster is not None:
        _hold_raster(raster, stretches, points, altitude, origin)
    pace = np.concatenate([_pace(t) for t in traces])
    gates = tuple(gates)
    if gates:
        _refuse_unused(gates, stretches, origin)
        pieces = _distinct([named_pieces(gates, s.line, origin) for s in stretches])
    else:
        pieces = _pieces(stretches, pace, 1000 * segment_length_km, known, origin)
    segments: list[Segment] = []
    for stretch, named in zip(stretches, pieces, strict=True):
        if named:
            profile = _profile(stretch, points, altitude, origin, raster)
            segments += [_segment(n, a, b, stretch, profile, origin) for n, a, b in named]
    if not segments:
        raise DesignError(
            "no two gates lie one behind the other on a road that both arms drive: move the gates "
            "of [road] or leave them out"
        )
    lines = RunLines({t.run: (t.x_m, t.y_m) for t in traces if len(t.d_m)}, origin)
    return Network("road", origin, tuple(segments), lines, altitude_lag_s=lag_s)


def _whole_runs(tracks: Mapping[int, Table]) -> Network:
    none = np.empty(0)
    traces = make_traces(list(tracks.values()), list(tracks), (0.0, 0.0), profile=False)
    lengths = [t.sample_d_m for t in traces]
    length = float(np.median([d[-1] for d in lengths if len(d)] or [0.0]))
    return Network("run", None, (Segment(WHOLE_RUN, length, *(none,) * 7),), {})


def _no_stretch(
    traces: list[Trace], fitted: np.ndarray, k: int, longest_m: float, shortest_m: float
) -> str:
    located = np.array([len(t.d_m) > 0 for t in traces])
    without, with_ = int((located & ~fitted).sum()), int((located & fitted).sum())
    return (
        f"no common road: of {without} baseline and {with_} fitted runs with positions, the "
        f"longest stretch that {k} of each share in one direction is {longest_m / 1000:.2f} km "
        f"(needed: {shortest_m / 1000:.2f} km); drive the same route in both arms, or lower "
        f"min_runs_per_arm or segment_length_km in [analysis]"
    )


def _letters(n: int) -> list[str]:
    one = string.ascii_uppercase
    return [*one, *(a + b for a in one for b in one)][:n]


def _pace(trace: Trace) -> Floats:
    """Time [s/m] that each step of a trace takes."""
    if not len(trace.d_m):
        return np.empty(0)
    return np.append(np.diff(trace.t_s), 0.0) / STEP_M


def _cuts(stretch: Stretch, pace: Floats, wanted_m: float) -> Floats:
    """Where the stretch is cut, both its ends included [m]."""
    length = stretch.line.length_m
    bins = int(length / STEP_M) + 1
    place = np.minimum((stretch.s_m / STEP_M).astype(int), bins - 1)
    count = np.bincount(place, minlength=bins)
    slow = np.bincount(place, pace[stretch.point], bins) / np.maximum(count, 1)
    slow = gaussian_filter1d(slow, 2.0, mode="nearest")
    fixed = [0.0, *_junctions(stretch, wanted_m), length]
    cuts = [0.0]
    for a, b in pairwise(fixed):
        n = max(1, round((b - a) / wanted_m))
        margin = CUT_MARGIN * (b - a) / n
        for j in range(1, n):
            at = a + (b - a) * j / n
            choice = np.arange(int((at - margin) / STEP_M), int((at + margin) / STEP_M) + 1)
            aside = (choice * STEP_M - at) / margin
            cost = slow[choice] / max(float(np.median(slow)), 1e-6) + 0.5 * aside**2
            cuts.append(float(choice[np.argmin(cost)] * STEP_M))
        cuts.append(b)
    return np.array(cuts)


def _junctions(stretch: Stretch, wanted_m: float) -> list[float]:
    """Places where many runs join or leave the stretch at once."""
    runs = stretch.runs_at.astype(float)
    reach = round(80 / COUNT_STEP_M)
    least = max(2.0, JUNCTION_SHARE * float(runs.max()))
    apart = max(200.0, 0.3 * wanted_m)
    change = np.zeros(len(runs))
    if len(runs) > 2 * reach:
        change[reach:-reach] = np.abs(runs[2 * reach :] - runs[: -2 * reach])
    found: list[float] = []
    for b in np.argsort(-change, kind="stable"):
        at = float(b) * COUNT_STEP_M
        if change[b] < least:
            break
        if all(abs(at - f) >= apart for f in (0.0, stretch.line.length_m, *found)):
            found.append(at)
    return sorted(found)


def _pieces(
    stretches: list[Stretch], pace: Floats, wanted_m: float, known: Network | None, origin: Origin
) -> list[list[Piece]]:
    """Ids, starts and ends of the segments along each stretch.

    Where they end, the runs say; an earlier network lends its ids alone, so that figures never
    depend on what was analysed before.
    """
    used = {s.id for s in known.segments} if known else set()
    letters = iter(n for n in _letters(702) if not any(u.rstrip(DIGITS) == n for u in used))
    claimed: set[str] = set()
    out = []
    for stretch in stretches:
        cuts = list(pairwise(_cuts(stretch, pace, wanted_m).tolist()))
        on_it = known_pieces(known, stretch.line, origin) if known else []
        old = _ids_of(cuts, [p for p in on_it if p[0] not in claimed])
        claimed |= set(old.values())
        named = next(iter(old.values())).rstrip(DIGITS) if old else next(letters)
        free = (name for i in range(1, 1000) if (name := f"{named}{i:02d}") not in used)
        out.append([(old[i] if i in old else next(free), *cut) for i, cut in enumerate(cuts)])
        used |= {name for name, _, _ in out[-1]}
    return out


def _ids_of(cuts: list[tuple[float, float]], known: list[Piece]) -> dict[int, str]:
    """Which of the pieces between cuts is, for the most part, which known one."""
    found: dict[int, str] = {}
    for name, a, b in known:
        shared = [min(b, d) - max(a, c) for c, d in cuts]
        i = int(np.argmax(shared))
        c, d = cuts[i]
        if i not in found and shared[i] > 0.5 * max(b - a, d - c):
            found[i] = name
    return dict(sorted(found.items()))


def _distinct(pieces: list[list[Piece]]) -> list[list[Piece]]:
    """The same with a number behind every name that has come before."""
    seen: dict[str, int] = {}
    out = []
    for named in pieces:
        row = []
        for name, a, b in named:
            seen[name] = seen.get(name, 0) + 1
            row.append((name if seen[name] == 1 else f"{name} ({seen[name]})", a, b))
        out.append(row)
    return out


def _refuse_unused(gates: tuple[Gate, ...], stretches: list[Stretch], origin: Origin) -> None:
    used = {g.name for s in stretches for _, g in passed(gates, s.line, origin)}
    for gate in gates:
        if gate.name not in used:
            raise InputError(
                f"gate '{gate.name}' is on no road that enough runs of both arms drive: move or "
                "remove it, or check its heading"
            )


def _profile(
    stretch: Stretch, points: Points, altitude: Floats, origin: Origin,
    raster: ElevationRaster | None,
) -> tuple[Floats, Floats]:  # fmt: skip
    """Elevation [m] and grade every `BIN_M` of the stretch."""
    if raster is not None:
        return smooth(_by_raster(stretch, raster, origin))
    return smooth(_by_drives(stretch, points, altitude))


def _by_raster(stretch: Stretch, raster: ElevationRaster, origin: Origin) -> Floats:
    line = stretch.line
    bins = int(line.length_m / BIN_M) + 1
    s = np.minimum((np.arange(bins) + 0.5) * BIN_M, line.length_m)
    x, y = np.interp(s, line.s_m, line.x_m), np.interp(s, line.s_m, line.y_m)
    return raster.at(*to_geographic(x, y, origin))


def _by_drives(stretch: Stretch, points: Points, altitude: Floats) -> Floats:
    bins = int(stretch.line.length_m / BIN_M) + 1
    place = np.minimum((stretch.s_m / BIN_M).astype(np.int64), bins - 1)
    return fuse(place, points.owner[stretch.point], altitude[stretch.point], bins)[0]


def _hold_raster(
    raster: ElevationRaster, stretches: list[Stretch], points: Points, altitude: Floats,
    origin: Origin,
) -> None:  # fmt: skip
    """Refuse a raster whose heights aren't those that the drives logged."""
    check_heights(
        raster.path,
        np.concatenate([_by_raster(s, raster, origin) for s in stretches]),
        np.concatenate([_by_drives(s, points, altitude) for s in stretches]),
    )


def _segment(
    name: str, a: float, b: float, stretch: Stretch, profile: tuple[Floats, Floats], origin: Origin
) -> Segment:
    line = stretch.line
    s = np.linspace(a, b, max(2, round((b - a) / LINE_STEP_M) + 1))
    x, y = np.interp(s, line.s_m, line.x_m), np.interp(s, line.s_m, line.y_m)
    lat, lon = to_geographic(x, y, origin)
    at_bin = (np.arange(len(profile[0])) + 0.5) * BIN_M
    z, grade = np.interp(s, at_bin, profile[0]), np.interp(s, at_bin, profile[1])
    return Segment(name, float(b - a), s - a, x, y, lat, lon, z, grade)
