"""Idle modes of a real car, from its public logs (../shared/real_drives, see real_trips.py)."""

import tarfile

import pytest

from roadlog.fuel.accessory_state import find_accessory
from roadlog.ingest import read_log, timebase
from tests.studies import real_trips

pytestmark = pytest.mark.skipif(
    not real_trips.ARCHIVE.is_file(), reason="the real drives are not at hand"
)


def test_parked_idle_shows_the_compressor(tmp_path) -> None:
    """Figures of shared/accessory_and_expected_fuel.md: 25 kPa, 651 1/min and 37 kPa, 855 1/min."""
    names = {f"idle{i}.csv" for i in (1, 2, 3, 10, 11, 12)}
    with tarfile.open(real_trips.ARCHIVE) as packed:
        wanted = [m for m in packed.getmembers() if m.name in names]
        packed.extractall(tmp_path, members=wanted, filter="data")
    paths = sorted(tmp_path.glob("*.csv"))
    samples = [timebase.resample(read_log(p, columns=real_trips.RULES).frame) for p in paths]
    found = find_accessory(samples, ["baseline"] * len(samples), 1.5)
    assert found.visible
    assert found.modes is not None
    assert found.modes.separation > 6
    assert found.modes.valley < 0.1
    assert (found.off_rpm, found.on_rpm) == pytest.approx((651, 855), abs=30)
    off, on = real_trips._pressure(found, samples)
    assert (off, on) == pytest.approx((25.5, 36.5), abs=1.5)


@pytest.mark.slow
def test_accessory_time_halves_the_run_error() -> None:
    found = real_trips.study()
    assert found.errors_pct["with accessory time"] < 4.5
    assert found.errors_pct["without accessory time"] > 6
    assert found.errors_pct["km alone"] > 12
    assert found.driven.visible
    assert found.parked.visible
