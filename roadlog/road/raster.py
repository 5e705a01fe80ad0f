"""Elevation from a GeoTIFF raster, in place of the drives' own altitudes.

A file goes in; out comes a lookup from latitude and longitude to height, interpolated between the
raster's cells. Needs the extra `raster` (rasterio). Part of method section 3.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from roadlog.errors import InputError
from roadlog.road.network import Floats


@dataclass(frozen=True)
class ElevationRaster:
    """Heights [m] on a grid, with the transform from map coordinates to rows and columns."""

    path: Path
    height_m: Floats
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
        rows, columns = self.height_m.shape
        inside = (row >= -0.5) & (row <= rows - 0.5) & (column >= -0.5) & (column <= columns - 0.5)
        row, column = np.clip(row, 0, rows - 1), np.clip(column, 0, columns - 1)
        i = np.minimum(np.nan_to_num(row).astype(int), max(rows - 2, 0))
        j = np.minimum(np.nan_to_num(column).astype(int), max(columns - 2, 0))
        v, u = row - i, column - j
        z, down, right = self.height_m, min(1, rows - 1), min(1, columns - 1)
        height = (1 - v) * ((1 - u) * z[i, j] + u * z[i, j + right])
        height = height + v * ((1 - u) * z[i + down, j] + u * z[i + down, j + right])
        height = np.where(inside, height, np.nan)
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
    """Read the first band of a GeoTIFF as heights in metres.

    Raises
    ------
    InputError
        If rasterio isn't installed, the file is missing or no raster, or it doesn't say where on
        earth it lies.
    """
    if not path.is_file():
        raise InputError(f"{path} doesn't exist: correct elevation in [road] of study.toml")
    try:
        import rasterio
        from rasterio.errors import RasterioError
    except ImportError as e:
        raise InputError(
            "reading an elevation raster needs rasterio: install it with "
            "'pip install roadlog[raster]'"
        ) from e
    try:
        with rasterio.open(path) as file:
            if file.crs is None:
                raise InputError(f"{path}: the raster doesn't say which map projection it is in")
            band = file.read(1, masked=True).astype(float).filled(np.nan)
            inverse = ~file.transform
            return ElevationRaster(path, band, tuple(inverse)[:6], file.crs.to_wkt())
    except RasterioError as e:
        raise InputError(f"{path}: not a raster that can be read ({e}): use a GeoTIFF") from e
