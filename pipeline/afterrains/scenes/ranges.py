"""Bytes of a file on a server, by HTTP range: asked for again while asking can help, or refused.

An answer is taken only when everything about it agrees: the status, the range it says it holds, the
length it announces and the bytes that came. Anything else – a cut line, a short body, a server that
trickles past the time limit – is a failed read, tried again with growing pauses and in the end an
`UnreadableError` in words without the query string.
"""

from __future__ import annotations

import logging
import os
import re
import time
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any
from urllib.parse import urljoin, urlsplit
from urllib.request import getproxies, proxy_bypass

import certifi
import urllib3
from urllib3 import BaseHTTPResponse
from urllib3.exceptions import HTTPError, InvalidHeader
from urllib3.exceptions import TimeoutError as NoAnswerError

from afterrains.scenes.failures import Patience, UnreadableError
from afterrains.scenes.inside import guard
from afterrains.scenes.references import UnsafeReferenceError, is_private, resolve
from afterrains.scenes.signing import Sign

__all__ = ["Answer", "RangeClient"]

_RANGE = re.compile(r"bytes (\d+)-(\d+)/(\d+|\*)")
# Asking again seldom helps: one more try, in case a file is just being put in place.
_LASTING = {400, 401, 403, 404, 405, 410, 416, 451}
_LONGEST_RETRY_AFTER_S = 60.0
_WHOLE_FILE_BYTES = 32_000_000  # a server without ranges may send a small file whole
_CHUNK = 262_144
_MOST_REDIRECTS = 4
_ONCE = urllib3.Retry(total=False, redirect=False)  # trying again is done here


@dataclass(frozen=True)
class Answer:
    """Bytes as delivered."""

    data: bytes
    """Shorter than asked only where the file ends."""
    size: int
    """Of the whole file."""
    version: str
    """Changes when the file changes, as far as the server tells: its ETag and size."""
    sealed: bool = False
    """Came by TLS all the way, which lets no bit turn unseen; TCP's own checksum does now and then
    (Stone and Partridge 2000, doi:10.1145/347057.347561)."""


class _FailedError(Exception):
    def __init__(self, why: str, status: int = 0, wait_s: float = 0.0) -> None:
        super().__init__(why)
        self.status, self.wait_s = status, wait_s


class RangeClient:
    """Asks servers for ranges of bytes; safe to use from many threads.

    Parameters
    ----------
    patience : Patience
        Tries, pauses and time limits.
    sign : callable, optional
        Signs an address just before it is used; see `signing`.
    connections : int
        Most connections kept open to one server.
    trusted : frozenset of str, optional
        The only hosts called by a public name that may lie inside this network; None lets every
        server be asked. See `inside`.
    """

    def __init__(
        self,
        patience: Patience | None = None,
        sign: Sign | None = None,
        connections: int = 64,
        trusted: frozenset[str] | None = None,
    ) -> None:
        self.patience = patience or Patience()
        self._sign = sign
        self._connections = connections
        self._trusted = trusted
        self._pools: dict[str, Any] = {}
        self.requests = 0
        self.received_bytes = 0
        logging.getLogger("urllib3.connectionpool").addFilter(_hide_query)  # adds itself once

    def get(self, address: str, first: int, length: int) -> Answer:
        """The bytes from `first` on.

        Raises
        ------
        UnreadableError
            After the last try.
        """
        end = time.monotonic() + self.patience.limit_s
        lasting, afresh = 0, False
        for attempt in range(1, self.patience.tries + 1):
            try:
                return self._once(address, first, length, end, afresh=afresh)
            except _FailedError as error:
                failure = error
            lasting += failure.status in _LASTING
            afresh = failure.status in (401, 403)
            late = time.monotonic() + failure.wait_s >= end
            if attempt == self.patience.tries or lasting > 1 or late:
                break
            self.patience.pause(attempt, at_least_s=failure.wait_s)
        raise UnreadableError(str(failure))

    def _once(self, address: str, first: int, length: int, end: float, *, afresh: bool) -> Answer:
        response = None
        try:
            target = self._sign(address, afresh) if self._sign else address
            response, sealed = self._ask(target, first, length)
            answer = replace(self._checked(response, first, length, end), sealed=sealed)
            response.release_conn()
            return answer
        except NoAnswerError as error:
            raise _FailedError("the server does not answer in time") from error
        # A library's own words can hold the query string; the kind of fault does not.
        except (HTTPError, OSError) as error:
            raise _FailedError(f"the line to the server failed ({type(error).__name__})") from error
        except (ValueError, UnsafeReferenceError) as error:
            raise _FailedError(re.sub(r"\?[^\s'\"]*", "", str(error))) from error
        finally:
            if response is not None:
                response.close()

    def _ask(self, address: str, first: int, length: int) -> tuple[BaseHTTPResponse, bool]:
        """The answer, and whether it came by TLS all the way.

        Redirects are followed by hand: none may lead from the open net into a private one.
        """
        headers = {"Range": f"bytes={first}-{first + length - 1}", "Accept-Encoding": "identity"}
        timeout = urllib3.Timeout(connect=20.0, read=self.patience.silence_s)
        sealed = True
        for _ in range(_MOST_REDIRECTS):
            self.requests += 1
            sealed = sealed and urlsplit(address).scheme == "https"
            pool, target = self._pool(address)
            response: BaseHTTPResponse = pool.urlopen(
                "GET",
                target,
                headers=headers,
                preload_content=False,
                decode_content=False,
                redirect=False,
                retries=_ONCE,
                timeout=timeout,
            )
            place = response.headers.get("Location")
            if response.status not in (301, 302, 303, 307, 308) or not place:
                return response, sealed
            response.close()
            inside = is_private(urlsplit(address).hostname or "")
            address = resolve(
                urljoin(address, place),
                address,
                remote=not inside,
                trusted=self._trusted or frozenset(),
            )
        raise _FailedError("the server redirects in a circle")

    def _checked(self, response: BaseHTTPResponse, first: int, length: int, end: float) -> Answer:
        if response.status not in (200, 206):
            wait_s = min(_retry_after(response), _LONGEST_RETRY_AFTER_S)
            raise _FailedError(f"the server answers {response.status}", response.status, wait_s)
        if response.headers.get("Content-Encoding", "identity") != "identity":
            raise _FailedError("the server sends a re-coded file")
        announced = int(response.headers.get("Content-Length", -1))
        if response.status == 200:
            if not 0 <= announced <= _WHOLE_FILE_BYTES:
                raise _FailedError("the server does not give parts of files", 405)
            begins, size, expected = 0, announced, announced
        else:
            found = _RANGE.fullmatch(response.headers.get("Content-Range", ""))
            if found is None or found[3] == "*":
                raise _FailedError("the server does not say which part it sends")
            begins, last, size = (int(text) for text in found.groups())
            expected = last - begins + 1
            if begins != first or last != min(first + length, size) - 1:
                raise _FailedError("the server sends another part than it was asked for")
            if announced not in (-1, expected):
                raise _FailedError("the server announces another length than it was asked for")
        data = self._body(response, expected, end)
        version = f"{response.headers.get('ETag', '')} {size}"
        return Answer(data[first - begins : first - begins + length], size, version)

    def _body(self, response: BaseHTTPResponse, expected: int, end: float) -> bytes:
        parts, held = [], 0
        # One byte more than expected would be a lie about the length.
        while held <= expected and (part := response.read1(_CHUNK)):
            parts.append(part)
            held += len(part)
            if time.monotonic() > end:
                raise _FailedError("the server is too slow")
        self.received_bytes += held
        if held != expected:
            raise _FailedError(f"the server sent {held} of {expected} bytes")
        return parts[0] if len(parts) == 1 else b"".join(parts)

    def _pool(self, address: str) -> tuple[Any, str]:
        """Who is asked for an address, and in which words."""
        parts = urlsplit(address)
        if parts.scheme not in ("http", "https") or not parts.hostname:
            raise _FailedError("not an http or https address")
        server = f"{parts.scheme}://{parts.netloc}"
        found = self._pools.get(server)
        if found is None:
            proxy = getproxies().get(parts.scheme)
            manager = (
                urllib3.ProxyManager(proxy, maxsize=self._connections, ca_certs=_certificates())
                if proxy and not proxy_bypass(parts.hostname)
                else urllib3.PoolManager(maxsize=self._connections, ca_certs=_certificates())
            )
            if self._trusted is not None and parts.hostname not in self._trusted:
                guard(manager)
            found = manager if manager.proxy else manager.connection_from_url(server)
            found = self._pools.setdefault(server, found)
        if isinstance(found, urllib3.ProxyManager):
            return found, address
        return found, _target(address)


@lru_cache(maxsize=256)  # many parts of a file are asked for in turn
def _target(address: str) -> str:
    """Path and query of an address, as they are sent."""
    return urllib3.util.parse_url(address).request_uri


def _certificates() -> str:
    """The file of trusted certificates, as other HTTP libraries choose it."""
    named = (os.environ.get(name) for name in ("REQUESTS_CA_BUNDLE", "CURL_CA_BUNDLE"))
    return next((path for path in named if path), certifi.where())


def _retry_after(response: BaseHTTPResponse) -> float:
    """Seconds that the server asks to wait."""
    asked = response.headers.get("Retry-After")
    try:
        return urllib3.Retry().parse_retry_after(asked) if asked else 0.0
    except (InvalidHeader, ValueError, OverflowError):
        return 0.0


def _hide_query(record: logging.LogRecord) -> bool:
    """Take query strings, which may hold keys, out of what the HTTP library logs."""
    record.msg, record.args = re.sub(r"\?[^\s'\"]*", "?…", record.getMessage()), ()
    return True
