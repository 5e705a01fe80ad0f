"""The names of the fuels that a study can declare: petrol by its percent of ethanol, and diesel.

Their properties are in `roadlog.quantities.fuels`; the names stand by themselves so that a command
can list them without loading it.
"""

from typing import Literal, get_args

# As pumps name them: EN 228 (E5, E10), 40 CFR 1090 (E15), India (E20), Brazil (E27, E30).
FuelName = Literal["E0", "E5", "E10", "E15", "E20", "E27", "E30", "E85", "diesel"]
FUEL_NAMES: tuple[FuelName, ...] = get_args(FuelName)
