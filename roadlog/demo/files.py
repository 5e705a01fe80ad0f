"""The files of the demonstration: the text of logs, study, notes, weather and truth.

A plan and what was driven go in; the text of each file comes out, labelled synthetic. It feeds
the generator behind `roadlog demo` and implements no part of the method.
"""

import csv
import io
import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass

from roadlog.demo import car
from roadlog.demo.driver import STEP_S, Drive
from roadlog.demo.logger import Style, log_readings, log_rows, positions, stamps, true_signals
from roadlog.demo.pump import Filled
from roadlog.demo.road import Road
from roadlog.demo.schedule import LABELS, UTC_OFFSET, WARMER_PER_HOUR_C, Day, Run
from roadlog.demo.variants import Accessory, Meter
from roadlog.quantities.arms import ARMS
from roadlog.quantities.fuels import volume_l

PLAIN_VARIANTS = {"accessory": "off", "gearbox": "manual", "meter": "air"}
CONTROL = """
# A second car of the same kind, on the same days and road, that never has the collar.
[control]
name = "second hatchback (invented)"
"""
STATION = ("47.68", "21.02", "110")  # invented: latitude [°], longitude [°], height [m]


def log_text(
    run: Run,
    road: Road,
    drive: Drive,
    engine: car.Engine,
    *,
    meter_pct: float,
    meter: Meter,
    gps: bool,
    style: Style,
) -> str:
    """One run's log as CSV text; `style` as in `make_study`."""
    signals = true_signals(drive, engine, run.conditions, run.rng, meter_pct, meter)
    where = positions(drive, road, run.rng) if gps else {}
    if style == "rows":
        t, columns = log_rows(drive, signals, where, run.rng)
        cells = zip(stamps(run.start, t, UTC_OFFSET), *columns.values(), strict=True)
        return "\n".join([",".join(["time", *columns]), *map(",".join, cells), ""])
    t, headers, values = log_readings(drive, signals, where, run.rng)
    readings = zip(stamps(run.start, t, UTC_OFFSET), headers.tolist(), values, strict=True)
    if style == "long":
        split = {header: header.rstrip("]").split(" [") for header in set(headers.tolist())}
        return "\n".join(
            ["time,signal,value,unit"]
            + [f"{at},{split[h][0]},{value},{split[h][1]}" for at, h, value in readings]
            + [""]
        )
    names = list(dict.fromkeys(headers.tolist()))
    before = {name: "," * (1 + i) for i, name in enumerate(names)}
    after = {name: "," * (len(names) - 1 - i) for i, name in enumerate(names)}
    return "\n".join(
        [",".join(["time", *names])]
        + [f"{at}{before[h]}{value}{after[h]}" for at, h, value in readings]
        + [""]
    )


@dataclass(frozen=True)
class RunTruth:
    """What one run truly drove and burned."""

    file: str
    arm: str
    km: float
    fuel_l: float
    minutes: float
    fuel_factor: float
    effect_factor: float
    accessory_share: float  # of the time, during which the compressor ran


def truth_of(run: Run, drive: Drive, engine: car.Engine) -> RunTruth:
    """Distance and fuel of one run, before any logger saw them."""
    return RunTruth(
        file=run.file,
        arm=run.day.arm,
        km=float(drive.s_m[-1]) / 1000,
        fuel_l=volume_l(float(engine.fuel_g_s.sum()) * STEP_S, car.FUEL),
        minutes=float(drive.t_s[-1]) / 60,
        fuel_factor=run.conditions.fuel_factor,
        effect_factor=run.conditions.effect_factor,
        accessory_share=float(engine.compressor.mean()),
    )


def truth_json(
    truths: list[RunTruth], parameters: dict[str, object], trials: dict[str, object]
) -> str:
    """The true effect, the true litres by arm and by run, and how they were made.

    `trials` is the truth behind the trials beside the road test, if there are any.
    """
    arms: dict[str, dict[str, float]] = {}
    for arm in ARMS:
        of_arm = [t for t in truths if t.arm == arm]
        km, fuel_l = sum(t.km for t in of_arm), sum(t.fuel_l for t in of_arm)
        arms[arm] = {
            "runs": len(of_arm),
            "km": km,
            "fuel_l": fuel_l,
            "l_per_100km": 100 * fuel_l / km,
        }
    ratio = arms["fitted"]["l_per_100km"] / arms["baseline"]["l_per_100km"]
    truth = {
        "synthetic": True,
        "effect_pct": parameters["effect_pct"],
        "how": "fuel and the air burned with it are multiplied by 1 + effect_pct/100 at every "
        "instant of the fitted runs; nothing else depends on the effect",
        "arms": arms,
        "unadjusted_change_pct": 100 * (ratio - 1),
        "unadjusted_note": "ratio of total litres per km, fitted to baseline: the effect plus "
        "whatever differed between the days by chance",
        **({"trials": trials} if trials else {}),
        "parameters": parameters,
        "runs": [asdict(t) for t in truths],
    }
    return json.dumps(truth, indent=1, default=str) + "\n"


def study_toml(
    planned: list[Day], seed: int, claim: float, randomised: bool, *, control: bool = False
) -> str:
    """The study as declared before any drive."""
    units = "\n".join(
        f'  {{ unit = {d.date}, arm = "{d.arm}"'
        + (f", block = {d.block}" if d.block is not None else "")
        + " },"
        for d in planned
    )
    return (
        f"""\
# SYNTHETIC: an invented study of an invented add-on, made by the roadlog demonstration.
name = "Bramble collar (synthetic demonstration)"
synthetic = true

[labels]
baseline = "{LABELS["baseline"]}"
fitted = "{LABELS["fitted"]}"

[vehicle]
fuel = "{car.FUEL.name}"
displacement_l = {car.DISPLACEMENT_L}
cylinders = {car.CYLINDERS}
mass_kg = {car.MASS_KG:.0f}
cda_m2 = {car.CDA_M2}
crr = {car.CRR}
aspiration = "natural"

[device]
name = "Bramble collar (invented)"
acts_on = "intake"
carry_over = "none"

[claim]
economy_pct = {float(claim)}

[logs]
any = ["logs/*.csv"]

[analysis]
driver_knew_arm = true
{CONTROL if control else ""}
[schedule]
switched_by = "day"
randomised = {str(randomised).lower()}
"""
        + (f"seed = {seed}\n" if randomised else "")
        + f"unit = [\n{units}\n]\n"
    )


def csv_text(header: Iterable[str], rows: Iterable[Iterable[object]]) -> str:
    """A table as comma-separated text."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return out.getvalue()


def notes_csv(planned: list[Day], accessory: Accessory) -> str:
    """What the driver wrote down, one row a day; nothing of loose air conditioning."""
    noted = "off" if accessory == "off" else ""
    return csv_text(
        ("date", "arm", "air conditioning", "windows", "cold tyre pressure [kPa]",
         "payload [kg]", "fuel batch", "soak [h]", "wet road"),
        (
            (d.date, LABELS[d.arm], noted, "shut", f"{d.tyre_kpa:.0f}", d.payload_kg, d.batch,
             f"{d.soak_h:.1f}", "yes" if d.wet else "no")
            for d in planned
        ),
    )  # fmt: skip


def weather_csv(planned: list[Day]) -> str:
    """An invented weather station, one row an hour; wind at 10 m."""
    return csv_text(
        ("time", "latitude [deg]", "longitude [deg]", "elevation [m]", "temperature [degC]",
         "pressure [kPa]", "wind from [deg]", "wind speed [m/s]"),
        (
            (f"{d.date}T{hour:02d}:00:00{UTC_OFFSET}", *STATION,
             f"{d.morning_c + WARMER_PER_HOUR_C * (hour - 7.2):.1f}", f"{d.pressure_kpa:.2f}",
             f"{d.wind_from_deg:.0f}", f"{d.wind_m_s:.1f}")
            for d in planned
            for hour in range(7, 19)
        ),
    )  # fmt: skip


def fills_csv(fills: Iterable[Filled]) -> str:
    """What the driver wrote down at the pump."""
    return csv_text(
        ("time", "litres", "odometer [km]", "full", "price", "temperature [degC]"),
        (
            (f"{f.time:%Y-%m-%dT%H:%M}", f"{f.litres:.2f}", f"{f.odometer_km:.0f}",
             "yes" if f.full else "no", f"{f.price_per_l:.3f}", f"{f.temp_c:.0f}")
            for f in fills
        ),
    )  # fmt: skip


def readme(name: str, parameters: dict[str, object], trials: str) -> str:
    """What the folder holds and the command that made it; `trials` are further lines."""
    variants = "".join(
        f" --{key} {parameters[key]}"
        for key, plain in PLAIN_VARIANTS.items()
        if parameters[key] != plain
    )
    claim, effect = (parameters[key] for key in ("claim_economy_pct", "effect_pct"))
    if parameters.get("order", "drawn") != "drawn":
        variants += f" --order {parameters['order']}"
    if "control" in parameters:
        variants += " --control"
    second = "; logs/control: of the control car" if "control" in parameters else ""
    call = ", ".join(f"{key}={value!r}" for key, value in parameters.items())
    return f"""\
SYNTHETIC DATA. Nothing here comes from a real car, device, person, company or place.

An invented add-on ("Bramble collar", claimed to give {claim:g} % better mileage) on an invented
1.8-litre hatchback that commutes over an invented route of 17 km, drawn over open country.
The true effect on fuel use is {effect:+g} %: see truth.json.

Made with
    roadlog demo {name} --days {parameters["days"]}{variants}{" --trials" if trials else ""}
that is, roadlog.demo.make_study(Path("{name}"), {call})

study.toml    what was planned, before any drive
logs/         one file a drive{second}
notes.csv     what the driver wrote down, one row a day
fills.csv     invented fill-ups that fit the true litres, with the errors of pump and tank
weather.csv   an invented weather station, hourly; wind at 10 m
truth.json    what a real study never has: the true effect and the true litres
{trials}"""
