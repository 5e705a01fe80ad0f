"""The sealed schedule: which arm each switch unit gets, known to the switcher alone.

A drawn schedule goes in; the text that the switcher keeps comes out (arms, dummy days and a 256-bit
nonce, perhaps encrypted by a passphrase), with its SHA-256, by which the driver's folder is held to
it without knowing the arms: a few thousand orders could be tried against a hash, a nonce can't be.
The text is as long whatever the order. When it is opened, `opened` holds it against the hash and
the units, and gives the schedule with its arms.
"""

import base64
import hashlib
import json
import os
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.kdf.scrypt import Scrypt

from roadlog.errors import DesignError, InputError
from roadlog.quantities.arms import ARMS, Arm
from roadlog.study.settings import Schedule, ScheduleUnit

FORM = 1
NONCE_BYTES = 32
SHORTEST_PASSPHRASE = 10
# RFC 7914's scrypt; 128 MB and about half a second a try. Larger ones are no file of ours.
SCRYPT_N, SCRYPT_R, SCRYPT_P = 2**17, 8, 1
LARGEST_FILE = 1_000_000  # bytes
_ASSOCIATED = b"roadlog sealed schedule"


@dataclass(frozen=True)
class SealedUnit:
    """One switch unit of a sealed schedule."""

    unit: str
    block: int | None
    arm: Arm
    dummy: bool


@dataclass(frozen=True)
class Sealed:
    """What a sealed schedule holds: `text` is what the SHA-256 is of."""

    units: tuple[SealedUnit, ...]
    text: bytes

    @property
    def sha256(self) -> str:
        """The hash that the driver's folder holds."""
        return hashlib.sha256(self.text).hexdigest()

    @property
    def arms(self) -> dict[str, Arm]:
        """The arm of each unit."""
        return {u.unit: u.arm for u in self.units}


def seal(schedule: Schedule, dummy_days: int, rng: np.random.Generator) -> Sealed:
    """A drawn schedule as the text to be kept from the driver.

    Parameters
    ----------
    schedule : with its arms
    dummy_days : baseline units on which the switcher only acts as if
    rng : of the system's randomness, to draw these

    Raises
    ------
    DesignError
        If there are more dummy days than an order is sure to have baseline units.
    """
    base = [i for i, u in enumerate(schedule.unit) if u.arm == "baseline"]
    most = _surely_baseline(schedule)
    if dummy_days > most:
        raise DesignError(
            f"dummy_days = {dummy_days} in [plan]: only {most} switch units are sure to be "
            "baseline: plan fewer dummy days"
        )
    dummies = set(rng.choice(base, size=dummy_days, replace=False).tolist()) if dummy_days else ()
    units = tuple(
        SealedUnit(str(u.unit), u.block, _known(u), i in dummies)
        for i, u in enumerate(schedule.unit)
    )
    nonce = secrets.token_hex(NONCE_BYTES)
    longest = _text(
        tuple(SealedUnit(u.unit, u.block, "baseline", False) for u in units), nonce
    )  # "baseline" and "false" are the longer words
    return Sealed(units, _text(units, nonce).ljust(len(longest)))


def hidden(schedule: Schedule, sealed: Sealed) -> Schedule:
    """The schedule as the driver may have it: days, blocks and the hash."""
    units = tuple(u.model_copy(update={"arm": None}) for u in schedule.unit)
    return schedule.model_copy(
        update={
            "unit": units,
            "seed": None,
            "sealed": sealed.sha256,
            "dummy_days": sum(u.dummy for u in sealed.units),
        }
    )


def opened(schedule: Schedule, sealed: Sealed) -> Schedule:
    """The study's schedule with the arms of the sealed one.

    Raises
    ------
    InputError
        If the hash or the units aren't those of the study.
    """
    if schedule.sealed is None:
        raise InputError("study.toml: its schedule isn't sealed, so there is nothing to open")
    if sealed.sha256 != schedule.sealed:
        raise InputError(
            f"this isn't the schedule that was sealed: its SHA-256 is {sealed.sha256[:16]}…, and "
            f"study.toml has {schedule.sealed[:16]}…: look for the file of that plan, unchanged"
        )
    ours = [(str(u.unit), u.block) for u in schedule.unit]
    theirs = [(u.unit, u.block) for u in sealed.units]
    if ours != theirs:
        gone = [u for u, _ in theirs if u not in dict(ours)]
        more = [u for u, _ in ours if u not in dict(theirs)]
        what = (
            f"{gone[0]} is missing" if gone else f"{more[0]} isn't in it" if more else
            "its blocks or their order differ"
        )  # fmt: skip
        raise InputError(
            f"study.toml: the switch units aren't those of the sealed schedule ({what}): put them "
            "back as planned (a day that wasn't driven just stays without a log; a further day in "
            "the same state goes into the unit's also)"
        )
    arms = sealed.arms
    units = tuple(u.model_copy(update={"arm": arms[str(u.unit)]}) for u in schedule.unit)
    return schedule.model_copy(update={"unit": units})


def differing(schedule: Schedule, sealed: Sealed) -> list[str]:
    """Units whose arm in study.toml isn't the sealed one, in words."""
    arms = sealed.arms
    return [
        f"schedule units {u.unit}: {arms[str(u.unit)]} (sealed) -> {u.arm}"
        for u in schedule.unit
        if str(u.unit) in arms and u.arm is not None and arms[str(u.unit)] != u.arm
    ]


def locked(sealed: Sealed, passphrase: str) -> bytes:
    """The sealed text, encrypted: scrypt makes the key, AES-256-GCM guards the text.

    References
    ----------
    RFC 7914 (2016), The scrypt Password-Based Key Derivation Function. NIST SP 800-38D (2007),
    Recommendation for Block Cipher Modes of Operation: Galois/Counter Mode.
    """
    if len(passphrase) < SHORTEST_PASSPHRASE:
        raise InputError(
            f"the passphrase has {len(passphrase)} characters: take {SHORTEST_PASSPHRASE} or more, "
            "as four words that don't belong together"
        )
    salt, nonce = os.urandom(16), os.urandom(12)
    key = Scrypt(salt=salt, length=32, n=SCRYPT_N, r=SCRYPT_R, p=SCRYPT_P).derive(
        passphrase.encode()
    )
    outer = {
        "locked_schedule": FORM,
        "kdf": {"name": "scrypt", "n": SCRYPT_N, "r": SCRYPT_R, "p": SCRYPT_P, "salt": _b64(salt)},
        "cipher": {"name": "AES-256-GCM", "nonce": _b64(nonce)},
        "text": _b64(AESGCM(key).encrypt(nonce, sealed.text, _ASSOCIATED)),
    }
    return (json.dumps(outer, indent=1) + "\n").encode()


def read_sealed(data: bytes, name: str, passphrase: Callable[[], str]) -> Sealed:
    """What a sealed file holds.

    Parameters
    ----------
    name : its name, for messages
    passphrase : asked if it is encrypted

    Raises
    ------
    InputError
        If it is no sealed schedule, or the passphrase is wrong.
    """
    plain = _object(data, name)
    if "locked_schedule" in plain:
        data = _unlocked(plain, name, passphrase)
        plain = _object(data, name)
    try:
        if plain["sealed_schedule"] != FORM or len(bytes.fromhex(plain["nonce"])) != NONCE_BYTES:
            raise ValueError
        units = tuple(
            SealedUnit(str(u["unit"]), u["block"], u["arm"], bool(u["dummy"]))
            for u in plain["units"]
        )
        if not units or any(u.arm not in ARMS for u in units):
            raise ValueError
    except (KeyError, TypeError, ValueError, AttributeError) as e:
        raise InputError(_no_seal(name)) from e
    return Sealed(units, data)


def _unlocked(outer: dict[str, Any], name: str, passphrase: Callable[[], str]) -> bytes:
    try:
        kdf, cipher = outer["kdf"], outer["cipher"]
        if outer["locked_schedule"] != FORM or kdf["name"] != "scrypt":
            raise ValueError
        if (kdf["n"], kdf["r"], kdf["p"]) != (SCRYPT_N, SCRYPT_R, SCRYPT_P):
            raise ValueError
        salt, nonce = _raw(kdf["salt"]), _raw(cipher["nonce"])
        text = _raw(outer["text"])
        if cipher["name"] != "AES-256-GCM" or len(nonce) != 12 or len(text) < 16:
            raise ValueError
    except (KeyError, TypeError, ValueError) as e:
        raise InputError(_no_seal(name)) from e
    key = Scrypt(salt=salt, length=32, n=SCRYPT_N, r=SCRYPT_R, p=SCRYPT_P)
    try:
        return AESGCM(key.derive(passphrase().encode())).decrypt(nonce, text, _ASSOCIATED)
    except InvalidTag as e:
        raise InputError(
            f"{name}: wrong passphrase, or the file was changed: try again with the passphrase "
            "that the switcher typed when it was sealed"
        ) from e


def _object(data: bytes, name: str) -> dict[str, Any]:
    try:
        plain = json.loads(data[: LARGEST_FILE + 1].decode("utf-8"))
    except (ValueError, RecursionError) as e:
        raise InputError(_no_seal(name)) from e
    if not isinstance(plain, dict):
        raise InputError(_no_seal(name))
    return plain


def _no_seal(name: str) -> str:
    return (
        f"{name} is no whole sealed schedule: name the file that roadlog plan --sealed wrote, "
        "as it was written"
    )


def _text(units: tuple[SealedUnit, ...], nonce: str) -> bytes:
    """One line a unit; every byte counts for the hash."""
    rows = ",\n".join(
        json.dumps({"unit": u.unit, "block": u.block, "arm": u.arm, "dummy": u.dummy})
        for u in units
    )
    head = f'{{"sealed_schedule": {FORM}, "nonce": "{nonce}", "units": [\n'
    return f"{head}{rows}\n]}}\n".encode()


def _surely_baseline(schedule: Schedule) -> int:
    """Baseline units that every order has: the smaller half of each block."""
    blocks = [u.block for u in schedule.unit]
    return sum(blocks.count(b) // 2 for b in dict.fromkeys(blocks))


def _known(unit: ScheduleUnit) -> Arm:
    if unit.arm is None:
        raise DesignError(f"switch unit {unit.unit} has no arm to seal: plan anew with --redraw")
    return unit.arm


def _b64(raw: bytes) -> str:
    return base64.b64encode(raw).decode("ascii")


def _raw(text: str) -> bytes:
    return base64.b64decode(text, validate=True)


def system_generator() -> np.random.Generator:
    """A generator that nobody can seed again: 256 bits of the system's randomness."""
    return np.random.default_rng(secrets.randbits(256))
