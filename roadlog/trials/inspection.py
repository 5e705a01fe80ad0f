"""Before and after photos scored by people who can't know which is which.

`prepare` takes pairs of photos and lays out nameless copies, sides shuffled, with a score sheet;
`unblind` takes the filled sheets, and only then the sealed key, and gives the difference with an
exact test and the scorers' agreement. Implements inspection of method section 7.
"""

import csv
import datetime as dt
import hashlib
import json
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from roadlog.errors import DesignError, InputError
from roadlog.quantities.arrays import Floats
from roadlog.stats.interval import FindingWord
from roadlog.study.durable import atomic_write
from roadlog.trials.result import TrialResult
from roadlog.trials.sheet import read_sheet

if TYPE_CHECKING:
    from PIL.Image import Image


PHOTOS, SEALED = "for_scorers", "sealed"
SHEET, KEY, OPENED = "score_sheet.csv", "key.json", "opened.json"
FORMATS = ("JPEG", "PNG", "WEBP", "TIFF", "BMP", "GIF")  # none that is a program, as EPS
LARGEST_SIDE = 1600  # pixels; both photos of a pair fit the same box
MOST_PIXELS = 120_000_000  # decoded, 3 bytes each; a small file can claim any number
CANNOT_SAY = "x"
EXACT_PAIRS = 16  # 2^16 sums are made at once; beyond, random ones
DRAWS = 100_000


@dataclass(frozen=True)
class Agreement:
    """How far scorers agree on which photo of a pair scores higher, beyond chance.

    `kappa` is None where it isn't defined (one scorer, or all always say the same).
    """

    kappa: float | None
    statistic: str
    words: str


@dataclass(frozen=True)
class BlindTest:
    """Mean difference after less before, its exact interval and tests over pairs."""

    pairs: int
    mean: float
    low: float | None
    high: float | None
    p_permutation: float
    p_sign: float
    higher: int
    lower: int
    ties: int


def prepare_photos(pairs_file: Path, out: Path, *, seed: int, within: bool = False) -> int:
    """Lay out the photos for blind scoring.

    Parameters
    ----------
    pairs_file : Path
        CSV with `pair`, `before`, `after`: a name and two image files, relative to the CSV.
    out : Path
        New folder: `for_scorers/` with photos and score sheet, `sealed/` with the key.
    seed : int
        Of the shuffling.
    within : bool
        Whether the CSV may name only files beside it, as where somebody else sent it.

    Returns
    -------
    int
        The number of pairs.

    Raises
    ------
    InputError
        If a file is missing or no image, a pair is there twice, or `out` isn't empty.

    >>> import tempfile
    >>> from roadlog.demo.photos import pictures
    >>> folder = Path(tempfile.mkdtemp())
    >>> for name, content in pictures(np.random.default_rng(1))[0].items():
    ...     (folder / name).parent.mkdir(exist_ok=True)
    ...     _ = (folder / name).write_bytes(content)
    >>> prepare_photos(folder / "photos" / "pairs.csv", folder / "blind", seed=1)
    8
    """
    sheet = read_sheet(pairs_file, texts=("pair", "before", "after"), needed=("before", "after"))
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise InputError(f"{out} is not an empty folder: name a new one")
    sheet["pair"] = sheet["pair"].where(sheet["pair"] != "", sheet.index.astype(str))
    if sheet["pair"].duplicated().any():
        name = sheet.loc[sheet["pair"].duplicated(), "pair"].iloc[0]
        raise InputError(f"{pairs_file}: pair '{name}' is there twice: give each pair its own name")
    sources = [_photos_of(row, pairs_file, within) for row in sheet.to_dict("records")]
    rng = np.random.default_rng(seed)
    order, flipped = rng.permutation(len(sheet)), rng.integers(0, 2, len(sheet)).astype(bool)
    key = []
    for number, at in enumerate(order.tolist(), 1):
        before, after = sources[at]
        left, right = (after, before) if flipped[at] else (before, after)
        label = f"{number:03d}"
        for side, source in (("left", left), ("right", right)):
            _nameless_copy(source, out / PHOTOS / f"{label}_{side}.png")
        key.append(
            {
                "number": label,
                "pair": str(sheet["pair"].iloc[at]),
                "after_is": "left" if flipped[at] else "right",
                "before_sha256": _sha256(before),
                "after_sha256": _sha256(after),
            }
        )
    rows = [("pair", "left", "right"), *((k["number"], "", "") for k in key)]
    _write_csv(out / PHOTOS / SHEET, rows)
    content = json.dumps({"seed": seed, "pairs": key}, indent=1) + "\n"
    atomic_write(out / SEALED / KEY, lambda p: p.write_text(content, encoding="utf-8"))
    return len(key)


def unblind_scores(
    folder: Path,
    score_files: Sequence[Path],
    *,
    meaning: str,
    claim: str = "",
    wanted: int = -1,
    now: dt.datetime,
) -> TrialResult:
    """Open the key and say what the scores show.

    Parameters
    ----------
    folder : Path
        What `prepare` made.
    score_files : sequence of Path
        One filled score sheet a scorer; 'x' where a scorer can't say.
    meaning : str
        What a higher score means, such as 'more deposit'.
    claim : str
        The seller's words.
    wanted : {-1, 1}
        Whether the claim asks for lower or higher scores after.
    now : datetime
        Recorded with the first opening.

    Raises
    ------
    InputError
        If a score is missing or no number, a sheet lacks a pair, or two sheets are the same.
    DesignError
        If fewer than two pairs can be compared.

    >>> import tempfile
    >>> from roadlog.demo.photos import pictures
    >>> folder = Path(tempfile.mkdtemp())
    >>> for name, content in pictures(np.random.default_rng(1))[0].items():
    ...     (folder / name).parent.mkdir(exist_ok=True)
    ...     _ = (folder / name).write_bytes(content)
    >>> prepare_photos(folder / "photos" / "pairs.csv", folder / "blind", seed=1)
    8
    >>> sheets, now = sorted((folder / "scores").glob("*.csv")), dt.datetime.now(dt.UTC)
    >>> unblind_scores(folder / "blind", sheets, meaning="more deposit", now=now).unit
    'points'
    """
    key = _key(folder)
    numbers = [k["number"] for k in key]
    scores = {p.stem: _scores(p, numbers) for p in score_files}
    if len(scores) < len(score_files):
        raise InputError("two score sheets have the same name: name each after its scorer")
    difference = _left_less_right(scores, numbers)
    agreement = agree(difference)
    sign = np.array([1.0 if k["after_is"] == "left" else -1.0 for k in key])
    after_less_before = difference.mul(sign, axis=0)
    usable = after_less_before.dropna()
    if len(usable) < 2:
        raise DesignError(
            f"only {len(usable)} of {len(key)} pairs were scored by everyone: score at least 2, "
            "6 or more for an interval"
        )
    test = blind_test(usable.mean(axis=1).to_numpy())
    dropped = [n for n in numbers if n not in set(usable.index)]
    changed = _record_opening(folder, score_files, now)
    return _result(test, agreement, list(scores), dropped, changed, meaning, claim, wanted)


def blind_test(differences: Floats, rng: np.random.Generator | None = None) -> BlindTest:
    """Exact tests and interval of the mean of paired differences.

    Parameters
    ----------
    differences : (n,) array
        One difference a pair.
    rng : Generator, optional
        For more than `EXACT_PAIRS` pairs, where signs are drawn instead of listed.

    Returns
    -------
    BlindTest
        `p_permutation`: sign-flip test of the mean, all 2^n flips; `p_sign`: exact sign test, ties
        left out. The interval comes from the means of all subsets of pairs: each gap between two
        neighbouring ones holds the centre equally often. Under 6 pairs there is none.

    References
    ----------
    J. A. Hartigan, Using subsample values as typical values, J. Am. Stat. Assoc. 64 (1969) 1303
    (from memory). Tests: `scipy.stats.permutation_test`, `scipy.stats.binomtest`.
    """
    from scipy.stats import binomtest, permutation_test

    rng = np.random.default_rng(1) if rng is None else rng
    n = len(differences)
    exact = n <= EXACT_PAIRS
    p: float = 1.0
    if np.any(differences != 0):
        p = float(
            permutation_test(
                [differences],
                _mean_over,
                permutation_type="samples",
                vectorized=True,
                n_resamples=2**n if exact else DRAWS,
                random_state=rng,
            ).pvalue
        )
    higher, lower = int((differences > 0).sum()), int((differences < 0).sum())
    p_sign = binomtest(higher, higher + lower).pvalue if higher + lower else 1.0
    low, high = _typical_values(differences, rng)
    return BlindTest(
        pairs=n,
        mean=float(differences.mean()),
        low=low,
        high=high,
        p_permutation=float(p),
        p_sign=float(p_sign),
        higher=higher,
        lower=lower,
        ties=n - higher - lower,
    )


def _mean_over(x: Floats, axis: int = -1) -> Floats:
    return np.asarray(np.mean(x, axis=axis))


def agree(left_less_right: pd.DataFrame) -> Agreement:
    """Agreement of scorers on which side of each pair scores higher.

    Parameters
    ----------
    left_less_right : DataFrame
        A row a pair, a column a scorer; pairs that a scorer left out are dropped.

    References
    ----------
    Cohen (1960) for two scorers, Fleiss (1971) for more, by `statsmodels.stats.inter_rater`. The
    bands of the words are common practice after Landis and Koch (1977), from memory.
    """
    from statsmodels.stats.inter_rater import aggregate_raters, cohens_kappa, fleiss_kappa

    said = np.sign(left_less_right.dropna().to_numpy(float)).astype(int)
    scorers = said.shape[1]
    if scorers < 2:
        return Agreement(None, "none", "one scorer only: nobody to agree with")
    if len(said) == 0 or (said == said.flat[0]).all():
        return Agreement(None, "none", "agreement can't be told: every answer was the same")
    if scorers == 2:
        table = np.zeros((3, 3))
        np.add.at(table, (said[:, 0] + 1, said[:, 1] + 1), 1)
        kappa, statistic = float(cohens_kappa(table).kappa), "Cohen's kappa"
    else:
        counts, _ = aggregate_raters(said)
        kappa, statistic = float(fleiss_kappa(counts)), "Fleiss' kappa"
    return Agreement(kappa, statistic, f"{statistic} {kappa:.2f}: {_band(kappa)}")


def _typical_values(d: Floats, rng: np.random.Generator) -> tuple[float | None, float | None]:
    n = len(d)
    if n < 6:
        return None, None
    if n <= EXACT_PAIRS:
        members = (np.arange(1, 2**n)[:, None] >> np.arange(n)) & 1
    else:
        members = rng.integers(0, 2, (DRAWS, n))
        members = members[members.any(axis=1)]
    means = np.sort((members @ d) / members.sum(axis=1))
    at = int(np.floor(0.025 * (len(means) + 1)))
    return float(means[at - 1]), float(means[-at])


def _result(
    test: BlindTest,
    agreement: Agreement,
    scorers: Sequence[str],
    dropped: Sequence[str],
    changed: bool,
    meaning: str,
    claim: str,
    wanted: int,
) -> TrialResult:
    visible = test.p_permutation < 0.05
    finding: FindingWord | None = None
    if claim:
        finding = "undecided"
        if visible and test.low is not None:
            finding = "supported" if np.sign(test.mean) == np.sign(wanted) else "refuted"
    notes = [
        f"{test.higher} pairs scored higher after, {test.lower} lower, {test.ties} alike; exact "
        f"sign test p = {test.p_sign:.3g}.",
        f"Scorers: {', '.join(scorers)}. {agreement.words}.",
        "Photos show what a camera sees: light, focus and distance must be the same before and "
        "after, or they are what is scored.",
    ]
    if dropped:
        notes.append(f"Left out, since a scorer couldn't say: pair {', '.join(dropped)}.")
    if changed:
        notes.append("Scores were changed after the key had been opened: they are no longer blind.")
    return TrialResult(
        trial="inspection",
        question="Can people who don't know which is which see a difference?",
        claimed=claim,
        measured=f"{_measured(test, visible)} A higher score means {meaning}.",
        estimate=test.mean,
        low=test.low,
        high=test.high,
        unit="points",
        finding=finding,
        strength=_strength(test, agreement, len(scorers), changed),
        cautions=(
            "Take photos with the engine off and cold, battery disconnected where a part is taken "
            "out; no flame or spark near fuel parts.",
        ),
        notes=tuple(notes),
        method="sign-flip test over pairs, scorers averaged; interval from means of subsets",
        details={
            "pairs": test.pairs,
            "scorers": list(scorers),
            "p_permutation": test.p_permutation,
            "p_sign": test.p_sign,
            "kappa": agreement.kappa,
            "agreement": agreement.words,
            "left_out": list(dropped),
            "changed_after_opening": changed,
        },
    )


def _measured(test: BlindTest, visible: bool) -> str:
    direction = "higher" if test.mean > 0 else "lower"
    what = f"after scored {direction} than before" if visible else "no visible difference"
    ends = (
        f"{test.low:+.2f} to {test.high:+.2f} points (95 % interval; estimate {test.mean:+.2f})"
        if test.low is not None and test.high is not None
        else f"no interval under 6 pairs (estimate {test.mean:+.2f} points)"
    )
    return (
        f"In {test.pairs} pairs, {what}: after less before {ends}; exact permutation test "
        f"p = {test.p_permutation:.3g}."
    )


def _strength(test: BlindTest, agreement: Agreement, scorers: int, changed: bool) -> str:
    if changed:
        return "Weak: scores were changed after unblinding."
    if test.pairs < 6:
        return "Weak: under 6 pairs even full agreement can come by chance."
    if scorers < 2:
        return "Moderate at best: blind, but one scorer only."
    if agreement.kappa is not None and agreement.kappa < 0.2:
        return "Weak: the scorers hardly agree with one another, as where there is little to see."
    return "Good for what a photo can show: blind, several scorers, sides shuffled."


def _band(kappa: float) -> str:
    for limit, word in ((0.0, "none beyond chance"), (0.2, "slight"), (0.4, "fair"),
                        (0.6, "moderate"), (0.8, "substantial")):  # fmt: skip
        if kappa <= limit:
            return f"{word} agreement" if limit else word
    return "almost perfect agreement"


def _photos_of(row: dict[Any, Any], pairs_file: Path, within: bool) -> tuple[Path, Path]:
    found = []
    for when in ("before", "after"):
        if not row[when]:
            raise InputError(f"{pairs_file}: line {row['line']} has no {when} photo: name one")
        path = pairs_file.parent / row[when]
        if within and row[when] not in {p.name for p in pairs_file.parent.iterdir()}:
            raise InputError(
                f"{pairs_file}: line {row['line']}: '{row[when][:80]}' is none of the pictures "
                "that came with it"
            )
        if not path.is_file():
            raise InputError(f"{pairs_file}: line {row['line']}: {path} doesn't exist")
        _open_image(path).close()
        found.append(path)
    return found[0], found[1]


def _open_image(path: Path) -> "Image":
    from PIL import Image, UnidentifiedImageError

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            photo = Image.open(path, formats=FORMATS)
    except Image.DecompressionBombError as e:
        raise _too_large(path) from e
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError) as e:
        raise InputError(f"{path} is no image that can be read: save it as JPEG or PNG") from e
    if photo.width * photo.height > MOST_PIXELS:
        photo.close()
        raise _too_large(path)
    return photo


def _too_large(path: Path) -> InputError:
    return InputError(
        f"{path} has more than {MOST_PIXELS / 1e6:.0f} million pixels: save it smaller"
    )


def _nameless_copy(source: Path, target: Path) -> None:
    """Pixels only: turned as the camera says, then no camera data, date, place or name."""
    from PIL import Image, ImageOps

    with _open_image(source) as photo:
        try:
            photo.draft("RGB", (LARGEST_SIDE, LARGEST_SIDE))  # a JPEG is decoded at that size
            upright = ImageOps.exif_transpose(photo).convert("RGB")
        except (OSError, ValueError, SyntaxError) as e:
            raise InputError(f"{source} is cut short or damaged: copy it again") from e
    upright.thumbnail((LARGEST_SIDE, LARGEST_SIDE))
    bare = Image.frombytes("RGB", upright.size, upright.tobytes())
    atomic_write(target, lambda p: bare.save(p, format="PNG"))


def _key(folder: Path) -> list[dict[str, str]]:
    path = folder / SEALED / KEY
    if not path.is_file():
        raise InputError(f"{path} doesn't exist: name the folder that 'inspect prepare' made")
    try:
        pairs: list[dict[str, str]] = json.loads(path.read_text(encoding="utf-8"))["pairs"]
    except (ValueError, KeyError, TypeError) as e:
        raise InputError(f"{path} is damaged: prepare the photos again") from e
    return pairs


def _scores(path: Path, numbers: Sequence[str]) -> pd.DataFrame:
    sheet = read_sheet(path, texts=("pair", "left", "right"), needed=("pair", "left", "right"))
    sheet["pair"] = sheet["pair"].str.zfill(3)
    unknown = sheet.loc[~sheet["pair"].isin(numbers), "pair"]
    if len(unknown):
        raise InputError(f"{path}: there is no pair {unknown.iloc[0]}: use the numbers given")
    if sheet["pair"].duplicated().any():
        twice = sheet.loc[sheet["pair"].duplicated(), "pair"].iloc[0]
        raise InputError(f"{path}: pair {twice} is scored twice: keep one row")
    lacking = [n for n in numbers if n not in set(sheet["pair"])]
    out = sheet.set_index("pair")
    for side in ("left", "right"):
        lacking += out.index[out[side] == ""].tolist()
    if lacking:
        named = ", ".join(sorted(set(lacking)))
        raise InputError(
            f"{path}: no score for pair {named}: fill both sides, or write {CANNOT_SAY} where you "
            "can't say"
        )
    for side in ("left", "right"):
        text = out[side].str.replace(",", ".", regex=False).mask(out[side] == CANNOT_SAY)
        values = pd.to_numeric(text, errors="coerce")
        bad = out.index[values.isna() & (out[side] != CANNOT_SAY)]
        if len(bad):
            cell = out.loc[bad[0], side]
            raise InputError(f"{path}: pair {bad[0]}, {side}: '{cell}' is no number")
        out[side] = values
    return out.loc[list(numbers), ["left", "right"]].astype(float)


def _left_less_right(scores: dict[str, pd.DataFrame], numbers: Sequence[str]) -> pd.DataFrame:
    columns = {name: s["left"] - s["right"] for name, s in scores.items()}
    return pd.DataFrame(columns, index=list(numbers))


def _record_opening(folder: Path, score_files: Sequence[Path], now: dt.datetime) -> bool:
    """Write down the first opening; tell whether scores have changed since."""
    path = folder / SEALED / OPENED
    hashes = {p.stem: _sha256(p) for p in score_files}
    if path.is_file():
        first: dict[str, str] = json.loads(path.read_text(encoding="utf-8"))["scores"]
        return first != hashes
    text = json.dumps({"opened": now.isoformat(timespec="seconds"), "scores": hashes}, indent=1)
    atomic_write(path, lambda p: p.write_text(text + "\n", encoding="utf-8"))
    return False


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _write_csv(path: Path, rows: Sequence[Sequence[str]]) -> None:
    def write(temporary: Path) -> None:
        with temporary.open("w", newline="", encoding="utf-8") as f:
            csv.writer(f, lineterminator="\n").writerows(rows)

    atomic_write(path, write)
