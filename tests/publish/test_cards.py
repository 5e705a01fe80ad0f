"""Cards: legible, whole, true to the interval, the same bytes each time."""

import dataclasses
import io
import math
from itertools import combinations, islice

import numpy as np
import pandas as pd
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.lines import Line2D
from PIL import Image

from roadlog.analysis.answered import answer_of
from roadlog.analysis.result import Analysed
from roadlog.publish.cards import cards, subjects_of
from roadlog.publish.cards.draw import _subject, amount, interval_line
from roadlog.publish.cards.pictures import draw_claim, draw_days, draw_result
from roadlog.publish.cards.sheet import (
    LEAST_TEXT_PX,
    SIZES,
    THEMES,
    Box,
    Frame,
    Sheet,
    clipped,
    draw_sheet,
    points,
    text_width,
    wrapped,
)
from roadlog.report.claim_table import Part
from roadlog.stats.interval import Interval
from roadlog.wording.answer import Answer, Claimed, Facts, answer
from roadlog.wording.units import shown_in

FRAME = Frame("Bramble collar", True, "The claim: ruled out by this test", ("12 days", "−1 to 2 %"))
LONG = "A study of a collar that is said to save fuel on every road and in all weathers " * 4
ODD = "<script>alert(1)</script> $x^2$ \u202eevil\u202c \U0001f697 \x00 \n next"


def answered(low: float, high: float, claimed: float | None) -> Answer:
    claim = None if claimed is None else Claimed("fuel_use", -claimed, claimed)
    word = None if claimed is None else "refuted" if low > claimed else "undecided"
    return answer(Facts(Interval((low + high) / 2, low, high), claim, word))


def luminance(colour: str) -> float:
    """Relative luminance of a colour (WCAG 2.2, definition)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return float(np.dot([0.2126, 0.7152, 0.0722], linear))


def contrast(a: str, b: str) -> float:
    low, high = sorted((luminance(a), luminance(b)))
    return (high + 0.05) / (low + 0.05)


def assert_legible(sheet: Sheet) -> None:
    """All text is large enough, on the sheet, and on no other text."""
    renderer = FigureCanvasAgg(sheet.figure).get_renderer()
    boxes = []
    for text in sheet.figure.texts:
        assert text.get_fontsize() >= points(LEAST_TEXT_PX) - 1e-9, text.get_text()
        box = text.get_window_extent(renderer)
        off = max(-box.x0, -box.y0, box.x1 - sheet.width, box.y1 - sheet.height)
        assert off <= 1, text.get_text()
        boxes.append((text.get_text(), box))
    for (one, a), (other, b) in combinations(boxes, 2):
        inside = min(a.x1, b.x1) - max(a.x0, b.x0) > 1 and min(a.y1, b.y1) - max(a.y0, b.y0) > 8
        assert not inside, f"'{one}' lies on '{other}'"


@pytest.mark.parametrize("theme", THEMES)
def test_every_colour_of_text_stands_out_from_the_paper(theme: str) -> None:
    look = THEMES[theme]
    for colour in (look.ink, look.quiet, look.claim, look.bar, *look.arms.values()):
        assert contrast(colour, look.paper) >= 4.5  # WCAG 2.2, criterion 1.4.3


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize(
    ("low", "high", "claimed"),
    [
        (-1.0, 1.9, -10.7),
        (-1.0, 1.9, None),
        (-0.04, 0.05, -0.3),
        (-14.0, -9.0, -10.7),
        (-11.0, -10.5, -10.7),
        (3.0, 4.0, -50.0),
        (-80.0, 400.0, -3.0),
        (-0.1, 0.1, 0.0),
        (-2.0, 2.0, 5.0),
        (-0.001, 0.001, -99.0),
    ],
)
def test_no_label_of_a_result_lies_on_another(
    size: str, low: float, high: float, claimed: float | None
) -> None:
    said = answered(low, high, claimed)
    assert_legible(draw_sheet(size, "light", FRAME, lambda s, b: draw_result(s, b, said)))


def test_the_bar_ends_where_the_interval_ends() -> None:
    sheet = draw_sheet(
        "wide", "light", FRAME, lambda s, b: draw_result(s, b, answered(-1.0, 3.0, -10.0))
    )
    lines = sheet.figure.findobj(lambda a: getattr(a, "get_xdata", None) is not None)
    upright = [x for x in lines if len(x.get_xdata()) == 2 and x.get_xdata()[0] == x.get_xdata()[1]]
    zero, claim = (float(x.get_xdata()[0]) for x in upright)
    bar = max(lines, key=lambda x: x.get_linewidth())
    per_point = (zero - claim) / 10
    assert [(float(v) - zero) / per_point for v in bar.get_xdata()] == pytest.approx([-1.0, 3.0])


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("ends", [(None, None), (None, 2.0), (-math.inf, 2.0), (math.nan, 1.0)])
def test_without_an_interval_nothing_is_drawn_that_looks_like_one(
    ends: tuple[float | None, float | None], size: str
) -> None:
    said = answer(Facts(Interval(-3.0, *ends), Claimed("fuel_use", 10.7, -10.7), None))
    sheet = draw_sheet(size, "dark", FRAME, lambda s, b: draw_result(s, b, said))
    assert_legible(sheet)
    words = " ".join(t.get_text() for t in sheet.figure.texts)
    assert "gives no answer" in words
    assert "◀" not in words
    widths = [x.get_linewidth() for x in sheet.figure.findobj(Line2D)]
    assert max(widths) < points(20)


@pytest.mark.parametrize("size", SIZES)
def test_a_range_that_nothing_may_rest_on_is_an_outline(size: str) -> None:
    said = answer(
        Facts(
            Interval(-3.0, -5.0, -1.0), Claimed("fuel_use", 10.7, -10.7), "undecided",
            against=("fuel weighed and computed differ by arm",),
        )
    )  # fmt: skip
    sheet = draw_sheet(size, "light", FRAME, lambda s, b: draw_result(s, b, said))
    assert_legible(sheet)
    thickest = sorted(sheet.figure.findobj(Line2D), key=lambda x: x.get_linewidth())[-2:]
    assert thickest[0].get_color() == THEMES["light"].paper


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("name", [LONG, ODD, "x" * 300, "", "‏דוגמה"])
def test_any_name_fits_its_card(size: str, name: str) -> None:
    frame = Frame(name, True, name or "-", ("12 days, 24 runs, 400 km",))
    assert_legible(draw_sheet(size, "light", frame, lambda _s, _b: None))


@pytest.mark.parametrize("units", [1, 2, 7, 90])
@pytest.mark.parametrize("size", SIZES)
def test_days_of_any_number_fit(units: int, size: str) -> None:
    arms = (["baseline", "fitted"] * units)[:units]
    means = pd.DataFrame(
        {
            "arm": arms,
            "switch_unit": [f"2026-03-{1 + i:02d}" for i in range(units)],
            "start": pd.date_range("2026-03-01", periods=units),
            "adjusted_pct": np.linspace(-3.0, 31.0, units),
        }
    )
    labels = {"baseline": LONG, "fitted": "in"}
    assert_legible(draw_sheet(size, "light", FRAME, lambda s, b: draw_days(s, b, means, labels)))


@pytest.mark.parametrize("parts", [1, 3, 7])
@pytest.mark.parametrize("size", SIZES)
def test_a_claim_of_any_number_of_parts_fits(parts: int, size: str) -> None:
    part = Part(
        "Run-out of a small engine", "?", "10 % less fuel at equal load", "", LONG, "", "", ""
    )
    every = [dataclasses.replace(part, finding="refuted") for _ in range(parts)]
    assert_legible(draw_sheet(size, "light", FRAME, lambda s, b: draw_claim(s, b, every)))


def test_lines_never_exceed_their_width() -> None:
    for text in (LONG, ODD, "x" * 300, "a b", ""):
        for line in wrapped(text, 500, 44):
            assert text_width(line, 44) <= 500 or len(line) == 1
        assert text_width(clipped(text, 500, 44), 44) <= 500


def test_each_card_has_title_amount_interval_study_and_synthetic(analysed: Analysed) -> None:
    assert subjects_of(analysed) == dict.fromkeys(("result", "map", "days", "claim"))
    for subject in ("result", "map", "days", "claim"):
        frame, picture = _subject(analysed, subject, answer_of(analysed))
        for size in SIZES:
            sheet = draw_sheet(size, "dark", frame, picture)
            assert_legible(sheet)
            said = " ".join(t.get_text() for t in sheet.figure.texts).replace("\xa0", " ")
            assert "SYNTHETIC" in said
            assert "24 runs" in said
            assert analysed.study.name in said
            for part in ("Change of fuel use: −1.0 to +1.9 %", "(95 % interval)"):
                assert part in interval_line(analysed).replace("\xa0", " ")
                assert part in said


def test_a_real_study_isnt_called_synthetic(analysed: Analysed) -> None:
    real = dataclasses.replace(
        analysed, study=analysed.study.model_copy(update={"synthetic": False})
    )
    frame, picture = _subject(real, "map", answer_of(real))
    sheet = draw_sheet("wide", "light", frame, picture)
    said = " ".join(t.get_text() for t in sheet.figure.texts)
    assert "SYNTHETIC" not in said
    assert "invented" not in said


def test_files_have_the_sizes_they_say_and_the_same_bytes_again(analysed: Analysed) -> None:
    made = dict(cards(analysed))
    assert len(made) == 4 * 3 * 2 * 2
    for name in ("result-wide-light.png", "days-square-dark.png", "map-tall-light.png"):
        picture = Image.open(io.BytesIO(made[name]))
        assert picture.size == SIZES[name.split("-")[1]]
        assert not picture.getexif()
        assert set(picture.info) <= {"dpi"}
    again = dict(islice(cards(analysed), 4))
    assert [n for n in again if made[n] != again[n]] == []
    assert b"<dc:date>" not in made["result-wide-light.svg"]


def test_what_has_no_card_says_why(analysed: Analysed) -> None:
    bare = dataclasses.replace(
        analysed,
        study=analysed.study.model_copy(update={"claim": None}),
        network=dataclasses.replace(analysed.network, kind="run", origin=None, segments=()),
    )
    missing = subjects_of(bare)
    assert missing["claim"] == "nothing is claimed"
    assert missing["map"]
    assert missing["result"] is missing["days"] is None


def test_amount_counts_what_was_switched(analysed: Analysed) -> None:
    assert amount(analysed) == "12 days, 24 runs, 401 km"
    runs = dataclasses.replace(
        analysed,
        switched_by="run",
        baseline=dataclasses.replace(analysed.baseline, switch_units=1),
        fitted=dataclasses.replace(analysed.fitted, switch_units=0),
    )
    assert amount(runs) == "1 run, 401 km"


def test_a_study_in_miles_has_cards_in_miles(analysed: Analysed) -> None:
    us = analysed.study.model_copy(update={"units": "us"})
    with shown_in("us"):
        frame, picture = _subject(
            dataclasses.replace(analysed, study=us), "map", answer_of(analysed)
        )
        sheet = draw_sheet("wide", "light", frame, picture)
    said = " ".join(t.get_text() for t in sheet.figure.texts)
    assert "249 mi" in said
    assert " km" not in said


def test_a_box_knows_its_size() -> None:
    assert (Box(1, 2, 11, 22).width, Box(1, 2, 11, 22).height) == (10, 20)
