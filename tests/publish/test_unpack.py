"""Archives that somebody made to harm or broke: each is refused with one sentence, or named."""

import random
import stat
import struct
import zipfile
from pathlib import Path

import pytest

from roadlog.errors import InputError
from roadlog.publish.unpack import fault_of_names, open_archive
from tests.publish.archives import archived, can_folder, repacked


@pytest.fixture(scope="module")
def archive(tmp_path_factory) -> Path:
    folder = can_folder(tmp_path_factory.mktemp("unpack") / "study")
    return archived(folder, folder.parent / "a.zip")


def made(path: Path, entries: dict[str, bytes], **info: int) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in entries.items():
            entry = zipfile.ZipInfo(name)
            entry.compress_type = zipfile.ZIP_DEFLATED
            for key, value in info.items():
                setattr(entry, key, value)
            archive.writestr(entry, content)
    return path


def twice(path: Path) -> Path:
    data = made(path, {"study/a.csv": b"1", "study/b.csv": b"2"}).read_bytes()
    path.write_bytes(data.replace(b"study/b.csv", b"study/a.csv"))
    return path


def encrypted(path: Path) -> Path:
    data = bytearray(made(path, {"study/a.csv": b"1"}).read_bytes())
    data[data.index(b"PK\x01\x02") + 8] |= 1
    path.write_bytes(data)
    return path


def claims_less(path: Path) -> Path:
    """A bomb whose directory says that it is small."""
    data = bytearray(made(path, {"study/a.csv": bytes(30 << 20)}).read_bytes())
    at = data.index(b"PK\x01\x02")
    data[at + 24 : at + 28] = struct.pack("<L", 1000)
    path.write_bytes(data)
    return path


def overlapping(path: Path) -> Path:
    """Many entries of the directory lead to the same packed bytes."""
    data = made(path, {"study/a.csv": bytes(9 << 20)}).read_bytes()
    start = data.index(b"PK\x01\x02")
    listed = data[start : data.index(b"PK\x05\x06")]
    many = [listed.replace(b"a.csv", f"{i:05}"[-5:].encode()) for i in range(9000)]
    directory = b"".join(many)
    end = struct.pack("<4s4H2LH", b"PK\5\6", 0, 0, 9000, 9000, len(directory), start, 0)
    path.write_bytes(data[:start] + directory + end)
    return path


HARMFUL = {
    "climbs out": (lambda p: made(p, {"../../evil.csv": b""}), "leads out of the folder"),
    "climbs out inside": (lambda p: made(p, {"study/../../evil": b""}), "leads out of"),
    "absolute": (lambda p: made(p, {"/etc/evil": b""}), "is absolute"),
    "drive letter": (lambda p: made(p, {"C:evil.csv": b""}), "is absolute"),
    "backslashes": (lambda p: made(p, {"study\\..\\evil.csv": b""}), "a character that not"),
    "control character": (lambda p: made(p, {"study/\x1b[2J.csv": b""}), "a character"),
    "right to left": (lambda p: made(p, {"study/\u202evsc.exe": b""}), "a character"),
    "device": (lambda p: made(p, {"study/NUL.csv": b""}), "keeps for devices"),
    "long name": (lambda p: made(p, {"a" * 300: b""}), "is longer than"),
    "link": (
        lambda p: made(p, {"study/a": b"/etc/passwd"}, external_attr=(stat.S_IFLNK | 511) << 16),
        "is a link",
    ),
    "pipe": (lambda p: made(p, {"a": b""}, external_attr=stat.S_IFIFO << 16), "a device"),
    "twice": (twice, "there twice"),
    "case clash": (lambda p: made(p, {"study/a.csv": b"", "STUDY/A.csv": b""}), "there twice"),
    "accent clash": (lambda p: made(p, {"\u00e4": b"", "a\u0308": b""}), "there twice"),
    "file and folder": (lambda p: made(p, {"study": b"", "study/a": b""}), "file and a folder"),
    "too many": (lambda p: made(p, {f"s/{i}": b"" for i in range(10_001)}), "10001 files"),
    "bomb": (lambda p: made(p, {"study/a.csv": bytes(30 << 20)}), "times larger"),
    "bomb that claims to be small": (claims_less, "study/a.csv is damaged"),
    "bomb of overlaps": (overlapping, "more than any study"),
    "encrypted": (encrypted, "is encrypted"),
    "foreign packing": (
        lambda p: made(p, {"a": b"1"}, compress_type=zipfile.ZIP_LZMA), "an unknown way"
    ),
    "no zip": (lambda p: p.write_bytes(b"hello") and p, "no whole zip file"),
    "empty file": (lambda p: p.touch() or p, "no whole zip file"),
    "empty zip": (lambda p: made(p, {}), "no MANIFEST.sha256 in it"),
    "another zip": (lambda p: made(p, {"photo.jpg": b"1"}), "not an archive of roadlog"),
}  # fmt: skip


@pytest.mark.parametrize("kind", HARMFUL)
def test_harmful_archive_is_refused_and_nothing_is_written_outside(kind, tmp_path):
    make, sentence = HARMFUL[kind]
    inside = tmp_path / "in"
    inside.mkdir()
    path = make(tmp_path / "bad.zip")
    with pytest.raises(InputError, match=sentence) as error:
        open_archive(path, inside)
    assert str(error.value).isprintable()
    assert {p.name for p in tmp_path.iterdir()} == {"in", "bad.zip"}
    assert sum(p.stat().st_size for p in inside.rglob("*")) < 2 << 20


def test_truncated_archive_is_refused_wherever_it_ends(archive, tmp_path):
    whole = archive.read_bytes()
    for share in (0.01, 0.3, 0.9, 0.999):
        path = tmp_path / "cut.zip"
        path.write_bytes(whole[: int(len(whole) * share)])
        with pytest.raises(InputError, match="no whole zip file"):
            open_archive(path, tmp_path / str(share))


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda f: f.update({"study/notes.csv": b"date\n"}), ("changed", "study/notes.csv")),
        (lambda f: f.pop("study/notes.csv"), ("missing", "study/notes.csv")),
        (lambda f: f.update({"study/extra.csv": b""}), ("added", "study/extra.csv")),
        (lambda f: f.update({"ro-crate-metadata.json": b"{}"}),
         ("changed", "ro-crate-metadata.json")),
    ],
)  # fmt: skip
def test_changed_missing_and_added_files_are_named(change, told, archive, tmp_path):
    opened = open_archive(repacked(archive, tmp_path / "b.zip", change), tmp_path / "in")
    assert getattr(opened, told[0]) == (told[1],)
    assert not opened.whole


def test_packed_again_is_told_apart_from_changed(archive, tmp_path):
    same = open_archive(repacked(archive, tmp_path / "b.zip", lambda f: None), tmp_path / "1")
    assert same.packing == ""
    with zipfile.ZipFile(archive) as a, zipfile.ZipFile(tmp_path / "c.zip", "w") as c:
        for name in a.namelist():
            c.writestr(name, a.read(name))
    again = open_archive(tmp_path / "c.zip", tmp_path / "2")
    assert again.whole
    assert again.packing.startswith("MANIFEST.sha256")


def test_no_flipped_bit_goes_unseen(archive, tmp_path):
    """Every byte of the zip's own records, and bytes drawn from the packed files."""
    whole = archive.read_bytes()
    with zipfile.ZipFile(archive) as z:
        heads = [i.header_offset + b for i in z.infolist()[:3] for b in range(30)]
        places = heads + list(range(z.start_dir, z.start_dir + 60))
    places += list(range(len(whole) - 22, len(whole)))
    places += random.Random(4).sample(range(len(whole)), 60)
    for n, at in enumerate(places):
        flipped = bytearray(whole)
        flipped[at] ^= 1 << (n % 8)
        path = tmp_path / "flipped.zip"
        path.write_bytes(flipped)
        try:
            opened = open_archive(path, tmp_path / str(n))
        except InputError:
            continue
        assert opened.packing or not opened.whole, at


def test_a_manifest_of_another_shape_is_refused(archive, tmp_path):
    def shorten(files):
        files["MANIFEST.sha256"] = files["MANIFEST.sha256"][2:]

    with pytest.raises(InputError, match=r"MANIFEST.sha256, line 1"):
        open_archive(repacked(archive, tmp_path / "b.zip", shorten), tmp_path / "in")


def test_plain_names_have_no_fault():
    assert fault_of_names(["study/logs/größe 5%.csv", "study/logs/b.csv", "README.txt"]) == ""
