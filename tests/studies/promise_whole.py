"""Is `plan`'s promise contradicted by whole analyses from logs?

A folder of records of `tests.studies.coverage` goes in (one a synthetic study, analysed from its
logs); the share that refutes each of some claims comes out, beside the chance that `plan` gives for
the scatter that the studies themselves show. `python -m tests.studies.promise_whole DIR` prints the
table of docs/planning.md.

The records hold the interval, the margin and the two-sided interval of the orders, but not the p of
other claims than the demo's own. So the share is given between two bounds: by interval and margin
alone, and with the orders' two-sided 95 % interval beyond the claim and margin too, which is more
than the one-sided 5 % that the finding asks for.
"""

import argparse
import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from scipy.special import stdtrit

from roadlog.effect.held_equal import PER_DEGREE, SHARE_OF_DRIVING
from roadlog.plan.promise import Scatter, Simulated, simulate, typical_order

CLAIMS_PCT = (-10.7, -6.0, -4.0, -3.0, -2.5, -2.0, -1.5, -1.0)


def scatter_of(records: Sequence[dict[str, Any]], days: int) -> Scatter:
    """From unit to unit, as the studies' own widths, total effects and margins show it."""
    order = typical_order(days, 4)
    length = 2 / math.sqrt(days)  # of the contrast's weights, half of the days in each arm
    log = {k: np.log1p([r[k] / 100 for r in records]) for k in ("low", "high", "estimate", "total")}
    half, driving = (log["high"] - log["low"]) / 2, log["total"] - log["estimate"]
    margin = np.array([r["margin_pct"] / 100 for r in records])
    air = np.maximum(margin - SHARE_OF_DRIVING * np.abs(driving), 0) / PER_DEGREE
    return Scatter(
        unit_sd=float(np.sqrt((half**2).mean()) / stdtrit(order.df, 0.975) / length),
        source=f"{len(records)} whole analyses",
        driving_sd=float(np.sqrt((driving**2).mean()) / length),
        pass_sd=0.0,
        air_sd_k=float(air.mean() * math.sqrt(math.pi / 2) / length),
    )


def refuted(records: Sequence[dict[str, Any]], claim_pct: float) -> tuple[int, int]:
    """How many studies refute the claim: at least, and at most."""
    c = math.log1p(claim_pct / 100)
    least = most = 0
    for r in records:
        clears = _beyond(r["low"], r["margin_pct"], c)
        most += clears
        least += clears and _beyond(r["randomisation_low"], r["margin_pct"], c)
    return least, most


def _beyond(low_pct: float, margin_pct: float, c: float) -> bool:
    return math.log1p(low_pct / 100) - margin_pct / 100 > c


def table(records: Sequence[dict[str, Any]], days: int, effect_pct: float) -> str:
    """Markdown: claim, share refuted with its 95 % bounds (Wilson), promised."""
    from statsmodels.stats.proportion import proportion_confint

    scatter = scatter_of(records, days)
    found: Simulated = simulate(typical_order(days, 4), scatter, studies=20_000)
    lines = [
        f"{len(records)} studies; {100 * scatter.unit_sd:.2f} % from unit to unit, driving "
        f"{100 * scatter.driving_sd:.2f} %, air {scatter.air_sd_k:.1f} K",
        "",
        "| claim | refuted, of all | 95 % bounds | promised |",
        "|---|---|---|---|",
    ]
    for claim in CLAIMS_PCT:
        least, most = refuted(records, claim)
        low = 100 * proportion_confint(least, len(records), method="wilson")[0]
        high = 100 * proportion_confint(most, len(records), method="wilson")[1]
        said = found.refuted(math.log1p(claim / 100), math.log1p(effect_pct / 100))
        share = f"{least}" if least == most else f"{least} to {most}"
        lines.append(f"| {claim:g} % | {share} | {low:.0f} to {high:.0f} % | {100 * said:.0f} % |")
    return "\n".join(lines).replace("| -", "| −")


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.studies.promise_whole", description="Hold plan's promise to analyses."
    )
    parser.add_argument("records", type=Path, help="folder of records of one kind")
    parser.add_argument("--days", type=int, default=12)
    parser.add_argument("--effect", type=float, default=0.6, help="true effect, %% (0.6)")
    a = parser.parse_args()
    records = [json.loads(f.read_text(encoding="utf-8")) for f in sorted(a.records.glob("*.json"))]
    print(table(records, a.days, a.effect))


if __name__ == "__main__":
    main()
