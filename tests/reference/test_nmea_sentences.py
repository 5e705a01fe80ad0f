"""NMEA 0183 sentences held to the library pynmea2 (PyPI) and to published example sentences.

The examples with their checksums are widely reprinted from the standard's and receiver makers'
documentation; they are quoted here from memory, and pynmea2 confirms each checksum.
"""

import datetime as dt
import random

import pytest

from roadlog.ingest.positions.nmea import SentenceReader, checksum, fields_of

pynmea2 = pytest.importorskip("pynmea2")

EXAMPLES = [
    "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A",
    "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
    "$GPRMC,081836,A,3751.65,S,14507.36,E,000.0,360.0,130998,011.3,E*62",
    "$GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E*68",
    "$GPGLL,4916.45,N,12311.12,W,225444,A,*1D",
]


@pytest.mark.parametrize("example", EXAMPLES)
def test_published_checksums_hold(example):
    assert fields_of(example) is not None
    assert pynmea2.parse(example, check=True) is not None
    assert pynmea2.NMEASentence.checksum(example[1:-3]) == checksum(example[1:-3])


def test_a_thousand_fixes_read_as_the_library_reads_them():
    rng = random.Random(7)
    when = dt.datetime(2026, 3, 2, tzinfo=dt.UTC)
    for _ in range(1000):
        when += dt.timedelta(seconds=rng.uniform(0.2, 5000))
        lat, lon = rng.uniform(0, 89.9), rng.uniform(0, 179.9)
        place = (
            f"{int(lat):02d}{lat % 1 * 60:08.5f}", rng.choice("NS"),
            f"{int(lon):03d}{lon % 1 * 60:08.5f}", rng.choice("EW"),
        )  # fmt: skip
        clock = f"{when:%H%M%S}.{when.microsecond // 10000:02d}"
        rmc = pynmea2.RMC(
            "GN", "RMC",
            (clock, "A", *place, f"{rng.uniform(0, 80):.2f}", f"{rng.uniform(0, 360):.1f}",
             f"{when:%d%m%y}", "", "", "A"),
        )  # fmt: skip
        gga = pynmea2.GGA(
            "GN", "GGA",
            (clock, *place, "1", "09", f"{rng.uniform(0.5, 5):.1f}",
             f"{rng.uniform(-50, 3000):.1f}", "M", "48.0", "M", "", ""),
        )  # fmt: skip
        reader = SentenceReader()
        reader.feed(str(rmc), 0.0)
        reader.feed(str(gga), 0.1)
        fix = reader.flush()
        theirs = pynmea2.parse(str(rmc), check=True), pynmea2.parse(str(gga), check=True)
        assert fix.values["lat_deg"] == pytest.approx(theirs[0].latitude, abs=1e-9)
        assert fix.values["lon_deg"] == pytest.approx(theirs[0].longitude, abs=1e-9)
        assert fix.values["gps_speed_kmh"] == pytest.approx(theirs[0].spd_over_grnd * 1.852)
        assert fix.values["heading_deg"] == theirs[0].true_course
        assert fix.values["altitude_m"] == theirs[1].altitude
        assert fix.values["hdop"] == float(theirs[1].horizontal_dil)
        assert fix.utc_s == pytest.approx(
            dt.datetime.combine(theirs[0].datestamp, theirs[0].timestamp).timestamp(), abs=1e-3
        )
