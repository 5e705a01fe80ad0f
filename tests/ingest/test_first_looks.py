"""Quick looks at a log's first lines: each as the plain look that it stands for."""

import re
from pathlib import Path

import numpy as np
import pytest

from roadlog.ingest import read_log
from roadlog.ingest.text.columns import known_phrases
from roadlog.ingest.text.dialect import are_numbers, is_number, sniff
from roadlog.ingest.text.source import Text
from roadlog.quantities.arrays import middle, quantile
from roadlog.study.settings import ColumnRule

CELLS = [
    "0", "12", "+1.5", "-2,5", ".5", "5.", "1e5", "2E-3", "1.5e", "", "-", "--", "1 2", "1_0",
    "nan", "inf", "1e400", "1,2,3", "1.2.3", "\u0663", "\u22123",
    "12 km/h", " 7", "1\n2", "e5", "0x1f",
]  # fmt: skip


@pytest.mark.parametrize("cell", CELLS)
def test_cells_together_are_numbers_if_each_is(cell: str) -> None:
    assert are_numbers([cell]) == is_number(cell)
    assert are_numbers(["1.5", cell, "-3"]) == is_number(cell)


def test_no_heading_that_is_known_lacks_a_letter() -> None:
    """A row of numbers below the header isn't asked for words."""
    assert all(re.search(r"[^\W\d_]", phrase) for phrase in known_phrases())


def _sniffed(text: str, rules: dict[str, ColumnRule] | None = None) -> tuple[str, ...]:
    return sniff(Text.of(text.encode()), Path("log.csv"), rules or {}).headers


def test_the_fullest_header_counts_though_words_stand_above_it() -> None:
    rows = "".join(f"{i},{30 + i},{900 + i}\n" for i in range(50))
    words = "speed,note,report\nrpm,about,the drive\n"
    assert _sniffed(f"{words}time,speed,rpm\n{rows}") == ("time", "speed", "rpm")


def test_a_rule_may_name_a_column_without_a_letter() -> None:
    rules = {"#1": ColumnRule(signal="speed_kmh"), "#2": ColumnRule(signal="rpm")}
    rows = "".join(f"{i},{30 + i % 3},{900 + i}\n" for i in range(50))
    text = f"the speed, x, y\nspeed,x,y\n#3,#1,#2\n{rows}"
    assert _sniffed(text, rules) == ("#3", "#1", "#2")


def test_quantiles_and_medians_are_numpys_to_the_last_bit() -> None:
    rng = np.random.default_rng(4)
    for n in (1, 2, 3, 10, 24, 25, 200):
        for values in (rng.normal(size=n) * 1e5, np.round(rng.normal(size=n), 1), np.ones(n) / 3):
            assert middle(values) == np.median(values)
            for share in (0.0, 0.005, 0.1, 0.5, 0.75, 0.95, 1.0):
                assert quantile(values, share) == np.quantile(values, share)


def test_a_column_that_turns_to_words_behind_the_first_lines_is_read_as_before(
    tmp_path: Path,
) -> None:
    rows = [f"{i},{30 + i % 7},{900 + i % 50}\n" for i in range(400)]
    rows[300] = "300,fast,901\n"
    (tmp_path / "log.csv").write_text("time [s],speed [km/h],rpm\n" + "".join(rows))
    log = read_log(tmp_path / "log.csv")
    assert np.flatnonzero(np.isnan(log.frame["speed_kmh"])).tolist() == [300]
    assert any("first in line 302" in note for note in log.notes)


@pytest.mark.parametrize("remark", ["", "wet"])
def test_a_header_is_found_again_among_rows_that_end_in_a_delimiter(
    tmp_path: Path, remark: str
) -> None:
    header = "time [s],speed [km/h],rpm,remark\n"
    rows = [f"{i},{30 + i % 7},{900 + i % 50},{remark},\n" for i in range(300)]
    (tmp_path / "log.csv").write_text(
        "".join([header, *rows[:250], header[:-1] + ",\n", *rows[250:]])
    )
    log = read_log(tmp_path / "log.csv")
    assert len(log.frame) == 300
    assert any("header" in note for note in log.notes)
