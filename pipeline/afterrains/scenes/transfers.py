"""One GET of a part of a file over libcurl, given up as soon as its answer cannot be believed.

libcurl reads status, headers and body outside Python's one lock, at a third of the processor time
that Python's own HTTP takes; where a thousand small parts are asked for, that decides. Its handles
keep their connections. Redirects are handed back, never followed.
"""

from __future__ import annotations

import os
import socket
import time
from collections import defaultdict, deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any
from urllib.parse import urlsplit
from urllib.request import getproxies, proxy_bypass

import certifi
import numpy as np
import pycurl
from urllib3.exceptions import LocationParseError
from urllib3.util import parse_url

from afterrains.scenes.inside import refuse_inside

__all__ = ["FailedError", "Reply", "Transfers", "fresh_handle"]

_CONNECT_S = 20
_STOP = -1  # to libcurl: end the transfer
_NO_ROOM = memoryview(b"")
_WORDS = {
    pycurl.E_COULDNT_RESOLVE_HOST: "its name is not known",
    pycurl.E_COULDNT_RESOLVE_PROXY: "the proxy's name is not known",
    pycurl.E_COULDNT_CONNECT: "no connection",
    pycurl.E_PEER_FAILED_VERIFICATION: "its certificate is not trusted",
    pycurl.E_SSL_CONNECT_ERROR: "no secure connection",
    pycurl.E_GOT_NOTHING: "closed without an answer",
    pycurl.E_RECV_ERROR: "cut while receiving",
    pycurl.E_SEND_ERROR: "cut while sending",
}


class FailedError(Exception):
    """An answer that is not to be believed, or none; the text holds no query string."""

    def __init__(self, why: str, status: int = 0, wait_s: float = 0.0) -> None:
        super().__init__(why)
        self.status, self.wait_s = status, wait_s


@dataclass(frozen=True)
class Reply:
    """An answer that came whole."""

    status: int
    headers: Mapping[str, str]
    """By lower-case name; of one that comes twice the last."""
    body: bytes | memoryview


Believed = Callable[[int, Mapping[str, str]], tuple[int, int]]
"""The fewest and the most bytes that may follow such a status and headers; raises FailedError
where the answer is of no use."""


class Transfers:
    """Handles of libcurl for the requests of many threads.

    Parameters
    ----------
    connections : int
        Most handles kept for later requests to one server.
    silence_s : float
        How long a server may say nothing; whole seconds count, at least one.
    trusted : frozenset of str, optional
        The only hosts whose connections may end inside this network; None allows every host. Where
        a proxy makes the connection, only the proxy knows where it ends.
    """

    def __init__(
        self, connections: int, silence_s: float, trusted: frozenset[str] | None = None
    ) -> None:
        self._connections, self._silence_s, self._trusted = connections, silence_s, trusted
        self._idle: defaultdict[tuple[str, str], deque[_Transfer]] = defaultdict(deque)
        self._proxies: dict[tuple[str, str], str] = {}

    def get(self, address: str, first: int, length: int, end: float, believed: Believed) -> Reply:
        """The answer to one request for `length` bytes from `first` on.

        Parameters
        ----------
        address : str
            Signed, if need be.
        first, length : int
        end : float
            When `time.monotonic` says so, the server was too slow.
        believed : callable

        Raises
        ------
        FailedError
            Without a whole answer, or what `believed` raises.
        UnsafeReferenceError
            If the connection would end inside this network.
        """
        url, scheme, host = _checked(address)
        idle = self._idle[scheme, host]
        try:
            transfer = idle.pop()
        except IndexError:
            transfer = _Transfer(self._silence_s, self._trusted)
        try:
            return transfer.run(url, host, self._proxy(scheme, host), first, length, end, believed)
        finally:
            if len(idle) < self._connections:
                idle.append(transfer)
            else:
                transfer.close()

    def _proxy(self, scheme: str, host: str) -> str:
        """Who makes the connection; empty where this machine does."""
        found = self._proxies.get((scheme, host))
        if found is None:
            named = getproxies().get(scheme, "")
            found = "" if proxy_bypass(host) else named
            self._proxies[scheme, host] = found
        return found


class _Transfer:
    """One handle and the request that it serves now."""

    def __init__(self, silence_s: float, trusted: frozenset[str] | None) -> None:
        self._handle = fresh_handle()
        self._handle.setopt(pycurl.LOW_SPEED_TIME, max(1, round(silence_s)))
        self._handle.setopt(pycurl.HEADERFUNCTION, self._header)
        self._handle.setopt(pycurl.WRITEFUNCTION, self._part)
        if trusted is not None:
            self._handle.setopt(pycurl.OPENSOCKETFUNCTION, self._socket)
        self._trusted = trusted
        self._host, self._is_direct = "", True
        self._status, self._headers, self._is_told = 0, dict[str, str](), False
        self._body = _NO_ROOM
        self._held = self._fewest = self._most = 0
        self._fault: BaseException | None = None
        self._opened: list[socket.socket] = []
        self._believed: Believed = _nothing

    def close(self) -> None:
        """Let its connections go."""
        self._handle.close()

    def run(
        self,
        url: str,
        host: str,
        proxy: str,
        first: int,
        length: int,
        end: float,
        believed: Believed,
    ) -> Reply:
        """See `Transfers.get`."""
        self._host, self._is_direct, self._believed = host, not proxy, believed
        self._status, self._headers, self._is_told = 0, {}, False
        self._held = self._fewest = self._most = 0
        handle = self._handle
        handle.setopt(pycurl.URL, url)
        handle.setopt(pycurl.PROXY, proxy)
        handle.setopt(pycurl.RANGE, f"{first}-{first + length - 1}")
        handle.setopt(pycurl.TIMEOUT_MS, max(1, int(1000 * (end - time.monotonic()))))
        code = pycurl.E_OK
        try:
            handle.perform()
        except pycurl.error as error:
            code = error.args[0]
        finally:
            fault, self._fault = self._fault, None
            body, self._body = self._body, _NO_ROOM
            self._believed = _nothing
            while self._opened:  # libcurl has made copies
                self._opened.pop().close()
        if fault is not None:
            raise fault
        if code == pycurl.E_OPERATION_TIMEDOUT:
            # Either the silence, or the end of all patience.
            late = time.monotonic() >= end - 0.05
            raise FailedError(
                "the server is too slow" if late else "the server does not answer in time"
            )
        told = self._status and code in (pycurl.E_OK, pycurl.E_PARTIAL_FILE, pycurl.E_WRITE_ERROR)
        if not told:
            what = _WORDS.get(code, f"libcurl's error {code}")
            raise FailedError(f"the line to the server failed ({what})")
        if not self._fewest <= self._held <= self._most:
            raise FailedError(f"the server sent {self._held} of {self._fewest} bytes")
        return Reply(self._status, self._headers, body[: self._held])

    # libcurl calls what follows; an exception would be printed and forgotten there.

    def _header(self, line: bytes) -> int | None:
        try:
            if self._is_told:  # what follows a body adds nothing
                return None
            text = line.decode("latin-1").strip()
            if text.startswith("HTTP/") and ":" not in text.partition(" ")[0]:
                self._status, self._headers = int(text.split(" ")[1]), {}
            elif text:
                name, _, value = text.partition(":")
                self._headers[name.strip().lower()] = value.strip()
            elif not self._is_not_yet_it():
                self._is_told = True
                self._fewest, self._most = self._believed(self._status, self._headers)
                # In one piece: put together of small ones it takes twice the memory for a moment.
                self._body = np.empty(self._most, np.uint8).data
        except BaseException as fault:
            return self._stop(fault)
        return None

    def _is_not_yet_it(self) -> bool:
        """Whether headers that just ended are an interim answer, or the proxy's: it is through.

        The proxy's has no length (RFC 9110, section 9.3.6); if it is the server's after all, no
        byte is taken of it.
        """
        through = not self._is_direct and self._status == 200
        return self._status < 200 or (through and "content-length" not in self._headers)

    def _part(self, part: bytes) -> int | None:
        try:
            begins, self._held = self._held, self._held + len(part)
            if self._held > self._most:
                return _STOP
            self._body[begins : self._held] = part
        except BaseException as fault:
            return self._stop(fault)
        return None

    def _socket(self, _purpose: int, place: Any) -> socket.socket | int:
        try:
            if self._is_direct and self._host not in (self._trusted or ()):
                refuse_inside(self._host, str(place.addr[0]))
            opened = socket.socket(place.family, place.socktype, place.protocol)
            self._opened.append(opened)
            return opened
        except BaseException as fault:
            self._stop(fault)
            bad: int = pycurl.SOCKET_BAD
            return bad

    def _stop(self, fault: BaseException) -> int:
        self._fault = FailedError("a broken answer") if type(fault) is ValueError else fault
        return _STOP


def fresh_handle() -> Any:
    """A handle of libcurl with what all requests have in common."""
    handle = pycurl.Curl()
    for option, value in (
        (pycurl.NOSIGNAL, 1),
        (pycurl.FOLLOWLOCATION, 0),
        (pycurl.PROTOCOLS, pycurl.PROTO_HTTP | pycurl.PROTO_HTTPS),
        (pycurl.HTTP_VERSION, pycurl.CURL_HTTP_VERSION_1_1),
        # Whom to ask through a proxy is settled here alone: one that libcurl went around by its own
        # reading of no_proxy would end unwatched.
        (pycurl.NOPROXY, ""),
        (pycurl.HTTPHEADER, ["Accept-Encoding: identity"]),
        (pycurl.CAINFO, _certificates()),
        (pycurl.CONNECTTIMEOUT, _CONNECT_S),
        (pycurl.LOW_SPEED_LIMIT, 1),  # bytes a second
        (pycurl.TCP_NODELAY, 1),
    ):
        handle.setopt(option, value)
    return handle


def _nothing(_status: int, _headers: Mapping[str, str]) -> tuple[int, int]:
    """Nobody waits for an answer."""
    raise FailedError("an answer without a request")


@lru_cache(maxsize=256)  # many parts of a file are asked for in turn
def _checked(address: str) -> tuple[str, str, str]:
    """An address as it is sent, its scheme and its host."""
    parts = urlsplit(address)
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise FailedError("not an http or https address")
    try:
        return parse_url(address).url, parts.scheme, parts.hostname
    except LocationParseError as error:
        raise FailedError("not a valid address") from error


def _certificates() -> str:
    """The file of trusted certificates, as other HTTP libraries choose it."""
    named = (os.environ.get(name) for name in ("REQUESTS_CA_BUNDLE", "CURL_CA_BUNDLE"))
    return next((path for path in named if path), certifi.where())
