"""RO-Crate metadata of an archive: its files and an `About` in, `ro-crate-metadata.json` out.

By the specification RO-Crate 1.2 (https://w3id.org/ro/crate/1.2): the archive as a data set with
licence and date, every file with format, size and SHA-256, the untrimmed logs that aren't
published, the software, and the action that made the results from the study.
"""

import difflib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Any

from roadlog.errors import InputError
from roadlog.publish.about import CODE, About

SPECIFICATION = "1.2"
METADATA = "ro-crate-metadata.json"
DEFAULT_LICENCE = "CC-BY-4.0"
# SPDX identifiers of licences meant for data, with name and address (https://spdx.org/licenses).
LICENCES = {
    "CC-BY-4.0": (
        "Creative Commons Attribution 4.0 International",
        "https://creativecommons.org/licenses/by/4.0/",
    ),
    "CC-BY-SA-4.0": (
        "Creative Commons Attribution Share Alike 4.0 International",
        "https://creativecommons.org/licenses/by-sa/4.0/",
    ),
    "CC-BY-NC-4.0": (
        "Creative Commons Attribution Non Commercial 4.0 International",
        "https://creativecommons.org/licenses/by-nc/4.0/",
    ),
    "CC0-1.0": (
        "Creative Commons Zero v1.0 Universal",
        "https://creativecommons.org/publicdomain/zero/1.0/",
    ),
    "ODbL-1.0": (
        "Open Data Commons Open Database License v1.0",
        "https://opendatacommons.org/licenses/odbl/1-0/",
    ),
    "ODC-By-1.0": (
        "Open Data Commons Attribution License v1.0",
        "https://opendatacommons.org/licenses/by/1-0/",
    ),
    "PDDL-1.0": (
        "Open Data Commons Public Domain Dedication & License 1.0",
        "https://opendatacommons.org/licenses/pddl/1-0/",
    ),
}
# Media types, registered with IANA where there is one; by the name's end, as no system's list says.
FORMATS = {
    ".csv": "text/csv",
    ".tsv": "text/tab-separated-values",
    ".html": "text/html",
    ".ics": "text/calendar",
    ".json": "application/json",
    ".jsonl": "application/jsonl",
    ".ndjson": "application/jsonl",
    ".toml": "application/toml",
    ".pdf": "application/pdf",
    ".png": "image/png",
    ".jpg": "image/jpeg",
    ".jpeg": "image/jpeg",
    ".svg": "image/svg+xml",
    ".tif": "image/tiff",
    ".tiff": "image/tiff",
    ".gpx": "application/gpx+xml",
    ".kml": "application/vnd.google-earth.kml+xml",
    ".tcx": "application/xml",
    ".tsr": "application/timestamp-reply",
    ".tsq": "application/timestamp-query",
    **dict.fromkeys((".txt", ".log", ".asc", ".dat", ".nmea", ".md", ".sha256"), "text/plain"),
}
_OTHER = "application/octet-stream"
# What a file is for, by its path's beginning; the first that fits.
ROLES = (
    ("study/study.toml", "What was planned and declared: vehicle, add-on, claim, schedule"),
    ("study/notes", "What the driver wrote down, day by day"),
    ("study/fills", "Fuel filled"),
    ("study/cans", "Fuel weighed"),
    ("study/weather", "Weather"),
    ("study/computed/registered", "What was registered before the first fitted run"),
    ("study/computed/looks", "Every look at the data"),
    ("study/computed/promised", "What the plan promised"),
    ("study/computed/sealed", "The sealed schedule: what the registered hash is of"),
    ("study/computed/seal", "When the schedule was sealed and opened"),
    ("study/computed/timestamps", "Time-stamps (RFC 3161) of what was registered"),
    ("study/trimmed.json", "How the logs were trimmed, and the untrimmed logs' SHA-256"),
    ("study/results/trials/", "Result of a trial beside the road test"),
    ("study/", "Part of the study that the results were made from"),
    ("results/results.json", "Every number of the published pages"),
    ("results/passes.csv", "One row for each pass over a segment: what the estimate is made from"),
    ("results/", "Published page or picture"),
    ("README.txt", "What this is, and how to compute it anew"),
    ("MANIFEST.sha256", "SHA-256 of every other file"),
    ("archive.json", "Settings, versions, and what trimmed logs can't tell"),
)


@dataclass(frozen=True)
class Part:
    """One file of the archive: path, size in bytes, SHA-256.

    The manifest has neither size nor hash here, because it holds the metadata's own hash.
    """

    name: str
    size: int | None = None
    sha256: str | None = None


def checked_licence(spdx: str) -> str:
    """The licence, if it is one for data that roadlog knows.

    Raises
    ------
    InputError
        If it isn't, with the nearest that is.

    >>> checked_licence("CC0-1.0")
    'CC0-1.0'
    """
    if spdx in LICENCES:
        return spdx
    by_case = {k.lower(): k for k in LICENCES}
    near = difflib.get_close_matches(spdx.lower(), by_case, n=1)
    hint = f"did you mean {by_case[near[0]]}?" if near else f"choose one of {', '.join(LICENCES)}"
    raise InputError(f"licence '{spdx}' is no SPDX identifier of a licence for data: {hint}")


def format_of(name: str) -> str:
    """Media type of a file by its name.

    >>> format_of("study/logs/drive.CSV"), format_of("logs/drive")
    ('text/csv', 'application/octet-stream')
    """
    return FORMATS.get(PurePosixPath(name).suffix.lower(), _OTHER)


def metadata(parts: Sequence[Part], about: About, summary: str) -> str:
    """The metadata document.

    Parameters
    ----------
    parts : sequence of Part
        Every file of the archive but the metadata itself.
    summary : str
        What came out, in a sentence or two, for the data set's description.
    """
    from rocrate.rocrate import ContextEntity, ROCrate

    crate = ROCrate(version=SPECIFICATION)
    files = {p.name: _file(crate, p, about) for p in sorted(parts, key=lambda p: p.name)}
    licence = LICENCES[checked_licence(about.licence)]
    root = crate.root_dataset
    root["name"] = f"{about.study}: fuel-economy road test, data and results"
    moved = " All dates are moved by an untold time, that of publication too."
    root["description"] = _synthetic(about) + summary + (moved if about.dates_moved else "")
    root["datePublished"] = about.published.date().isoformat()
    root["license"] = crate.add(
        ContextEntity(
            crate,
            licence[1],
            {"@type": "CreativeWork", "name": licence[0], "identifier": about.licence,
             "description": f"Licence of everything in this archive ({about.licence})"},
        )
    )  # fmt: skip
    root["keywords"] = ", ".join(
        ["fuel economy", "road test", "drive logs", *(["synthetic"] if about.synthetic else [])]
    )
    action = crate.add_action(
        _software(crate, about),
        identifier="#analysis",
        object=[f for n, f in files.items() if n.startswith("study/")],
        result=[f for n, f in files.items() if n.startswith("results/")],
        properties={
            "name": "Analysis",
            "description": "Made the results from the study's files",
            "endTime": about.published.isoformat(timespec="seconds"),
        },
    )
    root["mentions"] = action
    people = [
        crate.add(ContextEntity(crate, f"#author-{n}", {"@type": "Person", "name": name}))
        for n, name in enumerate(about.authors, start=1)
    ]
    if people:
        root["author"] = action["agent"] = people if len(people) > 1 else people[0]
    for entity in crate.get_entities():
        _compact(entity.properties())
    whole = crate.metadata.generate()
    return json.dumps(whole, indent=1, sort_keys=True, ensure_ascii=False) + "\n"


def _synthetic(about: About) -> str:
    return "SYNTHETIC DATA, made by a program, not measured. " if about.synthetic else ""


def _file(crate: Any, part: Part, about: About) -> Any:
    from rocrate.rocrate import ContextEntity

    role = next((text for start, text in ROLES if part.name.startswith(start)), "")
    if part.name.startswith("study/logs/"):
        role = "Log of a drive"
    properties = {
        "name": PurePosixPath(part.name).name,
        "description": _synthetic(about) * part.name.startswith("study/") + role,
        "encodingFormat": format_of(part.name),
    }
    if part.sha256 is not None:
        properties |= {"contentSize": str(part.size), "sha256": part.sha256}
    entity = crate.add_file(dest_path=part.name, properties=properties)
    whole = about.untrimmed_sha256.get(part.name.removeprefix("study/"))
    if whole is not None:
        entity["isBasedOn"] = crate.add(
            ContextEntity(
                crate,
                f"#untrimmed/{entity.id}",
                {"@type": "File", "name": f"Untrimmed log of {part.name}", "sha256": whole,
                 "description": "Not published: the ends of a drive can lead to a home"},
            )
        )  # fmt: skip
    return entity


def _software(crate: Any, about: About) -> Any:
    """roadlog, with every package that it needs as a requirement of it."""
    from rocrate.rocrate import ContextEntity

    needed = [
        crate.add(
            ContextEntity(
                crate,
                f"#software/{name}",
                {"@type": "SoftwareApplication", "name": name, "version": version},
            )
        )
        for name, version in about.versions.items()
        if name not in ("roadlog", CODE)
    ]
    return crate.add(
        ContextEntity(
            crate,
            "#software/roadlog",
            {
                "@type": "SoftwareApplication",
                "name": "roadlog",
                "version": about.versions.get("roadlog", "unknown"),
                "description": f"{CODE}: {about.versions.get(CODE, 'unknown')}",
                "softwareRequirements": needed,
            },
        )
    )


def _compact(properties: dict[str, Any]) -> None:
    """Lists of one value become the value, as compacted JSON-LD has it; empty ones go."""
    for key, value in list(properties.items()):
        if isinstance(value, list) and len(value) == 1 and not key.startswith("@"):
            properties[key] = value[0]
        elif value == []:
            del properties[key]
