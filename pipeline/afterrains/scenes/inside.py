"""Keeping what the open net says away from servers inside this network.

A catalogue on the open net may name any server on it, and by a redirect or a name that leads there
also one inside this network: a router's page, a cloud machine's own credentials. So where a
connection ends is looked at when it is made, not only how the server is called, and an inside one
is refused unless the programme file names its host (`scenes.trusted_hosts`). Where a proxy makes
the connections, only the proxy knows where they end, and only the names are looked at here.
"""

from __future__ import annotations

import socket
import time
from typing import Any
from urllib.parse import urlsplit

import requests
import urllib3
from requests.adapters import HTTPAdapter
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.connectionpool import HTTPConnectionPool, HTTPSConnectionPool

from afterrains.scenes.references import UnsafeReferenceError, is_private

__all__ = ["GuardedAdapter", "refuse_inside"]

_LARGEST_BYTES = 200_000_000
_LONGEST_S = 600.0
_PIECE = 1 << 20


def refuse_inside(host: str, end: str) -> None:
    """Refuse a connection to `host` that ends at the address `end`, if that lies inside.

    Raises
    ------
    UnsafeReferenceError
    """
    if is_private(end.partition("%")[0]):
        raise UnsafeReferenceError(
            f"{host} lies inside this network; if it is yours, name it under scenes.trusted_hosts"
        )


class _Watched:
    """A connection that is given up where it ends inside this network."""

    host: str

    def _new_conn(self) -> socket.socket:
        connected: socket.socket = super()._new_conn()  # type: ignore[misc]
        try:
            refuse_inside(self.host, str(connected.getpeername()[0]))
        except UnsafeReferenceError:
            connected.close()
            raise
        return connected


class _WatchedHTTP(_Watched, HTTPConnection):
    pass


class _WatchedHTTPS(_Watched, HTTPSConnection):
    pass


class _HTTPPool(HTTPConnectionPool):
    ConnectionCls = _WatchedHTTP


class _HTTPSPool(HTTPSConnectionPool):
    ConnectionCls = _WatchedHTTPS


def _guard(manager: urllib3.PoolManager) -> urllib3.PoolManager:
    """Make every connection of a pool manager a watched one."""
    manager.pool_classes_by_scheme = {"http": _HTTPPool, "https": _HTTPSPool}
    return manager


class GuardedAdapter(HTTPAdapter):
    """Documents by `requests`: no more bytes than a document can have, none from inside.

    Parameters
    ----------
    trusted : frozenset of str, optional
        Hosts that may lie inside; None lets every server be asked.
    settings
        As for `HTTPAdapter`.
    """

    def __init__(self, trusted: frozenset[str] | None, **settings: Any) -> None:
        self._trusted = trusted
        self._open = HTTPAdapter(**settings) if trusted is not None else None
        super().__init__(**settings)

    def init_poolmanager(self, *args: Any, **settings: Any) -> None:
        """As the library's, with watched connections where not every server may be asked."""
        super().init_poolmanager(*args, **settings)
        if self._trusted is not None:
            _guard(self.poolmanager)

    def send(
        self, request: requests.PreparedRequest, *args: Any, **settings: Any
    ) -> requests.Response:
        """As the library's, reading the body here, piece by piece and no further than it may go.

        Raises
        ------
        UnsafeReferenceError
            If the server lies inside this network.
        requests.RequestException
            Also if the body is too large or too slow.
        """
        host = (urlsplit(request.url or "").hostname or "").lower()
        trusted = self._open is not None and host in (self._trusted or ())
        # Every redirect comes through here too.
        if self._trusted is not None and not trusted and is_private(host):
            refuse_inside(host, host)
        settings["stream"] = True
        if trusted and self._open is not None:
            response = self._open.send(request, *args, **settings)
        else:
            response = super().send(request, *args, **settings)
        response._content = _whole(response)
        response._content_consumed = True
        return response


def _whole(response: requests.Response) -> bytes:
    """The body, decoded; a small one that unpacks to a huge one is refused too."""
    parts: list[bytes] = []
    held, end = 0, time.monotonic() + _LONGEST_S
    for part in response.iter_content(_PIECE):
        parts.append(part)
        held += len(part)
        if held > _LARGEST_BYTES:
            response.close()
            raise requests.exceptions.ContentDecodingError("the document is larger than any may be")
        if time.monotonic() > end:
            response.close()
            raise requests.exceptions.ReadTimeout("the document comes too slowly")
    return b"".join(parts)
