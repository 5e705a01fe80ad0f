"""The frames that pass between stages: one schema each, checked at the boundary.

A schema lists the columns that a stage guarantees. Frames may carry more columns; they may not
lack these. Index is always a RangeIndex; frames are never modified in place.
"""

from dataclasses import dataclass

import pandas as pd

NOTE = "note_"  # a condition of notes.csv that the study named as a covariate
REMARK = "remark_"  # any other: shown, and never in the model


@dataclass(frozen=True)
class Schema:
    """Guaranteed columns of one frame: name -> what it holds and its unit."""

    name: str
    columns: dict[str, str]

    def check(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Return `frame` unchanged; raise AssertionError naming the columns that it lacks."""
        missing = [c for c in self.columns if c not in frame.columns]
        assert not missing, f"{self.name} lacks {missing}"
        return frame


RUNS = Schema(
    "runs",
    {
        "run": "int, position of the run in order of start",
        "file": "str, log file as shown to the user",
        "arm": "str, baseline or fitted",
        "start": "datetime64, wall clock of t_s = 0 (NaT if the log has none)",
        "day": "str, calendar day YYYY-MM-DD (or 'stretch n' without dates)",
        "switch_unit": "str, the unit that was assigned to an arm",
        "block": "str, randomisation block ('' when the schedule has none)",
        "used": "bool",
        "reason": "Fact, why it was not used ('' if used)",
        "km": "float, distance integrated over covered time",
        "fuel_l": "float, fuel integrated over covered time (middle of the bounds)",
        "fuel_low_l": "float, lower bound where fuel cut or enrichment is ambiguous",
        "fuel_high_l": "float, upper bound",
        "hours": "float, covered time",
        "vehicle_numbers": "str, the vehicle's numbers in the log, hashed, with spaces between",
    },
)

SAMPLES = Schema(
    "samples",
    {
        "t_s": "float, seconds since the run's start, strictly increasing",
        "dt_s": "float, elapsed time that the sample stands for; 0 inside a gap",
    },
)  # plus one column a signal (quantities.signals.SIGNALS), NaN where in a gap or never logged

FUEL = Schema(
    "fuel",
    {
        **SAMPLES.columns,
        "fuel_flow_g_s": "float, best estimate (middle of the two bounds), NaN in gaps",
        "fuel_flow_low_g_s": "float, lower bound",
        "fuel_flow_high_g_s": "float, upper bound",
        "fuel_state": "str: metered, cut, enriched, unclear, missing",
    },
)

TRACK = Schema(
    "track",
    {
        **FUEL.columns,
        "run": "int, as in runs",
        "x_m": "float, local easting",
        "y_m": "float, local northing",
        "segment": "str, id of the segment the sample lies on ('' if none)",
        "traversal": "int, counts a run's entries into segments, -1 if none",
        "s_m": "float, position along the segment's mean line",
        "grade": "float, rise over run of the fused profile at s_m (0 when unknown)",
    },
)

PASSES = Schema(
    "passes",
    {
        "run": "int, as in runs",
        "arm": "str, baseline or fitted",
        "day": "str, as in runs",
        "switch_unit": "str, as in runs",
        "block": "str, as in runs",
        "segment": "str, segment id",
        "start": "datetime64, wall clock at entry (NaT if unknown)",
        "distance_km": "float",
        "duration_s": "float",
        "fuel_ml": "float",
        "fuel_low_ml": "float",
        "fuel_high_ml": "float",
        "ml_per_km": "float",
        "mean_speed_kmh": "float",
        "idle_s_per_km": "float",
        "demand_kj_per_km": "float, positive part of kinematic work per distance",
        "mean_vsp_kw_t": "float, vehicle specific power",
        "cold_share": "float, share of time with coolant below 70 °C",
        "coolant_start_c": "float, coolant at the run's start",
        "since_start_s": "float, time since engine start at entry",
        "ambient_c": "float",
        "pressure_kpa": "float",
        "air_density_kg_m3": "float",
        "headwind_m_s": "float, component against the direction of travel (NaN if no weather)",
        "supply_voltage_v": "float",
        "coverage": "float, share of the pass's time with fuel and speed",
        "used": "bool",
        "reason": "Fact, why it was excluded ('' if used)",
    },
)  # plus, for each condition in notes.csv, a column that begins with `NOTE` or `REMARK`
