"""The public surface: every name loads, has a docstring and a type, and stands in one table."""

import ast
import subprocess
import sys
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import matplotlib as mpl
import pytest
from matplotlib import pyplot
from matplotlib.axes import Axes

import roadlog
from roadlog import trials
from roadlog.ingest.log import ColumnMatch

mpl.use("Agg")
ROOT = Path(__file__).resolve().parents[1]
CLIENT = """\
from pathlib import Path
from typing import assert_type
import pandas as pd
import roadlog
study, sources = roadlog.open_study("sample_logs")
assert_type(study, roadlog.Study)
result = roadlog.analyse(study, sources)
assert_type(result, roadlog.Analysed)
assert_type(result.effect, roadlog.EffectResult)
assert_type(result.effect.primary.low, float | None)
assert_type(roadlog.resample(roadlog.read_log(Path("a.csv")).frame), pd.DataFrame)
trial = roadlog.trials.payback_result(roadlog.trials.Purchase(1, 1, 1, 1), -1, -2, 0)
assert_type(trial, roadlog.trials.TrialResult)
roadlog.physics.air_density(15.0, 101.325)
roadlog.no_such_name
"""


def stubbed(path: Path) -> dict[str, str]:
    """Names that a stub file exports, each with the module that it is taken from."""
    tree = ast.parse(path.read_text())
    return {
        a.asname: (node.module or "")
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom)
        for a in node.names
        if a.asname
    }


@pytest.mark.parametrize("package", [roadlog, trials], ids=lambda p: p.__name__)
def test_table_and_types_name_the_same_things(package):
    homes = {
        name: package.__name__ if name == home else f"{package.__name__}.{home}"
        for name, home in package._HOMES.items()
    }
    assert stubbed(Path(package.__file__).with_suffix(".pyi")) == homes


@pytest.mark.parametrize("package", [roadlog, trials], ids=lambda p: p.__name__)
def test_every_public_name_loads_and_is_described(package):
    assert dir(package) == sorted(package._HOMES)
    for name in dir(package):
        assert getattr(package, name).__doc__, name


def test_the_surface_stays_small():
    assert len(dir(roadlog)) <= 40


def test_a_name_that_is_no_public_one_is_refused():
    with pytest.raises(AttributeError, match="no attribute 'gather'"):
        _ = roadlog.gather


def test_no_public_name_hides_a_room():
    rooms = {p.stem for p in Path(roadlog.__file__).parent.iterdir()}
    assert rooms & set(dir(roadlog)) == {"physics", "trials"}
    modules = {p.stem for p in Path(trials.__file__).parent.iterdir()}
    assert not modules & set(dir(trials))


def test_a_strict_client_sees_the_types(tmp_path):
    client = tmp_path / "client.py"
    client.write_text(CLIENT)
    done = subprocess.run(
        [sys.executable, "-m", "mypy", str(client)],
        capture_output=True, text=True, cwd=ROOT, check=False,
    )  # fmt: skip
    errors = [line for line in done.stdout.splitlines() if ": error:" in line]
    assert len(errors) == 1, done.stdout
    assert 'no attribute "no_such_name"' in errors[0]


class Cells(HTMLParser):
    """The words of a page's cells, and any tag that isn't a table's."""

    def __init__(self, html):
        super().__init__()
        self.words, self.other = [], set()
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        if tag not in ("table", "caption", "tr", "th", "td", "p"):
            self.other.add(tag)

    def handle_data(self, data):
        self.words.append(data.replace("\N{NO-BREAK SPACE}", " "))


RUN_OUT = trials.TrialResult(
    trial="runout", question="Does it run longer?", claimed="10 % less fuel",
    measured="-0.1 % fuel", estimate=-0.1, low=-1.2, high=1.0, unit="%", finding="refuted",
    strength="Good.", cautions=("Fuel burns.",),
)  # fmt: skip


@pytest.fixture(scope="module")
def shown():
    study, sources = roadlog.open_study(ROOT / "sample_logs")
    checked = roadlog.check_study(study, sources)
    analysed = roadlog.analyse(study, sources)
    log = roadlog.read_log(sources.runs[0][0])
    return {
        "log": log, "run": checked.runs[0], "check": checked, "effect": analysed.effect,
        "analysed": analysed, "trial": RUN_OUT,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("log", ("vehicle speed [km/h]", "1077 rows")),
        ("run", ("Usable.", "17.2 km")),
        ("check", ("usable", "synthetic_2026-03-02_0710_out.csv")),
        ("effect", ("equal-driving effect", "+0.4", "unadjusted change")),
        ("analysed", ("REFUTED", "SYNTHETIC DATA", "206 km")),
        ("trial", ("REFUTED", "10 % less fuel", "- Fuel burns.")),
    ],
)
def test_a_result_says_the_same_on_a_screen_and_in_a_notebook(shown, name, words):
    result = shown[name]
    page = Cells(result._repr_html_())
    assert not page.other
    for word in words:
        assert word in str(result)
        assert word in repr(result)
        assert word in "\n".join(page.words)


@pytest.mark.parametrize(
    ("name", "rows", "column"),
    [("log", 1077, "speed_kmh"), ("run", 21, "rate_hz"), ("check", 24, "verdict"),
     ("effect", 13, "estimate"), ("analysed", 13, "estimate"), ("trial", 1, "finding")],
)  # fmt: skip
def test_a_result_gives_its_frame_and_its_drawing(shown, name, rows, column):
    frame = shown[name].to_frame()
    assert len(frame) == rows
    assert column in frame
    axes = shown[name].plot()
    try:
        assert isinstance(axes, Axes)
        assert axes.get_xlabel()
        assert shown[name].plot(axes=axes) is axes
    finally:
        pyplot.close(axes.figure)


def test_what_a_notebook_shows_of_a_file_is_never_markup(shown):
    evil = "<script>alert(1)</script>"
    log = replace(
        shown["log"],
        columns=(ColumnMatch(evil, "speed_kmh", "km/h"),),
        path=Path(f"{evil[:8]}.csv"),
    )
    trial = replace(RUN_OUT, measured=evil)
    study = shown["analysed"].study.model_copy(update={"name": evil})
    for result in (log, trial, replace(shown["analysed"], study=study)):
        page = result._repr_html_()
        assert "<script" not in page
        assert not Cells(page).other


def test_a_trial_without_a_number_is_not_drawn():
    with pytest.raises(roadlog.DesignError, match="no one number"):
        replace(RUN_OUT, estimate=None, low=None, high=None).plot()


def test_importing_and_printing_need_no_matplotlib():
    code = (
        "import sys, roadlog; s = roadlog.parse_study('name = \"a\"'); "
        "print(roadlog.Interval, s.name); assert 'matplotlib' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True, cwd=ROOT)


def test_types_are_in_the_wheel_and_the_study_takes_a_dictionary():
    package = Path(roadlog.__file__).parent
    assert (package / "py.typed").is_file()
    study = roadlog.parse_study({"claim": {"fuel_pct": 10}})
    assert study.claim.fuel_use_change_pct == -10
    with pytest.raises(roadlog.InputError, match="did you mean 'claim'"):
        roadlog.parse_study({"claims": {}})
