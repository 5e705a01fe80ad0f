"""Whatever stands in `study.toml`: one sentence and exit code 2, never a traceback."""

from pathlib import Path

import pytest

from roadlog.cli import main
from roadlog.errors import InputError
from roadlog.study.folder import load_study, log_files
from roadlog.study.settings import parse_study

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


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[vehicle]\nmass_kg = 10", "mass_kg = 10 is no vehicle on a road"),
        ("[vehicle]\nmass_kg = 1.31", "give kg between 100 and 60000"),
        ("[vehicle]\ndisplacement_l = 1e-9", "displacement_l = 1e-09 is no vehicle"),
        ("[vehicle]\ndisplacement_l = 1798", "not cubic centimetres"),
        ("[vehicle]\ncylinders = 400", "cylinders = 400"),
        ("[vehicle]\ncrr = 9", "crr = 9 is no vehicle"),
        ("[vehicle]\ntank_l = 1e9", "tank_l = 1e+09"),
        ('[vehicle]\nmass_kg = "heavy"', "'vehicle.mass_kg': 'heavy' won't do: give a number"),
        ('[vehicle]\nfuel = "E11"', '"E30", "E85" or "diesel"'),
        ("vehicle = 3", "'vehicle': '3' won't do: give a table of keys and values"),
        ("[plan]\ndays = 3.5", "'plan.days': '3.5' won't do: give a whole number"),
        ("[plan]\ndays = 9000", "give at most 400"),
        ('[plan]\nno_switch = ["Monday"]', '"sun" or a date, as 2026-03-02'),
        ("[[fills]]\nlitres = 1", "'fills (entry 1).time' is missing: add it"),
        ("[[fills]]\ntime = 3\nlitres = 1", "3 is no date"),
        ('[time]\nday_first = "perhaps"', "give true or false"),
        ("[vehicle]\nmas_kg = 1", "did you mean 'mass_kg'?"),
        ('[vehicle]\nclas = "car"', "did you mean 'class'?"),
        ('[logs]\nany = "logs/*.csv"', "give a list in square brackets"),
        ("name = my ring", "line 1, column 8: 'name = my ring' can't be read: write key = value"),
        ("x = 02/03/2026\n", "line 1, column 6"),
        ('name = "a"\nname = "b"', "the key or table is there before"),
        ("[plan]\n[plan]", "the key or table is there before"),
        ("a = [1,\n", "the file ends before a value or bracket does"),
        ("x = 1" + "0" * 5000, "can't be read as TOML"),
    ],
)
def test_what_is_wrong_is_said_in_our_own_words(text: str, says: str) -> None:
    with pytest.raises(InputError) as e:
        parse_study(text)
    assert says in str(e.value)
    for raw in ("Input should", "Field required", "validation error", "Invalid", "Expected",
                "at line", "type=", "Exceeds"):  # fmt: skip
        assert raw not in str(e.value)


@pytest.mark.parametrize(("mass", "litres"), [(140, 0.05), (750, 0.6), (2600, 6.6), (40000, 13)])
def test_mopeds_and_lorries_are_vehicles(mass: float, litres: float) -> None:
    parse_study(f"[vehicle]\nmass_kg = {mass}\ndisplacement_l = {litres}\n")
