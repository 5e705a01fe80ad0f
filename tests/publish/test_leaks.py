"""The leak test finds what must not be published, in whatever form it is written, and nothing else.

Coordinates in other forms are made by independent means: `pyproj` for UTM and Mercator; the
encoded line of 38.5, −120.2; 40.7, −120.95; 43.252, −126.453 is the worked example of the format's
published description, from memory.
"""

import base64
import io
import json
import zipfile
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, PngImagePlugin

from roadlog.publish import contents as contents_of
from roadlog.publish.leaks import Leak, PrivateFacts, doubtful_words, leaks
from roadlog.study.settings import parse_study

HOME = (52.123456, 9.876543)
PRIVATE = PrivateFacts(
    names=frozenset({"anna_2026-03-02_0710.csv", "log1.csv"}),
    paths=frozenset({"/srv/cars/blue study"}),
    words=frozenset({"annabook", "WVWZZZ1JZXW000001"}),
    places=(HOME,),
    numbers=frozenset({"1043.2871"}),
    stamps=frozenset({"2026-03-02T07:10:41"}),
    exact=frozenset({"2026-03-02T07:10:41.580"}),
)

TELLING = {
    "file name": "read anna_2026-03-02_0710.csv, 1800 rows",
    "name with entities": "<td>anna&#95;2026-03-02&#x5f;0710.csv</td>",
    "name with escapes": r'{"file": "anna_2026\u002d03-02_0710.csv"}',
    "name in a web address": "open?f=anna_2026%2D03-02_0710.csv",
    "folder": "/srv/cars/blue study/study.toml",
    "home folder": "made in /home/somebody/roadlog",
    "home folder elsewhere": r"C:\Users\Some Body\logs",
    "computer": "host=AnnaBook",
    "vehicle": "VIN WVWZZZ1JZXW000001",
    "another vehicle": "frame 1M8GDM9AXKP042788 read",
    "radio": "adapter 00:1D:A5:68:98:8B",
    "drawn length": "hidden: 1043.28719",
    "true time": '"start": "2026-03-02T07:10:41"',
    "degrees": f'{{"lat": {HOME[0]}, "lon": {HOME[1]}}}',
    "degrees, the other way round": f"[{HOME[1]}, {HOME[0]}]",
    "degrees, 200 m off": f"{HOME[0] + 0.0017:.4f} {HOME[1]:.4f}",
    "degrees in a picture": f"<text>{HOME[0]:.5f}&#176;</text><text>{HOME[1]:.5f}&#176;</text>",
    "minutes and seconds": "52°07'24.4\"N 9°52'35.6\"E",
    "minutes": "52° 7.407' N, 9° 52.593' E",
    "receiver's sentence": "$GPGGA,071041,5207.4074,N,00952.5926,E,1",
    "ten-millionths": '{"latE7": 521234560, "lngE7": 98765430}',
    "two lists": json.dumps([[52.2, 52.15, HOME[0]] * 9, [9.9, 9.89, HOME[1]] * 9]),
    "table": f"time,lat_deg,lon_deg\n0,{HOME[0]},{HOME[1]}\n",
}


@pytest.mark.parametrize("form", TELLING)
def test_what_must_not_be_there_is_found(form: str, tmp_path: Path) -> None:
    name = "runs.csv" if form == "table" else "page.html"
    (tmp_path / name).write_text(TELLING[form])
    assert leaks(tmp_path, PRIVATE), form


def test_metres_of_a_map_are_found(tmp_path: Path) -> None:
    from pyproj import Transformer

    for crs in ("EPSG:32632", "EPSG:3857"):
        x, y = Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(*HOME[::-1])
        (tmp_path / "map.json").write_text(f"[{x:.1f}, {y:.1f}]")
        assert leaks(tmp_path, PRIVATE), crs


def test_encoded_line_is_found(tmp_path: Path) -> None:
    (tmp_path / "line.json").write_text('{"line": "_p~iF~ps|U_ulLnnqC_mqNvxq`@"}')
    assert leaks(tmp_path, PrivateFacts(places=((40.7, -120.95),)))
    assert not leaks(tmp_path, PrivateFacts(places=((41.7, -120.95),)))


def test_files_in_files_are_opened(tmp_path: Path) -> None:
    secret = TELLING["file name"].encode()
    inner, outer = io.BytesIO(), io.BytesIO()
    for into, name, data in ((inner, "a.txt", secret), (outer, "b.zip", None)):
        with zipfile.ZipFile(into, "w", zipfile.ZIP_DEFLATED) as z:
            z.writestr(name, inner.getvalue() if data is None else data)
    (tmp_path / "archive.zip").write_bytes(outer.getvalue())
    packed = base64.b64encode(zlib.compress(secret, wbits=31)).decode()
    (tmp_path / "page.html").write_text(f'<img src="data:text/plain;base64,{packed}">')
    stream = zlib.compress(secret)
    (tmp_path / "report.pdf").write_bytes(
        b"%PDF-1.7\n1 0 obj <</Filter /FlateDecode>>\nstream\n" + stream + b"\nendstream\n"
    )
    assert {leak.file.split("/")[0].split(" ")[0] for leak in leaks(tmp_path, PRIVATE)} == {
        "archive.zip", "page.html", "report.pdf",
    }  # fmt: skip


def test_the_same_bytes_are_read_once_and_named_wherever_they_are(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    secret, plain = TELLING["file name"].encode(), b"a road of 12 km"
    with zipfile.ZipFile(tmp_path / "archive.zip", "w") as z:
        for name in ("page.html", "b/page.html", "other.html"):
            z.writestr(name, plain if name == "other.html" else secret)
        z.writestr("passes.csv", secret)
    (tmp_path / "page.html").write_bytes(secret)
    (tmp_path / "other.html").write_bytes(plain)
    looked: list[str] = []
    real = contents_of._spellings
    monkeypatch.setattr(contents_of, "_spellings", lambda text: looked.append(text) or real(text))
    assert {leak.file for leak in leaks(tmp_path, PRIVATE)} == {
        "page.html", "archive.zip/page.html", "archive.zip/b/page.html", "archive.zip/passes.csv",
    }  # fmt: skip
    assert looked.count(secret.decode()) == 2  # as text, and as a table
    assert looked.count(plain.decode()) == 1


def test_what_lay_too_deep_to_be_opened_is_opened_where_it_lies_higher(tmp_path: Path) -> None:
    packed = zlib.compress(TELLING["file name"].encode(), wbits=31)
    data = packed
    for _ in range(contents_of._DEEPEST):
        outer = io.BytesIO()
        with zipfile.ZipFile(outer, "w") as z:
            z.writestr("inner", data)
        data = outer.getvalue()
    (tmp_path / "a.bin").write_bytes(data)
    (tmp_path / "b.gz").write_bytes(packed)
    assert [leak.file for leak in leaks(tmp_path, PRIVATE)] == ["b.gz (unpacked)"]


def test_pictures_with_a_cameras_data_are_found(tmp_path: Path) -> None:
    picture = Image.fromarray(np.zeros((8, 8, 3), np.uint8))
    exif = Image.Exif()
    exif[0x010F] = "maker"
    told = PngImagePlugin.PngInfo()
    told.add_text("Source", "anna_2026-03-02_0710.csv")
    picture.save(tmp_path / "a.jpg", exif=exif)
    picture.save(tmp_path / "b.png", pnginfo=told)
    picture.save(tmp_path / "plain.jpg")
    picture.save(tmp_path / "plain.png")
    assert {leak.file for leak in leaks(tmp_path, PRIVATE)} == {"a.jpg", "b.png"}


def test_names_of_published_files_are_looked_at(tmp_path: Path) -> None:
    (tmp_path / "log1.csv").write_text("time_s,speed_kmh\n0,1\n")
    assert leaks(tmp_path, PRIVATE) == [Leak("log1.csv", "its name holds 'log1.csv'")]


NOTHING = {
    "a road 600 m off": f"{HOME[0] + 0.0054:.5f}, {HOME[1]:.5f}",
    "the place's latitude beside a reading": "lat_deg,supply_voltage_v,volts,lon_deg\n"
    + "".join(f"52.12345,{9.8 + i / 1000},9.88,10.20001\n" for i in range(100)),
    "hashes": "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    "another log's name": "log12.csv",
    "a longer number": "11043.28719",
}


@pytest.mark.parametrize("form", NOTHING)
def test_what_is_harmless_is_let_be(form: str, tmp_path: Path) -> None:
    name = "passes.csv" if "reading" in form else "page.html"
    (tmp_path / name).write_text(NOTHING[form])
    assert leaks(tmp_path, PRIVATE) == []


def test_users_own_words_are_doubted_where_they_name_somebody() -> None:
    study = parse_study(
        {"name": "Test with H-AB 1234", "device": {"name": "Collar"},
         "labels": {"fitted": "ask me@example.org"}}
    )  # fmt: skip
    told = " ".join(doubtful_words(study))
    assert "number plate" in told
    assert "e-mail" in told
    assert doubtful_words(parse_study({"name": "Bramble collar, E10, 12 days"})) == []
