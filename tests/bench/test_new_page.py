"""A new study by a form: the same file as `roadlog new` writes, and nothing from hostile words."""

from pathlib import Path

import pytest
from starlette.testclient import TestClient

from roadlog.bench.planning import folder_name
from roadlog.cli import main

pytestmark = pytest.mark.usefixtures("asked_here")
ASKED = {"asked_in": "metric", "units": "metric"}


def test_the_form_writes_the_file_of_the_command(browser: TestClient, tmp_path: Path) -> None:
    given = {"name": "Collar, spring", "device": "intake collar", "claim_economy": "12",
             "acts_on": "intake", "days": "12", "mass": "1310,5"}  # fmt: skip
    went = browser.post("/new", data={**ASKED, **given}, follow_redirects=False)
    assert went.headers["location"] == "/study/collar_spring/plan"
    options = [f"--{k.replace('_', '-')}={v}" for k, v in given.items()]
    assert main(["new", str(tmp_path / "cli"), *options]) == 0
    made, by_command = tmp_path / "collar_spring", tmp_path / "cli"
    assert (made / "study.toml").read_bytes() == (by_command / "study.toml").read_bytes()
    assert (made / "logs").is_dir()


def test_the_offered_answers_are_those_of_the_command(browser: TestClient, tmp_path: Path) -> None:
    offered = browser.get("/new?units=us")
    assert "lb" in offered.text
    assert browser.post("/new", data={"asked_in": "us", "units": "us", "mass": "3307"}).history
    assert main(["new", str(tmp_path / "cli"), "--units", "us"]) == 0
    text = (tmp_path / "my_test" / "study.toml").read_text()
    assert text == (tmp_path / "cli" / "study.toml").read_text()


def test_a_form_sent_twice_makes_one_study(browser: TestClient, tmp_path: Path) -> None:
    for _ in range(2):
        went = browser.post("/new", data={**ASKED, "name": "twice"}, follow_redirects=False)
        assert went.status_code == 303
    assert [p.parent.name for p in tmp_path.glob("*/study.toml")] == ["twice"]
    other = browser.post("/new", data={**ASKED, "name": "twice", "days": "9"})
    assert other.status_code == 400
    assert "already" in other.text


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("days", "-3", "days"),
        ("days", "NaN", "is no number"),
        ("mass", "inf", "is no number"),
        ("name", "x" * 10_000, "at most 300"),
        ("fuel", "water", "none of"),
        ("claim_economy", "<script>alert(1)</script>", "is no number"),
    ],
)
def test_a_fault_stands_beside_its_field_and_nothing_is_written(
    browser: TestClient, tmp_path: Path, name: str, value: str, said: str
) -> None:
    told = browser.post("/new", data={**ASKED, name: value, "device": "kept as typed"})
    assert told.status_code == 400
    assert f'id="e-{name}"' in told.text
    assert said in told.text
    assert "kept as typed" in told.text
    assert "<script>alert" not in told.text
    assert not list(tmp_path.glob("*/study.toml"))


@pytest.mark.parametrize("folder", ["../../out", "/etc/x", "a\nb", ".hidden", "con", "<b>", "…"])
def test_a_folder_stays_in_the_bench(browser: TestClient, tmp_path: Path, folder: str) -> None:
    browser.post("/new", data={**ASKED, "folder": folder})
    made = list(tmp_path.glob("*/study.toml"))
    assert [p.parent.name for p in made] == [folder_name(folder)]
    assert folder_name(folder).replace("_", "").isalnum()


def test_hostile_words_are_words_in_the_study(browser: TestClient, tmp_path: Path) -> None:
    evil = '"]\n[plan]\ndays = 1 <b>é</b>'
    browser.post("/new", data={**ASKED, "name": evil, "folder": "evil"})
    shown = browser.get("/study/evil")
    assert shown.status_code == 200
    assert "<b>é" not in shown.text
