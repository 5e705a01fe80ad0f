"""Who may come in: one browser that was shown the key, from this machine, by this address.

The key is drawn at start and exchanged once for a cookie; the cookie outlives a restart, so that
open tabs go on. Requests under another host name (a name that was made to point here), from
another page, or without the cookie are turned away before any page sees them.
"""

import hashlib
import hmac
import json
import secrets
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from roadlog.study.durable import atomic_write

COOKIE = "roadlog_bench"
ENTER = "/enter"
LEAST_PERMISSION = 0o600
POLICY = (
    "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; form-action 'self'; frame-src 'self'; base-uri 'none'; "
    "frame-ancestors 'self'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}
SAFE_METHODS = frozenset({"GET", "HEAD"})
_WHERE = "Open the address that roadlog printed when it started."


@dataclass
class Door:
    """What is known of the browsers that may come in.

    Attributes
    ----------
    kept : Path
        File that holds the hashes of the cookies given out, readable by its owner alone.
    hosts : frozenset of str
        Names with port under which this app answers.
    key : str
        Exchanged once for a cookie.
    where : str
        How to come in, for who was turned away.
    another : str
        How to get another key.
    """

    kept: Path
    hosts: frozenset[str]
    key: str = field(default_factory=lambda: secrets.token_urlsafe(32), repr=False)
    used: bool = False
    where: str = _WHERE
    another: str = "Start roadlog open again for another."

    def draw(self) -> None:
        """A fresh key, good once."""
        self.key, self.used = secrets.token_urlsafe(32), False

    def forget(self) -> None:
        """Let in nobody: neither who was let in nor the present key."""
        self.kept.unlink(missing_ok=True)
        self.used = True

    def enter(self, key: str) -> str | None:
        """A fresh cookie for the right key, once; None for any other."""
        if self.used or not hmac.compare_digest(key.encode(), self.key.encode()):
            return None
        self.used = True
        cookie = secrets.token_urlsafe(32)
        hashes = [*self._hashes(), _hash(cookie)][-8:]
        text = json.dumps({"browsers": hashes}) + "\n"
        atomic_write(self.kept, partial(Path.write_text, data=text), LEAST_PERMISSION)
        return cookie

    def knows(self, cookie: str | None) -> bool:
        """Whether a cookie was given out here."""
        if not cookie:
            return False
        mine = _hash(cookie)
        return any(hmac.compare_digest(mine, one) for one in self._hashes())

    def _hashes(self) -> list[str]:
        try:
            found = json.loads(self.kept.read_text(encoding="utf-8"))["browsers"]
        except (OSError, ValueError, KeyError, TypeError):
            found = []
        return [h for h in found if isinstance(h, str)] if isinstance(found, list) else []


def _hash(cookie: str) -> str:
    return hashlib.sha256(cookie.encode()).hexdigest()


def host_names(port: int, others: Iterable[str] = ()) -> frozenset[str]:
    """Names with port that mean this machine, and others that were asked for."""
    return frozenset(f"{name}:{port}" for name in ("127.0.0.1", "localhost", "[::1]", *others))


class Guard:
    """Middleware that lets only the door's browsers in and puts the safe headers on each answer."""

    def __init__(self, app: ASGIApp, door: Door) -> None:
        self.app, self.door = app, door

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Turn away, or hand on to the app."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return
        answer = self._turned_away(scope) or self._entering(scope)
        target = self.app if answer is None else answer
        await target(scope, receive, _with_headers(send))

    def _turned_away(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        if headers.get("host", "").lower() not in self.door.hosts:
            return _no(421, f"This name doesn't lead here. {self.door.where}")
        if not _same_origin(headers, self.door.hosts, scope["method"]):
            return _no(403, "Another page sent this: nothing was done.")
        request = Request(scope)
        if scope["path"] != ENTER and not self.door.knows(request.cookies.get(COOKIE)):
            return _no(401, f"This browser hasn't been let in. {self.door.where}")
        return None

    def _entering(self, scope: Scope) -> Response | None:
        if scope["path"] != ENTER:
            return None
        request = Request(scope)
        if self.door.knows(request.cookies.get(COOKIE)):
            return RedirectResponse("/", 303)
        cookie = self.door.enter(request.query_params.get("key", ""))
        if cookie is None:
            return _no(401, f"This key was used before or isn't one. {self.door.another}")
        answer = RedirectResponse("/", 303)
        answer.set_cookie(
            COOKIE, cookie, httponly=True, samesite="strict", path="/", max_age=60 * 86_400
        )
        return answer


def _same_origin(headers: Headers, hosts: frozenset[str], method: str) -> bool:
    """Whether a request comes from a page of this app, or is a plain visit."""
    origin = headers.get("origin")
    site = headers.get("sec-fetch-site")
    if method in SAFE_METHODS:
        visit = headers.get("sec-fetch-mode", "navigate") == "navigate"
        return site in (None, "same-origin", "none") or visit
    if site not in (None, "same-origin", "none"):
        return False
    return origin is not None and urlsplit(origin).netloc.lower() in hosts


def _no(status: int, sentence: str) -> Response:
    return PlainTextResponse(sentence + "\n", status)


def _with_headers(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers: Any = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers.setdefault(name, value)
        await send(message)

    return sending
