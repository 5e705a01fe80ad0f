"""`roadlog open`: the app on this machine's loopback, until it is stopped.

The address that is printed lets one browser in. The port is the same as the last time if it is
free, so that open tabs go on.
"""

import asyncio
import contextlib
import json
import socket
from collections.abc import Callable, Iterable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from roadlog.bench.door import Door, host_names
from roadlog.errors import InputError
from roadlog.study.durable import atomic_write, make_folder
from roadlog.study.lock import hold

if TYPE_CHECKING:
    import uvicorn
    from starlette.applications import Starlette

FIRST_PORT = 8640
TRIED_PORTS = 40


def serve(
    home: Path,
    *,
    port: int | None = None,
    lan: bool = False,
    ready: Callable[[str], None] = lambda _: None,
) -> None:
    """Answer browsers until interrupted.

    Parameters
    ----------
    home : Path
        Made if it is missing.
    port : int, optional
        By default the last one, or the first free one.
    lan : bool
        Whether a phone in the local network may come to its few pages.
    ready : callable
        Gets the address with the key as soon as it answers.

    Raises
    ------
    InputError
        If the folder or the port is taken.
    """
    import uvicorn

    from roadlog.bench.app import make_app
    from roadlog.bench.show import HIDDEN

    kept = home / HIDDEN
    make_folder(kept)
    try:
        hold(kept / "open")
    except InputError as e:
        raise InputError(f"{home} is open already: use the page that is there, or end it") from e
    listening = _listen(kept / "port.json", port)
    number = listening.getsockname()[1]
    door = Door(kept / "browsers.json", host_names(number))
    app = make_app(home, door)
    second = _for_phone(app, kept / "phones.json") if lan else None
    ready(f"http://127.0.0.1:{number}/enter?key={door.key}")
    first = uvicorn.Server(_config(app))
    if second is None:
        first.run(sockets=[listening])
    else:
        asyncio.run(_both(first, listening, *second))


def _config(app: "Starlette", lifespan: "Literal['auto', 'off']" = "auto") -> "uvicorn.Config":
    import uvicorn

    return uvicorn.Config(
        app, log_level="warning", access_log=False, timeout_graceful_shutdown=1,
        server_header=False, lifespan=lifespan,
    )  # fmt: skip


def _for_phone(app: "Starlette", kept: Path) -> "tuple[uvicorn.Server, socket.socket]":
    """The server of the phone's pages, and its socket in the local network."""
    import uvicorn

    from roadlog.bench.phone import (
        NO_NETWORK,
        PORTS,
        Phone,
        door_for,
        local_address,
        make_phone_app,
    )

    class Second(uvicorn.Server):
        """Leaves the signals to the first."""

        def capture_signals(self) -> contextlib.nullcontext[None]:  # type: ignore[override]
            return contextlib.nullcontext()

    address = local_address()
    listening = first_free(address, PORTS)
    if listening is None:
        raise InputError(NO_NETWORK)
    number = listening.getsockname()[1]
    door = door_for(kept, address, number)
    app.state.phone = Phone(door, f"http://{address}:{number}")
    return Second(_config(make_phone_app(app.state.bench, door), "off")), listening


async def _both(
    first: "uvicorn.Server", ours: socket.socket, second: "uvicorn.Server", theirs: socket.socket
) -> None:
    """Serve both until the first ends."""
    going = asyncio.create_task(second.serve(sockets=[theirs]))
    try:
        await first.serve(sockets=[ours])
    finally:
        second.should_exit = True
        await going


def _listen(kept: Path, wanted: int | None) -> socket.socket:
    """A socket of loopback on the wanted port, the last one, or a free one."""
    ports = [wanted] if wanted is not None else [*_last(kept), *_fresh()]
    one = first_free("127.0.0.1", ports)
    if one is None:
        raise InputError(f"port {ports[0]} is taken: name another with --port, or none")
    text = json.dumps({"port": one.getsockname()[1]}) + "\n"
    atomic_write(kept, partial(Path.write_text, data=text))
    return one


def first_free(address: str, ports: Iterable[int]) -> socket.socket | None:
    """A socket that listens on the first port of these that nobody has, None if all are taken."""
    for number in ports:
        one = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        one.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            one.bind((address, number))
            one.listen(64)  # two that start together can both bind, but only one can listen
        except OSError:
            one.close()
            continue
        return one
    return None


def _last(kept: Path) -> list[int]:
    try:
        number = json.loads(kept.read_text())["port"]
    except (OSError, ValueError, KeyError, TypeError):
        return []
    return [number] if isinstance(number, int) and 1024 <= number <= 65_535 else []


def _fresh() -> list[int]:
    return [*range(FIRST_PORT, FIRST_PORT + TRIED_PORTS), 0]
