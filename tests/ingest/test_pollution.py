"""No fault in a delimited file may turn into other values: read right, told, or refused by line."""

import re
from pathlib import Path

import pytest

from roadlog.errors import InputError
from roadlog.ingest import read_log
from tests.ingest.pollution import SOURCES, Source, polluted, wrong_values


def _faults(path: Path, source: Source, every: int, part: slice) -> tuple[list[str], int]:
    path.write_bytes(source.text().encode())
    clean = read_log(path)
    assert not wrong_values(source, "clean", clean, clean)
    faults, files = [], 0
    for name, raw in list(polluted(source, every=every))[part]:
        path.write_bytes(raw)
        files += 1
        try:
            log = read_log(path)
        except InputError as e:
            said = str(e)
            assert "\n" not in said
            assert str(path) in said
            continue
        faults += [f"{name}: {fault}" for fault in wrong_values(source, name, log, clean)]
    return faults, files


@pytest.mark.parametrize("source", SOURCES, ids=[s.name for s in SOURCES])
def test_a_polluted_file_is_read_right_or_told(tmp_path: Path, source: Source) -> None:
    part = slice(SOURCES.index(source) % 3, None, 3)  # the slow test reads all
    faults, files = _faults(tmp_path / "log.csv", source, every=23, part=part)
    assert not faults
    assert files > 100


@pytest.mark.slow
@pytest.mark.parametrize("source", SOURCES, ids=[s.name for s in SOURCES])
def test_every_line_polluted_is_read_right_or_told(tmp_path: Path, source: Source) -> None:
    faults, files = _faults(tmp_path / "log.csv", source, every=1, part=slice(None))
    assert not faults
    assert files > 1500


def _read(path: Path, text: str) -> tuple[str, ...]:
    path.write_text(text)
    return read_log(path).notes


ROWS = [f"{i},{20 + i % 7},{800 + 10 * (i % 9)},{3 + i % 5}.5" for i in range(60)]
HEADER = "time_s,Speed (km/h),rpm,MAF (g/s)"


def test_an_open_quote_swallows_nothing_and_its_line_is_named(tmp_path: Path) -> None:
    rows = [*ROWS[:20], ROWS[20].replace(",", ',"', 1), *ROWS[21:]]
    notes = _read(tmp_path / "log.csv", "\n".join([HEADER, *rows]) + "\n")
    assert notes == ("1 line with a quote that isn't closed dropped, first in line 22",)
    assert len(read_log(tmp_path / "log.csv").frame) == 59


def test_a_quote_opened_in_every_line_is_refused(tmp_path: Path) -> None:
    rows = [r.replace(",", ',"', 1) for r in ROWS]
    with pytest.raises(InputError, match=r"line 2: a quote opens here and isn't closed \(60 such"):
        _read(tmp_path / "log.csv", "\n".join([HEADER, *rows]) + "\n")


def test_a_remark_over_several_lines_stays_a_remark(tmp_path: Path) -> None:
    rows = [f'"wet, road\nleft {i}, {i}, {i}\nthen ""dry""",{r}' for i, r in enumerate(ROWS)]
    _read(tmp_path / "log.csv", "\n".join(["Remark," + HEADER, *rows]) + "\n")
    assert len(read_log(tmp_path / "log.csv").frame) == 60


@pytest.mark.parametrize("lacking", [1, 2])
def test_rows_that_lack_a_cell_within_are_refused(tmp_path: Path, lacking: int) -> None:
    rows = [",".join(c for j, c in enumerate(r.split(",")) if i % 3 or j != lacking)
            for i, r in enumerate(ROWS)]  # fmt: skip
    said = r"line 2: 3 cells where the header names 4 \(20 such rows\), and which cell is lacking"
    with pytest.raises(InputError, match=said):
        _read(tmp_path / "log.csv", "\n".join([HEADER, *rows]) + "\n")


def test_rows_without_their_blank_tail_are_read_where_the_others_show_it(tmp_path: Path) -> None:
    rows = [r if i % 3 else r.rpartition(",")[0] for i, r in enumerate(ROWS)]
    rows[20:24] = ["20,,810", "21,25,,7.5", "22,,,4.5", "23,21"]
    notes = _read(tmp_path / "log.csv", "\n".join([HEADER, *rows]) + "\n")
    assert notes == ("rows shorter than the header were read as if blank cells ended them",)
    frame = read_log(tmp_path / "log.csv").frame
    assert len(frame) == 60
    assert frame["rpm"].max() < 1000
    assert frame["maf_g_s"].max() < 10


def test_a_delimiter_too_many_in_the_header_is_refused(tmp_path: Path) -> None:
    for header in ("time_s,,Speed (km/h),rpm,MAF (g/s)", ",time_s,Speed (km/h),rpm,MAF (g/s)"):
        with pytest.raises(InputError, match="line 1: the header names 5 columns but the rows"):
            _read(tmp_path / "log.csv", "\n".join([header, *ROWS]) + "\n")
        ended = [r + "," for r in ROWS]
        with pytest.raises(InputError, match=re.escape(str(tmp_path))):
            _read(tmp_path / "log.csv", "\n".join([header, *ended]) + "\n")


def test_an_index_without_a_name_is_an_index(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    for header in (HEADER, "," + HEADER, '"",' + HEADER):
        _read(path, "\n".join([header, *(f"{i},{r}" for i, r in enumerate(ROWS))]) + "\n")
        assert read_log(path).frame["rpm"].max() == 880
    quoted = [f'"{i}",{r}' for i, r in enumerate(ROWS, 1)]
    _read(path, "\n".join([HEADER, *quoted]) + "\n")
    assert read_log(path).frame["speed_kmh"].max() == 26


def test_decimal_commas_behind_whole_seconds_are_no_index(tmp_path: Path) -> None:
    rows = [f"{i},{3 + i % 4},{i % 10}5" for i in range(60)]
    with pytest.raises(InputError, match="a decimal comma in a comma-delimited file"):
        _read(tmp_path / "log.csv", "time_s,MAF (g/s)\n" + "\n".join(rows) + "\n")


def test_quotes_with_spaces_around_them_are_quotes(tmp_path: Path) -> None:
    text = 'time_s, "MAF (g/s)", rpm\n0, "3,5", 800\n1 , "4,5" , "810"\n'
    _read(tmp_path / "log.csv", text)
    frame = read_log(tmp_path / "log.csv").frame
    assert frame["maf_g_s"].tolist() == [3.5, 4.5]
    assert frame["rpm"].tolist() == [800, 810]


def test_a_row_with_a_cell_beyond_the_last_name_is_dropped_and_named(tmp_path: Path) -> None:
    rows = [r + "," for r in ROWS]
    rows[30] = rows[30].replace(",", ",,", 1).removesuffix(",")
    notes = _read(tmp_path / "log.csv", "\n".join([HEADER, *rows]) + "\n")
    assert "1 line with more cells than the header names dropped, first in line 32" in notes


def test_lines_are_counted_right_after_rows_were_mended(tmp_path: Path) -> None:
    rows = [r if i % 3 else r.rpartition(",")[0] for i, r in enumerate(ROWS)]
    rows[40] = "40,22,bad,4.5"
    notes = _read(tmp_path / "log.csv", "\n".join([HEADER, "", *rows]) + "\n")
    assert "'rpm': 1 cell without a number, first in line 43: left blank" in notes


KML = '<?xml version="1.0"?>\n<kml xmlns="http://www.opengis.net/kml/2.2"><Document/></kml>\n'
TCX = '<?xml version="1.0"?>\n<TrainingCenterDatabase><Activities/></TrainingCenterDatabase>\n'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[{"time": 0, "speed": 3},\n{"time": 1, "speed": 4}]\n', "read only with one flat object"),
        ("speed\n3\n4\n5\n", "has one column only: a log needs a time and at least one signal"),
        (KML, "the KML file holds no track with times"),
        (TCX, "the TCX file holds no track with times"),
    ],
)
def test_what_is_no_delimited_text_is_called_by_its_name(
    tmp_path: Path, text: str, said: str
) -> None:
    with pytest.raises(InputError, match=said):
        _read(tmp_path / "log.csv", text)
