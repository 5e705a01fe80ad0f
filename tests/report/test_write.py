"""Five files in one go, each whole or not touched."""

import hashlib
import io
import json
from pathlib import Path

import pandas as pd
import pytest

from roadlog.analysis.result import Analysed
from roadlog.quantities.tables import PASSES
from roadlog.report import figures, write_results
from tests.report.conftest import Change

FILES = {"results.json", "report.html", "objections.html", "passes.csv", "map.html"}


@pytest.fixture(scope="module")
def written(analysed: Analysed, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("written") / "new"
    write_results(analysed, out)
    return out


def test_five_files_and_nothing_else(written: Path) -> None:
    assert {p.name for p in written.iterdir()} == FILES


def test_pass_table_reads_back(written: Path, analysed: Analysed) -> None:
    back = pd.read_csv(io.BytesIO((written / "passes.csv").read_bytes()), parse_dates=["start"])
    PASSES.check(back)
    assert back["synthetic"].all()
    pd.testing.assert_series_equal(back["fuel_ml"], analysed.passes["fuel_ml"])
    assert (back["start"] == analysed.passes["start"]).all()


def test_hash_in_report_and_results_is_the_pass_tables(written: Path) -> None:
    digest = hashlib.sha256((written / "passes.csv").read_bytes()).hexdigest()
    assert json.loads((written / "results.json").read_text("utf-8"))["passes_csv_sha256"] == digest
    assert digest in (written / "report.html").read_text("utf-8")


def test_equal_results_give_equal_files(written: Path, analysed: Analysed, tmp_path: Path) -> None:
    write_results(analysed, tmp_path)
    for name in FILES:
        assert (tmp_path / name).read_bytes() == (written / name).read_bytes(), name


def test_a_failing_figure_leaves_the_old_files(
    written: Path, change: Change, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_results(change(study_name="first"), tmp_path)
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}

    def fail(_: Analysed) -> None:
        raise RuntimeError("no figure today")

    monkeypatch.setattr(figures, "forest", fail)
    with pytest.raises(RuntimeError, match="no figure today"):
        write_results(change(study_name="second"), tmp_path)
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == before


@pytest.mark.parametrize("name", ["no claim", "before/after", "no positions", "no dates"])
def test_every_variant_is_written(variants: dict[str, Analysed], name: str, tmp_path: Path) -> None:
    write_results(variants[name], tmp_path)
    assert {p.name for p in tmp_path.iterdir()} == FILES
    json.loads((tmp_path / "results.json").read_text("utf-8"))
