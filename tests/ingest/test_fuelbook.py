import datetime as dt

import pytest

from roadlog.closure.fuelbook import read_cans, read_fills
from roadlog.errors import InputError


def written(tmp_path, text, name="fills.csv"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def test_fills_in_european_notation(tmp_path):
    text = (
        "time;litres;odometer [km];full;price;batch;temperature [degC]\n"
        "2026-03-02T07:10;41,25;10250;yes;1,79;A;12\n"
        "2026-03-06;10;;partial;;;\n"
    )
    first, second = read_fills(written(tmp_path, text))
    assert first.time == dt.datetime(2026, 3, 2, 7, 10)
    assert (first.litres, first.odometer_km, first.price_per_l) == (41.25, 10250.0, 1.79)
    assert (first.full, first.batch, first.temp_c) == (True, "A", 12.0)
    assert second.time == dt.date(2026, 3, 6)
    assert (second.full, second.odometer_km, second.batch) == (False, None, None)


def test_gallons_and_miles_become_litres_and_kilometres(tmp_path):
    text = "date,US gallons,odometer [mi]\n2026-03-02,10,1000\n"
    (fill,) = read_fills(written(tmp_path, text))
    assert fill.litres == pytest.approx(37.85411784)
    assert fill.odometer_km == pytest.approx(1609.344)


@pytest.mark.parametrize(
    ("heading", "per_litre"),
    [
        ("price", 3.6),
        ("price [EUR]", 3.6),
        ("price [EUR/L]", 3.6),
        ("price per litre", 3.6),
        ("price_per_l", 3.6),
        ("price (USD/gal)", 3.6 / 3.785411784),
        ("price (GBP/gal)", 3.6 / 4.54609),
    ],
)
def test_a_price_is_that_of_a_litre(tmp_path, heading, per_litre):
    (fill,) = read_fills(written(tmp_path, f"date,litres,{heading}\n2026-03-02,40,3.6\n"))
    assert fill.price_per_l == pytest.approx(per_litre)


def test_cans_in_grams_and_kilograms(tmp_path):
    text = "run,before [kg],after [g],distance [mi]\nday1.csv,9.5,7250,10\n"
    (can,) = read_cans(written(tmp_path, text, "cans.csv"))
    assert can.before_kg - can.after_kg == pytest.approx(2.25)
    assert can.km == pytest.approx(16.09344)
    assert can.run == "day1.csv"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("litres\n30\n", "no column 'time'"),
        ("time,litres\n2026-03-02,0\n", "line 2: 'litres': '0.0' won't do: give more than 0"),
        ("time,litres\n2026-03-02,a lot\n", "line 2, column 'litres': 'a lot' is no number"),
        ("time,litres\n,30\n", "line 2: no date"),
        ("time,litres\nyesterdayish,30\n", "line 2, column 'time': 'yesterdayish' is no date"),
        ("time,litres,full\n2026-03-02,30,perhaps\n", "'perhaps' is neither yes nor no"),
        ("time,litres,colour\n2026-03-02,30,red\n", "column 'colour' is not known"),
        ("time,litres,US gallons\n2026-03-02,30,8\n", "two columns give litres: leave one out"),
        ("time,litres,temperature [degC]\n2026-03-02,30,95\n", "line 2: 'temp_c'"),
        ("time,odometer\n2026-03-02,30\n", "line 2: 'litres' is missing: add it"),
        ("time,litres,odometer [kg]\n2026-03-02,30,1\n", "doesn't fit"),
        ("time,litres,price\n2026-03-02,30,0\n", "line 2: 'price_per_l'"),
        ("time,litres,price [EUR/kg]\n2026-03-02,30,1\n", "the price of a litre or a gallon"),
    ],
)
def test_each_impossible_fill_names_its_line(tmp_path, text, message):
    with pytest.raises(InputError) as e:
        read_fills(written(tmp_path, text))
    assert message in str(e.value)
    assert "fills.csv" in str(e.value)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("run,before,after\na,5,6\n", "weighs 5 kg before and 6 kg after gave no fuel"),
        ("run,before,after\na,0,0\n", "line 2: 'before_kg': '0.0' won't do: give more than 0"),
        ("before,after\n5,4\n", "exactly one of run and unit"),
        ("run,unit,before,after\na,b,5,4\n", "exactly one of run and unit"),
    ],
)
def test_each_impossible_can_names_its_line(tmp_path, text, message):
    with pytest.raises(InputError) as e:
        read_cans(written(tmp_path, text, "cans.csv"))
    assert message in str(e.value)


@pytest.mark.parametrize("heading", ["gal", "gallons", "volume [gal]", "fuel_gal", "litres [gal]"])
def test_a_gallon_of_no_kind_is_asked_for(tmp_path, heading):
    with pytest.raises(InputError, match="is in gallons, US or imperial"):
        read_fills(written(tmp_path, f"date,{heading}\n2026-03-02,10\n"))


@pytest.mark.parametrize(
    ("heading", "litres"),
    [
        ("US gal", 37.85411784),
        ("gallons (UK)", 45.4609),
        ("volume [US gal]", 37.85411784),
        ("imperial gallons", 45.4609),
    ],
)
def test_a_gallon_that_is_named_is_read(tmp_path, heading, litres):
    (fill,) = read_fills(written(tmp_path, f"date,{heading}\n2026-03-02,10\n"))
    assert fill.litres == pytest.approx(litres)


@pytest.mark.parametrize("odometer", ["10.250", "10,250", "10 250", "10250"])
def test_an_odometer_has_thousands_and_no_metres(tmp_path, odometer):
    text = f"time;litres;odometer [km]\n2026-03-02;41;{odometer}\n"
    assert read_fills(written(tmp_path, text))[0].odometer_km == 10250


@pytest.mark.parametrize("litres", ["41,234", "41.234"])
def test_a_pump_shows_three_decimals(tmp_path, litres):
    text = f"time;litres;price\n2026-03-02;{litres};1,799\n"
    (fill,) = read_fills(written(tmp_path, text))
    assert (fill.litres, fill.price_per_l) == (41.234, 1.799)


@pytest.mark.parametrize("heads", ["date;time", "time;date"])
def test_a_receipts_time_of_day_may_have_a_column_of_its_own(tmp_path, heads):
    cells = ("13.03.2026", "7:05") if heads.startswith("date") else ("7:05", "13.03.2026")
    text = f"{heads};litres\n{';'.join(cells)};41,2\n{';'.join(cells).replace('7:05', '')};40\n"
    first, second = read_fills(written(tmp_path, text))
    assert first.time == dt.datetime(2026, 3, 13, 7, 5)
    assert second.time == dt.date(2026, 3, 13)
