"""From runs' positions to the study's network of directed segments.

Frames of samples with positions go in; a `Network` comes out: stretches that both arms share, cut
into segments of about the asked length, with fused elevation and grade (method section 3). Cuts
lie where runs part or join and, within a margin, where the traffic flows.
"""

import string
from collections.abc import Mapping
from itertools import pairwise

import numpy as np
import pandas as pd
from scipy.ndimage import gaussian_filter1d

from roadlog.errors import DesignError
from roadlog.road.alignment import LINE_STEP_M, Points, gather
from roadlog.road.elevation import BIN_M, fuse, smooth
from roadlog.road.network import Floats, Network, Segment
from roadlog.road.projection import Origin, centre, to_geographic
from roadlog.road.stretches import COUNT_STEP_M, Stretch, shared_stretches
from roadlog.road.trace import STEP_M, Trace, make_trace

WHOLE_RUN = "run"
SHORTEST_SHARE = 0.4  # stretches shorter than this share of a segment's length are left out
CUT_MARGIN = 0.2  # a cut may move by this share of a segment to leave a queue
JUNCTION_SHARE = 0.2  # runs parting or joining at one place, as a share of all, that force a cut
MAP_STEP_M = 40.0


def find_network(
    tracks: Mapping[int, pd.DataFrame],
    arms: Mapping[int, str],
    *,
    segment_length_km: float = 1.0,
    min_runs_per_arm: int = 2,
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

    Returns
    -------
    Network
        Segments `A01`, `A02` … along the first stretch in driving order of the first run, `B01` …
        along the next; of kind `run`, with the one segment `run`, if no run has positions.

    Raises
    ------
    DesignError
        If there are positions but no stretch that enough runs of both arms share.
    """
    runs = sorted(tracks)
    origin = centre([tracks[r] for r in runs])
    if origin is None:
        return _whole_runs(tracks)
    traces = [make_trace(tracks[r], r, origin) for r in runs]
    points = gather(traces)
    fitted = np.array([arms[r] == "fitted" for r in runs])
    shortest = SHORTEST_SHARE * 1000 * segment_length_km
    stretches, longest = shared_stretches(points, fitted, min_runs_per_arm, shortest)
    if not stretches:
        raise DesignError(_no_stretch(traces, fitted, min_runs_per_arm, longest, shortest))
    stretches.sort(key=lambda s: int(s.point.min()))
    altitude = np.concatenate([t.altitude_m for t in traces])
    pace = np.concatenate([_pace(t) for t in traces])
    segments: list[Segment] = []
    for letters, stretch in zip(_letters(len(stretches)), stretches, strict=True):
        cuts = _cuts(stretch, pace, 1000 * segment_length_km)
        segments += _segments(letters, stretch, cuts, points, altitude, origin)
    lines = {t.run: _map_line(t, origin) for t in traces if len(t.d_m)}
    return Network("road", origin, tuple(segments), lines)


def _whole_runs(tracks: Mapping[int, pd.DataFrame]) -> Network:
    none = np.empty(0)
    lengths = [make_trace(t, r, (0.0, 0.0)).sample_d_m for r, t in tracks.items()]
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


def _segments(
    letters: str, stretch: Stretch, cuts: Floats, points: Points, altitude: Floats, origin: Origin
) -> list[Segment]:
    line = stretch.line
    bins = int(line.length_m / BIN_M) + 1
    place = np.minimum((stretch.s_m / BIN_M).astype(np.int64), bins - 1)
    profile, _ = fuse(place, points.owner[stretch.point], altitude[stretch.point], bins)
    profile, slope = smooth(profile)
    at_bin = (np.arange(bins) + 0.5) * BIN_M
    out = []
    for number, (a, b) in enumerate(pairwise(cuts), 1):
        s = np.linspace(a, b, max(2, round((b - a) / LINE_STEP_M) + 1))
        x, y = np.interp(s, line.s_m, line.x_m), np.interp(s, line.s_m, line.y_m)
        lat, lon = to_geographic(x, y, origin)
        z, grade = np.interp(s, at_bin, profile), np.interp(s, at_bin, slope)
        name = f"{letters}{number:02d}"
        out.append(Segment(name, float(b - a), s - a, x, y, lat, lon, z, grade))
    return out


def _map_line(trace: Trace, origin: Origin) -> tuple[Floats, Floats]:
    every = max(1, round(MAP_STEP_M / STEP_M))
    keep = np.unique(np.append(np.arange(0, len(trace.d_m), every), len(trace.d_m) - 1))
    return to_geographic(trace.x_m[keep], trace.y_m[keep], origin)
