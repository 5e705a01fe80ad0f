"""The electrical readings of the demonstration, of an invented cell that splits water.

The invented collar has no wire, so the energy ceiling has nothing to ask of it; these readings of
another invented add-on let `roadlog ceiling` be tried. They feed the generator behind
`roadlog demo --trials` and implement no part of the method.
"""

import numpy as np

from roadlog.demo.files import csv_text

ON_SHARE = 0.7  # of the time: the supply is pulsed
ON_V, ON_A = 12.9, 22.0
OFF_V, OFF_A = 14.1, 0.2
READINGS, READING_S = 200, 0.31
VOLTS_SD, AMPS_SD_SHARE = 0.03, 0.01


def cell_readings(rng: np.random.Generator) -> tuple[str, dict[str, object]]:
    """Volts and amperes taken together, as text, and the truth behind them."""
    on = rng.permutation(np.arange(READINGS) < ON_SHARE * READINGS)
    volts = np.where(on, ON_V, OFF_V) + VOLTS_SD * rng.standard_normal(READINGS)
    amps = np.where(on, ON_A, OFF_A) * (1 + AMPS_SD_SHARE * rng.standard_normal(READINGS))
    rows = [
        (f"{READING_S * k:.2f}", f"{u:.2f}", f"{i:.2f}")
        for k, (u, i) in enumerate(zip(volts, amps, strict=True))
    ]
    power, current = (ON_SHARE * a + (1 - ON_SHARE) * b for a, b in
                      ((ON_V * ON_A, OFF_V * OFF_A), (ON_A, OFF_A)))  # fmt: skip
    return csv_text(("time_s", "voltage_v", "current_a"), rows), {
        "power_w": power,
        "mean_current_a": current,
        "note": "another invented add-on: the collar draws nothing. Mean volts times mean amperes "
        "would say too much, since the volts sag while the current flows",
    }
