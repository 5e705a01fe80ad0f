"""A fleet's receipts, as a fuel card lists them: read by meaning, a wrong line costs itself."""

import datetime as dt
from pathlib import Path

import pytest

from roadlog.errors import InputError
from roadlog.fleet.fills import Receipts, in_gallons, read_receipts, wrong_goods

LABELS = {"van 1": {"plate": "AB 12 CD"}, "van 2": {"plate": "EF-34"}}
CARD = (
    "Card;Number plate;Date;Time;Site;Product;Quantity (L);Odometer;Price (EUR/L);Amount (EUR)\n"
    "7001;AB 12 CD;13.03.2026;7:05;Ring;Diesel;41,25;80.120;1,62;66,83\n"
    "7001;AB 12 CD;14.03.2026;18:40;Ring;AdBlue;9,80;;0,90;8,82\n"
    "7002;EF-34;14.03.2026;18:50;Ring;Diesel;forty;90.010;1,62;\n"
    "7003;XY 99;14.03.2026;19:00;Ring;Diesel;33,00;70.000;1,62;\n"
    "7002;EF-34;n/a;19:10;Ring;Diesel;30,00;0;1,62;\n"
)


def read(tmp_path: Path, text: str, labels: dict[str, dict[str, str]] | None = None) -> Receipts:
    path = tmp_path / "fills.csv"
    path.write_text(text, encoding="utf-8")
    return read_receipts(path, labels or LABELS, True)


def test_a_fuel_cards_list_is_read_and_its_other_columns_passed_over(tmp_path: Path) -> None:
    found = read(tmp_path, CARD)
    first, second = found.of["van 1"]
    assert first.fill is not None
    assert first.fill.time == dt.datetime(2026, 3, 13, 7, 5)
    assert (first.fill.litres, first.fill.odometer_km) == (41.25, 80120.0)
    assert second.goods == "AdBlue"
    assert [name for name, *_ in found.lost] == ["XY 99"]


def test_a_line_that_cant_be_read_costs_itself(tmp_path: Path) -> None:
    one, other = read(tmp_path, CARD).of["van 2"]
    assert (one.fill, str(one.why)) == (None, "can't be read: 'forty' is no number of litres")
    assert (other.fill, str(other.why)) == (None, "can't be read: no date")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("date,litres\n2026-03-02,40\n", "no column 'vehicle'"),
        ("vehicle,litres\nvan 1,40\n", "no column 'time'"),
        ("vehicle,date,site\nvan 1,2026-03-02,x\n", "no column 'litres'"),
        ("vehicle,date,gallons\nvan 1,2026-03-02,10\n", "US or imperial"),
        ("vehicle,date,volume,quantity\nvan 1,2026-03-02,10,10\n", "both give litres"),
        ("vehicle,date,litres\n", "no fill in it"),
    ],
)
def test_a_table_that_cant_be_meant_is_asked_about(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        read(tmp_path, text)


def test_money_isnt_litres_and_gallons_are_turned_into_them(tmp_path: Path) -> None:
    text = "vehicle,date,amount (GBP),volume [US gal]\nvan 1,2026-03-02,70,10\n"
    (receipt,) = read(tmp_path, text).of["van 1"]
    assert receipt.litres == pytest.approx(37.854, abs=1e-3)


def test_the_fills_of_a_fleet_of_one_need_no_name(tmp_path: Path) -> None:
    found = read(tmp_path, "date,litres\n2026-03-02,40\n", {"van 1": {}})
    assert list(found.of) == ["van 1"]


@pytest.mark.parametrize(
    ("goods", "diesel", "code"),
    [("Diesel B7", True, ""), ("Super E10", True, "OTHER_FUEL"), ("", True, ""),
     ("E20", True, "OTHER_FUEL"), ("Super Diesel", True, ""),
     ("Engine oil 5W30", False, "NO_FUEL"), ("Premium", False, "")],
)  # fmt: skip
def test_what_a_receipt_names_must_burn_in_this_engine(goods: str, diesel: bool, code: str) -> None:
    why = wrong_goods(goods, diesel=diesel)
    assert (why.code.name if why else "") == code


def test_a_fifth_isnt_taken_for_a_gallon() -> None:
    assert [in_gallons(f) for f in (0.264, 4.55, 1.2, 0.8)] == [
        "US gallons", "imperial gallons", "", ""
    ]  # fmt: skip
