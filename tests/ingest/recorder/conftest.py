"""A scripted adapter and vehicle for each test, over a line that can be made bad."""

from collections.abc import Callable, Iterator

import pytest

from .peers import Line

pytest.importorskip("obd")


@pytest.fixture
def line() -> Iterator[Line]:
    peer = Line()
    yield peer
    peer.close()


@pytest.fixture
def open_adapter() -> Iterator[Callable]:
    from roadlog.recorder.adapter import Adapter

    opened = []

    def open_(*args, **kwargs) -> Adapter:
        adapter = Adapter(*args, **kwargs)
        opened.append(adapter)
        return adapter

    yield open_
    for adapter in opened:
        adapter.close()
