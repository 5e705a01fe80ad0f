"""Does `plan` keep its word? Final words of simulated studies against what it promised.

Days drawn from the bank (`tests.studies.bank`) become studies of the planned length, analysed as
shipped (`tests.studies.drawn`); the words that come are held against the chances that `plan` prints
for that order: from the scatter that those studies really have, from pilots of the same car, and
from the working assumption without a pilot. `python -m tests.studies.plan_promise BANK OUT` keeps
a file a number of days in OUT (a rerun does only what is missing) and prints the table of
docs/planning.md.
"""

import argparse
import json
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from roadlog.analysis.pilot import unit_scatter
from roadlog.plan.promise import Order, Scatter, Simulated, simulate, typical_order
from roadlog.plan.size import METERING_SD
from roadlog.quantities.arrays import Floats
from roadlog.stats.unit_contrast import contrast_units
from tests.studies.drawn import FIRST_SEED, Kind, Outcome, Route, Staged, draw_study, routes

DAYS = (6, 10, 12, 20)
DAY_SDS = (0.02, 0.01)
CLAIMS_PCT = (-10.7, -6.0, -4.0)
SHARES = {"nothing": 0.0, "half": 0.5, "claim": 1.0, "twice": 2.0}
WORDS = ("refuted", "supported", "undecided")
PILOT_DAYS = (4, 8, 12)
PILOTS = 100
USUAL = Kind()
LEVELS = ("to 20 %", "20 to 40", "40 to 60", "60 to 80", "80 to 95", "over 95")

Chances = dict[str, float]


def truths() -> Iterator[tuple[float, str, float]]:
    """Claim [%], what the add-on truly does in words, and as a log ratio."""
    for claim in CLAIMS_PCT:
        for name, share in SHARES.items():
            yield claim, name, math.log1p(share * claim / 100)


def promised(found: Simulated) -> list[Chances]:
    """Chances of the words for each of `truths`, in percent."""
    rows = []
    for claim, _, effect in truths():
        c = math.log1p(claim / 100)
        refuted, supported = found.refuted(c, effect), found.supported(c, effect)
        shares = (refuted, supported, 1 - refuted - supported)
        rows.append({w: 100 * share for w, share in zip(WORDS, shares, strict=True)})
    return rows


def variances(s: Staged, o: Outcome) -> Floats:
    """From unit to unit, within blocks and arms: fuel, driving, its floor by passes, air [K²]."""
    return np.array(
        [
            _between(s, o.contrast.se),
            _between(s, _se_of_driving(s)),
            float(s.fit.pass_variance.mean()),
            _between(s, abs(s.held.warmer_k)),
        ]
    )


def _between(s: Staged, se: float) -> float:
    """Variance from unit to unit that this standard error of the contrast came from."""
    return se**2 / float(s.contrast.weights @ s.contrast.weights)


def _se_of_driving(s: Staged) -> float:
    size = s.fit.unit_expected_ml
    found = contrast_units(s.driving, s.orders.arms[0].astype(np.intp), s.fixed, size)
    assert found is not None
    return found.se


def pilot_of(days: int, day_sd: float, bank: Sequence[Route], rng: np.random.Generator) -> Scatter:
    """What a pilot of so many days says, by the rule of `roadlog plan`."""
    s = draw_study(USUAL, days, bank, rng)
    units = pd.DataFrame(
        {
            "adjusted_pct": 100 * (s.fit.ratio_log + day_sd * rng.standard_normal(days)),
            "driving_pct": 100 * s.driving,
            "pass_sd_pct": 100 * np.sqrt(s.fit.pass_variance),
            "air_c": s.unit_air_c,
        }
    )
    return unit_scatter(units, f"pilot of {days} days")


def pilots(days: int, day_sd: float, bank: Sequence[Route]) -> list[Scatter]:
    """`PILOTS` pilots of the same cars and roads as the studies."""
    rng = np.random.default_rng([days, int(1000 * day_sd), FIRST_SEED])
    return [pilot_of(days, day_sd, bank, rng) for _ in range(PILOTS)]


def tabulate(days: int, bank: Sequence[Route], studies: int) -> list[dict[str, Any]]:
    """Words and promises of one number of days: a row a scatter of days, claim and truth."""
    rng = np.random.default_rng([days, FIRST_SEED])
    words: dict[float, list[list[str | None]]] = {sd: [] for sd in DAY_SDS}
    scatter: dict[float, list[Floats]] = {sd: [] for sd in DAY_SDS}
    for _ in range(studies):
        study = draw_study(USUAL, days, bank, rng)
        for day_sd in DAY_SDS:
            o = study.finish(day_sd * rng.standard_normal(days))
            words[day_sd].append([o.word(claim, effect) for claim, _, effect in truths()])
            scatter[day_sd].append(variances(study, o))
    order, rows = typical_order(days, 4), []
    for day_sd in DAY_SDS:
        unit, driving, floor, air = map(float, np.sqrt(np.mean(scatter[day_sd], axis=0)))
        true = Scatter(unit, "true", driving_sd=driving, pass_sd=floor, air_sd_k=air)
        assumed = Scatter(math.sqrt(day_sd**2 + USUAL.run_sd**2 / 2 + METERING_SD**2), "assumed")
        said = {
            "true": promised(simulate(order, true)),
            "assumed": promised(simulate(order, assumed)),
        }
        spread: dict[str, list[tuple[float, float]]] = {}
        for n in PILOT_DAYS:
            said[f"pilot {n}"], spread[f"pilot {n}"] = _of_pilots(order, pilots(n, day_sd, bank))
        for i, (claim, truth, _) in enumerate(truths()):
            came = [of_study[i] for of_study in words[day_sd]]
            rows.append(
                {
                    "days": days, "day_sd": day_sd, "claim": claim, "truth": truth,
                    "studies": studies, "unit_sd": unit, "driving_sd": driving, "pass_sd": floor,
                    "air_sd_k": air,
                    "came": {w: 100 * came.count(w) / studies for w in WORDS},
                    "promised": {k: v[i] for k, v in said.items()},
                    "firm_range": {k: v[i] for k, v in spread.items()},
                }
            )  # fmt: skip
    return rows


def _of_pilots(
    order: Order, scatters: Sequence[Scatter]
) -> tuple[list[Chances], list[tuple[float, float]]]:
    """Mean promise over pilots, and the middle 80 % of the chance of the firm word."""
    each = [promised(simulate(order, s, studies=250, seed=i)) for i, s in enumerate(scatters)]
    mean, ranges = [], []
    for i in range(len(each[0])):
        mean.append({w: float(np.mean([e[i][w] for e in each])) for w in WORDS})
        firm = [100 - e[i]["undecided"] for e in each]
        ranges.append((float(np.quantile(firm, 0.1)), float(np.quantile(firm, 0.9))))
    return mean, ranges


def cars(days: int, pilot_days: int, bank: Sequence[Route], number: int) -> list[dict[str, float]]:
    """Cars that scatter by anything from 0.5 to 4 % a day: what a pilot promised each, what came.

    The chances that follow from a pilot are an average over what it leaves possible, so they can
    only be right over cars, not for each.
    """
    rng = np.random.default_rng([days, pilot_days, FIRST_SEED])
    order, rows = typical_order(days, 4), []
    for i in range(number):
        day_sd = math.exp(rng.uniform(math.log(0.005), math.log(0.04)))
        said = promised(
            simulate(order, pilot_of(pilot_days, day_sd, bank, rng), studies=400, seed=i)
        )
        outcome = draw_study(USUAL, days, bank, rng).finish(day_sd * rng.standard_normal(days))
        for chances, (claim, truth, effect) in zip(said, truths(), strict=True):
            word = outcome.word(claim, effect)
            rows.append(
                {
                    "days": days, "pilot": pilot_days, "claim": claim, "share": SHARES[truth],
                    **{f"promised {w}": chances[w] for w in WORDS},
                    **{f"came {w}": 100.0 * (word == w) for w in WORDS},
                }
            )  # fmt: skip
    return rows


def reliability(rows: Sequence[dict[str, float]]) -> str:
    """Markdown: what pilots promised of a firm word, and how often it came, by size of promise."""
    t = pd.DataFrame(rows)
    t["promised"], t["came"] = 100 - t["promised undecided"], 100 - t["came undecided"]
    t["of promise"] = pd.cut(t["promised"], [-1, 20, 40, 60, 80, 95, 101])
    lines = [
        "| days | pilot | " + " | ".join(LEVELS) + " | all |",
        "|" + "---|" * (len(LEVELS) + 3),
    ]
    for (days, pilot), mine in t.groupby(["days", "pilot"]):
        groups = [g for _, g in mine.groupby("of promise", observed=False)]
        text = [f"{g['promised'].mean():.0f} → {g['came'].mean():.0f}" for g in (*groups, mine)]
        lines.append(f"| {days} | {pilot} days | " + " | ".join(text) + " |")
    return "\n".join(lines)


def difference(row: dict[str, Any], source: str) -> float:
    """What was promised of a word less what came, percentage points, of the word furthest off."""
    off = [row["promised"][source][w] - row["came"][w] for w in WORDS]
    return max(off, key=abs)


def table(rows: Sequence[dict[str, Any]]) -> str:
    """A markdown table: refuted/supported/undecided as they came, and as they were promised."""
    sources = list(rows[0]["promised"])
    head = ["days", "day sd", "claim", "truth", "came", *sources]
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    for r in rows:
        said = [f"{_three(r['promised'][s])}" for s in sources]
        first = [str(r["days"]), f"{100 * r['day_sd']:g} %", f"{r['claim']:g} %", r["truth"]]
        lines.append("| " + " | ".join([*first, _three(r["came"]), *said]) + " |")
    lines.append("")
    for s in sources:
        off = [difference(r, s) for r in rows]
        worst = int(np.argmax(np.abs(off)))
        at = {k: rows[worst][k] for k in ("days", "day_sd", "claim", "truth")}
        within = sum(abs(x) <= 5 for x in off)
        lines.append(
            f"{s}: worst {off[worst]:+.1f} points {at}; within 5 in {within} of {len(off)}"
        )
    return "\n".join(lines).replace("-", "−").replace("−−−", "---")


def _three(chances: Chances) -> str:
    return "/".join(f"{chances[w]:.0f}" for w in WORDS)


def main() -> None:
    """Do what is missing and print the table."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.studies.plan_promise", description="Hold plan's promise to studies."
    )
    parser.add_argument("bank", type=Path, help="folder of tests.studies.bank")
    parser.add_argument("out", type=Path, help="folder that keeps a file a number of days")
    parser.add_argument("--studies", type=int, default=2000, metavar="N", help="a length (2000)")
    parser.add_argument("--days", type=int, nargs="*", default=DAYS)
    parser.add_argument("--cars", type=int, default=0, metavar="N", help="and so many cars' pilots")
    a = parser.parse_args()
    a.out.mkdir(parents=True, exist_ok=True)
    rows = []
    for days in a.days:
        path = a.out / f"{days}-{a.studies}.json"
        if not path.exists():
            path.write_text(json.dumps(tabulate(days, routes(a.bank), a.studies)))
        rows += json.loads(path.read_text())
    print(table(rows))
    over: list[dict[str, float]] = []
    for days, pilot in [(d, p) for d in a.days for p in PILOT_DAYS[:2] if a.cars]:
        path = a.out / f"cars-{days}-{pilot}-{a.cars}.json"
        if not path.exists():
            path.write_text(json.dumps(cars(days, pilot, routes(a.bank), a.cars)))
        over += json.loads(path.read_text())
    if over:
        print(reliability(over))


if __name__ == "__main__":
    main()
