"""`roadlog ceiling`: the most that an electrically driven add-on's own energy could do."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from roadlog.trials.ceiling import Ceiling, Cell

from roadlog.commands.sources import given, held, say_saved
from roadlog.quantities.fuelnames import FUEL_NAMES


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command to the parser."""
    p = commands.add_parser(
        "ceiling",
        help="the most fuel that an electrically driven add-on's energy could replace",
        description=(
            "Hold the energy that an electrically driven add-on can give against the fuel that the "
            "engine burns and the fuel that making its current costs. It bounds the gas's own "
            "energy, not a claimed improvement of combustion: the road test is for that."
        ),
        epilog=(
            "examples:\n"
            "  roadlog ceiling --volts 13.8 --amps 20 --cells 6 --fuel-l-h 5 --claim-economy 20\n"
            "  roadlog ceiling my_study --readings cell.csv --cells 6\n"
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    p.add_argument(
        "study", nargs="?", type=Path, metavar="STUDY",
        help="folder with study.toml; fuel flow and claim come from it",
    )  # fmt: skip
    p.add_argument("--volts", type=float, metavar="V", help="mean voltage at the add-on")
    p.add_argument("--amps", type=float, metavar="A", help="mean current")
    p.add_argument(
        "--readings", type=Path, metavar="CSV",
        help="columns voltage_v, current_a taken together; the mean of v times i counts",
    )  # fmt: skip
    p.add_argument("--cells", type=int, metavar="N", help="cells in series (1)")
    p.add_argument("--current-efficiency", type=float, metavar="SHARE", help="makes gas (0.9)")
    p.add_argument("--gas", type=float, metavar="ML_MIN", help="measured moist gas, mL/min")
    p.add_argument("--gas-temp", type=float, metavar="C", help="where it is measured, °C (25)")
    p.add_argument("--gas-pressure", type=float, metavar="KPA", help="absolute, kPa (101.325)")
    p.add_argument("--no-gas", action="store_true", help="the add-on splits no water: draw only")
    p.add_argument("--alternator", type=float, default=None, metavar="SHARE", help="(0.67)")
    p.add_argument(
        "--engine", type=float, default=None, metavar="SHARE",
        help="of added load (by fuel and aspiration: EU 2017/1151)",
    )  # fmt: skip
    p.add_argument("--fuel-l-h", type=float, metavar="L_H", help="mean fuel flow, litres an hour")
    p.add_argument("--fuel", choices=FUEL_NAMES, help="fuel (E10)")
    claim = p.add_mutually_exclusive_group()
    claim.add_argument("--claim-economy", type=float, metavar="PCT", help="claimed gain, %%")
    claim.add_argument("--claim-fuel", type=float, metavar="PCT", help="claimed saving, %%")
    p.set_defaults(run=held(_run, "roadlog ceiling"))


def _run(a: argparse.Namespace) -> int:
    from roadlog.analysis.trial_ceiling import Given, reckon_ceiling
    from roadlog.trials.result import screen

    done = reckon_ceiling(given(Given, a))
    account = _account(done.account, done.cell, gas=done.gas)
    print("\n".join([*account, "", *screen(done.result, synthetic=done.synthetic)]))
    say_saved(done.saved)
    return 0


def _account(account: "Ceiling", cell: "Cell", *, gas: bool) -> list[str]:
    from roadlog.wording.screen import grid

    lines = [
        f"Electricity {account.power_w:.0f} W; fuel in the engine {account.fuel_w / 1000:.1f} kW "
        "(lower heating value)."
    ]
    if gas:
        lines.append(
            f"Gas {account.dry_gas_ml_min:.0f} mL/min dry, {account.moist_gas_ml_min:.0f} moist, "
            f"at {cell.gas_temp_c:g} °C and {cell.gas_pressure_kpa:g} kPa; two thirds hydrogen."
        )
    rows = [
        (
            c.name,
            f"{c.gas_w:.0f}",
            f"{c.replaced_pct:.2f}",
            f"{c.extra_pct:.2f}",
            f"{c.net_pct:+.2f}",
        )
        for c in account.cases
    ]
    headings = ("case", "gas W", "replaces %", "costs %", "fuel use %")
    return [*lines, "", *grid(headings, rows)]
