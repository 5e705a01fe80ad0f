"""Tables and plot of the calibration study, from the records that `study` kept.

In goes the study's folder; out come `cells.csv` (every cell, every number), `summary.md` (a line a
group, and each cell that misses its bar), `cells.md` (every cell) and `coverage.svg`.
"""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
from statsmodels.stats.proportion import proportion_confint

from roadlog.errors import InputError
from roadlog.study.durable import atomic_write
from tests.studies.calibration.cells import (
    COVERAGE_BAR,
    GROUPS,
    RANDOMISATION_BAR,
    STEADY_BAR,
    WARNING_BAR,
    all_cells,
)

RESULTS = Path(__file__).parent / "results"
POWER_TOLERANCE = 0.02  # simulated power against the formula's 80 %

_GOOD = ("holds", "no interval, as it must be", "warns", "reported")
_CSV = (
    "name", "group", "score", "verdict", "replicates", "printed", "refused", "not_converged",
    "coverage", "coverage_low", "coverage_high", "median_width_pct", "bias_pct", "bias_se_pct",
    "sd_pct", "narrowest_tenth", "on_floor_share", "df_low", "df_high", "type_1", "power_3_pct",
    "formula_effect_pct", "power", "alarms", "sought", "expected", "draws", "randomisation_n",
    "randomisation_coverage", "one_sided_above", "one_sided_below", "assignments", "without_end",
    "randomisation_median_width_pct", "seed", "engine", "seconds",
)  # fmt: skip


def verdict(r: dict[str, Any]) -> str:
    """How a record compares with the bar of its score, in a few words."""
    score = r["score"]
    if score == "no interval":
        return "no interval, as it must be" if r["printed"] == 0 else "printed an interval"
    if score == "bias and warning":
        if not r["expected"]:
            return "reported"
        refused = r["refused"] / r["replicates"]
        shares = {"refused": refused, **r.get("alarms", {})}
        reached = all(shares.get(code, 0.0) >= WARNING_BAR for code in r["expected"])
        return "warns" if reached else "misses the warning"
    if score == "randomisation":
        return "holds" if r["randomisation_coverage"] >= RANDOMISATION_BAR else "too low"
    if score == "power":
        return "holds" if abs(r["power"] - 0.8) <= POWER_TOLERANCE else "formula off"
    low, high = COVERAGE_BAR
    if not any(r["noise"][k] for k in ("day_sd", "run_sd")):
        high = STEADY_BAR
    if not r["printed"]:
        return "no interval printed"
    if r["coverage"] < low:
        return "too low"
    return "holds" if r["coverage"] <= high else "too high"


def read_records(out: Path) -> pd.DataFrame:
    """All records of a study's folder in the order of the list of cells, with verdicts.

    Raises
    ------
    InputError
        If there is no record yet.
    """
    paths = list((out / "cells").glob("*.json"))
    if not paths:
        raise InputError(f"{out} holds no calibration records: run the cells first")
    order = {c.name: i for i, c in enumerate(all_cells())}
    records = [json.loads(p.read_text(encoding="utf-8")) for p in paths]
    records = sorted((r for r in records if r["name"] in order), key=lambda r: order[r["name"]])
    for r in records:
        r["verdict"] = verdict(r)
    return pd.DataFrame(records)


def write_report(out: Path, into: Path = RESULTS) -> str:
    """Write CSV, two Markdown tables and the plot into a folder; return a one-line summary."""
    table = read_records(out)
    missing = len(all_cells()) - len(table)
    csv = table.reindex(columns=list(_CSV)).copy()
    csv["alarms"] = [json.dumps(a) if isinstance(a, dict) else "" for a in csv["alarms"]]
    csv["expected"] = [" ".join(e) for e in csv["expected"]]
    _write(into / "cells.csv", csv.to_csv(index=False, float_format="%.5g"))
    _write(into / "summary.md", _summary(table, missing))
    _write(into / "cells.md", _cells(table))
    atomic_write(into / "coverage.svg", lambda p: _plot(table, p))
    good = int(table["verdict"].isin(_GOOD).sum())
    return f"{good} of {len(table)} cells within their bar, {missing} not run yet: see {into}"


def _write(path: Path, text: str) -> None:
    atomic_write(path, lambda p: p.write_text(text, encoding="utf-8"))


def _summary(table: pd.DataFrame, missing: int) -> str:
    lines = [
        "| group | cells | within the bar | coverage, lowest to highest | fewest replicates |",
        "|---|---|---|---|---|",
    ]
    for group, rows in table.groupby("group", sort=False):
        column = "randomisation_coverage" if group == "K" else "coverage"
        scored = rows[rows["score"].isin(("coverage", "randomisation", "power"))]
        values = scored[column].dropna() if len(scored) else pd.Series(dtype=float)
        span = f"{values.min():.1%} to {values.max():.1%}" if len(values) else "not scored on it"
        good = int(rows["verdict"].isin(_GOOD).sum())
        lines.append(
            f"| {group} {GROUPS[str(group)]} | {len(rows)} | {good} | {span} "
            f"| {rows['replicates'].min():,} |"
        )
    lines += ["", f"Cells not run: {missing}. Engines: {', '.join(_engines(table))}.", ""]
    failing = table[~table["verdict"].isin(_GOOD)]
    lines += [f"Cells that miss their bar: {len(failing)}.", ""]
    if len(failing):
        lines += _rows(failing)
    return "\n".join(lines) + "\n"


def _engines(table: pd.DataFrame) -> list[str]:
    counts = table["engine"].value_counts()
    return [f"{engine} ({n} cells)" for engine, n in counts.items()]


def _cells(table: pd.DataFrame) -> str:
    lines = [
        "# Every cell of the calibration study",
        "",
        "Written by `python -m tests.studies.calibration --out DIR --report`. What the names and "
        "columns mean is in [README.md](README.md).",
        "",
    ]
    for group, rows in table.groupby("group", sort=False):
        lines += [f"## {group}: {GROUPS[str(group)]}", "", *_rows(rows), ""]
    return "\n".join(lines)


def _rows(rows: pd.DataFrame) -> list[str]:
    columns: dict[str, Callable[[Any], str]] = {
        "cell": lambda r: f"`{r['name']}`",
        "replicates": lambda r: f"{r['replicates']:,}",
        "printed": lambda r: f"{r['printed']:,}",
        "not conv.": lambda r: _number(r.get("not_converged"), "{:.0f}"),
        "coverage": _coverage,
        "width %": lambda r: _number(r.get("median_width_pct"), "{:.2f}"),
        "bias %": lambda r: _number(r.get("bias_pct"), "{:+.3f}"),
        "on floor": lambda r: _number(r.get("on_floor_share"), "{:.0%}"),
        "narrowest tenth": lambda r: _number(r.get("narrowest_tenth"), "{:.1%}"),
        "df": _df,
        "finds 3 %": lambda r: _number(r.get("power_3_pct"), "{:.0%}"),
        "also": _also,
        "verdict": lambda r: str(r["verdict"]),
    }
    lines = ["| " + " | ".join(columns) + " |", "|" + "---|" * len(columns)]
    lines += [
        "| " + " | ".join(f(r) for f in columns.values()) + " |" for r in rows.to_dict("records")
    ]
    return lines


def _number(value: Any, pattern: str) -> str:
    return "" if value is None or pd.isna(value) else pattern.format(value)


def _coverage(r: dict[str, Any]) -> str:
    if pd.isna(r.get("coverage", float("nan"))):
        return ""
    return f"{r['coverage']:.1%} ({r['coverage_low']:.1%}–{r['coverage_high']:.1%})"


def _df(r: dict[str, Any]) -> str:
    low, high = r.get("df_low", float("nan")), r.get("df_high", float("nan"))
    if pd.isna(low):
        return ""
    return f"{low:.0f}" if low == high else f"{low:.0f}–{high:.0f}"


def _also(r: dict[str, Any]) -> str:
    parts = []
    if isinstance(r.get("alarms"), dict):
        sought = r.get("sought")
        n = int(r["replicates"] if sought is None or pd.isna(sought) else sought)
        for code, share in r["alarms"].items():
            low, high = proportion_confint(round(share * n), n)
            parts.append(f"{code} {share:.1%} ({low:.1%}–{high:.1%} of {n:,})")
    if r["score"] == "randomisation":
        parts.append(
            f"randomisation {r['randomisation_coverage']:.1%} of {r['randomisation_n']:,.0f}; "
            f"one-sided tests of the truth reject {r['one_sided_above']:.1%} and "
            f"{r['one_sided_below']:.1%}"
        )
    if r["score"] == "power":
        parts.append(f"power {r['power']:.1%} at {r['formula_effect_pct']:.2f} %")
    return "; ".join(parts)


def _plot(table: pd.DataFrame, path: Path) -> None:
    """Coverage of every scored cell, a strip a group, with the bar shaded."""
    import matplotlib as mpl

    mpl.use("svg")
    mpl.rcParams["svg.hashsalt"] = "roadlog"
    from matplotlib.figure import Figure

    scored = table[table["score"].isin(("coverage", "power", "randomisation"))]
    groups = list(dict.fromkeys(scored["group"]))
    figure = Figure(figsize=(9, 0.45 * len(groups) + 1.6), layout="constrained")
    axes = figure.add_subplot()
    axes.axvspan(100 * COVERAGE_BAR[0], 100 * COVERAGE_BAR[1], color="#d9e8d5", zorder=0)
    axes.axvline(95, color="#6b8f63", linewidth=1, zorder=1)
    for row, group in enumerate(groups):
        rows = scored[scored["group"] == group]
        column = "randomisation_coverage" if group == "K" else "coverage"
        values = 100 * rows[column].dropna().to_numpy()
        offsets = [0.3 * ((i * 0.618) % 1.0 - 0.5) for i in range(len(values))]
        inside = rows["verdict"].isin(_GOOD)[rows[column].notna()].to_numpy()
        for flag, colour, marker in ((True, "#2f4b7c", "o"), (False, "#b3401f", "D")):
            chosen = inside == flag
            ys = [row + o for o, c in zip(offsets, chosen, strict=True) if c]
            axes.scatter(values[chosen], ys, s=12, color=colour, marker=marker, alpha=0.7, zorder=2)
    axes.set_yticks(range(len(groups)), [f"{g}  {GROUPS[g]}" for g in groups])
    axes.invert_yaxis()
    axes.set_xlabel("coverage of 95 % intervals, %  (shaded: the bar; diamonds: outside it)")
    figure.savefig(path, format="svg", metadata={"Date": None})
