"""Many testers' archives on one add-on: what counts, what doesn't and why, and what is said."""

import csv
import datetime as dt
import errno
import hashlib
import io
import json
import math
import os
import re
import shutil
import zipfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from roadlog.cli import main
from roadlog.demo import make_study
from roadlog.errors import DesignError, InputError
from roadlog.ingest.copied import changes_of
from roadlog.plan.register import register
from roadlog.plan.result import Oversight, Stamped
from roadlog.publish.archive import _write, write_archive
from roadlog.publish.pool.apart import (
    counted_once,
    measured_only,
    named,
    one_plan_each,
    require_one_claim,
    require_one_device,
)
from roadlog.publish.pool.entry import Entry, Refused, registered
from roadlog.publish.pool.known import LEAST_STUDIES, known
from roadlog.publish.pool.page import known_page
from roadlog.publish.pool.told import as_json, screen, table
from roadlog.publish.pool.trust import asked
from roadlog.publish.recheck import recheck
from roadlog.publish.write import publish
from roadlog.stats.interval import Interval, percent
from roadlog.study.folder import load_study
from roadlog.wording.answer import Claimed
from tests.closure.test_ledger_only import can_study, schedule
from tests.publish.archives import about, repacked, results_of
from tests.publish.conftest import wide_pictures_only
from tests.publish.test_recheck import forged_result, signed_anew

TWELVE = Claimed("economy", 12, -100 * 12 / 112)
PUBLISHED = dt.datetime(2026, 4, 1, tzinfo=dt.UTC)
DEVICE = '[device]\nname = "Bramble collar"\n'


def entry(change: float, se: float = 0.01, df: float = 8.0, **more: object) -> Entry:
    """A study of a change [log of fuel use]."""
    n = f"{change}{se}{df}{sorted(more.items())!r}"
    plain = {
        "path": "a.zip",
        "sha256": hashlib.sha256(n.encode()).hexdigest(),
        "name": "a test",
        "device": "Bramble collar",
        "claim": TWELVE,
        "published": PUBLISHED,
        "dates_moved": False,
        "synthetic": False,
        "interval": Interval(percent(change), percent(change - 2 * se), percent(change + 2 * se)),
        "change": change,
        "se": se,
        "df": df,
        "margin": 0.002,
        "word": None,
        "registered": "none",
        "fingerprint": None,
        "root_sha256": None,
        "by_chance": True,
        "units": (6, 6),
        "switched_by": "day",
        "drives": 24,
        "control_drives": 0,
        "km": 400.0,
        "vehicle": "1.8 L, petrol E10",
        "authors": (),
        "driver": "The driver knew.",
        "dates": "2026-03-02 to 2026-03-13",
        "estimator": "maf",
        "other_code": False,
        "logs": frozenset(),
        "weighed": frozenset(),
    }
    return Entry(**{**plain, **more})  # type: ignore[arg-type]


def pooled(changes, claim=TWELVE, refused=(), **more):
    return known("Bramble collar", claim, [entry(c, **more) for c in changes], refused)


@pytest.fixture(scope="module")
def archives(tmp_path_factory) -> list[Path]:
    """Five testers with weighed cans, made in a second; the first registered its plan."""
    folder = tmp_path_factory.mktemp("pool")
    made = []
    for i in range(5):
        study = folder / f"study{i}"
        study.mkdir()
        name = f'name = "tester {i}"\nsynthetic = true\n{DEVICE}'
        cans = can_study(schedule(4, seed=i), effect=0.002 * i, claim="economy_pct = 12", seed=i)
        (study / "study.toml").write_text(name + cans, encoding="utf-8")
        if i == 0:
            register(study, load_study(study), dt.datetime(2026, 2, 20, 20, 0, tzinfo=dt.UTC))
        made.append(folder / f"{i}.zip")
        write_archive(study, results_of(study), made[-1], about=about(study))
    return made


def test_testers_archives_become_one_answer_in_three_files(archives, tmp_path, capsys):
    assert main(["pool", *map(str, archives), "--out", str(tmp_path / "a")]) == 0
    said = capsys.readouterr().out
    assert "ruled out by this pool of 5 synthetic tests" in " ".join(said.split())
    found = json.loads((tmp_path / "a" / "pool.json").read_text())
    assert found["synthetic"]
    assert found["finding"] == "refuted"
    assert [p["studies"] for p in found["registered_apart"]] == [0, 1, 4]
    assert sum(s["weight"] for s in found["studies"]) == pytest.approx(1)
    page = (tmp_path / "a" / "what-is-known.html").read_text()
    assert "SYNTHETIC DATA" in page
    assert page.count("(synthetic)") == 5
    plan = next(s["fingerprint"] for s in found["studies"] if s["fingerprint"])
    again = [*map(str, reversed(archives)), "--out", str(tmp_path / "b")]
    assert main(["pool", *again]) == 0
    for name in ("pool.json", "studies.csv", "what-is-known.html"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()
    few = [*map(str, archives[:2]), "--out", str(tmp_path / "c")]
    assert main(["pool", *few, "--fingerprint", plan, "--fingerprint", "ab" * 32]) == 0
    found = json.loads((tmp_path / "c" / "pool.json").read_text())
    assert [p["studies"] for p in found["registered_apart"]] == [1, 0, 1]
    assert found["plans_without_result"] == ["ab" * 32]
    assert found["finding"] == "undecided"
    assert found["answer"]["claim"] == "no answer"


def forged_and_signed(files):
    forged_result(files)
    signed_anew(files)


def test_what_doesnt_recheck_is_listed_and_not_pooled(archives, tmp_path, capsys):
    forged = repacked(archives[0], tmp_path / "forged.zip", forged_and_signed)
    changed = tmp_path / "changed.zip"
    data = bytearray(archives[1].read_bytes())
    data[len(data) // 2] ^= 1
    changed.write_bytes(bytes(data))
    nested = repacked(
        archives[2], tmp_path / "nested.zip",
        lambda files: files.update({"study/inner.zip": archives[3].read_bytes()}),
    )  # fmt: skip
    broken = repacked(
        archives[2], tmp_path / "broken.zip",
        lambda files: files.update({"study/study.toml": b"nonsense = [ <b>"}),
    )  # fmt: skip
    text = tmp_path / "no.zip"
    text.write_text("no zip at all")
    copy = tmp_path / "copy.zip"
    shutil.copy(archives[3], copy)
    given = [forged, changed, nested, broken, text, tmp_path, archives[3], copy, archives[4]]
    assert main(["pool", *map(str, given), "--out", str(tmp_path / "out")]) == 0
    capsys.readouterr()
    found = json.loads((tmp_path / "out" / "pool.json").read_text())
    assert len(found["studies"]) == 2
    why = {Path(r["archive"]).name: r["why"] for r in found["not_pooled"]}
    assert "doesn't recheck" in why["forged.zip"]
    assert "damaged" in why["changed.zip"] or "recheck" in why["changed.zip"]
    assert "not in the manifest" in why["nested.zip"]
    assert "no whole zip" in why["no.zip"]
    assert "folder" in why[tmp_path.name]
    twice = [w for w in why.values() if w == "it is there twice: counted once"]
    assert len(twice) == 1
    assert "study.toml" in why["broken.zip"]
    page = (tmp_path / "out" / "what-is-known.html").read_text()
    assert all(name in page for name in why)
    # nothing of this computer's folders, nor of those that archives were unpacked in
    assert str(tmp_path.parent) not in page
    assert "roadlog-pool-" not in page


def test_names_that_no_text_can_hold_and_copies_come_out_alike_in_any_order(archives, tmp_path):
    """A file's name may be any bytes; which of two copies counts must not hang on their order."""
    odd = tmp_path / os.fsdecode(b"\xff\xfe\n<b>.zip")
    shutil.copy(archives[0], odd)
    shutil.copy(archives[0], tmp_path / "-x.zip")
    given = [odd, tmp_path / "-x.zip", *archives[:2]]
    pages = set()
    for order in (given, given[::-1]):
        out = ["--out", str(tmp_path / "out")]
        assert main(["pool", *out, "--", *map(str, order)]) == 0
        pages.add((tmp_path / "out" / "pool.json").read_bytes())
    assert len(pages) == 1
    found = json.loads(pages.pop())
    assert len(found["studies"]) == 2
    assert {r["archive"] for r in found["not_pooled"]} <= {"-x.zip", "?? <b>.zip", "0.zip"}


def test_an_archive_that_makes_the_program_fail_costs_no_other(archives, tmp_path, monkeypatch):
    def failing(opened, **given):
        if opened.about.study == "tester 2":
            raise KeyError(f"{opened.folder}/x", "no such column")
        return recheck(opened, **given)

    monkeypatch.setattr("roadlog.publish.pool.gather.recheck", failing)
    assert main(["pool", *map(str, archives), "--out", str(tmp_path)]) == 0
    found = json.loads((tmp_path / "pool.json").read_text())
    assert len(found["studies"]) == 4
    (out,) = found["not_pooled"]
    assert out["archive"] == "2.zip"
    assert "makes roadlog fail (KeyError: ('x', 'no such column'))" in out["why"]


def test_a_full_disk_ends_the_work_instead_of_costing_a_study(
    archives, tmp_path, monkeypatch, capsys
):
    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device", "/tmp/x")

    monkeypatch.setattr("roadlog.publish.pool.gather.open_archive", full)
    assert main(["pool", *map(str, archives), "--out", str(tmp_path / "out")]) == 2
    assert "make room and try again" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_a_place_that_cant_be_written_to_is_told_before_the_long_work(archives, tmp_path, capsys):
    (tmp_path / "file").write_text("")
    (tmp_path / "out" / "pool.json").mkdir(parents=True)
    for out in (tmp_path / "file", tmp_path / "file" / "below", tmp_path / "out"):
        assert main(["pool", *map(str, archives), "--out", str(out)]) == 2
        assert f"--out {out}" in capsys.readouterr().err
    assert [p.name for p in (tmp_path / "out").iterdir()] == ["pool.json"]


def test_one_archive_left_is_no_pool_and_the_others_are_told(archives, tmp_path, capsys):
    text = tmp_path / "no.zip"
    text.write_text("no zip at all")
    assert main(["pool", str(archives[0]), str(text), "--out", str(tmp_path / "out")]) == 1
    said = capsys.readouterr()
    assert "no whole zip" in " ".join(said.out.split())
    assert "only one of 2 archives can be pooled" in said.err
    assert "an earlier pool's" not in said.err
    assert not (tmp_path / "out").exists()


def test_a_drive_whose_log_is_known_whole_and_trimmed_is_shared_once():
    """A study published again "shared 48 of its 24 drives"."""
    whole, shown = (frozenset(f"{kind}{n}" for n in range(24)) for kind in ("whole", "shown"))
    one, again = (
        entry(change, logs=whole | shown, whole_logs=whole, drives=24) for change in (0.0, 0.001)
    )
    (out,) = counted_once([one, again])[1]
    assert "it shares 24 of its 24 drives with" in out.why
    part = replace(one, logs=frozenset({"whole1", "shown1"}), whole_logs=frozenset({"whole1"}))
    assert "it shares 1 of its 24 drives" in counted_once([again, part])[1][0].why
    untrimmed = replace(one, logs=whole, whole_logs=frozenset())
    assert "it shares 24 of its 24 drives" in counted_once([again, untrimmed])[1][0].why


def test_a_page_of_an_earlier_pool_isn_t_taken_for_the_answer(archives, tmp_path, capsys):
    """It stayed beside "only one can be pooled", as if it were of these archives."""
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "what-is-known.html").write_text("earlier")
    assert main(["pool", str(archives[0]), "--out", str(tmp_path / "out")]) == 1
    assert "what-is-known.html is an earlier pool's, and says nothing of these" in " ".join(
        capsys.readouterr().err.split()
    )
    assert (tmp_path / "out" / "what-is-known.html").read_text() == "earlier"


def test_a_missing_file_is_a_slip_and_no_archives_fault(archives, tmp_path, capsys):
    assert main(["pool", str(archives[0]), str(tmp_path / "nobody.zip")]) == 2
    assert "no such file" in capsys.readouterr().err


def test_a_trimmed_or_renamed_copy_counts_once_the_later_one():
    a = entry(0.0, logs=frozenset({"aa"}))
    later = replace(a, sha256="b" * 64, published=PUBLISHED + dt.timedelta(days=9), change=0.01)
    kept, out = counted_once([a, later, entry(0.002)])
    assert later in kept
    assert len(kept) == 2
    assert "published later (2026-04-10): the later counts" in out[0].why


def test_settings_tried_later_on_anothers_drives_dont_oust_a_plan_that_was_kept():
    logs = {"logs": frozenset({"aa"}), "path": "b.zip"}
    planned = entry(0.0, registered="by its own word", **logs)
    tried = entry(-0.2, published=PUBLISHED + dt.timedelta(days=9), **logs)
    kept, out = counted_once([tried, planned])
    assert kept == [planned]
    assert "keeps to a plan registered first: that one counts" in out[0].why


def test_one_plan_vouches_for_one_study():
    """Else a plan that was shown in public could be tried until it pleases, or lent."""
    twice = [entry(c, registered="vouched for", fingerprint="ab") for c in (0.0, 0.01)]
    alone = entry(0.02, registered="vouched for", fingerprint="cd")
    late = entry(0.03, registered="late", fingerprint="cd")
    found = one_plan_each([*twice, alone, late])
    assert [e.registered for e in found] == ["of several", "of several", "vouched for", "late"]
    assert [len(p.entries) for p in known("x", TWELVE, found, []).parts] == [1, 0, 3]


def test_recoded_logs_are_known_by_what_stands_in_them():
    rng = np.random.default_rng(1)
    speed = np.round(np.abs(np.cumsum(rng.standard_normal(900))), 1)
    other = np.round(np.abs(np.cumsum(rng.standard_normal(900))), 1)
    whole, cut, apart = (changes_of(v) for v in (speed, speed[150:-150], other))
    a, b, c = (entry(x, marks=(m,)) for x, m in ((0.0, whole), (0.01, cut), (0.02, apart)))
    kept, out = counted_once([a, b, c])
    assert len(kept) == 2
    assert c in kept
    assert "shares 1 of its 24 drives" in out[0].why


def test_moved_dates_dont_tell_which_is_later():
    a = entry(0.0, logs=frozenset({"aa"}), units=(6, 6))
    b = entry(0.0, logs=frozenset({"aa"}), dates_moved=True, units=(9, 9),
              published=PUBLISHED + dt.timedelta(days=900))  # fmt: skip
    kept, out = counted_once([a, b])
    assert kept == [a]
    assert "can't be told" in out[0].why


def test_cans_that_weigh_alike_by_accident_are_two_studies():
    a = entry(0.0, weighed=frozenset({(34.0, 2.1), (34.0, 2.2), (34.0, 2.3), (34.0, 2.4)}))
    b = entry(0.01, weighed=frozenset({(34.0, 2.1), (34.0, 2.5), (34.0, 2.6), (34.0, 2.7)}))
    assert len(counted_once([a, b])[0]) == 2
    assert len(counted_once([a, replace(b, weighed=a.weighed)])[0]) == 1


def test_invented_data_never_stand_beside_measured_ones():
    kept, out = measured_only([entry(0.0), entry(-0.2, synthetic=True), entry(0.01)])
    assert [e.synthetic for e in kept] == [False, False]
    assert "program" in out[0].why
    assert measured_only([entry(0.0, synthetic=True)])[1] == []


def one_device(*names, together=None):
    return require_one_device([(f"{i}.zip", n) for i, n in enumerate(names)], together)


def one_claim(*claims, given=None):
    return require_one_claim([(f"{i}.zip", c) for i, c in enumerate(claims)], given)


def test_several_add_ons_are_refused_unless_the_user_says_they_are_one():
    assert one_device("Bramble collar", "bramble-COLLAR", "Bramble collar") == "Bramble collar"
    with pytest.raises(InputError, match=r"2 add-ons: 'Bramble collar' \(0.zip\), 'Thorn"):
        one_device("Bramble collar", "Thorn ring")
    with pytest.raises(InputError, match="no study says"):
        one_device("add-on", "add-on")
    assert one_device("Bramble collar", "add-on", together="Bramble") == "Bramble"
    with pytest.raises(InputError, match="--device is empty"):
        one_device("Bramble collar", together=" \n")


@pytest.mark.parametrize(
    ("one", "other"),
    [("Collar 1.5", "Collar 15"), ("Collar", "Collar+"), ("\N{ROCKET}", "\N{FIRE}"),
     ("ring \N{ROCKET}", "ring \N{FIRE}"), ("कि", "का"), ("Ring", "R\u0456ng"),
     ("Ring 1", "Ring 2"), ("Ring A", "Ring Á")],
)  # fmt: skip
def test_what_tells_two_models_apart_stays(one, other):
    assert named(one) != named(other)


@pytest.mark.parametrize(
    ("one", "other"),
    [("Cafe\u0301 ring", "Caf\u00e9 Ring\u200b"), ("Ring (v2)", "ring V2"), ("Ring®", " RING "),
     ("Straßenring", "STRASSENRING"), ("Ｒｉｎｇ\u00a01", "ring-1"), ("a, b.", "A B")],
)  # fmt: skip
def test_one_name_is_one_however_it_is_written(one, other):
    assert named(one) == named(other)


def test_a_claim_that_none_can_make_is_told_in_our_words(capsys):
    assert main(["pool", "anna.zip", "--claim-economy", "nan"]) == 2
    said = capsys.readouterr().err
    assert "give a number that is finite" in said
    assert "Input should" not in said


def test_one_claim_in_either_quantity_is_one_and_two_are_refused():
    fuel = Claimed("fuel_use", 10.7, -10.7)
    assert one_claim(TWELVE, fuel, None, TWELVE) == TWELVE
    with pytest.raises(InputError, match=r"different claims .* in 0.zip, 12 % less fuel in 1.zip"):
        one_claim(TWELVE, Claimed("fuel_use", 12, -12))
    assert one_claim(None, None) is None


def test_three_studies_give_a_range_and_no_word():
    assert LEAST_STUDIES == 4
    three, four = pooled([0.0, 0.001, -0.001]), pooled([0.0, 0.001, -0.001, 0.002])
    assert (three.word, four.word) == ("undecided", "refuted")
    assert three.answer.outcome == "no answer"
    assert three.answer.range_pct is not None
    assert "4 tests at least" in three.answer.text


def test_one_study_may_not_decide_for_all():
    """Four studies about a claim of 10 %, and a fifth that drags the range over it."""
    claim = Claimed("fuel_use", 10, -10)
    four = [entry(c, se=0.01) for c in (-0.108, -0.112, -0.104, -0.116)]
    assert known("x", claim, four, []).word == "undecided"
    loud = known("x", claim, [*four, entry(-0.116, se=0.002, df=200)], [])
    assert loud.interval.high < -10
    assert loud.word == "undecided"
    assert "one study may not decide for all" in " ".join(loud.reasons)
    assert loud.answer.outcome == "not settled"
    assert "*" not in loud.answer.title


def test_a_study_whose_arms_were_swapped_stands_apart_and_stays_in():
    """It isn't left out for its result, but whoever reads sees it and where to look."""
    eight = [-0.081, -0.079, -0.084, -0.08, -0.077]
    found = pooled([*eight, 0.086], Claimed("fuel_use", 3, -3))
    assert [found.entries[i].change for i in found.influence.apart] == [0.086]
    (said,) = (q.answer for q in asked(found) if q.label == "One by one")
    assert re.search(r"stands apart: \+6.8 to \+11.2 %, all others together -[89].* to -[67]", said)
    assert "right way round" in said
    assert "†" in known_page(found)
    assert "stands apart" in " ".join(" ".join(screen(found)).split())
    assert pooled([*eight, -0.083]).influence.apart == ()


def test_studies_by_one_author_in_one_car_decide_as_one():
    own = {"authors": ("Anna  B.",)}
    others = [entry(c) for c in (0.0, 0.001)]
    one_car = [entry(c, authors=(a,)) for c, a in ((0.002, "Anna B."), (0.003, "anna b"))]
    found = known("x", TWELVE, [*others, *one_car, entry(0.004, **own)], [])
    assert found.word == "undecided"
    assert "tests of 4 cars at least" in found.reasons[0]
    assert "these are 3" in found.answer.text
    assert sorted(map(len, found.influence.cars)) == [1, 1, 3]
    unlike = [replace(e, vehicle=f"car {i}") for i, e in enumerate(one_car)]
    assert known("x", TWELVE, [*others, *unlike, entry(0.004, **own)], []).word == "refuted"


def test_one_car_tested_often_may_not_decide_for_all():
    """Five of nine by one author in one car: left out one by one, each has the other four."""
    claim = Claimed("fuel_use", 3, -3)
    mine = [entry(-0.06 - c, 0.004, 30, authors=("Anna",)) for c in (0, 0.001, 0.002, 0.003, 0.004)]
    rest = [entry(-0.034 - c, 0.004, 30) for c in (0.0, 0.004, -0.003, 0.003)]
    bare = [replace(e, authors=()) for e in mine]
    assert known("x", claim, [*bare, *rest], []).word == "supported"
    found = known("x", claim, [*mine, *rest], [])
    assert found.word == "undecided"
    assert "one car may not decide for all" in found.reasons[0]
    (said,) = (q.answer for q in asked(found) if q.label == "One by one")
    assert "By one author in one car, and left out together" in said


@pytest.mark.parametrize(
    ("kinds", "changes", "said"),
    [
        (("none",) * 4, (0, 0.01, 0, 0.01), "None has a plan"),
        (("by its own word",) * 4, (0, 0.01, 0, 0.01), "some by their author's own word only"),
        (("vouched for",) * 4, (0, 0.01, 0, 0.01), "Every study has a plan that was kept."),
        (("none",) * 3 + ("vouched for",), (0, 0.01, 0, 0.01), "1 with a plan and 3 without"),
        (("none",) * 3 + ("vouched for",) * 3, (0, 0.01, 0.005) * 2, "tell the same as the others"),
        (("late",) * 3 + ("vouched for",) * 3, (-0.1, -0.11, -0.105, 0, 0.01, 0.005),
         "tell more fuel than the others: trust them more"),
    ],
)  # fmt: skip
def test_what_was_agreed_beforehand_is_held_against_the_rest(kinds, changes, said):
    entries = [entry(c, registered=r) for c, r in zip(changes, kinds, strict=True)]
    (told,) = (q.answer for q in asked(known("x", TWELVE, entries, [])) if q.label == "Registered")
    assert said in told


def test_where_driving_was_never_logged_it_isnt_said_to_be_worth_nothing():
    cans = [entry(c, estimator="ledger", margin=0.0) for c in (0.0, 0.001, 0.002)]
    found = known("x", TWELVE, [*cans, entry(0.003, estimator="ledger", margin=0.0)], [])
    assert "weather and traffic are part of the range" in found.answer.text
    assert "0.0 points" not in known_page(found)
    mixed = known("x", TWELVE, [*cans, entry(0.003)], [])
    assert "part of the range" not in mixed.answer.text
    assert "part of the range in 3 that only weighed or filled" in known_page(mixed)


def test_studies_that_differ_and_that_agree_are_told_apart():
    alike, unlike = pooled([0.0, 0.001, 0.002, 0.0]), pooled([-0.05, 0.05, -0.06, 0.04])
    agree, differ = (asked(k)[0] for k in (alike, unlike))
    assert "no more than their own uncertainty explains" in agree.answer
    assert "could hide in it" in agree.answer
    assert "hangs on the car" in differ.answer
    assert dict(differ.figures)["Cochran's Q"].endswith("p < 0.001")


def test_more_and_less_fuel_keep_their_signs():
    assert pooled([-0.06, -0.061, -0.059, -0.062, -0.06]).answer.shows == "less"
    more = pooled([0.06, 0.061, 0.059, 0.062, 0.06])
    assert more.answer.shows == "more"
    assert more.interval.low == pytest.approx(6, abs=1.5)
    assert more.word == "refuted"


def test_supported_takes_the_whole_range_whichever_study_is_left_out():
    found = pooled([-0.15, -0.152, -0.149, -0.151, -0.155])
    assert found.word == "supported"
    assert found.answer.outcome == "borne out"
    assert "on average over these cars and roads" in found.answer.title


def test_driving_and_air_widen_what_a_word_must_clear():
    claim = Claimed("fuel_use", 2, -2)
    assert pooled([0.0, 0.001, 0.0, 0.001], claim, se=0.004).word == "refuted"
    held = pooled([0.0, 0.001, 0.0, 0.001], claim, se=0.004, margin=0.03)
    assert held.word == "undecided"
    assert "3.0 points" in held.reasons[0]


def test_small_studies_that_alone_tell_a_saving_forbid_the_word():
    se = np.linspace(0.005, 0.06, 14)
    entries = [entry(-0.12 - 2.5 * s, se=s, df=30) for s in se]
    found = known("x", Claimed("fuel_use", 10, -10), entries, [])
    assert found.slant is not None
    assert found.slant.p < 0.05
    assert found.word == "undecided"
    assert "never shown" in " ".join(found.reasons)


def test_a_hundred_twice_are_pooled_in_seconds_and_the_picture_stays_small():
    rng = np.random.default_rng(4)
    entries = [entry(c, se=0.01 + 0.02 * u) for c, u in rng.random((200, 2)) / 50]
    found = known("x", TWELVE, entries, [])
    page = known_page(found)
    assert page.count("<tr>") > 200
    assert "the 30 heaviest of 200 are drawn" in page
    assert len(page) < 600_000
    assert math.isclose(sum(found.pooled.mean.weights), 1)


@pytest.mark.parametrize(
    "name", ["<script>alert(1)</script>", "\N{ROCKET} test", "اختبار الوقود", "a\u202eb", "=1+1"]
)
def test_any_name_stays_a_name(name):
    found = known(name, TWELVE, [entry(c, name=name) for c in (0.0, 0.01, -0.01)],
                  [Refused(f"{name}.zip", name, "why")])  # fmt: skip
    page = known_page(found)
    assert "<script>alert" not in page
    assert json.loads(as_json(found))["studies"][0]["study"] == name
    rows = list(csv.DictReader(io.StringIO(table(found))))
    assert not rows[0]["study"].startswith("=")
    assert all(len(line) <= 90 for line in screen(found))


def test_nothing_of_what_is_left_out_is_hidden():
    out = [Refused("x.zip", "a pilot", "it isn't over: 4 of 12 planned switch units are in")]
    found = pooled([0.0, 0.01, 0.0, -0.01], refused=out)
    assert "4 of 12 planned" in known_page(found)
    assert "4 of 12 planned" in table(found)
    assert "4 of 12 planned" in " ".join(" ".join(screen(found)).split())


def test_a_root_that_came_with_the_study_vouches_for_nothing():
    stamp = Stamped("2026-02-20T20:00:00+00:00", "me", "my root", "cc" * 32, "given", "aa" * 32)
    look = pooled([0.0, 0.01]).entries[0]  # any
    assert look.registered == "none"
    seen = Oversight("2026-02-20T20:00+00:00", "aa" * 32, False, 1, (), None, None, (), False,
                     stamped=stamp)  # type: ignore[arg-type] # fmt: skip
    none: frozenset[str] = frozenset()
    assert registered(seen, none, none) == "by its own word"
    assert registered(seen, frozenset({"cc" * 32}), none) == "vouched for"
    assert registered(seen, none, frozenset({"aa" * 32})) == "vouched for"
    assert registered(replace(seen, changes=("claim: 1 -> 2",)), frozenset({"cc" * 32}), none) == (
        "changed since"
    )
    late = replace(seen, registered_late=True)
    assert registered(late, frozenset({"cc" * 32}), frozenset({"aa" * 32})) == "late"
    assert registered(replace(seen, stamp_late=True), frozenset({"cc" * 32}), none) == (
        "by its own word"
    )


def test_a_standard_error_that_is_known_for_certain_is_pooled_too():
    found = pooled([0.0, 0.01, 0.0, -0.01], df=math.inf)
    assert found.word == "refuted"
    assert json.loads(as_json(found))["studies"][0]["df"] is None


def test_fewer_than_two_are_no_pool():
    out = Refused("a", "", "why")
    for entries, refused, said in (
        ([entry(0.0)], [out], "only one of 2 archives .* against the others is listed"),
        ([], [out], "none of 1 archives .* against them is listed"),
        ([entry(0.0)], [], "one archive is no pool"),
    ):
        with pytest.raises(DesignError, match=said):
            known("x", TWELVE, entries, refused)


def by_another_version(path, to, change):
    def forge(files):
        about = json.loads(files["archive.json"])
        about["versions"]["roadlog"] = "0.0.1"
        files["archive.json"] = json.dumps(about).encode()
        numbers = json.loads(files["results/results.json"])
        change(numbers)
        files["results/results.json"] = json.dumps(numbers).encode()
        signed_anew(files)

    return repacked_as_written(path, to, forge)


def of_the_future(files):
    files["study/study.toml"] += b"\n[from_the_future]\nx = 1\n"
    signed_anew(files)


def test_another_version_may_have_other_keys_but_no_other_numbers(archives, tmp_path):
    """Nor none at all: an archive that publishes nothing agrees with everything."""
    forged = {
        "fewer": lambda r: [r.pop(k) for k in ("oversight", "crosschecks", "segments")],
        "more": lambda r: r.update(novel={"a": [1, {"b": 2}]}, schema=9),
        "unlike": lambda r: r["fuel_use_change_pct"].update(low=-9.0),
        "nothing": lambda r: [r.pop(k) for k in [*r] if k != "schema"],
        "later": lambda _: None,
    }
    given = [
        by_another_version(archives[i], tmp_path / f"{name}.zip", change)
        for i, (name, change) in enumerate(forged.items())
    ]
    given[-1] = repacked_as_written(given[-1], given[-1], of_the_future)
    assert main(["pool", *map(str, given), "--out", str(tmp_path)]) == 0
    found = json.loads((tmp_path / "pool.json").read_text())
    assert {s["archive"] for s in found["studies"]} == {"fewer.zip", "more.zip"}
    why = {r["archive"]: r["why"] for r in found["not_pooled"]}
    assert "fuel_use_change_pct / low" in why["unlike.zip"]
    assert "publishes no change" in why["nothing.zip"]
    assert "'from_the_future' is not known" in why["later.zip"]
    assert "made by roadlog 0.0.1; here is" in why["later.zip"]


def test_the_page_asks_no_network_and_says_what_cant_be_seen():
    page = known_page(pooled([0.0, 0.01, 0.0, -0.01]))
    assert "Studies that nobody published" in page
    assert "it takes at least 10" in page
    assert not re.search(r'(?:src|href)="(?!#)', page)


@pytest.mark.slow
def test_three_demos_published_and_one_of_them_again_otherwise_trimmed(tmp_path, capsys):
    """Real archives of trimmed logs: the second one of the first study, with other cut ends and
    moved dates, is known by what stands in its logs even if it hides where they come from."""
    made = []
    with wide_pictures_only():
        for seed in (1, 2, 3):
            study = tmp_path / f"study{seed}"
            make_study(study, days=8, seed=seed)
            publish(study, tmp_path / f"out{seed}", today=dt.date(2026, 4, seed))
            made.append(tmp_path / f"out{seed}" / "archive.zip")
        (tmp_path / "study1" / "computed" / "private.json").unlink()
        publish(tmp_path / "study1", tmp_path / "again", clock="shifted")

    def hide(files):
        said = json.loads(files["archive.json"])
        said["untrimmed_sha256"] = {}
        files["archive.json"] = (json.dumps(said, indent=1, ensure_ascii=False) + "\n").encode()
        signed_anew(files)

    again = tmp_path / "again" / "archive.zip"
    hidden = repacked_as_written(again, tmp_path / "hidden.zip", hide)
    given = [*made, again, hidden]
    assert main(["pool", *map(str, given), "--out", str(tmp_path / "known")]) == 0
    said = capsys.readouterr().out
    found = json.loads((tmp_path / "known" / "pool.json").read_text())
    assert len(found["studies"]) == 3, said
    why = {Path(r["archive"]).name: r["why"] for r in found["not_pooled"]}
    assert "drives with" in why["hidden.zip"], why
    assert found["fuel_use_change_pct"]["low"] < 1.5 < found["fuel_use_change_pct"]["high"] + 1.5


def repacked_as_written(path: Path, to: Path, change) -> Path:
    """As a careful forger packs it: byte for byte in roadlog's way."""
    with zipfile.ZipFile(path) as archive:
        files = {n: archive.read(n) for n in archive.namelist()}
    change(files)
    _write(to, contents=files)
    return to
