"""The data dictionary: what each column of passes.csv and each word of the report stands for.

The pass table goes in, rows of column, unit and meaning come out, in the file's order. A column
that the driver's notes brought is said to be one.
"""

import pandas as pd

from roadlog.quantities.tables import NOTE, REMARK

# Column -> unit, meaning.
COLUMNS: dict[str, tuple[str, str]] = {
    "run": ("", "number of the drive, in order of start, from 0"),
    "arm": ("", "baseline (add-on out or off) or fitted (in and on)"),
    "day": ("", "calendar day, or 'stretch n' where the logs have no dates"),
    "switch_unit": ("", "what was put into one arm at a time"),
    "block": ("", "neighbouring switch units among which chance drew the arms; empty without"),
    "segment": ("", "piece of road, in one direction"),
    "start": ("", "clock time at which the drive entered the segment"),
    "distance_km": ("km", "distance of the pass, by wheel speed"),
    "duration_s": ("s", "time from entry to exit"),
    "fuel_ml": ("mL", "fuel burned, middle of its two bounds; of the declared fuel with the same "
                "energy"),
    "fuel_low_ml": ("mL", "the same if all open moments were fuel cut"),
    "fuel_high_ml": ("mL", "the same if none was"),
    "ml_per_km": ("mL/km", "fuel_ml over distance_km"),
    "mean_speed_kmh": ("km/h", "mean speed"),
    "idle_s_per_km": ("s/km", "time standing still with the engine on, for each kilometre"),
    "demand_kj_per_km": ("kJ/km", "work at the wheels that road, air and driver asked, where "
                         "positive"),
    "mean_vsp_kw_t": ("kW/t", "power at the wheels per tonne of vehicle"),
    "cold_share": ("0 to 1", "share of the time with coolant under 70 °C"),
    "coolant_start_c": ("°C", "coolant at the drive's start"),
    "since_start_s": ("s", "time since the drive's start, at entry"),
    "ambient_c": ("°C", "air temperature"),
    "pressure_kpa": ("kPa", "air pressure"),
    "air_density_kg_m3": ("kg/m³", "density of the air"),
    "headwind_m_s": ("m/s", "wind against the direction of travel; empty without weather"),
    "supply_voltage_v": ("V", "voltage of the car's supply"),
    "coverage": ("0 to 1", "share of the pass's time with fuel and speed known"),
    "used": ("", "whether the pass counts"),
    "reason": ("", "why it doesn't"),
    "wet_road": ("0 or 1", "rain reported within two hours before; empty without weather"),
    "ambient_source": ("", "where air temperature is from"),
    "pressure_source": ("", "where air pressure is from"),
    "fuel_lhv_mj_kg": ("MJ/kg", "lower heating value of the fuel in the tank"),
    "length_share": ("0 to 1", "share of the segment's length that was driven"),
    "length_ratio": ("", "distance by wheel speed over the segment's length"),
    "km_since_switch": ("km", "driven since the add-on was last switched, at entry"),
    "accessory_ml": ("mL", "fuel that air conditioning or the like took, as far as it could be "
                     "told"),
    "synthetic": ("", "True: a program made the data"),
}  # fmt: skip

WORDS: dict[str, tuple[str, str]] = {
    "arm": ("", "one of the two conditions compared: baseline or fitted"),
    "run": ("", "one drive, from engine start to stop"),
    "segment": ("", "a stretch of road in one direction, driven again and again in both arms"),
    "pass": ("", "one drive over one segment: a row of passes.csv"),
    "switch unit": ("", "what was put into one arm at a time: a day, a drive or a stretch"),
    "block": ("", "neighbouring switch units among which chance drew the arms"),
    "fuel use": ("L/100 km", "litres for 100 km; more is worse"),
    "fuel economy, MPG (US)": ("mi/gal", "miles for a US gallon; more is better"),
    "fuel economy, MPG (imp)": ("mi/gal", "miles for an imperial gallon; more is better"),
    "effect": ("%", "change of fuel use, fitted against baseline; negative is less fuel"),
    "95 % interval": ("%", "made this way, 95 of 100 such ranges hold the true value"),
    "half-width": ("%", "half of the interval's width"),
    "degrees of freedom": ("", "how many independent differences the scatter was judged from"),
    "p": ("0 to 1", "how often chance alone would give a difference at least as large"),
    "standard deviation": ("%", "scatter: about two thirds of values lie within one of the mean"),
    "demand": ("kJ/km", "work at the wheels that road, air and driver asked"),
    "expected fuel": ("mL", "what the same driving would have burned without the add-on, by a "
                      "model of this car"),
    "margin": ("% points", "what a firm word must clear beside the interval, for driving and air "
               "not held quite equal"),
    "mL, kJ, kPa, g/s": ("", "millilitre, kilojoule, kilopascal, gram a second"),
}  # fmt: skip


def data_dictionary(passes: pd.DataFrame, *, synthetic: bool) -> list[tuple[str, str, str]]:
    """Column, unit and meaning for each column of passes.csv."""
    names = [str(c) for c in passes.columns]
    if synthetic and "synthetic" not in names:
        names.append("synthetic")
    return [(name, *_meaning(name)) for name in names]


def glossary() -> list[tuple[str, str, str]]:
    """Word, unit and meaning of what the report names."""
    return [(word, *told) for word, told in WORDS.items()]


def _meaning(name: str) -> tuple[str, str]:
    if name in COLUMNS:
        return COLUMNS[name]
    for prefix, how in (
        (NOTE, "from the driver's notes, part of the model"),
        (REMARK, "from the driver's notes, shown only"),
    ):
        if name.startswith(prefix):
            return "", f"{name.removeprefix(prefix).replace('_', ' ')}: {how}"
    return "", "as the logs gave it"
