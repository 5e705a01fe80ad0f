"""Whatever bytes come in, a log or one of roadlog's own errors comes out."""

import random
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from roadlog.errors import RoadlogError
from roadlog.ingest import Log, read_log
from roadlog.study.settings import ColumnRule, TimeRule

VALID = [
    b"time_s,Speed (mph),MAF (g/s)\n" + b"".join(b"%d,%d,%d.5\n" % (i, i, i) for i in range(30)),
    "Date;Time;Speed [km/h];Coolant [°C];Fuel system status\r\n".encode("cp1252")
    + b"".join(b"02.03.2024;08:00:%02d,5;%d,5;80;CL\r\n" % (i, i) for i in range(30)),
    b"time,signal,value,unit\n"
    + b"".join(b"%d,Engine RPM,8%02d,rpm\n%d,Vehicle speed,1,mph\n" % (i, i, i) for i in range(15)),
    "# preamble\nTimestamp\tlat\tlon\tEngine RPM\n\t°\t°\trpm\n".encode("utf-16")
    + "".join(f"2024-03-05T08:00:{i:02d}Z\t52.5\t13.4\t900\n" for i in range(30)).encode(
        "utf-16-le"
    ),
    b'<?xml version="1.0"?><gpx version="1.1" creator="t"><trk><trkseg>'
    + b"".join(
        b'<trkpt lat="52.5" lon="13.4"><ele>30</ele><time>2024-03-05T08:00:%02dZ</time></trkpt>' % i
        for i in range(30)
    )
    + b"</trkseg></trk></gpx>",
    b'time,lat,n/s,lon,e/w\n0,5230.5,N,01324.6,E\n1,"52\xc2\xb030.5\'N",N,01324.6,W\n',
]
TOKENS = [
    b",", b";", b"\t", b"|", b'"', b"\n", b"\r", b"\r\n", b"\0", b"-", b"N/A", b"1e999", b"nan",
    b"time", b"Date", b"speed", b"value", b"signal", b"unit", b"(km/h)", b"12:30", b"25:61:61",
    b"2024-13-45", b"31/12/2024", b"1709625600000", b"99999999999999999999", b"\xff\xfe", b"\xb0",
    b"CL", b"<gpx", b"</", b"20240305", b"0000-00-00T00:00:00Z", b"12/31/24 11:59:59 PM", b" ",
]  # fmt: skip
FIXTURE = settings(
    max_examples=150,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


RULES = {
    "rpm": ColumnRule(signal="gps_speed_kmh", unit="mph"),
    "value": ColumnRule(signal="time"),
    "Time": ColumnRule(signal="date"),
}
TIMES = [
    TimeRule(),
    TimeRule(),
    TimeRule(zone="Europe/Paris", day_first=True),
    TimeRule(column="time"),
]


def _reads_or_refuses(path: Path, raw: bytes) -> None:
    path.write_bytes(raw)
    chance = random.Random(raw)
    try:
        log = read_log(path, columns=chance.choice([{}, {}, RULES]), time=chance.choice(TIMES))
    except RoadlogError as e:
        message = str(e)
    else:
        _is_sound(log)
        return
    assert str(path) in message
    assert "\n" not in message


def _is_sound(log: Log) -> None:
    t = log.frame["t_s"].to_numpy()
    assert len(t)
    assert t[0] == 0
    assert (np.diff(t) >= 0).all()
    assert (log.frame.dtypes == np.float64).all()
    assert not np.isinf(log.frame.to_numpy()).any()
    assert log.start is None or isinstance(log.start, pd.Timestamp)


@FIXTURE
@given(raw=st.binary(max_size=400))
def test_any_bytes_give_a_log_or_a_named_error(tmp_path: Path, raw: bytes) -> None:
    _reads_or_refuses(tmp_path / "log.csv", raw)


@FIXTURE
@given(words=st.lists(st.one_of(st.sampled_from(TOKENS), st.binary(max_size=6)), max_size=60))
def test_any_heap_of_log_words_gives_a_log_or_a_named_error(
    tmp_path: Path, words: list[bytes]
) -> None:
    _reads_or_refuses(tmp_path / "log.csv", b"".join(words))


@FIXTURE
@given(
    which=st.integers(0, len(VALID) - 1),
    seed=st.integers(0, 2**32 - 1),
    cuts=st.integers(1, 8),
)
def test_any_damage_to_a_good_file_gives_a_log_or_a_named_error(
    tmp_path: Path, which: int, seed: int, cuts: int
) -> None:
    _reads_or_refuses(tmp_path / "log.csv", damaged(VALID[which], random.Random(seed), cuts))


def damaged(raw: bytes, chance: random.Random, cuts: int) -> bytes:
    """Cut out, double, overwrite or insert pieces."""
    data = bytearray(raw)
    for _ in range(cuts):
        at = chance.randrange(len(data) + 1)
        size = chance.choice([1, 1, 2, 5, 20])
        match chance.randrange(4):
            case 0:
                del data[at : at + size]
            case 1:
                data[at:at] = data[at : at + size]
            case 2:
                data[at : at + size] = chance.choice(TOKENS)
            case _:
                data[at:at] = chance.choice(TOKENS)
    return bytes(data)


@pytest.mark.slow
def test_long_fuzz(tmp_path: Path) -> None:
    chance = random.Random(7)
    for _ in range(20_000):
        raw = damaged(chance.choice(VALID), chance, chance.randint(1, 20))
        _reads_or_refuses(tmp_path / "log.csv", raw)
