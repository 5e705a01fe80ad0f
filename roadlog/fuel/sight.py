"""What the fuel figure can't see: one table of where the add-on acts and which figure is used.

For each pair it says whether the figure follows real fuel, and if not, whether fuel trims can close
the gap; fuel that is weighed or filled always can. docs/fuel.md shows the table and its physics.

With m the air meter's reading over true air, k the fuel injected over the fuel commanded, s the
true λ over the λ that the loop believes, and e the fuel's own air need over the declared one, a
closed loop holds 1 + trims = 1/(m k s e). Figures over real fuel are then m s e from air alone and
1/k from air and trims, or from injector time; all are 1 only where the add-on leaves them so.
"""

from dataclasses import dataclass
from typing import Literal, get_args

from roadlog.study.car import Estimator, Place

Follows = Literal["yes", "with trims", "no"]
PLACES: tuple[Place | None, ...] = (*get_args(Place), None)
FIGURES: tuple[Estimator, ...] = get_args(Estimator)

# Clues of `roadlog.closure.evidence` that a device may move without bending the figure.
_METER = frozenset(
    {"trim1", "trim2", "air_per_pressure", "load_per_pressure", "air_per_load", "air_per_rate"}
)
_MIXTURE = frozenset({"trim1", "trim2", "air_per_rate", "injected_per_pressure"})


@dataclass(frozen=True)
class Sight:
    """How far one figure shows an add-on that acts in one place.

    `follows` says whether the figure follows real fuel (with trims: where both are read in closed
    loop); `diesel_follows` the same of a diesel, which has no trims; `trims_close` whether trims
    alike in both arms show that it isn't bent; `refused` that it isn't used at all; `behind` that
    the figure with trims is taken before it, though neither follows; `explained`
    the clues that such an add-on may move although the figure holds; `trims_answer_meter` that it
    moves trims by bending the air meter, so that trims which move alone are none of its doing;
    `why` how it can be bent.
    """

    follows: Follows
    why: str = ""
    trims_close: bool = False
    diesel_follows: bool = False
    refused: bool = False
    behind: bool = False
    trims_answer_meter: bool = False
    explained: frozenset[str] = frozenset()


_YES = Sight("yes", diesel_follows=True)
_BY_CONTROLLER = "the controller may reckon {what} from {sensor}, which the add-on can bend"
_BY_INJECTOR = (
    "the controller reckons fuel from injector time, and another fuel pressure or fuel changes "
    "what an injector gives in that time"
)
_BY_PRESSURE = (
    "the add-on can bend manifold pressure or the charge at that pressure, and where the "
    "controller goes by an air meter the trims don't show it"
)
_INTAKE: dict[Estimator, Sight] = {
    "rate": Sight(
        "no", _BY_CONTROLLER.format(what="its fuel rate", sensor="the air meter"), True, True
    ),
    "injection": Sight(
        "no", _BY_CONTROLLER.format(what="the quantity", sensor="the air meter"), True, True
    ),
    "maf": Sight("no", "the add-on can bend the air meter, and the loop trims that away", True),
    "maf-trims": Sight(
        "with trims", "the add-on can bend the air meter, and only trims show it",
        explained=_METER, trims_answer_meter=True,
    ),
    "absolute-load": Sight(
        "no", "absolute load comes from the air meter, which the add-on can bend", True
    ),
    "speed-density": Sight("no", _BY_PRESSURE, behind=True),
    "speed-density-trims": Sight("no", _BY_PRESSURE),
}  # fmt: skip
_FUEL: dict[Estimator, Sight] = {
    "rate": Sight("no", _BY_INJECTOR, True),
    "injection": Sight("no", _BY_INJECTOR, True),
    "maf": Sight("no", "fuel of another make-up burns with another share of air", True),
    "maf-trims": Sight("no", _BY_INJECTOR, True),
    "absolute-load": Sight("no", "fuel of another make-up burns with another share of air", True),
    "speed-density": Sight("no", "fuel of another make-up burns with another share of air", True),
    "speed-density-trims": Sight("no", _BY_INJECTOR, True),
}
_OXYGEN_SENSOR: dict[Estimator, Sight] = {
    "rate": Sight(
        "no", _BY_CONTROLLER.format(what="its fuel rate", sensor="the mixture"), True
    ),
    "injection": Sight(
        "no", _BY_CONTROLLER.format(what="the quantity", sensor="the mixture"), True
    ),
    "maf": Sight("no", "the loop holds whatever mixture the bent sensor asks for", refused=True),
    "maf-trims": Sight(
        "with trims", "the loop holds whatever mixture the bent sensor asks for, and only trims "
        "show it", explained=_MIXTURE,
    ),
    "absolute-load": Sight(
        "no", "the loop holds whatever mixture the bent sensor asks for", refused=True
    ),
    "speed-density": Sight(
        "no", "the loop holds whatever mixture the bent sensor asks for", refused=True
    ),
    "speed-density-trims": Sight(
        "with trims", "the loop holds whatever mixture the bent sensor asks for, and only trims "
        "show it", explained=_MIXTURE,
    ),
}  # fmt: skip
_UNDECLARED: dict[Estimator, Sight] = {
    name: Sight(
        "no",
        "an add-on can bend meter, sensor or injected fuel, depending on where it acts",
        trims_close=not name.startswith("speed-density"),
        behind=name == "speed-density",
    )
    for name in FIGURES
    if name != "ledger"
}

_BY_PLACE: dict[Place | None, dict[Estimator, Sight]] = {
    "intake": _INTAKE,
    "fuel": _FUEL,
    "oxygen-sensor": _OXYGEN_SENSOR,
    "electrical": {},
    "aero-or-rolling": {},
    "other": {},
    None: _UNDECLARED,
}
SIGHT: dict[tuple[Place | None, Estimator], Sight] = {
    (place, figure): rows.get(figure, _YES)
    for place, rows in _BY_PLACE.items()
    for figure in FIGURES
}


def sight_of(place: Place | None, figure: str) -> Sight:
    """The table's entry; `place` is None where nothing was declared."""
    return SIGHT[place, figure]  # type: ignore[index]


def sight_word(sight: Sight) -> str:
    """An entry in the words of the table in docs/fuel.md.

    >>> sight_word(sight_of("intake", "maf")), sight_word(sight_of("intake", "maf-trims"))
    ('if trims alike', 'with trims')
    """
    if sight.refused:
        return "refused"
    if sight.follows != "no":
        return sight.follows
    return "if trims alike" if sight.trims_close else "measured fuel"
