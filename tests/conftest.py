"""Fixtures shared by all tests: seeded randomness, real scenes, a scheduler that refuses to run."""

from __future__ import annotations

import os
import socket
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Any, NoReturn

import dask
import numpy as np
import pycurl
import pytest
from hypothesis import settings

from afterrains.scenes import transfers
from afterrains.scenes.transfers import fresh_handle

# Servers that several rooms' tests start.
sys.path.insert(0, str(Path(__file__).parent / "servers"))

# The same examples in every run, and no clock: a busy machine must not fail a property.
settings.register_profile("steady", deadline=None, derandomize=True)
settings.load_profile("steady")

_PROJECT = Path(__file__).resolve().parent.parent


@pytest.fixture
def rng() -> np.random.Generator:
    """The one source of randomness of a test; the same numbers in every run."""
    return np.random.default_rng(20_230_617)


@pytest.fixture
def names(monkeypatch: pytest.MonkeyPatch) -> Callable[[str, str], None]:
    """Lets a public name lead to any address, as whoever owns the name can."""
    known: dict[str, str] = {}
    real = socket.getaddrinfo

    def look_up(host: str, *rest: Any, **settings: Any) -> Any:
        return real(known.get(host, host), *rest, **settings)

    def led_handle() -> Any:
        handle = fresh_handle()
        # libcurl looks names up itself; the port stays as it is.
        handle.setopt(pycurl.CONNECT_TO, [f"{name}::{end}:" for name, end in known.items()])
        return handle

    monkeypatch.setattr(socket, "getaddrinfo", look_up)
    monkeypatch.setattr(transfers, "fresh_handle", led_handle)
    return known.__setitem__


@pytest.fixture(scope="session")
def real() -> Path:
    """The folder of real scenes, kept beside the project: $AFTERRAINS_REAL, or ../shared/real.

    A test that needs it skips where it is absent, except in continuous integration (CI=true),
    where a silent skip would hide that nothing was checked.
    """
    named = os.environ.get("AFTERRAINS_REAL")
    folder = Path(named) if named else _PROJECT.parent / "shared" / "real"
    if (folder / "README.md").is_file():
        return folder
    message = f"the real scenes are not in {folder}; set AFTERRAINS_REAL to their folder"
    if os.environ.get("CI", "").lower() == "true":
        pytest.fail(message)
    pytest.skip(message)


@pytest.fixture
def computing_forbidden() -> Callable[[], AbstractContextManager[None]]:
    """A context in which a dask graph may be built but not run."""

    def _refuse(*_args: Any, **_kwargs: Any) -> NoReturn:
        raise AssertionError("a dask graph was computed where only building it is allowed")

    @contextmanager
    def _forbidden() -> Iterator[None]:
        with dask.config.set(scheduler=_refuse):
            yield

    return _forbidden


def pytest_configure(config: pytest.Config) -> None:
    """Pass over what libraries warn of among themselves; our own warnings stay errors."""
    # rasterio 1.4 multiplies affine transforms in the way that affine 3 means to give up.
    matmul = "ignore:Use `@` matmul instead:PendingDeprecationWarning"
    config.addinivalue_line("filterwarnings", matmul)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark every test that asks for the real scenes, so that `-m "not real"` leaves it out."""
    for item in items:
        if "real" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.real)
