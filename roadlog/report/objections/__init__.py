"""Each foreseeable objection of a seller or a sceptic, answered from one study's data.

An `Analysed` goes in (facts only: no answer reads a sentence back); each `Objection` and the page
of all come out. Where the data say nothing, the answer is that this study can't tell, and what
would.
"""

from roadlog.analysis.result import Analysed
from roadlog.report.objections.build_up import carry_over, looked_often, needs_more_kilometres
from roadlog.report.objections.conditions import (
    cold_engine,
    other_fuel,
    tyres_and_load,
    weather,
)
from roadlog.report.objections.conduct import (
    chosen_days,
    fitted_properly,
    stopped_early,
    thrown_away,
    too_few_days,
    who_paid,
)
from roadlog.report.objections.driving import air_conditioning, driven_differently, driver_knew
from roadlog.report.objections.fuel_figure import logger_cannot_see, sensor_bent
from roadlog.report.objections.objection import Number, Objection, Source
from roadlog.report.objections.roads import one_route, only_some_roads, only_this_car

__all__ = ["Number", "Objection", "Source", "objections"]

_ASKED = (
    needs_more_kilometres,
    fitted_properly,
    logger_cannot_see,
    too_few_days,
    only_some_roads,
    one_route,
    only_this_car,
    other_fuel,
    carry_over,
    driven_differently,
    driver_knew,
    stopped_early,
    chosen_days,
    thrown_away,
    weather,
    air_conditioning,
    cold_engine,
    tyres_and_load,
    sensor_bent,
    looked_often,
    who_paid,
)


def objections(analysed: Analysed) -> tuple[Objection, ...]:
    """What sellers, then sceptics, will say, each with this study's answer.

    >>> import roadlog
    >>> result = roadlog.analyse(*roadlog.open_study("sample_logs"))
    >>> first = objections(result)[0]
    >>> first.said, first.answered
    ('It needs more kilometres before it works; the engine has to learn it.', 'partly')
    """
    return tuple(ask(analysed) for ask in _ASKED)
