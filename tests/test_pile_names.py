"""Two piles of logs may have a name: options say what a study.toml says of a study."""

import argparse
from pathlib import Path

import pytest

from roadlog.commands.sources import add_sources, chosen
from roadlog.errors import InputError
from roadlog.study.settings import Study


def told(folder: Path, *options: str) -> Study:
    parser = argparse.ArgumentParser()
    add_sources(parser)
    logs = sorted((folder / "logs").glob("*.csv"))
    piles = ["--baseline", str(logs[0]), "--fitted", str(logs[2])]
    return chosen(parser.parse_args([*piles, *options]))[0]


def test_piles_are_called_as_the_options_say(demo_study):
    study = told(demo_study, "--name", "Ring,\x1b spring", "--device", "Ring \u202e", "--column",
                 "V=speed_kmh[mph]")  # fmt: skip
    assert (study.name, study.device.name) == ("Ring, spring", "Ring")
    assert (study.label("baseline"), study.label("fitted")) == ("Ring out", "Ring in")
    assert study.columns["V"].unit == "mph"
    plain = told(demo_study)
    assert (plain.name, plain.label("fitted")) == ("two piles of logs", "fitted")


@pytest.mark.parametrize("option", ["--name", "--device"])
def test_a_name_needs_to_say_something_and_no_study(demo_study, option):
    with pytest.raises(InputError, match="blank"):
        told(demo_study, option, " \t")
    parser = argparse.ArgumentParser()
    add_sources(parser)
    with pytest.raises(InputError, match=f"{option} is for logs without a study"):
        chosen(parser.parse_args([str(demo_study), option, "x"]))
