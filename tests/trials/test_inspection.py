"""Blind scoring of before and after photos: nameless copies, sealed key, exact tests."""

import datetime as dt
import hashlib
import json
import struct
import zlib

import numpy as np
import pandas as pd
import pytest
from PIL import Image

from roadlog.cli import main
from roadlog.errors import DesignError, InputError
from roadlog.trials.inspection import agree, blind_test, prepare_photos, unblind_scores

NOW = dt.datetime(2026, 4, 1, 12, tzinfo=dt.UTC)


def photo(path, grey, *, turned=False):
    """A small image with camera data that would give it away."""
    image = Image.new("RGB", (40, 30), (grey, grey, grey))
    exif = Image.Exif()
    exif[0x010E] = "AFTER the miracle"
    exif[0x0132] = "2026:03:30 10:00:00"
    if turned:
        exif[0x0112] = 6
    image.save(path, exif=exif, comment=b"after")


@pytest.fixture
def pairs(tmp_path):
    """Eight pairs; before is darker (40 + pair) than after (200 + pair)."""
    lines = ["pair,before,after"]
    for i in range(8):
        photo(tmp_path / f"valve{i}_before.jpg", 40 + i)
        photo(tmp_path / f"valve{i}_after.jpg", 200 + i)
        lines.append(f"valve {i},valve{i}_before.jpg,valve{i}_after.jpg")
    (tmp_path / "pairs.csv").write_text("\n".join(lines) + "\n")
    return tmp_path / "pairs.csv"


def key(folder):
    return json.loads((folder / "sealed" / "key.json").read_text())["pairs"]


def sheet(folder, name, score, skip=()):
    """A filled sheet; `score(pair number, 'before' or 'after')` gives the points."""
    rows = ["pair,left,right"]
    for k in key(folder):
        after_left = k["after_is"] == "left"
        sides = ("after", "before") if after_left else ("before", "after")
        cells = ["" if k["number"] in skip else str(score(k["number"], s)) for s in sides]
        rows.append(",".join([k["number"], *cells]))
    path = folder.parent / f"{name}.csv"
    path.write_text("\n".join(rows) + "\n")
    return path


def test_copies_carry_no_name_date_or_camera_data_and_originals_stay(pairs, tmp_path):
    originals = sorted(tmp_path.glob("*.jpg"))
    before = [hashlib.sha256(p.read_bytes()).hexdigest() for p in originals]
    assert prepare_photos(pairs, tmp_path / "blind", seed=5) == 8
    copies = sorted((tmp_path / "blind" / "for_scorers").glob("*.png"))
    assert len(copies) == 16
    for copy in copies:
        with Image.open(copy) as image:
            assert not image.getexif()
            assert image.info == {}
        assert b"miracle" not in copy.read_bytes()
        assert "valve" not in copy.name
    assert before == [hashlib.sha256(p.read_bytes()).hexdigest() for p in originals]
    names = {p.name for p in (tmp_path / "blind" / "for_scorers").iterdir()}
    assert names == {c.name for c in copies} | {"score_sheet.csv"}


def test_sides_and_order_are_shuffled_by_the_seed_and_the_key_tells_the_truth(pairs, tmp_path):
    prepare_photos(pairs, tmp_path / "a", seed=5)
    prepare_photos(pairs, tmp_path / "b", seed=5)
    prepare_photos(pairs, tmp_path / "c", seed=6)
    assert key(tmp_path / "a") == key(tmp_path / "b") != key(tmp_path / "c")
    sides = {k["after_is"] for k in key(tmp_path / "a")}
    assert sides == {"left", "right"}
    for k in key(tmp_path / "a"):
        place = tmp_path / "a" / "for_scorers" / f"{k['number']}_{k['after_is']}.png"
        with Image.open(place) as image:
            assert image.getpixel((5, 5))[0] >= 195


def test_a_photo_is_turned_upright_before_its_camera_data_go(tmp_path):
    photo(tmp_path / "b.jpg", 50, turned=True)
    photo(tmp_path / "a.jpg", 50)
    (tmp_path / "p.csv").write_text("pair,before,after\n1,b.jpg,a.jpg\n")
    prepare_photos(tmp_path / "p.csv", tmp_path / "o", seed=1)
    sizes = []
    for p in sorted((tmp_path / "o" / "for_scorers").glob("*.png")):
        with Image.open(p) as image:
            sizes.append(image.size)
    assert sorted(sizes) == [(30, 40), (40, 30)]


def test_a_real_difference_is_seen_by_all(pairs, tmp_path):
    blind = tmp_path / "blind"
    prepare_photos(pairs, blind, seed=5)
    sheets = [
        sheet(blind, "anna", lambda n, s: 6 + int(n) % 2 if s == "before" else 3),
        sheet(blind, "ben", lambda n, s: 7 if s == "before" else 3 + int(n) % 3),
        sheet(blind, "cleo", lambda n, s: 5 if s == "before" else 4),
    ]
    said = unblind_scores(blind, sheets, meaning="more deposit", claim="cleans", wanted=-1, now=NOW)
    assert said.finding == "supported"
    assert said.high < 0
    assert said.details["p_permutation"] == pytest.approx(2 / 2**8)
    assert said.details["p_sign"] == pytest.approx(2 / 2**8)
    assert said.strength.startswith("Good")
    wrong_way = unblind_scores(blind, sheets, meaning="m", claim="roughens", wanted=1, now=NOW)
    assert wrong_way.finding == "refuted"


def test_no_visible_difference_is_a_result(pairs, tmp_path):
    blind = tmp_path / "blind"
    prepare_photos(pairs, blind, seed=5)
    rng = np.random.default_rng(3)
    sheets = [sheet(blind, n, lambda *_: int(rng.integers(2, 8))) for n in ("anna", "ben")]
    said = unblind_scores(blind, sheets, meaning="more deposit", claim="cleans", now=NOW)
    assert "no visible difference" in said.measured
    assert said.finding == "undecided"
    assert said.low < 0 < said.high


def test_missing_scores_are_named(pairs, tmp_path):
    blind = tmp_path / "blind"
    prepare_photos(pairs, blind, seed=5)
    path = sheet(blind, "anna", lambda *_: 5, skip=("003", "007"))
    with pytest.raises(InputError, match=r"anna\.csv: no score for pair 003, 007"):
        unblind_scores(blind, [path], meaning="m", now=NOW)
    assert not (blind / "sealed" / "opened.json").exists()


def test_a_scorer_who_cannot_say_drops_the_pair_and_it_is_named(pairs, tmp_path):
    blind = tmp_path / "blind"
    prepare_photos(pairs, blind, seed=5)
    path = sheet(blind, "anna", lambda n, s: "x" if n == "002" else (3 if s == "after" else 6))
    said = unblind_scores(blind, [path], meaning="m", now=NOW)
    assert said.details["left_out"] == ["002"]
    assert said.details["pairs"] == 7
    assert any("pair 002" in n for n in said.notes)


def test_scores_changed_after_opening_are_told(pairs, tmp_path):
    blind = tmp_path / "blind"
    prepare_photos(pairs, blind, seed=5)
    path = sheet(blind, "anna", lambda n, s: int(n) % 3)
    assert not unblind_scores(blind, [path], meaning="m", now=NOW).details["changed_after_opening"]
    path = sheet(blind, "anna", lambda n, s: 1 if s == "after" else 9)
    said = unblind_scores(blind, [path], meaning="m", claim="c", now=NOW)
    assert said.details["changed_after_opening"]
    assert said.strength.startswith("Weak")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("pair,left,right\n001,a,3\n", "'a' is no number"),
        ("pair,left\n001,3\n", "'right' is missing"),
        ("pair,left,right\n099,3,3\n", "no pair 099"),
        ("pair,left,right\n001,3,3\n001,3,3\n", "scored twice"),
    ],
)
def test_bad_sheets_are_named(pairs, tmp_path, text, words):
    blind = tmp_path / "blind"
    prepare_photos(pairs, blind, seed=5)
    good = sheet(blind, "anna", lambda *_: 4).read_text().splitlines()
    if "'a'" in words:
        text = "\n".join([*good[:1], "001,a,3", *good[2:]]) + "\n"
    (tmp_path / "s.csv").write_text(text)
    with pytest.raises(InputError, match=words):
        unblind_scores(blind, [tmp_path / "s.csv"], meaning="m", now=NOW)


def test_files_that_are_no_photos_and_missing_ones_are_named(tmp_path):
    (tmp_path / "x.jpg").write_text("not a photo")
    (tmp_path / "p.csv").write_text("pair,before,after\n1,x.jpg,x.jpg\n")
    with pytest.raises(InputError, match="no image"):
        prepare_photos(tmp_path / "p.csv", tmp_path / "o", seed=1)
    (tmp_path / "p.csv").write_text("pair,before,after\n1,gone.jpg,x.jpg\n")
    with pytest.raises(InputError, match=r"line 2: .*gone"):
        prepare_photos(tmp_path / "p.csv", tmp_path / "o", seed=1)
    assert not (tmp_path / "o").exists()


def test_too_few_common_pairs_cannot_answer(pairs, tmp_path):
    blind = tmp_path / "blind"
    prepare_photos(pairs, blind, seed=5)
    path = sheet(blind, "anna", lambda n, s: 4 if n == "001" else "x")
    with pytest.raises(DesignError, match="1 of 8"):
        unblind_scores(blind, [path], meaning="m", now=NOW)


def test_scorers_who_agree_and_scorers_who_do_not():
    same = pd.DataFrame({"a": [1.0, -1, 1, -1, 0], "b": [2.0, -3, 1, -1, 0]})
    assert agree(same).kappa == pytest.approx(1.0)
    three = pd.DataFrame(np.random.default_rng(1).normal(size=(300, 3)), columns=list("abc"))
    assert abs(agree(three).kappa) < 0.1
    assert agree(same[["a"]]).kappa is None
    assert agree(pd.DataFrame({"a": [1.0, 1], "b": [1.0, 1]})).kappa is None


def test_interval_covers_the_truth_and_the_test_holds_its_level():
    """Known truth: eight pairs about 0.7, and about nothing; 97.7 % of 8-pair intervals cover."""
    rng = np.random.default_rng(12)
    cover, false = 0, 0
    n = 400
    for _ in range(n):
        test = blind_test(0.7 + rng.normal(0, 1, 8))
        cover += test.low <= 0.7 <= test.high
        false += blind_test(rng.normal(0, 1, 8)).p_permutation < 0.05
    assert 0.925 < cover / n < 0.985
    assert false / n < 0.08


def test_command_runs_both_steps(pairs, tmp_path, capsys):
    blind = tmp_path / "blind"
    assert main(["inspect", "prepare", str(pairs), "--out", str(blind), "--seed", "5"]) == 0
    assert "open it last" in capsys.readouterr().out
    path = sheet(blind, "anna", lambda n, s: 2 if s == "after" else 5)
    assert main(["inspect", "unblind", str(blind), "--scores", str(path)]) == 0
    assert "p = 0.00781" in " ".join(capsys.readouterr().out.split())
    assert main(["inspect", "prepare", str(pairs), "--out", str(blind)]) == 2
    assert "not an empty folder" in capsys.readouterr().err


def bomb(side: int) -> bytes:
    """A PNG of a few hundred bytes that says it is `side` × `side` pixels."""
    head = struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0)
    body = zlib.compress(bytes(1000))
    chunks = ((b"IHDR", head), (b"IDAT", body), (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(d)) + k + d + struct.pack(">I", zlib.crc32(k + d)) for k, d in chunks
    )


@pytest.mark.parametrize("side", [12_000, 20_000, 60_000])
def test_a_photo_of_impossible_size_is_refused_before_it_is_decoded(pairs, tmp_path, side, capsys):
    (tmp_path / "valve3_after.jpg").write_bytes(bomb(side))
    assert main(["inspect", "prepare", str(pairs), "--out", str(tmp_path / "out")]) == 2
    said = capsys.readouterr().err
    assert "valve3_after.jpg has more than 120 million pixels: save it smaller" in said
    assert said.count("\n") == 1


def test_a_damaged_photo_is_named(pairs, tmp_path):
    (tmp_path / "valve3_after.jpg").write_bytes(bomb(500))
    with pytest.raises(InputError, match=r"valve3_after\.jpg is cut short or damaged"):
        prepare_photos(pairs, tmp_path / "out", seed=1)
