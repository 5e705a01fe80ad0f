"""The switch of units: what is shown follows it, what is stored doesn't, what is typed is safe."""

import csv
import datetime as dt
import html
import re
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from roadlog.bench.reader import PARTS, units_in, word_of
from roadlog.study.folder import load_study
from roadlog.wording.units import SYSTEMS, Units, amount, shown_in, symbol

pytestmark = pytest.mark.usefixtures("asked_here")
DAY = dt.date.today()
STUDY = f"""
units = "UNITS"
[device]
name = "collar"
carry_over = "washes out"
washout_km = 5
[plan]
km_per_run = 15
[schedule]
unit = [{{ unit = {DAY}, arm = "fitted", block = 1 }}]
"""
PSI, KPA = "cold tyre pressure", 230.0


def write(folder: Path, units: str = "metric", *, drawn: bool = True) -> Path:
    folder.mkdir()
    text = STUDY.replace("UNITS", units)
    (folder / "study.toml").write_text(text if drawn else text.partition("[schedule]")[0])
    return folder


def choose(browser: TestClient, **form: str) -> None:
    assert browser.post("/units", data=form, follow_redirects=False).status_code == 303


def fields(page: str) -> dict[str, str]:
    """What the forms of a page would send as they are."""
    told = re.findall(r'<input[^>]* name="([^"]+)"[^>]*? value="([^"]*)"', page)
    return {html.unescape(k): html.unescape(v) for k, v in told if k != "system"}


def noted(study: Path) -> dict[str, str]:
    with (study / "notes.csv").open() as file:
        row = next(r for r in csv.DictReader(file) if r["date"] == f"{DAY}")
    return {k.partition(" [")[0]: v for k, v in row.items()}


@pytest.mark.parametrize("units", list(SYSTEMS.values()))
def test_a_word_says_the_units_and_comes_back(units: Units) -> None:
    assert units_in(word_of(units)) == units


@pytest.mark.parametrize("word", ["", "x", "us.mi", "l100.km.c.", "l100.km.c.kpa.x", "A" * 9999])
def test_what_is_no_word_of_units_is_none(word: str) -> None:
    assert units_in(word) is None


@pytest.mark.parametrize("use", list(PARTS["use"].values()))
def test_a_fuel_use_comes_back_from_any_unit_and_a_change_never_turns_round(use: str) -> None:
    with shown_in(Units(use=use)):  # type: ignore[arg-type]
        shown = amount(6.38, "L/100 km")
        if use != "L/100 km":
            assert amount(3.19, "L/100 km") == pytest.approx(2 * shown)  # half the fuel
        less = amount(-0.68, "L/100 km", change=True)
        assert less < 0
        assert symbol("L/100 km", change=True).startswith(("L", "US gal", "imp gal"))
    factor = {"L/100 km": shown / 6.38, "km/L": shown * 6.38 / 100,
              "MPG (US)": shown * 6.38 / 235.215, "MPG (imp)": shown * 6.38 / 282.481}  # fmt: skip
    assert factor[use] == pytest.approx(1, abs=1e-5)


def test_each_page_has_the_switch_and_the_study_is_not_touched(
    browser: TestClient, tmp_path: Path
) -> None:
    study = write(tmp_path / "s")
    before = (study / "study.toml").read_bytes()
    assert "5 km" in browser.get("/study/s/today").text.replace("\xa0", " ")
    choose(browser, system="us")
    for path in ("", "/today", "/plan", "/logs", "/check", "/record", "/result", "/trials"):
        page = browser.get(f"/study/s{path}").text
        assert "MPG (US), mi, °F, psi" in page, path
    assert "3 mi" in browser.get("/study/s/today").text.replace("\xa0", " ")
    choose(browser, system="own")
    assert "(the study's own)" in browser.get("/study/s/today").text
    assert (study / "study.toml").read_bytes() == before


def test_each_part_can_be_chosen_and_nonsense_is_told(browser: TestClient, tmp_path: Path) -> None:
    write(tmp_path / "s")
    choose(browser, use="kml", distance="km", temperature="c", pressure="psi")
    assert "km/L, km, °C, psi" in browser.get("/study/s/today").text
    answer = browser.post("/units", data={"use": "stones", "distance": "km"})
    assert answer.status_code == 400
    assert "km/L, km, °C, psi" in browser.get("/study/s/today").text


@pytest.mark.parametrize("referer", ["//evil.example/x", "/\\evil.example", "javascript:1", ""])
def test_the_way_back_stays_here(browser: TestClient, referer: str) -> None:
    came = {"referer": f"http://127.0.0.1:8640{referer}" if referer[:1] == "/" else referer}
    answer = browser.post("/units", data={"system": "us"}, headers=came, follow_redirects=False)
    assert answer.headers["location"] == "/"


@pytest.mark.parametrize("own", list(SYSTEMS))
@pytest.mark.parametrize("mine", ["", *SYSTEMS])
def test_notes_are_read_in_the_units_that_the_form_shows_whoever_switches_meanwhile(
    browser: TestClient, tmp_path: Path, own: str, mine: str
) -> None:
    """A psi typed as kPa can't slip in: the form says what it asks, and keeps to it."""
    study = write(tmp_path / "s", own)
    if mine:
        choose(browser, system=mine)
    page = browser.get("/study/s/today").text
    asked = re.search(r"Cold tyre pressure, (\w+)", page)
    assert asked
    psi = SYSTEMS[mine or own].pressure == "psi"  # type: ignore[index]
    assert asked[1] == ("psi" if psi else "kPa")
    form = fields(page)
    heading = next(k for k in form if k.startswith(f"n:{PSI}"))
    form |= {heading: "33.36" if psi else "230", "fill:litres": "8", "fill:odometer_km": "41,230"}
    choose(browser, system="metric" if psi else "us")  # in another tab
    assert "Written." in browser.post("/study/s/today", data=form).text
    in_psi = SYSTEMS[own].pressure == "psi"  # type: ignore[index]
    assert float(noted(study)[PSI]) == pytest.approx(33.36 if in_psi else KPA, rel=1e-3)
    gallon, mile = symbol_of(mine or own, "L"), symbol_of(mine or own, "km")
    litres = {"L": 8.0, "US gal": 30.2833, "imp gal": 36.3687}[gallon]
    kept = {k: float(v) for k, v in read_fill(study).items() if k in ("volume", "odometer")}
    own_gallon = {"L": 1.0, "US gal": 3.785411784, "imp gal": 4.54609}[symbol_of(own, "L")]
    assert kept["volume"] * own_gallon == pytest.approx(litres, rel=1e-4)
    own_km = 1.609344 if symbol_of(own, "km") == "mi" else 1.0
    assert kept["odometer"] * own_km == pytest.approx(
        41230 * (1.609344 if mile == "mi" else 1.0), rel=1e-4
    )


def symbol_of(system: str, unit: str) -> str:
    with shown_in(SYSTEMS[system]):  # type: ignore[index]
        return symbol(unit)  # type: ignore[arg-type]


def read_fill(study: Path) -> dict[str, str]:
    with (study / "fills.csv").open() as file:
        row = next(csv.DictReader(file))
    return {{"litres": "volume"}.get(k, k.partition(" [")[0]): v for k, v in row.items()}


def test_a_form_sent_back_as_it_was_changes_no_digit(browser: TestClient, tmp_path: Path) -> None:
    study = write(tmp_path / "s")
    form = fields(browser.get("/study/s/today").text)
    heading = next(k for k in form if k.startswith(f"n:{PSI}"))
    browser.post("/study/s/today", data=form | {heading: "227.527"})
    for system in SYSTEMS:
        choose(browser, system=system)
        again = fields(browser.get("/study/s/today").text)
        assert again[heading] in ("227.527", "33")
        browser.post("/study/s/today", data=again)
        assert noted(study)[PSI] == "227.527"


def test_a_pressure_that_fits_the_other_unit_only_is_refused(
    browser: TestClient, tmp_path: Path
) -> None:
    study = write(tmp_path / "s")
    for system, typed in (("metric", "33"), ("us", "230")):
        choose(browser, system=system)
        form = fields(browser.get("/study/s/today").text)
        heading = next(k for k in form if k.startswith(f"n:{PSI}"))
        answer = browser.post("/study/s/today", data=form | {heading: typed})
        assert answer.status_code == 400
        shown = fields(answer.text)
        assert (shown[heading], shown["asked_in"]) == (typed, form["asked_in"])
        assert not (study / "notes.csv").exists()


def test_a_plan_that_is_only_looked_at_in_miles_stays_as_it_is(
    browser: TestClient, tmp_path: Path
) -> None:
    study = write(tmp_path / "s", drawn=False)
    before = (study / "study.toml").read_bytes()
    choose(browser, system="us")
    form = fields(browser.get("/study/s/plan").text)
    assert form["km_per_run"] == "9.321"
    start = {"start": f"{DAY + dt.timedelta(days=7)}"}
    assert browser.post("/study/s/plan", data=form | start | {"draw": "1"}).status_code == 200
    text = (study / "study.toml").read_text()
    assert before.decode().split("[plan]")[1].split("\n")[1] in text  # km_per_run = 15
    assert load_study(study).plan.km_per_run == 15
    assert "km" in (study / "plan" / "sheet.html").read_text()
    assert not re.search(r"\d mi\b", (study / "plan" / "sheet.html").read_text())


def test_a_plan_typed_in_miles_is_miles_though_the_switch_went_to_kilometres(
    browser: TestClient, tmp_path: Path
) -> None:
    study = write(tmp_path / "s", drawn=False)
    choose(browser, system="us")
    form = fields(browser.get("/study/s/plan").text) | {"km_per_run": "10"}
    choose(browser, system="metric")
    form["start"] = f"{DAY + dt.timedelta(days=7)}"
    browser.post("/study/s/plan", data=form | {"draw": "1"})
    assert load_study(study).plan.km_per_run == pytest.approx(16.0934)


def test_asking_a_new_study_in_other_units_takes_what_was_typed_with_it(
    browser: TestClient, tmp_path: Path
) -> None:
    """1500 kg became 1500 lb when the form was asked anew in pounds."""
    form = fields(browser.get("/new").text) | {"units": "us", "mass": "1400", "again": "1"}
    page = browser.post("/new", data=form).text
    form = fields(page)
    assert form["mass"] == "3086"
    assert "Mass of the car as driven, lb" in page
    browser.post("/new", data=form | {"units": "us", "name": "heavy"})
    assert load_study(tmp_path / "heavy").vehicle.mass_kg == pytest.approx(1400, abs=0.5)


@pytest.mark.parametrize(("language", "typed"), [("en", "1,234"), ("de", "1.234")])
def test_a_number_that_may_be_a_thousandfold_is_asked_back(
    browser: TestClient, tmp_path: Path, language: str, typed: str
) -> None:
    """1,234 was taken for 1.234 whoever typed it, a thousandth of what an English reader means."""
    write(tmp_path / "s", drawn=False)
    browser.cookies.set("roadlog_language", language)
    for path, field in (("/study/s/trials/payback", "price"), ("/new", "mass")):
        answer = browser.post(path, data={"name": "n", field: typed})
        assert answer.status_code == 400
        assert "1234" in answer.text


@pytest.mark.parametrize(("typed", "kg"), [("1310,5", 1310.5), ("1.310,5", 1310.5)])
def test_a_comma_is_decimal_in_german(
    browser: TestClient, tmp_path: Path, typed: str, kg: float
) -> None:
    browser.cookies.set("roadlog_language", "de")
    browser.post("/new", data={"name": "n", "mass": typed, "km_per_run": "1,234"})
    assert load_study(tmp_path / "n").vehicle.mass_kg == kg
    assert load_study(tmp_path / "n").plan.km_per_run == 1.234


@pytest.mark.parametrize("system", list(SYSTEMS))
@pytest.mark.parametrize("language", ["en", "de"])
def test_a_german_form_offers_what_it_reads_again(
    browser: TestClient, tmp_path: Path, system: str, language: str
) -> None:
    browser.cookies.set("roadlog_language", language)
    choose(browser, system=system)
    form = fields(browser.get("/new").text)
    form |= {"name": "n", "units": "metric"}
    browser.post("/new", data=form)
    made = load_study(tmp_path / "n")
    assert (made.vehicle.mass_kg, made.plan.km_per_run, made.plan.days) == (1500, 15, 20)
    form = fields(browser.get("/study/n/plan").text)
    start = {"start": f"{DAY + dt.timedelta(days=7)}"}
    browser.post("/study/n/plan", data=form | start | {"draw": "1"})
    assert load_study(tmp_path / "n").plan.km_per_run == 15


def test_a_german_odometer_has_points_for_thousands(browser: TestClient, tmp_path: Path) -> None:
    study = write(tmp_path / "s")
    browser.cookies.set("roadlog_language", "de")
    form = fields(browser.get("/study/s/today").text) | {"fill:litres": "31,456"}
    bad = browser.post("/study/s/today", data=form | {"fill:odometer_km": "41,230"})
    assert bad.status_code == 400
    browser.post("/study/s/today", data=form | {"fill:odometer_km": "41.230"})
    assert (read_fill(study)["volume"], read_fill(study)["odometer"]) == ("31.456", "41230")


@pytest.mark.parametrize(
    ("system", "given"),
    [("metric", (1.7, 15000, 5)), ("us", (1.7 / 3.785411784, 15000 * 1.609344, 5 * 3.785411784)),
     ("imperial", (1.7 / 4.54609, 15000 * 1.609344, 5 * 4.54609))],
)  # fmt: skip
def test_a_trial_is_reckoned_in_the_units_that_its_form_shows(
    browser: TestClient, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, system: str,
    given: tuple[float, float, float],
) -> None:  # fmt: skip
    told: dict[str, float] = {}
    monkeypatch.setattr(
        "roadlog.bench.pages.trials.start_job", lambda *a, **k: told.update(k["given"])
    )
    write(tmp_path / "s")
    choose(browser, system=system)
    asked_in = fields(browser.get("/study/s/trials").text)["asked_in"]
    choose(browser, system="own")
    sent = {"asked_in": asked_in, "fuel_price": "1.7", "km_per_year": "15000", "fuel_l_h": "5"}
    for trial in ("payback", "ceiling"):
        browser.post(f"/study/s/trials/{trial}", data=sent)
    kept = (told["fuel_price"], told["km_per_year"], told["fuel_l_h"])
    assert kept == pytest.approx(given)


def test_the_day_speaks_german_and_english_is_marked_as_such(
    browser: TestClient, tmp_path: Path
) -> None:
    study = write(tmp_path / "s")
    text = (study / "study.toml").read_text().replace("washout_km = 5", "washout_km = 2.5")
    (study / "study.toml").write_text(text + '[labels]\nfitted = "<b>drin</b> {0} %s"\n')
    browser.cookies.set("roadlog_language", "de")
    page = browser.get("/study/s/today").text.replace("\xa0", " ")
    assert "Vor der ersten Fahrt einbauen" in page
    assert "Die ersten 2,5 km zählen nicht" in page
    assert f"{DAY:%d.%m.%Y}" in page
    assert "&lt;b&gt;drin&lt;/b&gt; {0} %s" in page
    assert "Reifendruck, kalt, kPa" in page
    (study / "notes.csv").write_bytes(b"no,notes\n\xff\xfe")
    page = browser.get("/study/s/today").text
    assert '<span lang="en">' in page
