"""Does the whole pipeline's interval hold the truth? Many synthetic studies, each analysed whole.

In go a number of seeds; out come one small record a seed (a rerun does only the missing ones) and
the share of primary intervals that hold the true effect. Run it with
`python -m tests.studies.coverage --out DIR`.
"""

import argparse
import datetime as dt
import json
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any, get_args

import numpy as np

from roadlog.demo.variants import Accessory, Gearbox, Meter
from roadlog.study.durable import atomic_write

FIRST_SEED = 1_000


def study_record(
    seed: int, *, days: int, effect_pct: float, variants: dict[str, Any]
) -> dict[str, Any]:
    """Make the synthetic study of one seed, analyse it, and keep what bears on coverage.

    `variants` are further choices of `roadlog.demo.make_study`: accessory, gearbox, meter.
    """
    from roadlog.analysis.analyse import analyse
    from roadlog.demo import make_study
    from roadlog.runs.table import study_sources
    from roadlog.study.folder import load_study

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "study"
        make_study(folder, seed=seed, effect_pct=effect_pct, days=days, **variants)
        study = load_study(folder)
        result = analyse(study, study_sources(folder, study))
    primary, chance = result.effect.primary, result.effect.randomisation
    beneath = result.effect.one_stage or primary
    return {
        "seed": seed,
        "estimate": primary.estimate,
        "low": primary.low,
        "high": primary.high,
        "df": primary.df,
        "total": result.effect.total.estimate,
        "total_low": result.effect.total.low,
        "total_high": result.effect.total.high,
        "one_stage_low": beneath.low,
        "one_stage_high": beneath.high,
        "margin_pct": result.finding.margin_pct,
        "randomisation_low": None if chance is None else chance.low,
        "randomisation_high": None if chance is None else chance.high,
        "finding": result.finding.word,
        "warnings": sorted({w.code for w in (*result.warnings, *result.effect.warnings)}),
    }


def summary(records: Sequence[dict[str, Any]], truth_pct: float) -> str:
    """Plain lines: coverage with Wilson bounds, bias, width, findings."""
    from statsmodels.stats.proportion import proportion_confint

    lines = [f"{len(records)} synthetic studies, true effect {truth_pct:+g} % fuel use"]
    for label, low, high in (
        ("primary (equal driving)", "low", "high"),
        ("mixed model of log fuel", "one_stage_low", "one_stage_high"),
        ("total effect", "total_low", "total_high"),
        ("randomisation", "randomisation_low", "randomisation_high"),
    ):
        bounds = [(r[low], r[high]) for r in records if r[low] is not None and r[high] is not None]
        if not bounds:
            continue
        held = sum(a <= truth_pct <= b for a, b in bounds)
        least, most = proportion_confint(held, len(bounds), method="wilson")
        widths = [b - a for a, b in bounds]
        lines.append(
            f"{label}: {held} of {len(bounds)} intervals hold it = {held / len(bounds):.1%} "
            f"(95 % bounds {least:.1%} to {most:.1%}), width mean {np.mean(widths):.2f}, "
            f"median {np.median(widths):.2f} %"
        )
    estimates = np.array([r["estimate"] for r in records])
    se = estimates.std(ddof=1) / np.sqrt(len(estimates)) if len(estimates) > 1 else np.nan
    lines.append(
        f"mean bias of the primary estimate: {estimates.mean() - truth_pct:+.3f} ± {se:.3f} %"
    )
    for key in ("finding", "warnings"):
        values = [v for r in records for v in (r[key] if key == "warnings" else [r[key]])]
        counts = {str(v): values.count(v) for v in sorted(set(map(str, values)))}
        lines.append(f"{key}: " + (", ".join(f"{k} {n}" for k, n in counts.items()) or "none"))
    return "\n".join(lines)


def main(argv: Sequence[str] | None = None) -> int:
    """Make and analyse the missing studies, then print the summary."""
    from tqdm import tqdm

    parser = argparse.ArgumentParser(
        prog="python -m tests.studies.coverage",
        description="Analyse many synthetic studies and count the intervals that hold the truth.",
    )
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="where records go")
    parser.add_argument("--seeds", type=int, default=100, metavar="N", help="studies (100)")
    parser.add_argument("--days", type=int, default=12, help="days a study (12)")
    parser.add_argument("--effect", type=float, default=0.6, help="true effect, %% (0.6)")
    for name, choices in (("accessory", Accessory), ("gearbox", Gearbox), ("meter", Meter)):
        plain, *_ = get_args(choices)
        parser.add_argument(
            f"--{name}", choices=get_args(choices), default=plain, help=f"as in the demo ({plain})"
        )
    parser.add_argument(
        "--until", metavar="HH:MM", help="begin no further study after this time of today"
    )
    a = parser.parse_args(argv)
    variants = {"accessory": a.accessory, "gearbox": a.gearbox, "meter": a.meter}
    cell = "-".join(["days", str(a.days), "effect", f"{a.effect:g}", *variants.values()])
    records = []
    for seed in tqdm(range(FIRST_SEED, FIRST_SEED + a.seeds), unit="study"):
        path = a.out / cell / f"{seed}.json"
        if not path.exists():
            if a.until and f"{dt.datetime.now():%H:%M}" >= a.until:
                break
            record = study_record(seed, days=a.days, effect_pct=a.effect, variants=variants)
            _write(record, path)
        records.append(json.loads(path.read_text(encoding="utf-8")))
    print(summary(records, a.effect))
    return 0


def _write(record: dict[str, Any], path: Path) -> None:
    text = json.dumps(record, indent=1)
    atomic_write(path, lambda temporary: temporary.write_text(text, encoding="utf-8"))


if __name__ == "__main__":
    sys.exit(main())
