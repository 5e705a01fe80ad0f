"""How often is the final word wrong, and how often does it come? Simulated studies, known truth.

Days drawn from the bank (`tests.studies.bank`) become studies (`tests.studies.drawn`): a schedule
by chance, an effect, a scatter of days and runs, a driver who drives otherwise with the add-on,
warm weeks, lost passes, noisy demand, a loose accessory, few passes, no positions. Each goes
through both stages, the orders that chance could have drawn and the rule of the finding, as
shipped. `python -m tests.studies.word BANK OUT` keeps a file a cell in OUT (a rerun does only what
is missing) and prints the table of calibration/results/words.md.
"""

import argparse
import json
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from tests.studies.drawn import FIRST_SEED, Kind, Route, draw_study, routes

CLAIMS_PCT = (-10.7, -6.0, -5.0)
DAY_SDS = (0.02, 0.005)


@dataclass(frozen=True)
class Cell:
    """A kind of study of so many days, drawn in fours or in pairs; judged at each of `DAY_SDS`."""

    days: int
    kind: Kind
    pairs: bool = False

    @property
    def name(self) -> str:
        """Days, kind and order."""
        return f"{self.days} days, {self.kind.name}" + (", pairs" if self.pairs else "")


def kinds() -> Iterator[Kind]:
    """What differs with the add-on: method section 5.4, and driving as loose as on commutes."""
    yield Kind()
    for variant in ("slower 2", "slower 4", "slower 6", "faster 4", "warm"):
        yield Kind(variant, fitted=variant)
    for arm in ("fitted", "baseline"):
        yield Kind(f"hard passes lost, {arm}", hard_lost=arm)
    for effect in (-0.05, 0.05, -0.10, 0.10):
        yield Kind(f"constant mL {100 * effect:+g} %", effect=effect, constant=True)
    for noise in (0.1, 0.2):
        name = f"pace +-4, demand noise {100 * noise:g} %"
        yield Kind(name, pace_mixed=True, demand_noise=noise)
    yield Kind("pace +-4, curved engine", base="curved", pace_mixed=True)
    yield Kind("slower 4, curved engine", base="curved", fitted="curved slower 4")
    loose = Kind("accessory on 0 to 60 %, unknown", accessory=(0.0, 0.6))
    yield loose
    yield replace(loose, name="accessory on 0 to 60 %, noted", accessory_known=True)
    yield Kind(
        "accessory 0 to 20 %, fitted 40 to 60 %, noted",
        accessory=(0.0, 0.2), accessory_fitted=(0.4, 0.6), accessory_known=True,
    )  # fmt: skip
    yield Kind("one pass a day", passes=1)
    yield Kind("two passes a day", passes=2)
    yield Kind("no positions", whole_runs=True)
    yield Kind("no positions, slower 4", fitted="slower 4", whole_runs=True)
    yield Kind("true saving 6 %", effect=-0.06)


def cells(days: Sequence[int]) -> Iterator[Cell]:
    """All kinds for each number of days, and pairs."""
    for n in days:
        yield from (Cell(n, kind) for kind in kinds())
        yield Cell(n, Kind(), pairs=True)


def tabulate(
    cell: Cell, bank: Sequence[Route], studies: int, stream: int = 0
) -> list[dict[str, Any]]:
    """Counts of one cell, a row a scatter of days.

    Coverage, width, wrong words at claim = truth, power against claims. Both scatters share the
    passes of their studies; another `stream` gives fresh studies.
    """
    seed = [zlib.crc32(cell.name.encode()), FIRST_SEED]
    rng = np.random.default_rng([*seed, stream] if stream else seed)
    rows: list[list[dict[str, Any]]] = [[] for _ in DAY_SDS]
    for _ in range(studies):
        study = draw_study(cell.kind, cell.days, bank, rng, pairs=cell.pairs)
        for i, day_sd in enumerate(DAY_SDS):
            o = study.finish(day_sd * rng.standard_normal(cell.days))
            c, at_truth = o.contrast, o.word(100 * cell.kind.effect)
            error = c.tau - float(np.log1p(cell.kind.effect))
            rows[i].append(
                {
                    "held": abs(error) <= c.half_width(), "width": 200 * c.half_width(),
                    "error": error, "margin": 100 * o.held.margin,
                    "stopped": bool(o.held.obstacles or o.blocking), "fitted": study.fit.fitted,
                    "wrongly refuted": at_truth == "refuted",
                    "wrongly supported": at_truth == "supported",
                    **{f"refuted {p:g}": o.word(p) == "refuted" for p in CLAIMS_PCT},
                }
            )  # fmt: skip
    return [
        _counts(cell, day_sd, stream, pd.DataFrame(r).astype(float))
        for day_sd, r in zip(DAY_SDS, rows, strict=True)
    ]


def _counts(cell: Cell, day_sd: float, stream: int, t: pd.DataFrame) -> dict[str, Any]:
    mean = t.mean()
    narrow = t["width"] <= t["width"].quantile(0.1)
    return {
        "days": cell.days, "day_sd": day_sd, "kind": cell.kind.name, "pairs": cell.pairs,
        "stream": stream, "studies": len(t),
        "coverage_pct": 100 * mean["held"], "width": mean["width"],
        "width_p90": t["width"].quantile(0.9), "bias_pct": 100 * mean["error"],
        "narrowest_tenth_pct": 100 * t.loc[narrow, "held"].mean(),
        "wrongly_refuted_pct": 100 * mean["wrongly refuted"],
        "wrongly_supported_pct": 100 * mean["wrongly supported"],
        "margin": mean["margin"], "stopped_pct": 100 * mean["stopped"],
        "fitted_pct": 100 * mean["fitted"],
        **{f"refuted_at_{-p:g}_pct": 100 * mean[f"refuted {p:g}"] for p in CLAIMS_PCT},
    }  # fmt: skip


def table(rows: Sequence[dict[str, Any]]) -> str:
    """Markdown, a row a cell."""
    head = (
        "days", "sd", "fitted days", "studies", "coverage", "width", "bias", "margin",
        "wrong at claim = truth: refuted / supported", "refuted at −10.7 / −6 / −5", "stopped",
    )  # fmt: skip
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    for r in rows:
        name = r["kind"].replace("+-", "±") + (" (in pairs)" if r["pairs"] else "")
        power = " / ".join(f"{r[f'refuted_at_{-p:g}_pct']:.0f}" for p in CLAIMS_PCT)
        cells_of_row = (
            f"{r['days']}", f"{100 * r['day_sd']:g} %", name, f"{r['studies']:,}",
            f"{r['coverage_pct']:.1f} %", f"{r['width']:.1f}", f"{r['bias_pct']:+.2f}",
            f"{r['margin']:.2f}",
            f"{r['wrongly_refuted_pct']:.1f} / {r['wrongly_supported_pct']:.1f}",
            power, f"{r['stopped_pct']:.0f} %",
        )  # fmt: skip
        lines.append("| " + " | ".join(cells_of_row).replace("-", "−") + " |")
    return "\n".join(lines)


def main() -> None:
    """Do the missing cells and print the table."""
    from tqdm import tqdm

    parser = argparse.ArgumentParser(
        prog="python -m tests.studies.word", description="Simulate studies with known truth."
    )
    parser.add_argument("bank", type=Path, help="folder of tests.studies.bank")
    parser.add_argument("out", type=Path, help="folder that keeps a file a cell")
    parser.add_argument("--studies", type=int, default=2000, metavar="N", help="a cell (2000)")
    parser.add_argument("--days", type=int, nargs="*", default=[12, 10, 20, 8])
    parser.add_argument("--only", default="", help="cells whose name holds this")
    parser.add_argument("--stream", type=int, default=0, help="other than 0: fresh studies")
    a = parser.parse_args()
    a.out.mkdir(parents=True, exist_ok=True)
    rows: list[dict[str, Any]] = []
    for cell in tqdm([c for c in cells(a.days) if a.only in c.name], unit="cell"):
        key = f"{zlib.crc32(cell.name.encode()):08x}-{a.studies}-{a.stream}"
        path = a.out / f"{key}.json"
        if not path.exists():
            found = tabulate(cell, routes(a.bank), a.studies, a.stream)
            path.write_text(json.dumps(found))
        rows += json.loads(path.read_text())
    print(table(sorted(rows, key=lambda r: (r["days"], -r["day_sd"]))))


if __name__ == "__main__":
    main()
