import tracemalloc

import numpy as np
import pytest

from roadlog.errors import InputError
from roadlog.road import find_network
from roadlog.road.raster import read_raster
from tests.road.synthetic import ORIGIN, drives, elevation, to_local

rasterio = pytest.importorskip("rasterio")
OPTIONS = {"segment_length_km": 1.0, "min_runs_per_arm": 2}


def written(
    path,
    *,
    south: float = 49.97,
    west: float = 7.97,
    step: float = 0.0002,
    hole=False,
    scale=1.0,
    base=0.0,
    unit="",
):
    """Heights of the invented country on a grid of geographic cells."""
    lat = south + step * (np.arange(400) + 0.5)[::-1]
    lon = west + step * (np.arange(900) + 0.5)
    east, north = np.meshgrid(lon, lat)
    x, y = to_local(north.ravel(), east.ravel(), ORIGIN)
    z = (scale * (elevation(x, y) + base)).reshape(east.shape).astype("float32")
    if hole:
        z[:, 300:] = -9999
    grid = rasterio.transform.from_origin(west, south + step * 400, step, step)
    with rasterio.open(
        path, "w", driver="GTiff", height=400, width=900, count=1, dtype="float32",
        crs="EPSG:4326", transform=grid, nodata=-9999,
    ) as file:  # fmt: skip
        file.write(z, 1)
        if unit:
            file.units = (unit,)
    return path


@pytest.fixture(scope="module")
def made():
    return drives([("out", a) for _ in range(2) for a in ("baseline", "fitted")], seed=51)


def test_raster_gives_the_grade_of_the_country(tmp_path, made) -> None:
    raster = read_raster(written(tmp_path / "hills.tif"))
    lat, lon = np.array([50.0, 50.004]), np.array([8.01, 8.05])
    assert raster.at(lat, lon) == pytest.approx(elevation(*to_local(lat, lon, ORIGIN)), abs=0.05)
    network = find_network(made.tracks, made.arms, raster=raster, **OPTIONS)
    for s in network.segments[1:-1]:
        x, y = to_local(s.lat_deg, s.lon_deg, ORIGIN)
        true = np.gradient(elevation(x, y), s.s_m)
        assert 100 * np.sqrt(np.mean((s.grade - true) ** 2)) < 0.3
        assert s.elevation_m == pytest.approx(elevation(x, y), abs=1.0)


def test_raster_that_stops_short_of_the_route_is_refused(tmp_path, made) -> None:
    small = read_raster(written(tmp_path / "small.tif", west=8.05))
    with pytest.raises(InputError, match=r"small.tif: the raster doesn't cover the route: \d+ %"):
        find_network(made.tracks, made.arms, raster=small, **OPTIONS)
    holed = read_raster(written(tmp_path / "holed.tif", hole=True))
    with pytest.raises(InputError, match="has no height"):
        find_network(made.tracks, made.arms, raster=holed, **OPTIONS)


def test_a_file_that_is_no_raster_is_named(tmp_path) -> None:
    path = tmp_path / "hills.tif"
    path.write_text("no raster")
    with pytest.raises(InputError, match=r"hills.tif: not a raster"):
        read_raster(path)
    with pytest.raises(InputError, match="doesn't exist"):
        read_raster(tmp_path / "none.tif")


def test_a_raster_of_a_continent_costs_no_more_than_the_squares_on_the_route(tmp_path) -> None:
    path = tmp_path / "continent.tif"
    with rasterio.open(
        path, "w", driver="GTiff", height=60_000, width=60_000, count=1, dtype="float32",
        crs="EPSG:4326", transform=rasterio.transform.from_origin(0, 60, 0.0005, 0.0005),
        tiled=True, blockxsize=256, blockysize=256, sparse_ok=True, compress="deflate",
    ) as file:  # fmt: skip
        file.write(
            np.full((600, 700), 250.0, "float32"), 1, window=((18_000, 18_600), (14_000, 14_700))
        )
    raster = read_raster(path)
    tracemalloc.start()
    height = raster.at(np.linspace(50.79, 50.95, 500), np.linspace(7.05, 7.3, 500))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert height == pytest.approx(250.0)
    assert peak < 30e6


def test_heights_agree_across_the_edges_of_the_squares(tmp_path) -> None:
    raster = read_raster(written(tmp_path / "hills.tif"))
    lon = np.linspace(7.971, 8.149, 3000)
    lat = np.linspace(49.971, 50.049, 3000)
    x, y = to_local(lat, lon, ORIGIN)
    assert raster.at(lat, lon) == pytest.approx(elevation(x, y), abs=0.05)


def test_a_raster_in_one_huge_piece_is_refused_before_it_is_decoded(tmp_path) -> None:
    path = tmp_path / "bomb.tif"
    with rasterio.open(
        path, "w", driver="GTiff", height=40_000, width=40_000, count=1, dtype="uint8",
        crs="EPSG:4326", transform=rasterio.transform.from_origin(0, 60, 0.001, 0.001),
        tiled=True, blockxsize=8192, blockysize=8192, sparse_ok=True, compress="deflate",
    ):  # fmt: skip
        pass
    with pytest.raises(InputError, match="stored in pieces of 8192 × 8192 cells"):
        read_raster(path)


@pytest.mark.parametrize("lower_m", [0.0, 115.0])
def test_a_raster_in_feet_is_refused_by_the_logs_own_altitudes(tmp_path, made, lower_m) -> None:
    """On a plateau by its level, near the sea by its relief."""
    tracks = {r: t.assign(altitude_m=t["altitude_m"] - lower_m) for r, t in made.tracks.items()}
    raster = read_raster(written(tmp_path / "feet.tif", scale=1 / 0.3048, base=-lower_m))
    with pytest.raises(InputError, match="the raster's heights seem to be in feet"):
        find_network(tracks, made.arms, **OPTIONS, raster=raster)


def test_altitudes_in_feet_are_found_by_a_raster_in_metres(tmp_path, made) -> None:
    tracks = {r: t.assign(altitude_m=t["altitude_m"] / 0.3048) for r, t in made.tracks.items()}
    raster = read_raster(written(tmp_path / "hills.tif"))
    with pytest.raises(InputError, match="the logs' altitudes seem to be in feet"):
        find_network(tracks, made.arms, **OPTIONS, raster=raster)


def test_a_raster_that_says_feet_is_refused(tmp_path) -> None:
    with pytest.raises(InputError, match="in feet"):
        read_raster(written(tmp_path / "feet.tif", unit="US survey foot"))


def test_a_geoid_between_raster_and_logs_is_no_error(tmp_path, made) -> None:
    raster = read_raster(written(tmp_path / "hills.tif", base=-48.0))
    assert find_network(made.tracks, made.arms, **OPTIONS, raster=raster).segments


def test_a_raster_of_another_country_is_refused(tmp_path, made) -> None:
    raster = read_raster(written(tmp_path / "hills.tif", base=900.0))
    with pytest.raises(InputError, match=r"lies \+9\d\d m from the logs' own altitudes"):
        find_network(made.tracks, made.arms, **OPTIONS, raster=raster)
