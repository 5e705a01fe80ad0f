"""Misspelt headers are proposed, never taken."""

from pathlib import Path

import pytest

from roadlog.errors import InputError
from roadlog.ingest import read_log
from roadlog.ingest.text.columns import match_header
from roadlog.ingest.text.nearmiss import near_misses, slips

REAL = Path(__file__).parents[3] / "shared" / "real_drives" / "trips.tar.gz"


@pytest.mark.parametrize(
    ("header", "word"),
    [
        ("ENGNE_RUN_TIME ()", "engine run time"),
        ("Vehicel speed", "vehicle speed"),
        ("Timestmap", "timestamp"),
        ("Tiem", "time"),
        ("Mass air flwo", "mass air flow"),
        ("Engine temprature", "engine temperature"),
        ("Latitute", "latitude"),
    ],
)
def test_a_slip_of_the_pen_is_proposed(header: str, word: str) -> None:
    assert [m.word for m in near_misses([match_header(header)])] == [word]


@pytest.mark.parametrize(
    "header",
    ["Gear", "Boost", "Torque", "Fuel tank", "Acceleration", "Rail pressure", "Lambda 2", "Speed 2",
     "Oil pressure", "Coment", "PEDAL_D ()", "Catalyst temperature bank 1 sensor 2", "x"],
)  # fmt: skip
def test_another_word_is_no_slip(header: str) -> None:
    assert near_misses([match_header(header)]) == []


def test_neighbours_that_changed_places_are_one_slip() -> None:
    assert slips("tiem", "time") == 1
    assert slips("speed", "speed") == 0
    assert slips("maf", "manifold pressure") > 3


def test_the_message_proposes_the_misspelt_clock(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("ENGNE_RUN_TIME (),Engine RPM\n0,800\n1,810\n")
    with pytest.raises(InputError, match=r"meant as 'engine run time'\? Then --column 'ENGNE_RUN"):
        read_log(path)
    path.write_text("Engine run time,Engine RPM\n0,800\n1,810\n")
    with pytest.raises(
        InputError, match="'Engine run time' counts from the engine's start and may"
    ):
        read_log(path)


def test_a_misspelt_signal_is_told_and_left_out(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("time_s,Engine RPM,Vehicel speed\n0,800,10\n1,810,11\n")
    log = read_log(path)
    assert "speed_kmh" not in log.frame
    assert "'Vehicel speed' is not known: is it meant as 'vehicle speed' (speed_kmh)?" in log.notes


@pytest.mark.skipif(not REAL.is_file(), reason="the real drives are not beside the repository")
def test_real_logs_with_a_misspelt_run_time_are_read_once_it_is_named(tmp_path: Path) -> None:
    """Public drives of one petrol car (shared/real_drives/README.md), two rows a second."""
    import tarfile

    from roadlog.study.settings import ColumnRule

    with tarfile.open(REAL) as archive:
        member = next(m for m in archive.getmembers() if Path(m.name).name == "ufpe1.csv")
        content = archive.extractfile(member)
        assert content is not None
        path = tmp_path / "real.csv"
        path.write_bytes(content.read())
    with pytest.raises(InputError, match=r"meant as 'engine run time'\?") as caught:
        read_log(path)
    header = str(caught.value).split("--column '")[1].split("=time")[0]
    log = read_log(path, columns={header: ColumnRule(signal="time")})
    assert any("steps of 1 s" in n for n in log.notes)
    assert not any("can't be" in n for n in log.notes)
    assert 60 < log.frame["coolant_temp_c"].max() < 110
