"""The machine's view of a finished analysis: an `Analysed` in, the `results.json` dictionary out.

Schema 1: keys may be added, never renamed. Every number is finite or null.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from typing import Any

import numpy as np
import pandas as pd

from roadlog.analysis.answered import answer_of
from roadlog.analysis.result import Analysed
from roadlog.analysis.summary import economy_interval, economy_interval_mpg_us, whole_runs
from roadlog.analysis.warned import told_warnings
from roadlog.effect.result import HeldEqual
from roadlog.plan.result import Blinding, Oversight
from roadlog.quantities.against import Against
from roadlog.quantities.arms import ARMS
from roadlog.quantities.facts import Fact, Kind
from roadlog.quantities.units import mpg_us
from roadlog.report.claim_table import trials_of
from roadlog.report.control import control_json
from roadlog.report.registration import achieved
from roadlog.stats.interval import Interval, NamedInterval
from roadlog.wording.answer import Answer
from roadlog.wording.facts import Told

SCHEMA = 1
_SAID: dict[str, type[Kind]] = {"Told": Told, "Against": Against}


def to_json(analysed: Analysed) -> dict[str, Any]:
    """Everything that an analysis found, as plain dictionaries, lists, strings and numbers.

    Parameters
    ----------
    analysed : Analysed

    Returns
    -------
    dict
        Schema 1 of results.json: changes in percent, economy in MPG (US), fuel use in L/100 km,
        distances in km, fuel in litres. NaN, infinity and "not given" are None, so
        `json.dumps(..., allow_nan=False)` accepts it.
    """
    a, effect = analysed, analysed.effect
    everything: dict[str, Any] = {
        "schema": SCHEMA,
        "study": a.study.name,
        "synthetic": a.study.synthetic,
        "switched_by": a.switched_by,
        "fuel_use_change_pct": _full_interval(effect.primary),
        "economy_change_pct": _bounds(economy_interval(effect.primary)),
        "economy_change_mpg_us": _bounds(
            economy_interval_mpg_us(effect.primary, a.baseline.l_per_100km)
        ),
        **{arm: _arm(a, arm) for arm in ARMS},
        "randomisation": _randomisation(a),
        "carry_over_pct": effect.carry_over.to_dict("records"),
        "build_up_pct": effect.build_up.to_dict("records"),
        "road_speed_pct": effect.road_speed.to_dict("records"),
        "conditions_by_arm": effect.conditions.to_dict("records"),
        "total_effect_pct": _full_interval(effect.total),
        "unadjusted_change_pct": _full_interval(effect.unadjusted),
        "claim": _claim(a),
        "answer": _answer(a),
        "finding": a.finding.word,
        "finding_reasons": list(a.finding.reasons),
        "finding_vetoes": list(a.finding.vetoes),
        "margin_pct": a.finding.margin_pct,
        "claim_p": a.finding.claim_p,
        "claim_p_of": a.finding.claim_p_of,
        "held_equal": None if effect.held is None else _held(effect.held),
        "mixed_model_pct": None if effect.one_stage is None else _full_interval(effect.one_stage),
        "smallest_detectable_pct": effect.smallest_detectable_pct,
        "fuel_estimator": a.fuel_estimator,
        "fuel_ambiguity_pct": a.ambiguity_pct,
        "closure": _closure(a),
        "evidence": _evidence(a),
        "crosschecks": _rows(effect.forest, "crosscheck"),
        "sensitivity": _rows(effect.forest, "sensitivity"),
        "accessory": _accessory(a),
        **({} if a.control is None else {"control": control_json(a)}),
        "runs": _runs(a),
        "segments": _segments(a),
        "road_use": _road_use(a),
        "weather_station": None if a.station is None else asdict(a.station),
        "oversight": None if a.oversight is None else _oversight(a.oversight),
        "planned": _planned(a),
        "blinding": None if a.blinding is None else _blinding(a.blinding),
        "trials": [asdict(t) for t in trials_of(a)],
        "warnings": [asdict(w) for w in told_warnings(a)],
    }
    plain: dict[str, Any] = plain_json(everything)
    return plain


def _answer(a: Analysed) -> dict[str, Any]:
    told = answer_of(a)
    return {
        **answer_json(told),
        "range_pct": None if told.range_pct is None else list(told.range_pct),
        "range_sides": None if told.range_sides is None else list(told.range_sides),
        "claim_pct": told.claim_pct,
        "claim_side": told.claim_side,
        "claim_words": told.claim,
        "said": [_coded(fact) for fact in told.said],
    }


def answer_json(told: Answer) -> dict[str, Any]:
    """What all files of results tell of an answer."""
    return {
        "title": told.title,
        "sentences": list(told.sentences),
        "claim": told.outcome,
        "shows": told.shows,
    }


def _coded(fact: object) -> dict[str, Any] | str:
    """A fact as its code and its values; a sentence that is none stays one."""
    if not isinstance(fact, Fact):
        return str(fact)
    values = {k: v if isinstance(v, int) else _coded(v) for k, v in fact.values}
    return {"code": str(fact.code), "values": values}


def said_again(told: Sequence[Any]) -> tuple[Fact, ...] | None:
    """The facts off results.json's "said"; None if one is of another roadlog.

    >>> [str(fact) for fact in said_again([{"code": "Told.NO_CLAIM", "values": {}}])]
    ['No claim was given to hold it against.']
    >>> said_again([{"code": "Told.NO_SUCH_CODE", "values": {}}]) is None
    True
    """
    try:
        return tuple(_fact(each) for each in told)
    except (KeyError, TypeError, AttributeError, ValueError, RecursionError):
        return None


def _fact(coded: Mapping[str, Any]) -> Fact:
    kind, name = coded["code"].split(".")
    values = {k: _fact(v) if isinstance(v, Mapping) else v for k, v in coded["values"].items()}
    made = _SAID[kind][name](**values)
    str(made)
    return made


def answer_again(told: Mapping[str, Any], *, synthetic: bool) -> Answer | None:
    """The answer off results.json's "answer"; None if it isn't whole, as of an earlier roadlog.

    >>> answer_again({"title": "", "sentences": []}, synthetic=False) is None
    True
    """
    try:
        pct, sides, claim = told["range_pct"], told["range_sides"], told["claim_pct"]
        found = Answer(
            title=str(told["title"]),
            sentences=tuple(str(s) for s in told["sentences"]),
            outcome=told["claim"],
            shows=told["shows"],
            range_pct=None if pct is None else (float(pct[0]), float(pct[1])),
            range_sides=None if sides is None else (str(sides[0]), str(sides[1])),
            claim_pct=None if claim is None else float(claim),
            claim_side=str(told["claim_side"]),
            claim=str(told["claim_words"]),
            synthetic=synthetic,
        )
    except (KeyError, TypeError, ValueError, IndexError):
        return None
    drawn = (*(found.range_pct or ()), found.claim_pct or 0.0)
    return found if all(map(math.isfinite, drawn)) else None


def _oversight(o: Oversight) -> dict[str, Any]:
    return {k: v for k, v in asdict(o).items() if k != "promised"}  # is in "planned"


def _blinding(b: Blinding) -> dict[str, Any]:
    """The seal's record with Bang's index by arm, whose ends are those of few guesses."""
    plain = {k: v for k, v in asdict(b).items() if k != "guesses"}
    return {**plain, "guesses": {arm: asdict(index) for arm, index in b.guesses}}


def _planned(a: Analysed) -> dict[str, Any] | None:
    if a.oversight is None or a.oversight.promised is None:
        return None
    came = achieved(a)
    return {
        "promised": asdict(a.oversight.promised),
        "achieved": {
            "units": came.units,
            "half_width_pct": came.half_width_pct,
            "scatter_pct": came.scatter_pct,
            "refutable_pct": came.refutable_pct,
            "finding": came.word,
        },
    }


def _road_use(a: Analysed) -> dict[str, Any] | None:
    if a.road_use is None:
        return None
    return {
        arm: {**asdict(use), "lost": [{"cause": c, "km": km} for c, km in use.lost]}
        for arm, use in a.road_use.arms.items()
    }


def _accessory(a: Analysed) -> dict[str, Any] | None:
    """Accessory time; shares and their difference in percent of the time."""
    time = a.accessory
    if time is None:
        return None
    return {
        "visible": time.visible,
        "confirmed": time.confirmed,
        "enters": time.enters,
        "share_pct": {arm: 100 * share for arm, share in time.share.items()},
        "difference_points": None if time.difference is None else _bounds(time.difference),
        "difference_worth_pct": time.worth_pct,
        "takes_ml_s": time.takes_ml_s,
        "modes": time.modes.to_dict("records"),
        "said": list(time.said),
    }


def _closure(a: Analysed) -> dict[str, Any] | None:
    if a.closed is None:
        return None
    c = a.closed
    return {
        "verdict": c.verdict,
        **c.values,
        "method": c.gap.method,
        "said": list(c.said),
        "tank_rows": c.tanks.drop(columns=["share_sd", "reading_l"]).to_dict("records"),
        "can_rows": c.cans.to_dict("records"),
    }


def _evidence(a: Analysed) -> list[dict[str, Any]]:
    if a.evidence is None:
        return []
    return [
        {str(k): v for k, v in row.items()}
        for row in a.evidence.table.drop(columns="tells").to_dict("records")
    ]


def _bounds(interval: Interval) -> dict[str, float | None]:
    return {"estimate": interval.estimate, "low": interval.low, "high": interval.high}


def _full_interval(interval: Interval) -> dict[str, Any]:
    return {
        **_bounds(interval),
        "level": interval.level,
        "df": interval.df,
        "method": interval.method,
    }


def _held(held: HeldEqual) -> dict[str, Any]:
    """What holding the driving equal rests on, in percent of fuel use and kelvin."""
    return {
        "driving_pct": 100 * math.expm1(held.driving),
        "physics_shift_pct": 100 * math.expm1(held.physics_shift),
        "warmer_k": held.warmer_k,
        "obstacles": list(held.obstacles),
    }


def _arm(a: Analysed, name: str) -> dict[str, Any]:
    arm = a.baseline if name == "baseline" else a.fitted
    whole = whole_runs(a, name)
    return {
        "l_per_100km": arm.l_per_100km,
        "mpg_us": mpg_us(arm.l_per_100km) if arm.l_per_100km > 0 else None,
        "km": arm.km,
        "runs": arm.runs,
        "switch_units": arm.switch_units,
        "whole_runs_l_per_100km": whole.l_per_100km,
        "whole_runs_km": whole.km,
    }


def _randomisation(a: Analysed) -> dict[str, Any] | None:
    r = a.effect.randomisation
    if r is None:
        return None
    return {
        "p": r.p,
        "low": r.low,
        "high": r.high,
        "assignments": r.assignments,
        "exact": r.exact,
        "note": r.note,
    }


def _claim(a: Analysed) -> dict[str, Any] | None:
    claim = a.study.claim
    if claim is None:
        return None
    quantity, pct = (
        ("economy", claim.economy_pct) if claim.fuel_pct is None else ("fuel_use", claim.fuel_pct)
    )
    return {"quantity": quantity, "pct": pct, "fuel_use_change_pct": claim.fuel_use_change_pct}


def _rows(forest: Iterable[NamedInterval], role: str) -> list[dict[str, Any]]:
    return [
        {"name": r.name, **_bounds(r.interval), "note": r.note} for r in forest if r.role == role
    ]


def _runs(a: Analysed) -> list[dict[str, Any]]:
    runs = a.runs
    keys = ["file", "arm", "used", "reason", "km", "fuel_l", "start", "day", "switch_unit", "block"]
    more = ("fuel_low_l", "fuel_high_l", "hours", "sha256", "altitude_datum")
    keys += [k for k in more if k in runs.columns]
    records: list[dict[str, Any]] = [
        {str(k): v for k, v in r.items()} for r in runs[keys].to_dict("records")
    ]
    for record in records:
        record["reason"] = str(record["reason"]) or None
    if a.road_use is not None:
        road = a.road_use.runs.drop(columns="run").to_dict("records")
        records = [
            {**r, **{str(k): v for k, v in m.items()}} for r, m in zip(records, road, strict=True)
        ]
    return records


def _segments(a: Analysed) -> list[dict[str, Any]]:
    used = a.passes[a.passes["used"].astype(bool)]
    counts = used.groupby(["segment", "arm"], observed=True).size().to_dict()
    effects = {str(r["segment"]): r for r in a.effect.segment_effects.to_dict("records")}
    rows: list[dict[str, Any]] = []
    for s in a.network.segments:
        effect = effects.get(s.id, {})
        rows.append(
            {
                "id": s.id,
                "length_km": s.length_m / 1000,
                "passes_baseline": counts.get((s.id, "baseline"), 0),
                "passes_fitted": counts.get((s.id, "fitted"), 0),
                "change_pct": effect.get("change_pct"),
                "low": effect.get("low"),
                "high": effect.get("high"),
            }
        )
    return rows


def plain_json(value: Any) -> Any:
    """Only JSON's own types: finite numbers, ISO times; anything not a number becomes None."""
    if isinstance(value, dict):
        return {str(k): plain_json(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain_json(v) for v in value]
    if value is None or value is pd.NaT or value is pd.NA:
        return None
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, pd.Timestamp):
        return value.isoformat()
    return str(value)
