"""Cost of the road stage against the number of runs, printed (synthetic data).

`python -m tests.road.growth 500` drives 500 runs of 28 km; `… 40 1786` cuts them to 1,786 samples.
"""

import resource
import sys
import time

import numpy as np

from roadlog.road import find_network, match
from tests.road.synthetic import drives, path


def main(runs: int, samples: int | None) -> None:
    """Print CPU seconds of finding the network and of matching, and peak memory."""
    corners = [(x, 0.8 * (x // 2 % 2)) for x in range(0, 29, 2)]
    paths = {
        "far": path(*corners),
        "far back": path(*[(x, y + 0.007) for x, y in corners[::-1]]),
    }
    plan = [(r, a) for _ in range(5) for a in ("baseline", "fitted") for r in paths]
    made = drives(plan, seed=1, paths=paths)
    rng = np.random.default_rng(0)
    tracks = {}
    for run in range(runs):
        frame = made.tracks[run % 20].iloc[:samples].reset_index(drop=True)
        noise = rng.normal(0, 3e-5, 2) + rng.normal(0, 2e-5, (len(frame), 2))
        lat, lon = frame["lat_deg"] + noise[:, 0], frame["lon_deg"] + noise[:, 1]
        tracks[run] = frame.assign(lat_deg=lat, lon_deg=lon)
    arms = {run: made.arms[run % 20] for run in tracks}
    begin = time.process_time()
    network = find_network(tracks, arms, segment_length_km=1.0, min_runs_per_arm=2)
    found = time.process_time()
    for run, track in tracks.items():
        match(track, network, run)
    end = time.process_time()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    mean = np.mean([len(t) for t in tracks.values()])
    print(
        f"{runs} runs of {mean:.0f}: network {found - begin:.2f} s, matching {end - found:.2f} s, "
        f"together {end - begin:.2f} s CPU; peak {peak:.2f} GB"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else None)
