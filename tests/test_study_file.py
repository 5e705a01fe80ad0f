"""Whatever stands in `study.toml`: one sentence and exit code 2, never a traceback."""

from pathlib import Path

import pytest

from roadlog.cli import main
from roadlog.errors import InputError
from roadlog.study import load_study, log_files, parse_study

HOSTILE = {
    "a claim of 1e300 %": "[claim]\neconomy_pct = 1e300\n",
    "a claim of -1e300 %": "[claim]\nfuel_pct = -1e300\n",
    "a claim that is no number": "[claim]\neconomy_pct = nan\n",
    "a mass without end": "[vehicle]\nmass_kg = inf\n",
    "a claim next to the pole": "[claim]\neconomy_pct = -99.99999999999999\n",
    "lists in lists": "name = " + "[" * 50_000 + "]" * 50_000,
    "tables in tables": "name = " + "{a=" * 20_000 + "1" + "}" * 20_000,
    "dotted keys without end": ".".join("a" * 20_000) + " = 1\n",
    "a number of 10,000 digits": "[schedule]\nseed = " + "9" * 10_000,
    "an absolute pattern": '[logs]\nany = ["/etc/*"]\n',
    "an empty pattern": '[logs]\nany = [""]\n',
    "a pattern with a NUL": '[logs]\nany = ["a\\u0000b*"]\n',
    "a pattern of stars": '[logs]\nbaseline = ["**a"]\nfitted = ["*"]\n',
    "a dot": '[logs]\nany = ["."]\n',
}


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
def test_hostile_study_file_ends_in_one_sentence(
    tmp_path: Path, text: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "study.toml").write_text(text)
    assert main(["analyze", str(tmp_path)]) == 2
    said = capsys.readouterr().err
    assert said.startswith("roadlog: ")
    assert said.count("\n") == 1
    assert len(said) < 400


def test_claims_that_a_seller_may_make_are_taken() -> None:
    for claim in ("economy_pct = 300", "fuel_pct = 70", "economy_pct = -20", "fuel_pct = -5"):
        assert parse_study(f"[claim]\n{claim}\n").claim is not None


def test_pattern_outside_the_folder_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"'/etc/.' in .logs. is no pattern of files within"):
        log_files(tmp_path, ["/etc/*"])


def test_an_empty_folder_still_says_what_is_missing(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"has no study\.toml"):
        load_study(tmp_path)
