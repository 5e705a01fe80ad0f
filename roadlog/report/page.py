"""report.html: a finished analysis in, one self-contained page for public and sceptics out.

The answer in plain words comes first, then numbers, trials, days and map; all that a sceptic asks
for is in the annex. No script or picture comes from elsewhere; the page forbids the browser to
fetch anything.
"""

import math
import sys
from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import version
from typing import Any

import numpy as np
import pandas as pd

from roadlog.analysis.answered import answer_of, deciding_interval
from roadlog.analysis.result import Analysed, ArmSummary
from roadlog.analysis.summary import economy_interval, sums_differ
from roadlog.analysis.warned import told_warnings
from roadlog.fuel import ESTIMATORS
from roadlog.quantities.arms import ARMS
from roadlog.quantities.units import economy_change_pct, mpg_imperial, mpg_us
from roadlog.report import figures, tabulate
from roadlog.report.blinded import who_knew
from roadlog.report.claim_table import parts_of_claim
from roadlog.report.control import control_part
from roadlog.report.dictionary import data_dictionary, glossary
from roadlog.report.map import MapParts, map_parts, why_no_map
from roadlog.report.narrow import in_short, narrowers
from roadlog.report.registration import achieved, plan_kept
from roadlog.report.span import span_picture
from roadlog.report.templating import NO_NETWORK, raw, render
from roadlog.report.top import first_lines
from roadlog.stats.interval import Interval
from roadlog.weather.station import about
from roadlog.wording.colours import ARM_COLOURS
from roadlog.wording.numbers import ends_of, number, scaled, signed
from roadlog.wording.screen import typeset
from roadlog.wording.units import amount, choice, in_figures, in_own_units, symbol

LIBRARIES = ("roadlog", "numpy", "scipy", "pandas", "statsmodels", "matplotlib", "folium")
LISTED_PASSES = 60
CLOSURE_WORDS = {
    "scale": "litres burned for each litre computed, both arms",
    "scale_low": "low, 95 %",
    "scale_high": "high, 95 %",
    "fill_repeatability_l": "repeatability of 'full' that counts, L",
    "fill_repeatability_stated_l": "repeatability of 'full' as stated, L",
    "fill_repeatability_estimated_l": "repeatability of 'full' as these tanks scatter, L",
    "full_to_full_change_pct": "change from fills and distance alone, %",
    "full_to_full_low_pct": "low, 95 %",
    "full_to_full_high_pct": "high, 95 %",
    "can_scale": "grams weighed for each gram computed, both arms",
    "arm_gap_pct": "fuel burned per fuel computed, fitted against baseline, %",
    "arm_gap_low_pct": "low, 95 %",
    "arm_gap_high_pct": "high, 95 %",
    "smallest_detectable_pct": "smallest detectable effect of this study, %",
    "tanks_used": "tanks used",
    "tanks": "tanks between full fills",
    "cans_used": "runs or units with weighed cans used",
}
_NUISANCE_TERMS = r"segment\b"
_CHANGES = frozenset({"estimate", "low", "high"})


@dataclass(frozen=True)
class Quantity:
    """One row of the table under the finding."""

    name: str
    measured: str
    interval: str
    claimed: str


@in_own_units
def report_page(
    analysed: Analysed,
    *,
    passes_sha256: str,
    parts: MapParts | None = None,
    published: bool = False,
    beside: str = "",
    objections: bool = True,
    plots: Callable[[], dict[str, Any]] | None = None,
) -> str:
    """The whole page.

    Parameters
    ----------
    analysed : Analysed
    passes_sha256 : str
        SHA-256 of passes.csv as it lies beside the page.
    parts : MapParts, optional
        The map without tiles, if it has been drawn already.
    published : bool
        Whether `analysed` is of a study trimmed for the public; otherwise the page says at its top
        that it isn't for publishing.
    beside : str
        How the numbers of the whole logs lie beside these, where some of the road isn't shown.
    objections : bool
        Whether objections.html lies beside the page.
    plots : callable, optional
        Gives `page_plots`, if they are being drawn already.
    """
    a, told = analysed, answer_of(analysed)
    no_map = why_no_map(a)
    return render(
        "report.html",
        a=a,
        study=a.study,
        effect=a.effect,
        policy=NO_NETWORK,
        base_css=raw("base.css"),
        report_css=raw("report.css"),
        published=published,
        beside=beside,
        objections=objections,
        answer=told,
        span=span_picture(told),
        first_lines=first_lines(a),
        compared=_compared(a),
        wider=_wider(a),
        sums_differ=sums_differ(a),
        control=control_part(a),
        units_title=_units_title(a),
        **_narrower(a),
        dictionary=data_dictionary(a.passes, synthetic=a.study.synthetic),
        glossary=glossary(),
        **_numbers(a),
        claim=None if a.study.claim is None else a.study.claim.words,
        claim_parts=parts_of_claim(a) if a.trials else [],
        arms=[_arm(a, arm) for arm in ARMS],
        warnings=told_warnings(a),
        map=None if no_map else parts or map_parts(a),
        no_map=no_map,
        plots=page_plots(a) if plots is None else plots(),
        notes=[(r.name, r.note) for r in a.effect.rows() if r.note],
        tables=_tables(a),
        road=None if a.road_use is None else tabulate.road_table(a, a.road_use),
        run_reasons=tabulate.reason_counts(a.runs),
        pass_reasons=tabulate.reason_counts(a.passes),
        pass_count=len(a.passes),
        listed_passes=LISTED_PASSES,
        closure=_closure(a),
        fuel_errors=_fuel_errors(a),
        oversight=None if a.oversight is None else plan_kept(a.oversight, achieved(a)),
        driver=who_knew(a),
        weather=_weather(a),
        versions=[("Python", sys.version.split()[0]), *((n, version(n)) for n in LIBRARIES)],
        hashes=tabulate.hashes(a.runs),
        passes_sha256=passes_sha256,
        primary_df=number(a.effect.primary.df, 0),
    )


def _numbers(a: Analysed) -> dict[str, Any]:
    return {
        "has_interval": ends_of(a.effect.primary) is not None,
        "detectable": math.isfinite(a.effect.smallest_detectable_pct),
        "numbers": quantities(a, deciding_interval(a)),
        "quantities": quantities(a),
        "use_headings": use_headings(),
    }


def _narrower(a: Analysed) -> dict[str, Any]:
    return {"narrow_short": in_short(a), "narrowers": narrowers(a)}


@in_own_units
def quantities(analysed: Analysed, fuel: Interval | None = None) -> list[Quantity]:
    """The change, by default its 95 % interval, and the claim in four quantities."""
    fuel = analysed.effect.primary if fuel is None else fuel
    base = analysed.baseline.l_per_100km
    claim = analysed.study.claim
    claimed = None if claim is None else claim.fuel_use_change_pct
    economy = None if claimed is None else economy_change_pct(claimed)
    imperial = choice().use == "MPG (imp)"
    economy_base = (mpg_imperial(base) if imperial else mpg_us(base)) if base > 0 else math.nan
    litres = amount(base / 100, "L/100 km", change=True)

    def row(
        name: str, interval: Interval, digits: int, said: float | None, factor: float
    ) -> Quantity:
        known = ends_of(interval)
        ends = (
            "none can be given"
            if known is None
            else f"{signed(known[0], digits)} to {signed(known[1], digits)}"
        )
        told = "" if said is None else signed(said * factor, digits)
        return Quantity(name, signed(interval.estimate, digits), ends, told)

    unit = symbol("L/100 km", change=True)
    use = [
        row("Fuel use, %", fuel, 1, claimed, 1.0),
        row(f"Fuel use, {unit}", scaled(fuel, litres), 2, claimed, litres),
    ]
    mpg = "MPG (imp)" if imperial else "MPG (US)"
    gained = scaled(economy_interval(fuel), economy_base / 100)
    more = [
        row("Fuel economy, %", economy_interval(fuel), 1, economy, 1.0),
        row(f"Fuel economy, {mpg}", gained, 1, economy, economy_base / 100),
    ]
    if choice().use == "km/L":
        a_litre = 100 / base if base > 0 else math.nan
        gained = scaled(economy_interval(fuel), a_litre / 100)
        more[1] = row("Fuel economy, km/L", gained, 2, economy, a_litre / 100)
    return [*use, *more] if choice().use == "L/100 km" else [*more, *use]


def use_headings() -> tuple[str, ...]:
    """In which units the arms' fuel use is told, the reader's first."""
    every = ("L/100 km", "MPG (US)", "MPG (imp)")
    first = symbol("L/100 km")
    return (first, *(u for u in every if u != first))


def _arm(analysed: Analysed, arm: str) -> dict[str, Any]:
    totals: ArmSummary = analysed.baseline if arm == "baseline" else analysed.fitted
    use = totals.l_per_100km
    told = {
        "L/100 km": number(use, 2),
        "MPG (US)": number(mpg_us(use) if use > 0 else None),
        "MPG (imp)": number(mpg_imperial(use) if use > 0 else None),
        "km/L": number(100 / use if use > 0 else None, 2),
    }
    return {
        "arm": arm,
        "label": analysed.study.label(arm),
        "colour": ARM_COLOURS[arm],
        "use": [told[unit] for unit in use_headings()],
        "km": in_figures(totals.km, "km"),
        "runs": totals.runs,
        "units": totals.switch_units,
    }


def _compared(a: Analysed) -> str:
    """What the numbers are of, in one sentence."""
    if a.fuel_estimator == "ledger":
        return "As driven: nothing but fuel and distance was measured. Minus means less."
    return "Compared at equal driving, road and weather. Minus means less."


def _wider(a: Analysed) -> str:
    """Why the answer's range isn't the interval of the tables, where it isn't."""
    level = deciding_interval(a).level
    if level == a.effect.primary.level:
        return ""
    if level >= 1:
        return "The answer at the top gives no range: the plan lets nothing be decided so early."
    return (
        f"The answer at the top is by the {100 * level:.4g} % interval, which pays for every look "
        "at the data; these are by the 95 % one."
    )


def _units_title(a: Analysed) -> str:
    words = {"day": "Day by day", "run": "Drive by drive", "stretch": "Stretch by stretch"}
    return words.get(a.switched_by, "Unit by unit")


@in_own_units
def page_plots(a: Analysed) -> dict[str, Any]:
    """The page's figures by their names."""
    return {
        "forest": figures.forest(a),
        "units": figures.unit_means(a),
        "without": figures.leave_one_out(a),
        "residuals": figures.residual_plots(a),
    }


def _tables(a: Analysed) -> dict[str, tabulate.Table]:
    effect = a.effect
    terms = effect.coefficients.reset_index(drop=True)
    nuisance = terms["term"].str.match(_NUISANCE_TERMS).to_numpy(dtype=bool)
    terms = terms.assign(term=terms["term"].astype(str).map(tabulate.term_name))
    return {
        "outcomes": tabulate.table(effect.outcomes_by_arm, with_sign=_CHANGES),
        "design": tabulate.table(effect.design),
        "carry_over": tabulate.table(effect.carry_over, with_sign=_CHANGES),
        "coefficients": tabulate.table(terms[~nuisance].reset_index(drop=True), digits=None),
        "nuisance": tabulate.table(terms[nuisance].reset_index(drop=True), digits=None),
        "variances": tabulate.table(effect.variance_components),
        "estimators": tabulate.table(a.estimators),
        **_fuel_checks(a),
        "runs": tabulate.run_table(a),
        "segments": tabulate.segment_table(a),
        "excluded": tabulate.excluded_passes(a, LISTED_PASSES),
    }


def _closure(a: Analysed) -> list[tuple[str, str]]:
    figures = {} if a.closed is None else a.closed.values
    return [(CLOSURE_WORDS.get(k, k.replace("_", " ")), _figure(v)) for k, v in figures.items()]


def _figure(value: float) -> str:
    return typeset(f"{value:.4g}") if np.isfinite(value) else "not known"


def _fuel_checks(a: Analysed) -> dict[str, tabulate.Table]:
    """Tables of fills, cans and evidence, empty ones left out."""
    found: dict[str, pd.DataFrame] = {}
    if a.closed is not None:
        found["tanks"] = a.closed.tanks[
            ["tank", "litres", "odometer_km", "logged_pct", "computed_baseline_l",
             "computed_fitted_l", "used", "reason"]
        ]  # fmt: skip
        found["cans"] = a.closed.cans[
            ["of", "arm", "weighed_kg", "computed_kg", "logged_pct", "used", "reason"]
        ]
    if a.evidence is not None:
        found["evidence"] = a.evidence.table[
            ["clue", "unit", "baseline", "fitted", "difference", "low", "high", "flagged", "tells"]
        ]
    return {
        name: tabulate.table(frame.reset_index(drop=True))
        for name, frame in found.items()
        if not frame.empty
    }


def _fuel_errors(a: Analysed) -> list[tuple[str, str, str, str]]:
    """The error model of the estimator used: what, how large, where it goes, source."""
    estimate = ESTIMATORS.get(a.fuel_estimator)
    return [
        (
            e.what,
            typeset(f"{e.size_pct:g} %"),
            "same in both arms" if e.shared else "differs between switch units",
            e.basis,
        )
        for e in (estimate.errors if estimate is not None else ())
    ]


def _weather(a: Analysed) -> str:
    if a.station is not None:
        return about(a.station)
    if a.fuel_estimator == "ledger":
        return "Weather wasn't allowed for: only fuel and distance were measured."
    return "No weather was given: wind and rain are unknown, and the air is what the car logged."
