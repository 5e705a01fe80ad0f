"""The energy ceiling of an electrically driven add-on: what its power could do at the very most.

In go the add-on's voltage, current and cells, and the engine's fuel flow; out come the gas that
the current can split off (Faraday), that gas's share of the engine's fuel power, and the fuel that
the alternator burns to make the current. Implements the energy ceiling of method section 7. It
bounds the gas's own energy; a claim that the gas improves combustion is for the road test.
"""

from dataclasses import asdict, dataclass

import numpy as np

from roadlog.errors import InputError
from roadlog.physics.air import saturation_pressure
from roadlog.physics.atmosphere import SEA_LEVEL_KPA
from roadlog.quantities.arrays import Floats
from roadlog.quantities.fuels import HYDROGEN_G_MOL, Fuel
from roadlog.stats.interval import FindingWord, rule_either_way
from roadlog.study.car import fuel_words
from roadlog.trials.result import TrialResult

# CODATA Key Values for Thermodynamics (Cox, Wagman, Medvedev 1989), 298.15 K: formation of water.
FORMATION_VAPOUR_KJ_MOL = 241.826
FORMATION_LIQUID_KJ_MOL = 285.830
FREE_ENERGY_LIQUID_KJ_MOL = 237.14  # from the same tables' enthalpies and entropies
CODATA_SOURCE = "CODATA Key Values for Thermodynamics (1989)"

ELECTRONS_PER_WATER = 2
GAS_PER_WATER = 1.5  # moles of H2 and O2 together from one mole of water
COOLEST_C, HOTTEST_C = -20.0, 99.0

# What added load costs, not the engine's mean: Regulation (EU) 2017/1151, annex XXI, sub-annex 6,
# appendix 2 (alternator 0.67; Willans factors in litres of fuel per MJ at the shaft, naturally
# aspirated and pressure-charged). E0 and diesel are also in Decision (EU) 2020/728, table 2 (0.264,
# 0.280, 0.220 L/kWh); E85 and pressure-charged E10 are from memory.
ALTERNATOR_EFFICIENCY = 0.67
WILLANS_L_MJ = {0.0: (0.0733, 0.0778), 0.10: (0.0756, 0.0803), 0.85: (0.102, 0.108)}
WILLANS_DIESEL_L_MJ = 0.0611

CAUTIONS = (
    "The gas from a water-splitting cell burns and explodes at the least spark, even in a hose: "
    "never open, fill or test a cell near flames, sparks or a hot engine, nor in a closed room.",
    "Cell liquids are caustic lye (potassium or sodium hydroxide): wear goggles and gloves, "
    "keep water at hand to rinse, never let it boil over or freeze.",
    "Fuse the supply close to the battery and size the wire for the current; measure with the "
    "car standing still, outdoors, never while driving.",
)


@dataclass(frozen=True)
class Cell:
    """A water-splitting cell: how it is fed and how the gas is measured.

    `voltage_v`, `current_a` mean supply voltage [V] and current [A]; `power_w` mean of v·i [W]
    (None: their product, which a pulsed supply doesn't obey); `in_series` plates in series: each
    splits water with the same current; `current_efficiency` share of the current that makes gas;
    `gas_temp_c` [°C], `gas_pressure_kpa` [kPa] where the gas is measured; `measured_ml_min` what
    a flow meter showed, moist gas, if it was measured.
    """

    voltage_v: float
    current_a: float
    power_w: float | None = None
    in_series: int = 1
    current_efficiency: float = 0.9
    gas_temp_c: float = 25.0
    gas_pressure_kpa: float = SEA_LEVEL_KPA
    measured_ml_min: float | None = None


@dataclass(frozen=True)
class Case:
    """One set of assumptions and what follows from it.

    Powers in W; `replaced_pct`, `extra_pct`, `net_pct` as shares of the engine's fuel power:
    fuel that the gas could stand in for, fuel burned for the current, and the change of fuel use.
    """

    name: str
    current_efficiency: float
    alternator_efficiency: float | None
    engine_efficiency: float | None
    gas_w: float
    replaced_pct: float
    extra_pct: float
    net_pct: float


@dataclass(frozen=True)
class Ceiling:
    """The whole account of one add-on in one engine."""

    power_w: float
    fuel_w: float
    dry_gas_ml_min: float
    moist_gas_ml_min: float
    hydrogen_ml_min: float
    measured_dry_ml_min: float | None
    measured_current_efficiency: float | None
    cases: tuple[Case, ...]


def hydrogen_mol_s(current_a: float, in_series: int = 1, current_efficiency: float = 1.0) -> float:
    """Hydrogen that a current splits off [mol/s], Faraday's law: two electrons a molecule.

    Parameters
    ----------
    current_a : float [A]
        Mean over time; for a pulsed current the mean, not the effective value.
    in_series : int
        Cells that the same current passes one after another.
    current_efficiency : float
        Share of the current that makes gas.

    References
    ----------
    Faraday constant: CODATA 2022 through `scipy.constants`.

    >>> round(hydrogen_mol_s(1.26) * 7.44 * 3600, 3)  # 7.44 h at 1.26 A
    0.175
    """
    from scipy.constants import physical_constants

    faraday = physical_constants["Faraday constant"][0]
    return float(current_efficiency * in_series * current_a / (ELECTRONS_PER_WATER * faraday))


def volume_ml_min(mol_s: float, temp_c: float, pressure_kpa: float) -> float:
    """Volume flow [mL/min] of an ideal gas [mol/s] at a temperature [°C] and pressure [kPa]."""
    from scipy.constants import R, zero_Celsius

    litres_s = mol_s * R * (temp_c + zero_Celsius) / pressure_kpa
    return float(60e3 * litres_s)


def dry_share(temp_c: float, pressure_kpa: float) -> float:
    """Share of a volume of gas over water that isn't water vapour [1].

    >>> round(dry_share(25.0, 101.325), 3)
    0.969
    """
    return 1 - float(saturation_pressure(temp_c)) / pressure_kpa


def mean_power(voltage_v: Floats, current_a: Floats) -> tuple[float, float, float]:
    """Mean voltage [V], current [A] and power [W] of readings taken together.

    The mean of v·i, not the product of means: under a pulsed supply they differ.

    >>> v, i = np.array([14.0, 13.0, 14.0, 13.0]), np.array([0.0, 20.0, 0.0, 20.0])
    >>> mean_power(v, i)
    (13.5, 10.0, 130.0)
    """
    return float(voltage_v.mean()), float(current_a.mean()), float((voltage_v * current_a).mean())


def thermoneutral_voltage() -> float:
    """Voltage [V] at which splitting liquid water takes no heat from around: 1.48 V."""
    from scipy.constants import physical_constants

    faraday = physical_constants["Faraday constant"][0]
    return float(1e3 * FORMATION_LIQUID_KJ_MOL / (ELECTRONS_PER_WATER * faraday))


def reversible_voltage() -> float:
    """Least voltage [V] that splits liquid water at 25 °C and 1 bar: 1.23 V."""
    from scipy.constants import physical_constants

    faraday = physical_constants["Faraday constant"][0]
    return float(1e3 * FREE_ENERGY_LIQUID_KJ_MOL / (ELECTRONS_PER_WATER * faraday))


def hydrogen_lhv_mj_kg() -> float:
    """Lower heating value of hydrogen [MJ/kg] from the formation of water vapour."""
    return FORMATION_VAPOUR_KJ_MOL / (2 * HYDROGEN_G_MOL)


def marginal_efficiency(fuel: Fuel, aspiration: str = "natural") -> float:
    """Shaft work that an engine gives for the fuel of an added load [1], by its Willans factor.

    Friction and pumping are paid already, so added load costs less than the engine's mean
    efficiency says. Between the regulation's fuels it goes with the ethanol's share.

    >>> from roadlog.quantities.fuels import FUELS
    >>> round(marginal_efficiency(FUELS["E10"]), 2), round(marginal_efficiency(FUELS["diesel"]), 2)
    (0.42, 0.45)
    """
    litre_mj = fuel.lhv_mj_kg * fuel.density_kg_m3 / 1000
    if fuel.name == "diesel":
        return 1 / (WILLANS_DIESEL_L_MJ * litre_mj)
    charged = int(aspiration != "natural")
    factor = np.interp(
        fuel.ethanol_volume_share, list(WILLANS_L_MJ), [w[charged] for w in WILLANS_L_MJ.values()]
    )
    return float(1 / (factor * litre_mj))


def energy_ceiling(
    cell: Cell,
    fuel: Fuel,
    fuel_flow_g_s: float,
    *,
    alternator_efficiency: float = ALTERNATOR_EFFICIENCY,
    engine_efficiency: float | None = None,
    splits_water: bool = True,
) -> Ceiling:
    """The energy account of an add-on.

    Parameters
    ----------
    cell : Cell
    fuel : Fuel
    fuel_flow_g_s : float [g/s]
        Mean fuel flow of the engine while the add-on runs.
    alternator_efficiency, engine_efficiency : float
        Of the realistic case; the best case takes 1 for both. The engine's is that of added load
        (`marginal_efficiency`, naturally aspirated, if left out).
    splits_water : bool
        False for an add-on that makes no gas: only its draw counts.

    Returns
    -------
    Ceiling
        Cases, most generous first: the electricity for nothing, every machine perfect, realistic.

    Raises
    ------
    InputError
        If a value is impossible, or the cell has too little voltage to split water.

    >>> from roadlog.quantities.fuels import FUELS
    >>> cell, fuel = Cell(voltage_v=13.8, current_a=15.0), FUELS["E10"]
    >>> [round(c.net_pct, 1) for c in energy_ceiling(cell, fuel, 0.6).cases]
    [-0.1, 0.8, 2.9]
    """
    if engine_efficiency is None:
        engine_efficiency = marginal_efficiency(fuel)
    power = _checked(cell, fuel_flow_g_s, alternator_efficiency, engine_efficiency, splits_water)
    fuel_w = 1e3 * fuel_flow_g_s * fuel.lhv_mj_kg
    stated = cell.current_efficiency
    current = cell.current_a if splits_water else 0.0
    ideal = hydrogen_mol_s(current, cell.in_series)
    measured_dry = None
    if splits_water and cell.measured_ml_min is not None:
        measured_dry = cell.measured_ml_min * dry_share(cell.gas_temp_c, cell.gas_pressure_kpa)
        whole = volume_ml_min(GAS_PER_WATER * ideal, cell.gas_temp_c, cell.gas_pressure_kpa)
        if measured_dry > 1.05 * whole:
            raise InputError(
                f"{cell.measured_ml_min:g} mL/min of gas is more than {cell.current_a:g} A through "
                f"{cell.in_series} cells can split off ({whole:.0f} mL/min dry): check the meter, "
                "the current and the number of cells"
            )
        stated = min(1.0, measured_dry / whole)
    cases = (
        _case("electricity for nothing", ideal, 1.0, power, fuel_w, None, None),
        _case("every machine perfect", ideal, 1.0, power, fuel_w, 1.0, 1.0),
        _case("realistic", ideal, stated, power, fuel_w, alternator_efficiency, engine_efficiency),
    )
    dry = volume_ml_min(GAS_PER_WATER * ideal * stated, cell.gas_temp_c, cell.gas_pressure_kpa)
    return Ceiling(
        power_w=power,
        fuel_w=fuel_w,
        dry_gas_ml_min=dry,
        moist_gas_ml_min=dry / dry_share(cell.gas_temp_c, cell.gas_pressure_kpa),
        hydrogen_ml_min=dry / GAS_PER_WATER,
        measured_dry_ml_min=measured_dry,
        measured_current_efficiency=None if measured_dry is None else stated,
        cases=cases,
    )


def ceiling_result(
    cell: Cell,
    fuel: Fuel,
    fuel_flow_g_s: float,
    flow_source: str,
    account: Ceiling,
    *,
    claim_pct: float | None,
    splits_water: bool = True,
) -> TrialResult:
    """The account as one part of the claim.

    Parameters
    ----------
    claim_pct : float or None [% fuel use]
        The claimed change, negative for less fuel.
    flow_source : str
        Where the fuel flow comes from, in words.

    >>> from roadlog.quantities.fuels import FUELS
    >>> cell, fuel = Cell(voltage_v=13.8, current_a=15.0), FUELS["E10"]
    >>> account = energy_ceiling(cell, fuel, 0.6)
    >>> ceiling_result(cell, fuel, 0.6, "as logged", account, claim_pct=-20.0).finding
    'refuted'
    """
    free, _, real = account.cases
    beyond = claim_pct is not None and -claim_pct > free.replaced_pct
    gas = (
        f"the gas carries at most {free.replaced_pct:.2f} % of the engine's fuel power"
        if splits_water
        else "the add-on makes no fuel"
    )
    measured = (
        f"{account.power_w:.0f} W of electricity: {gas}; making the current costs "
        f"{real.extra_pct:.2f} % more fuel, so its own energy account is {real.net_pct:+.2f} %."
    )
    claimed = "" if claim_pct is None else fuel_words(claim_pct)
    if beyond and claim_pct is not None:
        strength = (
            "Firm for the gas's own energy: the claim asks for "
            f"{_times(-claim_pct, free.replaced_pct)} even if the electricity cost nothing. It "
            "doesn't bound a claimed improvement of combustion: the road test does that."
        )
    else:
        strength = (
            "An energy account, not a test: it says nothing of a claimed improvement of "
            "combustion, which is for the road test."
        )
    return TrialResult(
        trial="ceiling",
        question="Can the add-on's own energy save as much fuel as is claimed?",
        claimed=claimed,
        measured=measured,
        estimate=real.net_pct,
        low=-free.replaced_pct,
        high=real.net_pct,
        unit="% fuel use",
        finding=_finding(account, claim_pct),
        strength=strength,
        cautions=CAUTIONS if splits_water else CAUTIONS[2:],
        notes=sources(cell, fuel, fuel_flow_g_s, flow_source, real, splits_water=splits_water),
        method="energy balance; the bounds are assumptions from best to realistic, not chance",
        details=_details(account) | {"claim_pct": claim_pct},
    )


def sources(
    cell: Cell, fuel: Fuel, flow_g_s: float, flow_source: str, real: Case, *, splits_water: bool
) -> tuple[str, ...]:
    """Every number of the account with where it comes from, one sentence each."""
    notes = [
        f"Fuel flow {flow_g_s:.3f} g/s: {flow_source}.",
        f"Lower heating value of {fuel.name} {fuel.lhv_mj_kg:.1f} MJ/kg: {fuel.source}.",
        f"Alternator and belt {100 * (real.alternator_efficiency or 1):.0f} %, engine "
        f"{100 * (real.engine_efficiency or 1):.0f} % for added load: where not given, Regulation "
        "(EU) 2017/1151, annex XXI, sub-annex 6, appendix 2 (Willans factors).",
        f"Supply {cell.voltage_v:.4g} V, {cell.current_a:.4g} A on average"
        + (
            ": as given."
            if cell.power_w is None
            else f"; power {cell.power_w:.4g} W, not their product but the mean of v times i."
        ),
    ]
    if splits_water:
        notes += [
            "Faraday constant and gas constant: CODATA, through scipy.constants; two electrons "
            "split one molecule of water.",
            f"Heat of burning hydrogen to water vapour {FORMATION_VAPOUR_KJ_MOL} kJ/mol "
            f"({hydrogen_lhv_mj_kg():.1f} MJ/kg): {CODATA_SOURCE}.",
            f"Water splits from {reversible_voltage():.2f} V on, without drawing heat at "
            f"{thermoneutral_voltage():.2f} V a cell: the same source.",
            f"{cell.in_series} cells in series, {100 * real.current_efficiency:.0f} % of the "
            "current makes gas ("
            f"{'measured' if cell.measured_ml_min is not None else 'as given or assumed'}).",
            "Water vapour in the gas (saturated, WMO-No. 8 annex 4.B) carries no energy and is "
            "subtracted.",
        ]
    return tuple(notes)


def _finding(account: Ceiling, claim_pct: float | None) -> FindingWord | None:
    best = -account.cases[0].replaced_pct
    word = rule_either_way(best, best, claim_pct)
    return "undecided" if word == "supported" else word


def _times(claim: float, share: float) -> str:
    return (
        f"{claim / share:.0f} times what the gas carries,"
        if share > 0
        else "energy that isn't there,"
    )


def _case(
    name: str,
    ideal_mol_s: float,
    current_efficiency: float,
    power_w: float,
    fuel_w: float,
    alternator: float | None,
    engine: float | None,
) -> Case:
    gas_w = 1e3 * FORMATION_VAPOUR_KJ_MOL * ideal_mol_s * current_efficiency
    replaced = 100 * gas_w / fuel_w
    free = alternator is None or engine is None
    extra = 0.0 if free else 100 * power_w / (alternator * engine) / fuel_w  # type: ignore[operator]
    return Case(
        name, current_efficiency, alternator, engine, gas_w, replaced, extra, extra - replaced
    )


def _checked(
    cell: Cell, flow_g_s: float, alternator: float, engine: float, splits_water: bool
) -> float:
    if not flow_g_s > 0:
        raise InputError(f"fuel flow {flow_g_s:g} g/s is not above zero: give the engine's mean")
    if not (cell.voltage_v > 0 and cell.current_a > 0):
        raise InputError(
            f"{cell.voltage_v:g} V and {cell.current_a:g} A: both must be above zero: "
            "give what the add-on draws when it runs"
        )
    for name, value in (
        ("current efficiency", cell.current_efficiency),
        ("alternator efficiency", alternator),
        ("engine efficiency", engine),
    ):
        if not 0 < value <= 1:
            raise InputError(f"{name} {value:g} is not between 0 and 1: give a share")
    power = cell.voltage_v * cell.current_a if cell.power_w is None else cell.power_w
    if not power > 0:
        raise InputError(f"power {power:g} W is not above zero: check the readings")
    if not splits_water:
        return power
    if cell.in_series < 1:
        raise InputError(f"{cell.in_series} cells in series: give at least 1")
    if not COOLEST_C <= cell.gas_temp_c <= HOTTEST_C:
        raise InputError(f"gas at {cell.gas_temp_c:g} °C: give a temperature below boiling, in °C")
    if not 50 <= cell.gas_pressure_kpa <= 200:
        raise InputError(f"gas at {cell.gas_pressure_kpa:g} kPa: give the absolute pressure in kPa")
    if cell.measured_ml_min is not None and not cell.measured_ml_min > 0:
        raise InputError(f"gas flow {cell.measured_ml_min:g} mL/min is not above zero: check it")
    each = power / cell.current_a / cell.in_series
    if each < reversible_voltage():
        raise InputError(
            f"{each:.2f} V a cell can't split water, which takes {reversible_voltage():.2f} V: "
            f"check the number of cells in series ({cell.in_series}) and the voltage"
        )
    return power


def _details(account: Ceiling) -> dict[str, object]:
    return asdict(account) | {"cases": [asdict(c) for c in account.cases]}
