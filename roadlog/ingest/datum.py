"""What a log's altitudes are above: mean sea level (the geoid) or the ellipsoid of WGS 84.

A heading or a log goes in; the surface that its altitudes refer to comes out, and altitudes above
the ellipsoid are carried to sea level where the geoid's height is known (method section 3). The two
surfaces lie up to about 100 m apart, around 45 m in much of Europe: 50 m are 0.6 kPa.

References
----------
Geoid models of the National Geospatial-Intelligence Agency range to about 100 m in absolute value
(P. Guth, MICRODEM help, US Naval Academy); the figure for Europe is from memory.
"""

import re
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pandas as pd

from roadlog.ingest.facts import Repair
from roadlog.ingest.log import ColumnMatch, Datum, Log
from roadlog.quantities.arrays import Floats
from roadlog.study.settings import RoadRule

ALTITUDE, GEOID = "altitude_m", "geoid_height_m"
SURFACES = {
    "sea level": "above mean sea level",
    "ellipsoid": "above the ellipsoid",
    "unknown": "above a surface that the log doesn't name",
}
UNEVEN_SHARE = 0.2  # of an arm's runs, as for other sources of the air's state
_SEA_LEVEL = re.compile(
    r"""\b(?:
    (?:(?:above|over)\s)?(?:the\s)?(?:mean\s)?sea\s?level | a?msl | orthometric
    | (?:above|over)\s(?:the\s)?geoid
    | (?:ü|über|ueber)\sn(?:h)?n | nhn | meereshöhe | meereshoehe
    | (?:au\sdessus\sdu\s)?niveau\sde\sla\smer | (?:sobre\sel\s)?nivel\sdel\smar
    | (?:sul\s)?livello\sdel\smare | (?:acima\sdo\s)?nível\sdo\smar | boven\szeeniveau
    | (?:nad\s)?poziomem\smorza | över\shavet | nadmořská | nadmorska
    )\b""",
    re.VERBOSE,
)
_ELLIPSOID = re.compile(
    r"""\b(?:
    (?:(?:above|over)\s)?(?:the\s)?(?:wgs\s?84\s)?(?:reference\s)?
    (?:ellipsoid|ellipsoidal|ellipsoidisch|ellipsoidische|ellipsoïdale|elipsoide|elipsoidal|ellissoide)
    | hae | (?:(?:above|over)\s)?wgs\s?84
    )\b""",
    re.VERBOSE,
)
_HUMP = re.compile(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")


@lru_cache(maxsize=4096)
def datum_of(header: str) -> Datum:
    """The surface that a heading names.

    >>> datum_of("Altitude above mean sea level (m)"), datum_of("alt_hae"), datum_of("Altitude")
    ('sea level', 'ellipsoid', 'unknown')
    """
    words = _plain(header)
    if _SEA_LEVEL.search(words):
        return "sea level"
    return "ellipsoid" if _ELLIPSOID.search(words) else "unknown"


def without_datum(header: str) -> str:
    """A heading less the words that name a surface; of `HAE` and `AMSL` alone, `altitude` is left.

    >>> without_datum("Altitude MSL [m]"), without_datum("HAE (m)")
    ('altitude [m]', 'altitude (m)')
    """
    words_before = _plain(header, keep="[](){}%.,;")
    words = _SEA_LEVEL.sub(" ", _ELLIPSOID.sub(" ", words_before))
    words = re.sub(r"[,;.]?\s*(?=[\])}])|(?<=[\[({])\s+", "", words)
    words = re.sub(r"\(\)|\[\]|{}", " ", words)
    name = " ".join(words.split())
    if re.match(r"\w", name) or not re.search(r"\b(?:hae|amsl)\b", words_before):
        return name
    return f"altitude {name}".strip()


def settled(log: Log, rule: RoadRule | None = None) -> Log:
    """The log with its altitudes above sea level, as far as log and study tell how.

    Parameters
    ----------
    log : Log
        Its `altitude_datum` as far as the file tells.
    rule : RoadRule, optional
        `altitude` says what a log leaves open, `geoid_height_m` what carries altitudes above the
        ellipsoid to sea level where the log has no geoid height of its own.

    Returns
    -------
    Log
        Altitudes and datum as settled, with a note on what was done.
    """
    if ALTITUDE not in log.frame or log.altitude_datum is None:
        return log
    datum, facts = log.altitude_datum, list(log.facts)
    if datum == "unknown" and rule is not None and rule.altitude is not None:
        datum = rule.altitude
        facts.append(Repair.DATUM_BY_RULE(surface=SURFACES[datum]))
    geoid = _geoid(log.frame, rule)
    if datum != "ellipsoid" or geoid is None:
        return replace(log, altitude_datum=datum, facts=tuple(facts))
    carried = Repair.GEOID_OF_LOG if GEOID in log.frame else Repair.GEOID_BY_RULE
    facts.append(carried(geoid_m=np.nanmedian(geoid)))
    altitude = log.frame[ALTITUDE].to_numpy(np.float64) - geoid
    return replace(
        log,
        frame=log.frame.assign(**{ALTITUDE: altitude}),
        altitude_datum="sea level",
        facts=tuple(facts),
    )


def datum_from(columns: Sequence[ColumnMatch]) -> Datum | None:
    """What the heading of the column that is used as altitude says; None if there is none."""
    used = [c.header for c in columns if c.signal == ALTITUDE]
    return datum_of(used[0]) if used else None


def uneven_datum(arms: Sequence[str], datums: Sequence[str | None]) -> str | None:
    """A sentence if the altitudes of the two arms aren't above the same surface.

    >>> uneven_datum(["baseline", "fitted"], ["unknown", "unknown"]) is None
    True
    """
    known = [(a, d) for a, d in zip(arms, datums, strict=True) if d is not None and a]
    table = pd.DataFrame(known, columns=["arm", "datum"])
    if table["arm"].nunique() < 2:
        return None
    share = pd.crosstab(table["datum"], table["arm"], normalize="columns")
    if (share.max(axis=1) - share.min(axis=1)).max() <= UNEVEN_SHARE:
        return None
    by_arm = "; ".join(
        f"{arm}: " + ", ".join(f"{100 * s[d]:.0f} % {SURFACES[d]}" for d in SURFACES if s.get(d))
        for arm, s in share.items()
    )
    return (
        f"the altitudes of the arms aren't above the same surface ({by_arm}): sea level and "
        "ellipsoid lie up to 100 m apart, and 50 m change the air density that is computed from "
        "height by 0.6 %: say it with altitude and geoid_height_m in [road]"
    )


def datum_counts(datums: Sequence[str | None]) -> str:
    """How many runs' altitudes are above what; empty if none has altitudes.

    >>> datum_counts(["sea level", "sea level", None])
    'above mean sea level in 2 runs'
    """
    counts = {d: sum(x == d for x in datums) for d in SURFACES}
    return ", ".join(
        f"{SURFACES[d]} in {n} run{'' if n == 1 else 's'}" for d, n in counts.items() if n
    )


def _geoid(frame: pd.DataFrame, rule: RoadRule | None) -> Floats | None:
    """The geoid's height [m] in every row: the log's own, even over gaps, or the study's."""
    if GEOID in frame and frame[GEOID].notna().any():
        return frame[GEOID].interpolate(limit_direction="both").to_numpy(np.float64)
    if rule is not None and rule.geoid_height_m is not None:
        return np.full(len(frame), rule.geoid_height_m)
    return None


def _plain(header: str, keep: str = "") -> str:
    text = _HUMP.sub(" ", header).lower()
    return " ".join(re.sub(rf"[^\w{re.escape(keep)}]|_", " ", text).split())
