"""Elevation from a GeoTIFF raster, in place of the drives' own altitudes.

A file goes in; out comes a lookup from latitude and longitude to height, interpolated between the
raster's cells. Only the squares of the raster that the route crosses are read, so that a country's
raster costs no more than a village's. Needs the extra
`raster` (rasterio). Part of method section 3.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from roadlog.errors import InputError
from roadlog.quantities.arrays import Floats

Indices = NDArray[np.intp]

_SQUARE = 512  # cells a side that are read at once
_LARGEST_BLOCK = 32_000_000  # cells that the file stores as one piece: each is decoded whole
FEET = ("ft", "foot", "feet", "us survey foot", "us-ft", "ussft", "ftus", "international foot")
FEET_IN_METRE = 1 / 0.3048  # NIST SP 811 (2008), B.8
FEET_WITHIN = 0.15
LEAST_PLACES = 25
LEAST_RELIEF_M = 5.0  # standard deviation of heights that a receiver's drift doesn't make
ALIKE = 0.8  # correlation of two profiles of one road
LEAST_HEIGHT_M = 60.0  # below it a receiver's error and the geoid change the ratio of levels
TOO_FAR_M = 200.0  # geoid 107 m at most, a receiver's level some tens


@dataclass(frozen=True)
class ElevationRaster:
    """Where a file's grid of heights [m] lies: its size and the transform to rows and columns."""

    path: Path
    shape: tuple[int, int]
    to_pixel: tuple[float, float, float, float, float, float]
    crs: str

    def at(self, lat_deg: Floats, lon_deg: Floats) -> Floats:
        """Height [m] at positions [°], bilinear between cell centres.

        Raises
        ------
        InputError
            If a position lies outside the raster or on a cell without data.
        """
        from pyproj import Transformer

        east, north = Transformer.from_crs("EPSG:4326", self.crs, always_xy=True).transform(
            lon_deg, lat_deg
        )
        a, b, c, d, e, f = self.to_pixel
        column, row = a * east + b * north + c - 0.5, d * east + e * north + f - 0.5
        rows, columns = self.shape
        inside = (row >= -0.5) & (row <= rows - 0.5) & (column >= -0.5) & (column <= columns - 0.5)
        row, column = np.clip(row, 0, rows - 1), np.clip(column, 0, columns - 1)
        i = np.minimum(np.nan_to_num(row).astype(int), max(rows - 2, 0))
        j = np.minimum(np.nan_to_num(column).astype(int), max(columns - 2, 0))
        height = np.full(len(i), np.nan)
        with _opened(self.path) as file:
            for here in _by_square(i, j, inside):
                top, left = int(i[here].min()), int(j[here].min())
                size = int(i[here].max()) - top + 2, int(j[here].max()) - left + 2
                z = _heights(
                    file, top, left, min(size[0], rows - top), min(size[1], columns - left)
                )
                y, x = i[here] - top, j[here] - left
                v, u = row[here] - i[here], column[here] - j[here]
                down, right = np.minimum(y + 1, len(z) - 1), np.minimum(x + 1, z.shape[1] - 1)
                height[here] = (1 - v) * ((1 - u) * z[y, x] + u * z[y, right])
                height[here] += v * ((1 - u) * z[down, x] + u * z[down, right])
        if not np.isfinite(height).all():
            bad = int((~np.isfinite(height)).argmax())
            share = 100 * float((~np.isfinite(height)).mean())
            raise InputError(
                f"{self.path}: the raster doesn't cover the route: {share:.0f} % of it, first at "
                f"{lat_deg[bad]:.4f}, {lon_deg[bad]:.4f}, has no height; use a larger raster or "
                "leave elevation out of [road]"
            )
        return np.asarray(height, float)


def read_raster(path: Path) -> ElevationRaster:
    """Where the first band of a GeoTIFF, heights in metres, lies.

    Raises
    ------
    InputError
        If rasterio isn't installed, the file is missing or no raster, it doesn't say where on
        earth it lies, or it is stored in pieces too large to be read one by one.
    """
    if not path.is_file():
        raise InputError(f"{path} doesn't exist: correct elevation in [road] of study.toml")
    with _opened(path) as file:
        if file.crs is None:
            raise InputError(f"{path}: the raster doesn't say which map projection it is in")
        if (unit := str(file.units[0] or "").strip().lower()) in FEET:
            raise InputError(f"{path}: the raster is in feet ('{unit}'): convert it to metres")
        block = file.block_shapes[0]
        if block[0] * block[1] > _LARGEST_BLOCK:
            raise InputError(
                f"{path}: the raster is stored in pieces of {block[0]} × {block[1]} cells, each of "
                "which must be read whole: save it again in tiles of 256 or 512"
            )
        inverse = ~file.transform
        return ElevationRaster(path, file.shape, tuple(inverse)[:6], file.crs.to_wkt())


def check_heights(path: Path, raster_m: Floats, logs_m: Floats) -> None:
    """Hold a raster's heights against those of the drives' own altitudes at the same places.

    Parameters
    ----------
    raster_m, logs_m : (n,) float [m]
        NaN where a drive has no altitude.

    Raises
    ------
    InputError
        If one of the two is in feet, by level or by relief, or they lie too far apart.
    """
    known = np.isfinite(raster_m) & np.isfinite(logs_m)
    if known.sum() < LEAST_PLACES:
        return
    z, own = raster_m[known], logs_m[known]
    apart = float(np.median(z - own))
    tried = [float(np.median(z) / np.median(own))] if np.median(own) > LEAST_HEIGHT_M else []
    tried = tried if abs(apart) > LEAST_HEIGHT_M else []
    if own.std() > LEAST_RELIEF_M and np.corrcoef(z, own)[0, 1] > ALIKE:
        tried.append(float(z.std() / own.std()))
    for factor in tried:
        for name, feet in (("the raster's heights", factor), ("the logs' altitudes", 1 / factor)):
            if abs(feet / FEET_IN_METRE - 1) < FEET_WITHIN:
                raise InputError(
                    f"{path}: {name} seem to be in feet (heights by raster and by logs have the "
                    f"ratio {factor:.2f}): convert the raster to metres, or name the unit of the "
                    "altitudes in study.toml under [columns]"
                )
    if abs(apart) > TOO_FAR_M:
        raise InputError(
            f"{path}: the raster lies {apart:+.0f} m from the logs' own altitudes, more than any "
            "difference of sea level: use another raster, or leave elevation out of [road]"
        )


@contextmanager
def _opened(path: Path) -> Iterator[Any]:
    try:
        import rasterio
        from rasterio.errors import RasterioError
    except ImportError as e:
        raise InputError(
            "reading an elevation raster needs rasterio: install it with "
            "'pip install roadlog[raster]'"
        ) from e
    try:
        with rasterio.open(path, driver="GTiff") as file:
            yield file
    except RasterioError as e:
        raise InputError(f"{path}: not a raster that can be read: use a GeoTIFF") from e


def _by_square(i: Indices, j: Indices, inside: NDArray[np.bool_]) -> Iterator[Indices]:
    """Indices of the positions inside the raster, those in one square of it together."""
    at = np.flatnonzero(inside)
    square = (i[at] // _SQUARE) * (int(j.max(initial=0)) // _SQUARE + 1) + j[at] // _SQUARE
    order = np.argsort(square, kind="stable")
    edges = np.flatnonzero(np.diff(square[order])) + 1
    yield from (part for part in np.split(at[order], edges) if len(part))


def _heights(file: Any, top: int, left: int, rows: int, columns: int) -> Floats:
    window = ((top, top + rows), (left, left + columns))
    band = file.read(1, window=window, masked=True)
    return np.asarray(band.astype(float).filled(np.nan))
