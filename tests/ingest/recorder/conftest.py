"""An emulated adapter and car, one a module, and lines with faults to it."""

from collections.abc import Callable, Iterator

import pytest

from .peers import Emulator, Line

pytest.importorskip("obd")
pytest.importorskip("elm")


@pytest.fixture(scope="package")
def emulator() -> Iterator[Emulator]:
    peer = Emulator(tcp=True)
    yield peer
    peer.close()


@pytest.fixture
def line(emulator: Emulator) -> Iterator[Line]:
    between = Line(emulator)
    yield between
    between.close()


@pytest.fixture
def open_adapter() -> Iterator[Callable]:
    from roadlog.ingest.recorder.adapter import Adapter

    opened = []

    def open_(*args, **kwargs) -> Adapter:
        adapter = Adapter(*args, **kwargs)
        opened.append(adapter)
        return adapter

    yield open_
    for adapter in opened:
        adapter.close()
