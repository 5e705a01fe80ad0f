"""All cards of a study: an `Analysed` in, names and bytes of pictures out."""

import io
from collections.abc import Callable
from functools import partial
from typing import Any

from roadlog.analysis.answered import answer_of, deciding_interval
from roadlog.analysis.result import Analysed
from roadlog.analysis.summary import compared_how
from roadlog.publish.cards.pictures import draw_claim, draw_days, draw_map, draw_result
from roadlog.publish.cards.sheet import (
    SIZES,
    THEMES,
    Box,
    Frame,
    Sheet,
    draw_sheet,
    signs_may_lack,
)
from roadlog.quantities.arms import ARMS
from roadlog.report.claim_table import parts_of_claim
from roadlog.report.control import less_control, units_shown
from roadlog.report.map import why_no_map
from roadlog.wording.answer import Answer
from roadlog.wording.numbers import ends_of, signed
from roadlog.wording.screen import FIXED_SPACE, typeset
from roadlog.wording.units import in_own_units, told

SUBJECTS = ("result", "map", "days", "claim")
Picture = Callable[[Sheet, Box], None]


def subjects_of(analysed: Analysed) -> dict[str, str | None]:
    """Every subject with why it has no card, None where it has one."""
    means = analysed.effect.unit_means
    return {
        "result": None,
        "map": why_no_map(analysed),
        "days": "no day or run could be compared" if means.empty else None,
        "claim": None if analysed.study.claim or analysed.trials else "nothing is claimed",
    }


@in_own_units
def cards(analysed: Analysed) -> list[tuple[str, bytes]]:
    """Every card as a file name and its bytes: subject, size and theme, as PNG and as SVG."""
    made = []
    said = answer_of(analysed)
    for subject, missing in subjects_of(analysed).items():
        if missing is None:
            frame, picture = _subject(analysed, subject, said)
            for size in SIZES:
                for theme in THEMES:
                    sheet = draw_sheet(size, theme, frame, picture)
                    for kind in ("png", "svg"):
                        name = f"{subject}-{size}-{theme}.{kind}"
                        made.append((name, _encoded(sheet, kind, frame)))
    return made


def _subject(a: Analysed, subject: str, said: Answer) -> tuple[Frame, Picture]:
    used = a.passes[a.passes["used"].astype(bool)]
    titles: dict[str, tuple[str, Picture]] = {
        "result": (said.title, partial(draw_result, answer=said)),
        "map": (
            "The road that was driven again and again"
            + (", an invented route" if a.study.synthetic else ""),
            partial(
                draw_map, network=a.network,
                passes={str(k): int(n) for k, n in used["segment"].value_counts().items()},
            ),
        ),
        "days": (
            f"Fuel use, {_unit_word(a)} by {_unit_word(a)}, {less_control(a) or compared_how(a)}",
            partial(
                draw_days, means=units_shown(a), labels={x: a.study.label(x) for x in ARMS}
            ),
        ),
        "claim": ("The whole claim", partial(draw_claim, parts=parts_of_claim(a))),
    }  # fmt: skip
    words, picture = titles[subject]
    return Frame(a.study.name, a.study.synthetic, words, (amount(a), interval_line(a))), picture


def _unit_word(a: Analysed) -> str:
    return {"day": "day", "run": "run"}.get(a.switched_by, "stretch")


def amount(a: Analysed) -> str:
    """How much is behind the answer: switch units, runs, kilometres."""
    unit = _unit_word(a)
    units = a.baseline.switch_units + a.fitted.switch_units
    many = {"stretch": "stretches"}.get(unit, f"{unit}s") if units != 1 else unit
    runs, km = a.baseline.runs + a.fitted.runs, a.baseline.km + a.fitted.km
    counted = "" if unit == "run" else f", {runs} runs"
    return f"{units} {many}{counted}, {told(km, 'km')}"


def interval_line(a: Analysed) -> str:
    """The interval of the change of fuel use, or that there is none."""
    i = deciding_interval(a)
    ends = ends_of(i)
    if ends is None:
        return "Change of fuel use: no interval can be given"
    return typeset(
        f"Change of fuel use: {signed(ends[0])} to {signed(ends[1])} % "
        f"({100 * i.level:.4g} %{FIXED_SPACE}interval)"
    )


def _encoded(sheet: Sheet, kind: str, frame: Frame) -> bytes:
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    out = io.BytesIO()
    look: Any = {"svg.fonttype": "path", "svg.hashsalt": "card"}
    with mpl.rc_context(look), signs_may_lack():
        if kind == "png":
            FigureCanvasAgg(sheet.figure).print_png(out, metadata={"Software": None})  # type: ignore[no-untyped-call]
        else:
            told = {"Date": None, "Creator": None, "Title": frame.title}
            FigureCanvasSVG(sheet.figure).print_svg(out, metadata=told)  # type: ignore[no-untyped-call]
    return out.getvalue()
