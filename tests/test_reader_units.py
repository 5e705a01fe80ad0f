"""Miles, gallons, psi and °F wherever a study says so; computing and results.json stay metric."""

import re
from pathlib import Path

import pytest

from roadlog.cli import main
from roadlog.closure.fillnote import HEADINGS, empty_fills
from roadlog.closure.fuelbook import fill_headings
from roadlog.plan.questions import ask
from roadlog.plan.studyfile import notes_template
from roadlog.quantities.units import convert, mpg_imperial, mpg_us
from roadlog.runs.daily_notes import columns_of
from roadlog.study.folder import load_study
from roadlog.study.settings import Schedule, Study
from roadlog.wording.screen import paragraph, typeset
from roadlog.wording.units import (
    amount,
    in_own_units,
    page_with_twins,
    shown_in,
    symbol,
    told,
    with_twins,
)

METRIC = re.compile(r"L/100 km|\bkm/h|\bkm\b|°C|\bkPa\b|(?<=\d )kg\b")
TWIN = re.compile(r"\s*(?:\([^()]*\) )?[=\[(][^()\]]*(?:MPG|mph|mi|psi|°F|gal|lb)\b")
MARKUP = re.compile(r"<(?:script|style)\b.*?</(?:script|style)>|<[^>]*>", re.DOTALL)


def without_twin(text: str) -> list[str]:
    """Metric quantities that nothing in miles, gallons, psi, °F or pounds stands beside."""
    plain = text.replace("\u00a0", " ")
    return [
        plain[max(0, m.start() - 40) : m.end() + 20]
        for m in METRIC.finditer(plain)
        if not TWIN.match(plain[m.end() : m.end() + 80])
        and not re.search(r"(?:mi|MPG \S+|MPG|mph|°F|lb|psi) ?[(=][^()]*$", plain[: m.end()])
    ]


def test_both_gallons_and_what_they_make_of_litres():
    for choice, economy in (("us", mpg_us), ("imperial", mpg_imperial)):
        with shown_in(choice):
            assert amount(6.4, "L/100 km") == pytest.approx(economy(6.4))
            assert amount(10.0, "L") == pytest.approx(
                convert(10.0, "l", f"gal ({choice[:3]})" if choice != "us" else "gal (us)")
            )
    with shown_in("us"):
        # 6.4 L/100 km is 2.72 gallons for 100 miles, by which a difference is told
        assert amount(6.4, "L/100 km", change=True) == pytest.approx(100 / mpg_us(6.4))
        assert told(0.0, "L/100 km", 2) == "not known MPG (US)" or told(0.0, "L/100 km") != "inf"
    assert told(6.4, "L/100 km", 2) == "6.40 L/100 km"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("206 km", "206 km (128 mi)"),
        ("used 201 of 206 km", "used 201 of 206 km (125 of 128 mi)"),
        ("between 30 and 60 km/h", "between 30 and 60 km/h (19 and 37 mph)"),
        ("6.38 L/100 km", "6.38 L/100 km (36.9 MPG US)"),
        ("-0.05 to +0.12 L/100 km", "-0.05 to +0.12 L/100 km (-0.021 to +0.051 US gal/100 mi)"),
        ("at -5 °C", "at -5 °C (23 °F)"),
        ("+0.9 °C (-1.8 to +3.6)", "+0.9 °C (-1.8 to +3.6) [+1.6 °F (-3.2 to +6.5)]"),
        ("231 kPa", "231 kPa (33.5 psi)"),
        ("31.4 L filled", "31.4 L (8.30 US gal) filled"),
        ("1,240 km", "1,240 km (771 mi)"),
        ("36.9 MPG (US) (6.38 L/100 km)", "36.9 MPG (US) (6.38 L/100 km)"),
        ("206 km (128 mi)", "206 km (128 mi)"),
        ("12 g/km, 5 K/km, 1.2 kg/m³, 8 kJ/km", "12 g/km, 5 K/km, 1.2 kg/m³, 8 kJ/km"),
        ("leg A12 km", "leg A12 km"),
        ("1.8 L, 4 cylinders", "1.8 L, 4 cylinders"),
    ],
)
def test_finished_text_gets_the_readers_unit_beside_the_metric_one(text, said):
    assert with_twins(text) == text
    with shown_in("us"):
        assert with_twins(text) == said
        assert with_twins(said) == said  # once is enough
        assert typeset(text).count("(") == said.replace("-", "−").count("(")


def test_a_page_keeps_its_scripts_and_a_screen_its_width():
    with shown_in("us"):
        page = page_with_twins('<p>17 km</p><script>var s = "17 km"</script><a title="17 km">x</a>')
        assert page == '<p>17 km (11 mi)</p><script>var s = "17 km"</script><a title="17 km">x</a>'
        lines = paragraph("Road", "driven 206 km at 60 km/h, " * 12)
    assert all(len(line) <= 88 for line in lines)
    assert not any(line.endswith(("206", "(128")) for line in lines)


def test_units_end_with_the_page_that_has_them():
    @in_own_units
    def page(study: Study) -> str:
        return symbol("km")

    assert (page(Study(units="us")), page(Study()), symbol("km")) == ("mi", "km", "km")


@pytest.mark.parametrize("units", ["us", "imperial"])
def test_files_to_fill_carry_the_studys_units(units):
    heads = notes_template(Schedule(), (), units).splitlines()[0].split(",")
    by_name = {c.item.name: c.unit for c in columns_of(heads)}
    assert (by_name["cold tyre pressure"], by_name["payload"]) == ("psi", "lb")
    fills = fill_headings(empty_fills(units).decode().strip().split(","), Path("fills.csv"))
    assert set(fills) == {"time", "litres", "odometer_km", "full", "price_per_l"}
    assert HEADINGS["metric"] == "time,litres,odometer [km],full,price"


def test_new_asks_in_the_users_units_and_writes_metric_keys():
    typed = iter(["t", "us", "ring", "intake", "none", "", "12", "E10", "1.8", "2900", "12", "2",
                  "10", "mixed", "no"])  # fmt: skip
    asked: list[str] = []

    def answer(prompt: str) -> str:
        asked.append(prompt)
        return next(typed)

    answers = ask({}, answer)
    assert float(answers["km_per_run"]) == pytest.approx(16.0934)
    assert float(answers["mass"]) == pytest.approx(1315.4, abs=0.1)
    assert any("one drive, mi? [9.321]" in p for p in asked)
    metric = iter(["t", "", "ring", "intake", "none", "", "12", "E10", "1.8", "", "12", "2",
                   "10 mi", "mixed", "no"])  # fmt: skip
    assert float(ask({}, lambda _: next(metric))["km_per_run"]) == pytest.approx(16.0934)


def test_a_us_study_is_noted_in_psi_miles_and_gallons(tmp_path, monkeypatch, capsys):
    folder = tmp_path / "us"
    assert main(["new", str(folder), "--units", "us", "--washout-km", "5",
                 "--carry-over", "washes out"]) == 0  # fmt: skip
    assert load_study(folder).units == "us"
    sets = ["tyre pressure=33", "load=20", "fill=8.3 gal", "odometer=25,620", "price=3.599"]
    assert main(["note", str(folder), *(x for s in sets for x in ("--set", s))]) == 0
    assert (folder / "notes.csv").read_text().splitlines()[0].count("[psi]") == 1
    row = (folder / "fills.csv").read_text().splitlines()[1].split(",")
    assert row[1:3] == ["8.3", "25620"]
    assert main(["plan", str(folder), "--dry-run", "--days", "8"]) == 0
    assert main(["next", str(folder)]) == 0
    said = capsys.readouterr().out
    assert not without_twin(said)
    assert "mi" in said
