"""An invented, finished analysis of the Bramble collar: plausible, with no real drive behind it."""

import dataclasses
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest

from roadlog.analysis.result import Analysed, ArmSummary
from roadlog.closure import Ledger, close
from roadlog.closure.result import Closure
from roadlog.effect.carry_over import AT_THE_END, PER_100_KM
from roadlog.effect.result import EffectResult
from roadlog.passes.facts import Lost
from roadlog.quantities.facts import Warned
from roadlog.quantities.tables import PASSES, RUNS
from roadlog.road.network import Network, Segment
from roadlog.stats.interval import Finding, Interval, NamedInterval, Randomisation
from roadlog.study.settings import Study
from tests.closure.logbook import fills_of, runs_of
from tests.closure.logbook import study as logbook_study
from tests.closure.test_against_fuel import UNEVEN, cans_for

SEGMENT_KM = 1.0
LATITUDE, LONGITUDE = 46.3, 8.2
M_PER_DEGREE = 111_195.0


def road(count: int = 17) -> Network:
    """Out and back over the same invented country road, cut into segments of one kilometre."""
    s = np.linspace(0, count * 1000.0, count * 50 + 1)
    heading = np.radians(35 + 45 * np.sin(s / 2600) + 25 * np.sin(s / 700 + 1))
    step = np.gradient(s)
    x, y = np.cumsum(np.sin(heading) * step), np.cumsum(np.cos(heading) * step)
    z = 420 + 90 * np.sin(s / 5200) + 22 * np.sin(s / 1100)
    there = [_segment(f"A{i + 1:02d}", s, x, y, z, i) for i in range(count)]
    back = [_reversed(seg, f"B{count - i:02d}") for i, seg in reversed(list(enumerate(there)))]
    lines = {}
    rng = np.random.default_rng(3)
    for run in range(40):
        order = slice(None) if run % 2 == 0 else slice(None, None, -1)
        lat = (LATITUDE + y / M_PER_DEGREE)[order] + rng.normal(0, 2e-5, s.size)
        lon = (LONGITUDE + x / _per_degree_east())[order] + rng.normal(0, 2e-5, s.size)
        lines[run] = (lat, lon)
    return Network("segments", (LATITUDE, LONGITUDE), (*there, *back), lines)


def _per_degree_east() -> float:
    return M_PER_DEGREE * float(np.cos(np.radians(LATITUDE)))


def _segment(name: str, s: Any, x: Any, y: Any, z: Any, i: int) -> Segment:
    pick = slice(i * 50, (i + 1) * 50 + 1)
    return Segment(
        id=name,
        length_m=1000.0,
        s_m=s[pick] - s[pick][0],
        x_m=x[pick],
        y_m=y[pick],
        lat_deg=LATITUDE + y[pick] / M_PER_DEGREE,
        lon_deg=LONGITUDE + x[pick] / _per_degree_east(),
        elevation_m=z[pick],
        grade=np.gradient(z[pick], s[pick]),
    )


def _reversed(seg: Segment, name: str) -> Segment:
    flip = {k: getattr(seg, k)[::-1] for k in ("x_m", "y_m", "lat_deg", "lon_deg", "elevation_m")}
    return Segment(id=name, length_m=seg.length_m, s_m=seg.s_m, grade=-seg.grade[::-1], **flip)


def runs_frame() -> pd.DataFrame:
    rng = np.random.default_rng(5)
    arms = np.array([["baseline", "fitted"], ["fitted", "baseline"]])[rng.integers(0, 2, 10)]
    days = pd.bdate_range("2024-03-04", periods=20)
    rows = []
    for d, (day, arm) in enumerate(zip(days, arms.ravel(), strict=True)):
        for trip, hour in enumerate((7, 17)):
            run = 2 * d + trip
            dropped = run in (9, 22)
            km = 17.0 + rng.normal(0, 0.02)
            fuel = km * 0.064 * np.exp(rng.normal(0, 0.04))
            rows.append(
                {
                    "run": run,
                    "file": f"logs/{day:%Y-%m-%d}-{'morning' if trip == 0 else 'evening'}.csv",
                    "arm": str(arm),
                    "start": day + pd.Timedelta(hours=hour, minutes=int(rng.integers(0, 40))),
                    "day": f"{day:%Y-%m-%d}",
                    "switch_unit": f"{day:%Y-%m-%d}",
                    "block": str(d // 2 + 1),
                    "used": not dropped,
                    "reason": Lost.LITTLE_KNOWN(pct=50 + run) if dropped else "",
                    "km": km,
                    "fuel_l": fuel,
                    "fuel_low_l": fuel * 0.99,
                    "fuel_high_l": fuel * 1.01,
                    "hours": 0.5,
                    "vehicle_numbers": "",
                    "sha256": f"{run:064x}",
                }
            )
    return RUNS.check(pd.DataFrame(rows))


def passes_frame(runs: pd.DataFrame, network: Network) -> pd.DataFrame:
    rng = np.random.default_rng(7)
    rows = []
    for run in runs.to_dict("records"):
        prefix = "A" if run["run"] % 2 == 0 else "B"
        for i, seg in enumerate(s for s in network.segments if s.id.startswith(prefix)):
            fuel = 64 * np.exp(6 * seg.grade.mean() + rng.normal(0, 0.05))
            bad = rng.random() < 0.04
            rows.append(
                {
                    **{k: run[k] for k in ("run", "arm", "day", "switch_unit", "block")},
                    "segment": seg.id,
                    "start": run["start"] + pd.Timedelta(seconds=80 * i),
                    "distance_km": 1.0,
                    "duration_s": 80.0,
                    "fuel_ml": fuel,
                    "fuel_low_ml": fuel * 0.99,
                    "fuel_high_ml": fuel * 1.01,
                    "ml_per_km": fuel,
                    "mean_speed_kmh": rng.normal(62, 4),
                    "idle_s_per_km": rng.exponential(3),
                    "demand_kj_per_km": rng.normal(540, 30),
                    "mean_vsp_kw_t": rng.normal(5, 0.5),
                    "cold_share": max(0.0, 1 - i / 4),
                    "coolant_start_c": 18.0,
                    "since_start_s": 80.0 * i,
                    "ambient_c": 9.0,
                    "pressure_kpa": 96.0,
                    "air_density_kg_m3": 1.18,
                    "headwind_m_s": np.nan,
                    "supply_voltage_v": 14.1,
                    "remark_cold_tyre_pressure_kpa": 230.0,
                    "coverage": 0.98,
                    "used": bool(run["used"]) and not bad,
                    "reason": "the run was not used" if not run["used"] else "gap" if bad else "",
                }
            )
    return PASSES.check(pd.DataFrame(rows))


def study() -> Study:
    return Study.model_validate(
        {
            "name": "Bramble collar on the works commute",
            "synthetic": True,
            "labels": {"baseline": "collar out", "fitted": "collar in"},
            "vehicle": {"displacement_l": 1.8, "cylinders": 4, "mass_kg": 1310},
            "device": {"name": "Bramble collar", "acts_on": "intake"},
            "claim": {"economy_pct": 12},
            "schedule": {"switched_by": "day", "randomised": True, "seed": 4},
        }
    )


def effect_result(
    runs: pd.DataFrame, passes: pd.DataFrame, network: Network, df: float = 9.0
) -> EffectResult:
    rng = np.random.default_rng(11)
    primary = Interval(0.62, -0.81, 2.07, df, "mixed model, t with containment degrees of freedom")
    total = Interval(0.9, -1.3, 3.1, df, "mixed model, pre-treatment covariates only")
    unadjusted = Interval(1.7, -1.9, 5.4, 18.0, "ratio of arm means, t over days")

    def row(name: str, role: Any, e: float, half: float, note: str = "") -> NamedInterval:
        return NamedInterval(name, Interval(e, e - half, e + half, df), role, note)

    used = passes[passes["used"]].reset_index()
    units = runs.drop_duplicates("switch_unit")
    return EffectResult(
        primary=primary,
        total=total,
        unadjusted=unadjusted,
        randomisation=Randomisation(0.38, -0.9, 2.2, 1024, exact=True),
        forest=(
            NamedInterval("Equal-driving effect", primary, "primary"),
            NamedInterval("Total effect", total, "total"),
            row("Paired segment means by day", "crosscheck", 0.7, 1.6),
            row("Fuel rate by vehicle specific power bin", "crosscheck", 0.3, 2.0),
            row("Fuel per unit of demand", "crosscheck", 1.0, 2.2),
            row("Bounded variances, Kenward-Roger", "sensitivity", 0.62, 1.35),
            row("Equal weights", "sensitivity", 0.66, 1.5),
            row("Calculated load as a covariate", "sensitivity", -0.1, 1.2, "on the causal path"),
            NamedInterval("Plain ratio of arm means", unadjusted, "unadjusted"),
        ),
        outcomes_by_arm=pd.DataFrame(
            {
                "outcome": ["demand", "mean speed", "idle time"],
                "estimate": [0.4, -0.2, 1.9],
                "low": [-1.1, -1.0, -9.0],
                "high": [1.9, 0.6, 14.0],
                "p": [0.58, 0.61, 0.74],
                "unit": ["%", "%", "s/km"],
            }
        ),
        carry_over=pd.DataFrame(
            {
                "what": ["after a switch unit with the add-on in"],
                "estimate": [0.3],
                "low": [-2.0],
                "high": [2.7],
                "p": [0.78],
            }
        ),
        coefficients=pd.DataFrame(
            {
                "term": ["arm", "demand", "mean speed", "idle", "ambient temperature"],
                "estimate": [0.0062, 0.0011, -0.0023, 0.0042, -0.0016],
                "se": [0.0063, 0.00004, 0.0003, 0.0003, 0.0007],
                "df": [9.0, 640.0, 640.0, 640.0, 9.0],
                "low": [-0.0081, 0.0010, -0.0029, 0.0036, -0.0032],
                "high": [0.0205, 0.0012, -0.0017, 0.0048, 0.0000],
                "unit": ["log", "per kJ/km", "per km/h", "per s/km", "per °C"],
            }
        ),
        variance_components=pd.DataFrame(
            {
                "name": ["switch unit", "run", "pass"],
                "sd_pct": [1.1, 0.8, 4.9],
                "note": ["", "", "at 1 km"],
            }
        ),
        residuals=pd.DataFrame(
            {
                "passes_index": used["index"],
                "fitted": np.log(used["ml_per_km"]),
                "residual": rng.normal(0, 0.05, len(used)),
                "segment": used["segment"],
                "switch_unit": used["switch_unit"],
                "start": used["start"],
                "arm": used["arm"],
            }
        ),
        unit_means=pd.DataFrame(
            {
                "switch_unit": units["switch_unit"].to_numpy(),
                "arm": units["arm"].to_numpy(),
                "block": units["block"].to_numpy(),
                "start": units["start"].to_numpy(),
                "adjusted_pct": rng.normal(0, 1.3, len(units)) + 0.6 * (units["arm"] == "fitted"),
            }
        ).reset_index(drop=True),
        leave_one_out=pd.DataFrame(
            {
                "switch_unit": units["switch_unit"].to_numpy(),
                "estimate": 0.62 + rng.normal(0, 0.18, len(units)),
            }
        ).assign(low=lambda f: f["estimate"] - 1.5, high=lambda f: f["estimate"] + 1.5),
        design=pd.DataFrame(
            {
                "what": ["calendar time", "ambient temperature", "hour of day"],
                "correlation": [0.05, -0.11, 0.0],
                "note": ["", "", ""],
            }
        ),
        segment_effects=segment_effects(passes, network),
        smallest_detectable_pct=1.9,
        warnings=(),
        road_speed=pd.DataFrame(
            {
                "road": ["slow", "fast", "fastest less slowest"],
                "from_kmh": [31.0, 82.0, np.nan],
                "to_kmh": [48.0, 90.0, np.nan],
                "km": [200.0, 440.0, 640.0],
                "baseline_l_per_100km": [8.9, 5.3, np.nan],
                "change_pct": [-0.4, 1.1, 1.5],
                "low": [-2.2, -0.9, -0.4],
                "high": [1.4, 3.1, 3.4],
                "units": [20, 20, 20],
            }
        ),
        conditions=pd.DataFrame(
            {
                "what": ["ambient_c", "coolant_start_c", "remark_cold_tyre_pressure_kpa"],
                "unit": ["°C", "°C", ""],
                "baseline": [9.1, 17.8, 231.0],
                "fitted": [8.7, 18.2, 230.0],
                "difference": [-0.4, 0.4, -1.0],
                "low": [-2.0, -1.9, -2.9],
                "high": [1.2, 2.7, 0.9],
                "p": [0.6, 0.7, 0.3],
            }
        ),
        build_up=pd.DataFrame(
            {
                "what": [PER_100_KM, AT_THE_END],
                "km": [300.0, 300.0],
                "estimate": [0.3, 1.0],
                "low": [-0.8, -1.1],
                "high": [1.4, 3.1],
                "p": [0.57, 0.33],
            }
        ),
    )


def segment_effects(passes: pd.DataFrame, network: Network) -> pd.DataFrame:
    rng = np.random.default_rng(13)
    used = passes[passes["used"]]
    counts = pd.crosstab(used["segment"], used["arm"])
    ids = [s.id for s in network.segments]
    change = rng.normal(0.6, 2.5, len(ids))
    frame = pd.DataFrame(
        {
            "segment": ids,
            "change_pct": change,
            "low": change - 4.5,
            "high": change + 4.5,
            "passes_baseline": counts["baseline"].reindex(ids).to_numpy(),
            "passes_fitted": counts["fitted"].reindex(ids).to_numpy(),
        }
    )
    frame.loc[5, ["change_pct", "low", "high"]] = np.nan
    return frame


@pytest.fixture(scope="session")
def analysed() -> Analysed:
    network, runs = road(), runs_frame()
    passes = passes_frame(runs, network)
    return Analysed(
        study=study(),
        switched_by="day",
        runs=runs,
        passes=passes,
        network=network,
        effect=effect_result(runs, passes, network),
        finding=Finding(
            "refuted",
            (
                "The claim is 10.7 % less fuel; the whole interval (-0.8 to +2.1 %) falls short"
                " of it.",
                "The randomisation interval agrees.",
            ),
        ),
        baseline=ArmSummary(6.41, 322.6, 19, 10),
        fitted=ArmSummary(6.52, 322.8, 19, 10),
        fuel_estimator="maf-trims",
        estimators=pd.DataFrame(
            {
                "name": ["maf-trims", "maf", "speed-density", "rate"],
                "available": [True, True, True, False],
                "expected_error_pct": [3.0, 5.0, 8.0, 2.0],
                "baseline_l_per_100km": [6.41, 6.35, 6.6, np.nan],
                "fitted_l_per_100km": [6.52, 6.44, 6.7, np.nan],
                "change_pct": [0.62, 0.5, 0.8, np.nan],
            }
        ),
        ambiguity_pct=0.1,
        closed=closed_with({"arm_ratio": 1.004, "low": 0.98, "high": 1.03, "fills": 5.0}),
        warnings=(),
    )


def closed_with(values: dict[str, float]) -> Closure:
    """Fuel filled and weighed that agrees, with these figures."""
    runs = runs_of(UNEVEN * 2, reads={"baseline": 1.0, "fitted": 1.0})
    ledger = Ledger(fills_of(runs, 4, 0.3), cans_for(runs, sd=0.004))
    closed = close(ledger, runs, logbook_study(), 2.0)
    assert closed is not None
    return dataclasses.replace(closed, values=values)


Change = Callable[..., Analysed]


@pytest.fixture(scope="session")
def change(analysed: Analysed) -> Change:
    """Make a variant: keywords of `Analysed`, `study_` or `effect_` fields by prefix."""

    def vary(**changes: Any) -> Analysed:
        effect = {k.removeprefix("effect_"): changes.pop(k) for k in list(changes) if
                  k.startswith("effect_")}  # fmt: skip
        about = {k.removeprefix("study_"): changes.pop(k) for k in list(changes) if
                 k.startswith("study_")}  # fmt: skip
        return dataclasses.replace(
            analysed,
            study=analysed.study.model_copy(update=about),
            effect=dataclasses.replace(analysed.effect, **effect),
            **changes,
        )

    return vary


@pytest.fixture(scope="session")
def variants(analysed: Analysed, change: Change) -> dict[str, Analysed]:
    """Finished analyses of every kind that a report has to survive."""
    nan = float("nan")
    bare = Interval(0.62, None, None, method="one stretch an arm: no interval")
    return {
        "whole": analysed,
        "no claim": change(study_claim=None, finding=Finding(None, ())),
        "before/after": change(
            effect_primary=bare,
            effect_total=Interval(nan, None, None),
            effect_unadjusted=bare,
            effect_randomisation=None,
            effect_forest=(),
            effect_leave_one_out=analysed.effect.leave_one_out.iloc[:0],
            effect_unit_means=analysed.effect.unit_means.iloc[:2],
            effect_smallest_detectable_pct=nan,
            effect_variance_components=analysed.effect.variance_components.iloc[:0],
            finding=Finding("undecided", ("Each arm is one stretch of days.",)),
            closed=None,
            study_synthetic=False,
            effect_warnings=(Warned("before-after", "Season and device can't be told apart."),),
        ),
        "no positions": change(
            network=Network("run", None, (), {}),
            effect_segment_effects=analysed.effect.segment_effects.iloc[:0],
            warnings=(Warned("no-positions", "The logs hold no positions: runs are compared."),),
        ),
        "no dates": change(
            runs=analysed.runs.assign(start=pd.NaT, day="stretch 1"),
            effect_residuals=analysed.effect.residuals.assign(start=pd.NaT),
            effect_unit_means=analysed.effect.unit_means.assign(start=pd.NaT),
            closed=closed_with({"arm_ratio": nan}),
        ),
    }
