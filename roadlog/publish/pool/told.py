"""What is known as figures and lines: a `Known` in, pool.json, studies.csv and a screen out."""

import csv
import io
import math
from collections.abc import Sequence
from typing import Any

from roadlog import __version__
from roadlog.publish.pool.entry import Entry, Refused
from roadlog.publish.pool.influence import APART_P
from roadlog.publish.pool.known import LEAST_STUDIES, SLANT_P, Known, in_percent
from roadlog.publish.pool.trust import asked
from roadlog.publish.told import no_formula
from roadlog.report.json_out import answer_json, plain_json
from roadlog.stats.interval import percent
from roadlog.stats.meta_analysis import PRIOR_DF, Mean, Pooled
from roadlog.study.durable import json_text
from roadlog.study.own_code import code_sha256
from roadlog.wording.answer import claim_words, first_large
from roadlog.wording.numbers import signed
from roadlog.wording.screen import grid, one_line, paragraph

SCHEMA = 1
_SHOWN = 20  # studies on the screen
_NAME = 44
_COLUMNS = (
    "study", "pooled", "why_not", "device", "estimate_pct", "low_pct", "high_pct", "se_log", "df",
    "weight", "margin_log", "registered", "fingerprint", "order_by_chance", "units_baseline",
    "units_fitted", "switched_by", "drives", "km", "vehicle", "driver", "dates", "published",
    "fuel_by", "synthetic", "archive", "archive_sha256",
)  # fmt: skip


def figures(k: Known) -> dict[str, Any]:
    """Everything as plain dictionaries, lists, strings and finite numbers, for pool.json."""
    spread = k.pooled.heterogeneity
    return {
        "schema": SCHEMA,
        "roadlog": __version__,
        "code_sha256": code_sha256(),
        "device": k.device,
        "synthetic": k.synthetic,
        "claim": None
        if k.claim is None
        else {
            "quantity": k.claim.quantity,
            "pct": k.claim.pct,
            "fuel_use_change_pct": k.claim.fuel_use_change_pct,
        },
        "answer": answer_json(k.answer),
        "finding": k.word,
        "finding_reasons": list(k.reasons),
        "margin_pct": 100 * k.margin,
        "fuel_use_change_pct": {**_ends(k.pooled.mean), "df": k.pooled.mean.df,
                                "level": k.pooled.mean.level, "width_from": k.pooled.mean.wider},
        "next_car_pct": _pair(k.pooled.ahead),
        "next_car_if_tau_were_known_pct": _pair(k.pooled.ahead_plain),
        "heterogeneity": {
            "q": spread.q,
            "df": spread.df,
            "p": spread.p,
            "i2_pct": 100 * spread.i2,
            "tau_log": math.sqrt(spread.tau2),
            "tau_low_log": math.sqrt(spread.low),
            "tau_high_log": math.sqrt(spread.high),
            "tau_reml_log": math.sqrt(spread.reml),
            "method": "Paule-Mandel, interval by the Q-profile",
        },
        "slant": None
        if k.slant is None
        else {"slope": k.slant.slope, "t": k.slant.t, "df": k.slant.df, "p": k.slant.p,
              "forbids_below_p": SLANT_P},
        "no_slant": k.no_slant,
        "influence": _influence(k),
        "questions": [
            {"question": q.question, "answer": q.answer, "figures": dict(q.figures)}
            for q in asked(k)
        ],
        "registered_apart": [
            {"what": p.name, "studies": len(p.entries),
             "fuel_use_change_pct": None if p.pooled is None else _ends(p.pooled.mean)}
            for p in k.parts
        ],
        "least_studies": LEAST_STUDIES,
        "prior_df": PRIOR_DF,
        "studies": [_study(k, i) for i in range(len(k.entries))],
        "not_pooled": [
            {"archive": r.path, "study": r.name, "why": r.why, "fingerprint": r.fingerprint}
            for r in k.refused
        ],
        "plans_without_result": list(k.unheard),
    }  # fmt: skip


def _influence(k: Known) -> dict[str, Any]:
    left = zip(k.influence.cars, k.influence.without, strict=True)
    return {
        "mean_without_each_car_pct": [
            {
                "studies": [k.entries[i].sha256[:8] for i in car],
                "fuel_use_change_pct": None if m is None else _ends(m),
            }
            for car, m in left
        ],
        "stands_apart_below_p": APART_P,
    }


def as_json(k: Known) -> str:
    """pool.json; the same archives give the same bytes."""
    return json_text(plain_json(figures(k)))


def table(k: Known) -> str:
    """studies.csv: one row an archive, pooled or not."""
    text = io.StringIO()
    rows = csv.DictWriter(text, _COLUMNS, restval="", lineterminator="\n")
    rows.writeheader()
    for i, e in enumerate(k.entries):
        rows.writerow({n: no_formula(one_line(str(v))) for n, v in _row(k, i, e).items()})
    for r in k.refused:
        row = {"study": r.name, "pooled": "no", "why_not": r.why, "archive": r.path,
               "fingerprint": r.fingerprint or ""}  # fmt: skip
        rows.writerow({n: no_formula(one_line(v)) for n, v in row.items()})
    return text.getvalue()


def screen(k: Known) -> list[str]:
    """The lines that the command prints, at most 88 columns wide."""
    lines = paragraph("Add-on", f"{k.device}.{' SYNTHETIC DATA.' if k.synthetic else ''}")
    lines += paragraph("Answer", f"{k.answer.title}. {k.answer.text}")
    if k.claim is not None:
        lines += paragraph("Claim", f"{claim_words(k.claim)}.")
    headings = ("", "study", "estimate, %", "from", "to", "weight, %")
    rows = [
        (str(i + 1), _short(e.label), signed(e.interval.estimate), signed(e.interval.low),
         signed(e.interval.high), f"{100 * k.pooled.mean.weights[i]:.1f}")
        for i, e in enumerate(k.entries[:_SHOWN])
    ]  # fmt: skip
    lines += ["", *grid(headings, rows)]
    if len(k.entries) > _SHOWN:
        lines.append(f"... and {len(k.entries) - _SHOWN} more (studies.csv)")
    lines.append("")
    for reason in k.reasons:
        lines += paragraph("Finding", f"{k.word or 'none'}: {reason}")
    for q in asked(k):
        lines += paragraph(q.label, q.answer)
    kinds = [part_words(p.name, len(p.entries), p.pooled) for p in k.parts]
    lines += paragraph("Plans", f"{first_large('; '.join(kinds))}.")
    lines += not_pooled(k.refused)
    for plan in k.unheard:
        lines += paragraph("No result", f"of the plan {plan}: no archive here has it.")
    return lines


def not_pooled(refused: Sequence[Refused]) -> list[str]:
    """A line or two for each archive that isn't pooled."""
    return [
        line
        for r in refused
        for line in paragraph("Not pooled", f"{one_line(r.path)}: {r.why}.", hang=2)
    ]


def part_words(name: str, count: int, pooled: Pooled | None) -> str:
    """Studies of one kind and their own pool, as a clause."""
    studies = "1 study" if count == 1 else f"{count or 'no'} studies"
    if pooled is None:
        return f"{name}: {studies}"
    i = in_percent(pooled.mean)
    return f"{name}: {studies}, {signed(i.low)} to {signed(i.high)} % fuel"


def _study(k: Known, i: int) -> dict[str, Any]:
    e = k.entries[i]
    without = k.pooled.without[i] if k.pooled.without else None
    return {
        **{n: v for n, v in _row(k, i, e).items() if n not in ("pooled", "why_not")},
        "finding": e.word,
        "se_used_log": math.sqrt(k.pooled.variances[i]),
        "other_versions": e.other_code,
        "root_sha256": e.root_sha256,
        "chance_so_far_off": None if k.influence.off is None else k.influence.off[i],
        "without_it_pct": None if without is None else _ends(without),
    }


def _row(k: Known, i: int, e: Entry) -> dict[str, Any]:
    return {
        "study": e.name, "pooled": "yes", "device": e.device,
        "estimate_pct": e.interval.estimate, "low_pct": e.interval.low,
        "high_pct": e.interval.high, "se_log": e.se, "df": e.df,
        "weight": float(k.pooled.mean.weights[i]), "margin_log": e.margin,
        "registered": e.registered, "fingerprint": e.fingerprint or "",
        "order_by_chance": e.by_chance, "units_baseline": e.units[0], "units_fitted": e.units[1],
        "switched_by": e.switched_by, "drives": e.drives, "km": e.km, "vehicle": e.vehicle,
        "driver": e.driver, "dates": e.dates, "published": f"{e.published:%Y-%m-%d}",
        "fuel_by": e.estimator, "synthetic": e.synthetic, "archive": e.path,
        "archive_sha256": e.sha256,
    }  # fmt: skip


def _ends(m: Mean) -> dict[str, float]:
    i = in_percent(m)
    return {"estimate": i.estimate, "low": percent(m.low), "high": percent(m.high)}


def _pair(ends: tuple[float, float] | None) -> list[float] | None:
    return None if ends is None else [percent(end) for end in ends]


def _short(label: str) -> str:
    return label if len(label) <= _NAME else f"{label[: _NAME - 12]}… {label[-10:]}"
