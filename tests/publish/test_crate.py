"""The metadata held to RO-Crate 1.2, offline.

Source: the specification, https://w3id.org/ro/crate/1.2, sections "Root Data Entity", "Data
Entities", "RO-Crate Metadata", "Detailing provenance of entities" and the appendix on JSON-LD.
"""

import hashlib
import json
import re
import zipfile
from pathlib import Path
from urllib.parse import unquote

import pytest

from roadlog.errors import InputError
from roadlog.publish.crate import LICENCES, Part, checked_licence, format_of, metadata
from tests.publish.archives import about, archived, can_folder

ODD = "notes of day 5%, größer.csv"


@pytest.fixture(scope="module")
def crate(tmp_path_factory):
    folder = can_folder(tmp_path_factory.mktemp("crate") / "s", "Öl & <collar> 🚗")
    (folder / ODD).write_text("x")
    path = archived(folder, folder.parent / "a.zip", untrimmed_sha256={"notes.csv": "ab" * 32})
    with zipfile.ZipFile(path) as archive:
        files = {n: archive.read(n) for n in archive.namelist()}
    return files, json.loads(files["ro-crate-metadata.json"])


@pytest.fixture(scope="module")
def entities(crate):
    return {e["@id"]: e for e in crate[1]["@graph"]}


def references(value):
    if isinstance(value, list):
        return [r for v in value for r in references(v)]
    return [value["@id"]] if isinstance(value, dict) else []


def test_context_is_the_specifications_by_reference(crate):
    assert crate[1]["@context"] == "https://w3id.org/ro/crate/1.2/context"
    assert set(crate[1]) == {"@context", "@graph"}


def test_graph_is_flat_and_compact_with_one_entity_for_an_id(crate):
    graph = crate[1]["@graph"]
    ids = [e["@id"] for e in graph]
    assert len(ids) == len(set(ids))
    for entity in graph:
        assert entity["@type"]
        for key, value in entity.items():
            values = value if isinstance(value, list) else [value]
            assert values, key
            assert not (isinstance(value, list) and len(value) == 1), key
            for v in values:
                assert isinstance(v, str) or set(v) == {"@id"}, key


def test_descriptor_points_to_the_root_and_the_version(entities):
    descriptor = entities["ro-crate-metadata.json"]
    assert descriptor["@type"] == "CreativeWork"
    assert descriptor["about"] == {"@id": "./"}
    assert descriptor["conformsTo"] == {"@id": "https://w3id.org/ro/crate/1.2"}


def test_root_has_what_it_must_have(entities):
    root = entities["./"]
    assert root["@type"] == "Dataset"
    assert "Öl & <collar> 🚗" in root["name"]
    assert root["description"].startswith("SYNTHETIC")
    assert "synthetic" in root["keywords"]
    assert re.fullmatch(r"\d{4}-\d\d-\d\d", root["datePublished"])
    licence = entities[root["license"]["@id"]]
    assert (licence["@type"], licence["identifier"]) == ("CreativeWork", "CC-BY-4.0")
    assert licence["@id"].startswith("https://")
    assert licence["name"]


def test_every_file_is_described_and_every_described_file_is_there(crate, entities):
    files, _ = crate
    parts = {unquote(r) for r in references(entities["./"]["hasPart"])}
    assert parts == set(files) - {"ro-crate-metadata.json"}
    data = [e for e in entities.values() if e["@type"] == "File" and e["@id"][0] != "#"]
    assert {unquote(e["@id"]) for e in data} == parts


def test_ids_are_relative_addresses_without_odd_characters(crate, entities):
    for name in references(entities["./"]["hasPart"]):
        assert re.fullmatch(r"[\w.~%/-]+", name), name
        assert not name.startswith(("/", "../", "file:"))
    assert f"study/{ODD}" in {unquote(e) for e in entities}


def test_each_file_has_format_size_and_hash(crate, entities):
    files, _ = crate
    for name in references(entities["./"]["hasPart"]):
        entity, content = entities[name], files[unquote(name)]
        assert re.fullmatch(r"\w+/[\w.+-]+", entity["encodingFormat"])
        assert entity["name"]
        assert entity["description"]
        if name != "MANIFEST.sha256":  # which holds the metadata's own hash
            assert entity["contentSize"] == str(len(content))
            assert entity["sha256"] == hashlib.sha256(content).hexdigest()


def test_every_reference_leads_somewhere_and_every_entity_is_reached(entities):
    reached, left = set(), ["ro-crate-metadata.json"]
    while left:
        name = left.pop()
        if name in reached or name == "https://w3id.org/ro/crate/1.2":
            continue
        reached.add(name)
        left += [r for k, v in entities[name].items() if k != "@id" for r in references(v)]
    assert reached == set(entities)


def test_action_makes_the_results_from_the_study_by_roadlog(entities):
    action = next(e for e in entities.values() if e["@type"] == "CreateAction")
    assert "study/study.toml" in references(action["object"])
    assert "results/results.json" in references(action["result"])
    assert all(r.startswith("study/") for r in references(action["object"]))
    software = entities[action["instrument"]["@id"]]
    assert (software["@type"], software["name"]) == ("SoftwareApplication", "roadlog")
    needed = {
        entities[r]["name"]: entities[r] for r in references(software["softwareRequirements"])
    }
    assert {"numpy", "pandas", "scipy", "Python"} <= set(needed)
    assert all(re.match(r"\d", e["version"]) for e in needed.values())
    assert "agent" not in action  # nobody is named unless the user names somebody


def test_untrimmed_log_is_named_by_its_hash_alone(entities):
    whole = entities[entities["study/notes.csv"]["isBasedOn"]["@id"]]
    assert whole["sha256"] == "ab" * 32
    assert whole["@id"].startswith("#")


def test_authors_are_those_that_the_user_gives(tmp_path):
    folder = can_folder(tmp_path / "s")
    text = metadata([Part("study/study.toml", 1, "0")], about(folder, authors=("A", "B")), "")
    graph = {e["@id"]: e for e in json.loads(text)["@graph"]}
    assert [graph[r]["name"] for r in references(graph["./"]["author"])] == ["A", "B"]
    assert references(graph["#analysis"]["agent"]) == references(graph["./"]["author"])


@pytest.mark.parametrize(
    ("given", "hint"), [("cc-by-4.0", "CC-BY-4.0"), ("CC-BY-4", "CC-BY-4.0"), ("mine", "CC0-1.0")]
)
def test_unknown_licence_names_the_nearest(given, hint):
    with pytest.raises(InputError, match=hint):
        checked_licence(given)


def test_licences_have_names_and_addresses():
    assert {"CC-BY-4.0", "CC0-1.0", "ODbL-1.0"} <= set(LICENCES)
    assert all(name and url.startswith("https://") for name, url in LICENCES.values())


def test_format_comes_from_the_name_alone():
    assert format_of("a/b.PNG") == "image/png"
    assert format_of("token.tsr") == "application/timestamp-reply"  # RFC 3161, section 3.2
    assert format_of(str(Path("noname"))) == "application/octet-stream"
