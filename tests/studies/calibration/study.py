"""Run calibration cells through the engine that prints results, and keep one small file a cell.

In go cells; out comes a JSON record a cell: intervals printed, coverage, width, bias, power,
components at zero, warnings, time. A rerun does only the cells that have no record with enough
replicates. Each cell's random numbers follow from its name alone.
"""

import hashlib
import json
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

import roadlog
from roadlog.errors import DesignError
from roadlog.quantities.arrays import Floats
from roadlog.stats.power import smallest_detectable
from roadlog.stats.randomise import assignments
from roadlog.stats.unit_randomisation import randomise_units
from roadlog.study.durable import atomic_write
from tests.studies.calibration import alarms
from tests.studies.calibration.cells import Cell
from tests.studies.calibration.engine import BatchFit, Stages, stages_of
from tests.studies.calibration.simulate import (
    EFFECT,
    Plan,
    draw_plan,
    effect_by_pass,
    frame,
    responses,
    segment_arm_effects,
    true_effect,
)
from tests.studies.calibration.tally import Tally

CHUNK = 200  # responses fitted at once: bounds the memory, and small batches stay in cache
ALPHA = 0.05
LEAST_PER_DRAW = 100  # responses of one drawn study: laying it out costs as much as fitting them

_ENGINE = (
    "effect/layout.py", "effect/expected_fuel.py", "stats/unit_contrast.py",
    "stats/unit_randomisation.py", "stats/randomise.py", "stats/reduction.py",
    "effect/diagnostics.py", "effect/held_equal.py", "stats/power.py",
)  # fmt: skip


def run_cell(cell: Cell, replicates: int) -> dict[str, Any]:
    """Simulate one cell and score it.

    Parameters
    ----------
    replicates : int
        At least; capped by `cell.most`, rounded up to whole draws of the study.

    Returns
    -------
    dict
        The record that `report` reads, JSON-ready.
    """
    began = time.perf_counter()
    wanted = replicates if cell.most is None else min(replicates, cell.most)
    rng = np.random.default_rng(seed_of(cell.name))
    tally = Tally()
    extra: dict[str, Any] = {}
    if cell.score == "randomisation":
        extra = _randomisation(cell, wanted, rng, tally)
    elif cell.alarm in ("dropout", "half runs", "slower"):
        extra = alarms.each_replicate(cell, wanted, rng, tally)
    elif cell.score == "power":
        extra = _power(cell, wanted, rng, tally)
    else:
        extra = _coverage(cell, wanted, rng, tally)
    return {
        "name": cell.name,
        "group": cell.group,
        "score": cell.score,
        "layout": asdict(cell.layout),
        "noise": asdict(cell.noise),
        "covariates": list(cell.covariates),
        "expected": list(cell.expected),
        "draws": cell.draws,
        "asked": replicates,
        "seed": seed_of(cell.name),
        "engine": engine_fingerprint(),
        **tally.summary(),
        **extra,
        "seconds": round(time.perf_counter() - began, 2),
    }


def seed_of(name: str) -> int:
    """The seed of a cell, from its name."""
    return int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "big")


def engine_fingerprint() -> str:
    """First hex digits of the hash of the modules that print results."""
    folder = Path(roadlog.__file__).parent
    return hashlib.sha256(b"".join((folder / m).read_bytes() for m in _ENGINE)).hexdigest()[:10]


def run_cells(
    cells: Sequence[Cell], out: Path, *, replicates: int, jobs: int = 1, progress: bool = False
) -> list[str]:
    """Run the cells that `out` lacks; return the names of those run."""
    from tqdm import tqdm

    todo = [c for c in cells if not _done(c, out, replicates)]
    with tqdm(total=len(todo), disable=not progress, unit="cell", desc="calibration") as bar:
        for record in _results(todo, replicates, jobs):
            _write(record, path_of(record["name"], out))
            bar.update()
    return [c.name for c in todo]


def _write(record: dict[str, Any], path: Path) -> None:
    text = json.dumps(record, indent=1)
    atomic_write(path, lambda temporary: temporary.write_text(text, encoding="utf-8"))


def path_of(name: str, out: Path) -> Path:
    """Where a cell's record is kept."""
    return out / "cells" / (name.replace("/", "__") + ".json")


def _done(cell: Cell, out: Path, replicates: int) -> bool:
    path = path_of(cell.name, out)
    if not path.exists():
        return False
    record = json.loads(path.read_text(encoding="utf-8"))
    return bool(record["asked"] >= replicates)


def _results(todo: Sequence[Cell], replicates: int, jobs: int) -> Iterator[dict[str, Any]]:
    if jobs == 1:
        for cell in todo:
            yield run_cell(cell, replicates)
        return
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        futures = [pool.submit(run_cell, cell, replicates) for cell in todo]
        try:
            for future in as_completed(futures):
                yield future.result()
        finally:
            pool.shutdown(cancel_futures=True)


def _coverage(cell: Cell, wanted: int, rng: np.random.Generator, tally: Tally) -> dict[str, Any]:
    drift = alarms.DriftAlarms(cell.layout.randomised)
    for plan, batch in _plans(cell, wanted, rng):
        try:
            stages = _stages(cell, plan)
        except DesignError:
            tally.refused(batch)
            continue
        for start in range(0, batch, CHUNK):
            y = responses(plan, cell.noise, rng, min(CHUNK, batch - start))
            truth = np.full(y.shape[1], true_effect(cell.noise))
            if cell.noise.segment_arm_sd:
                part, offset = segment_arm_effects(plan, cell.noise, rng, y.shape[1])
                y, truth = y + part, truth + offset
            fit = _fit(stages, y)
            tally.add(fit, truth)
            if cell.alarm == "drift":
                drift.look(stages.layout, fit.ratio_log)
    return drift.shares() if cell.alarm == "drift" else {}


def _plans(cell: Cell, wanted: int, rng: np.random.Generator) -> list[tuple[Plan, int]]:
    """The drawn studies with their numbers of responses.

    Where nothing but the order of arms is drawn, studies with the same order are taken together.
    """
    draws = max(1, min(cell.draws, wanted // LEAST_PER_DRAW))
    each = -(-wanted // draws)
    plans = [draw_plan(cell, rng) for _ in range(draws)]
    if cell.layout.missing or cell.covariates or len(cell.layout.runs) > 1:
        return [(plan, each) for plan in plans]
    by_order: dict[bytes, tuple[Plan, int]] = {}
    for plan in plans:
        key = plan.unit_arm.tobytes()
        first, so_far = by_order.get(key, (plan, 0))
        by_order[key] = (first, so_far + each)
    return list(by_order.values())


def _stages(cell: Cell, plan: Plan) -> Stages:
    road = plan.log_road + plan.arm * effect_by_pass(plan, cell.noise)
    return stages_of(frame(plan, road), randomised=cell.layout.randomised)


def _fit(stages: Stages, y: Floats) -> BatchFit:
    """Fits of log fuel use (n present, B), all passes a kilometre long."""
    return stages.fit(np.exp(y[stages.layout.passes.index]))


def _power(cell: Cell, wanted: int, rng: np.random.Generator, tally: Tally) -> dict[str, Any]:
    """Share of studies that find the effect which the formula says 80 % of them find."""
    layout, noise = cell.layout, cell.noise
    # a balanced study: variance of a unit's mean, and half of the units in each arm
    runs = layout.runs[0]
    of_mean = noise.day_sd**2 + noise.run_sd**2 / runs + noise.pass_sd**2 / (runs * layout.segments)
    se = float(np.sqrt(4 * of_mean / layout.units)) / 100
    df = layout.units - 1 - (-(-layout.units // 2) if layout.blocked else 1)
    effect = smallest_detectable(se, df)
    _coverage(cell, wanted, rng, tally)
    low, high = (np.concatenate(b) for b in (tally.low, tally.high))
    # the same as testing 0 with a true effect of this size, in either direction with equal chance
    found = 0.5 * ((low > EFFECT - effect) | (high < EFFECT - effect)) + 0.5 * (
        (low > EFFECT + effect) | (high < EFFECT + effect)
    )
    return {"formula_effect_pct": 100 * effect, "formula_power": 0.8, "power": float(found.mean())}


def _randomisation(
    cell: Cell, wanted: int, rng: np.random.Generator, tally: Tally
) -> dict[str, Any]:
    """Coverage of the randomisation interval, and how often one-sided tests of the truth reject."""
    kept = unbounded = above = below = done = total = 0
    widths: list[float] = []
    for plan, batch in _plans(cell, wanted, rng):
        stages = _stages(cell, plan)
        layout = stages.layout
        fit = _fit(stages, responses(plan, cell.noise, rng, batch))
        tally.add(fit, np.array(EFFECT))
        drawn = assignments(layout.unit_arm, layout.unit_block if layout.blocked else None, rng)
        total = drawn.total
        for z, size in zip(fit.ratio_log, fit.size, strict=True):
            r = randomise_units(
                z, layout.unit_arm, layout.unit_fixed, drawn, weights=size / (size + size.mean())
            )
            assert r is not None
            done += 1
            kept += r.p_of(EFFECT) > ALPHA
            above += r.p_at_most(EFFECT) <= ALPHA
            below += r.p_at_least(EFFECT) <= ALPHA
            if r.low is None or r.high is None:
                unbounded += 1
            else:
                widths.append(100 * float(np.expm1(r.high) - np.expm1(r.low)))
    return {
        "assignments": total,
        "randomisation_n": done,
        "randomisation_covered": kept,
        "randomisation_coverage": kept / done,
        "one_sided_above": above / done,
        "one_sided_below": below / done,
        "without_end": unbounded,
        "randomisation_median_width_pct": float(np.median(widths)) if widths else None,
    }
