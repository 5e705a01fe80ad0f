"""The pictures of the demonstration: invented valves before and after, drawn, not photographed.

A random generator goes in; pairs of pictures that differ by camera noise alone come out, with the
table that names them and score sheets of two invented scorers. It feeds the generator behind
`roadlog demo --trials` and implements no part of the method.
"""

import io

import numpy as np
from PIL import Image, ImageDraw
from scipy.ndimage import gaussian_filter

from roadlog.demo.files import csv_text
from roadlog.quantities.arrays import Floats

PAIRS, SCORERS = 8, 2
SIDE_PX = 320
METAL, DEPOSIT, BEHIND = (172, 176, 178), (66, 46, 30), (34, 36, 40)
MOST_POINTS = 10
CHANCE_POINTS, OWN_POINTS = 1.1, 0.6  # what differs between two alike pictures, to all, to one


def pictures(rng: np.random.Generator) -> tuple[dict[str, bytes], dict[str, object]]:
    """Pictures, `pairs.csv`, score sheets, and the truth behind them.

    Returns
    -------
    file name -> content, truth for JSON
        The two of a pair show one valve with one deposit; light and noise of the camera differ as
        they do from one picture to the next. The scores are by chance, as of people to whom both
        sides look alike, so they fit whatever shuffle `roadlog inspect prepare` draws.
    """
    files: dict[str, bytes] = {}
    rows = []
    for pair in range(1, PAIRS + 1):
        valve = _valve(rng)
        names = [f"synthetic_valve_{pair}_{when}.jpg" for when in ("before", "after")]
        for name in names:
            files[f"photos/{name}"] = _photo(valve, rng)
        rows.append((f"valve {pair}", *names))
    files["photos/pairs.csv"] = csv_text(("pair", "before", "after"), rows).encode()
    for scorer, sheet in enumerate(_scores(rng), 1):
        files[f"scores/synthetic_scorer_{scorer}.csv"] = sheet.encode()
    return files, {
        "difference_points": 0.0,
        "note": "both pictures of a pair show the same deposit; scores are by chance",
    }


def _valve(rng: np.random.Generator) -> Floats:
    """A valve from behind with its own deposit, (side, side, 3), 0 to 255."""
    y, x = (np.mgrid[0:SIDE_PX, 0:SIDE_PX] - SIDE_PX / 2) / (SIDE_PX / 2)
    radius, angle = np.hypot(x, y), np.arctan2(y, x)
    white = rng.standard_normal((SIDE_PX, SIDE_PX))
    grown = np.sum([gaussian_filter(white, s) * s for s in (3, 9, 20)], axis=0)
    grown = grown / grown.std() + rng.uniform(-0.6, 0.9)
    share = 1 / (1 + np.exp(-2.5 * (grown - 2.4 * np.abs(radius - 0.5))))
    light = 1 + 0.18 * np.cos(angle - 0.9) + 0.05 * np.sin(90 * radius)
    metal = np.asarray(METAL) * light[..., None]
    shown = metal * (1 - share[..., None]) + np.asarray(DEPOSIT) * share[..., None]
    stem = radius < 0.13
    shown = np.where(stem[..., None], np.asarray(METAL) * (1.15 - radius[..., None]), shown)
    return np.where((radius < 0.86)[..., None], shown, np.asarray(BEHIND, dtype=float))


def _photo(valve: Floats, rng: np.random.Generator) -> bytes:
    """One picture of it as a JPEG, with the word SYNTHETIC in it."""
    exposure = 1 + 0.015 * rng.standard_normal()
    noise = gaussian_filter(5 * rng.standard_normal(valve.shape), (0.7, 0.7, 0))
    pixels = np.clip(valve * exposure + noise, 0, 255).astype(np.uint8)
    image = Image.fromarray(pixels, "RGB")
    ImageDraw.Draw(image).text((6, SIDE_PX - 16), "SYNTHETIC", fill=(210, 210, 210))
    out = io.BytesIO()
    image.save(out, format="JPEG", quality=88)
    return out.getvalue()


def _scores(rng: np.random.Generator) -> list[str]:
    """A filled score sheet a scorer: whole points from 0 to 10, neither side favoured."""
    dirt = rng.uniform(2.5, 7.5, PAIRS)
    lean = CHANCE_POINTS * rng.standard_normal(PAIRS) / 2
    sheets = []
    for _ in range(SCORERS):
        own = OWN_POINTS * rng.standard_normal((2, PAIRS))
        left, right = np.clip(
            np.round([dirt + lean + own[0], dirt - lean + own[1]]), 0, MOST_POINTS
        )
        rows = [(f"{k:03d}", f"{a:.0f}", f"{b:.0f}") for k, (a, b) in
                enumerate(zip(left, right, strict=True), 1)]  # fmt: skip
        sheets.append(csv_text(("pair", "left", "right"), rows))
    return sheets
