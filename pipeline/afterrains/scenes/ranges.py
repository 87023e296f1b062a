"""Bytes of a file on a server, by HTTP range: asked for again while asking can help, or refused.

An answer is taken only when everything about it agrees: the status, the range it says it holds, the
length it announces and the bytes that came. Anything else – a cut line, a short body, a server that
trickles past the time limit – is a failed read, tried again with growing pauses and in the end an
`UnreadableError` in words without the query string.
"""

from __future__ import annotations

import logging
import re
import time
from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import urljoin, urlsplit

import urllib3
from urllib3.exceptions import InvalidHeader

from afterrains.scenes.failures import Patience, UnreadableError
from afterrains.scenes.references import UnsafeReferenceError, is_private, resolve
from afterrains.scenes.signing import Sign
from afterrains.scenes.transfers import FailedError, Reply, Transfers

__all__ = ["Answer", "RangeClient"]

_LOG = logging.getLogger("afterrains")
_RANGE = re.compile(r"bytes (\d+)-(\d+)/(\d+|\*)")
# Asking again seldom helps: one more try, in case a file is just being put in place.
_LASTING = {400, 401, 403, 404, 405, 410, 416, 451}
_LONGEST_RETRY_AFTER_S = 60.0
_WHOLE_FILE_BYTES = 32_000_000  # a server without ranges may send a small file whole
_REDIRECTS = (301, 302, 303, 307, 308)
_MOST_REDIRECTS = 4
_REDIRECT_BYTES = 65_536  # of words beside a redirect, which nobody reads


@dataclass(frozen=True)
class Answer:
    """Bytes as delivered."""

    data: bytes | memoryview
    """Shorter than asked only where the file ends."""
    size: int
    """Of the whole file."""
    version: str
    """Changes when the file changes, as far as the server tells: its ETag and size."""
    sealed: bool = False
    """Came by TLS all the way, which lets no bit turn unseen; TCP's own checksum does now and then
    (Stone and Partridge 2000, doi:10.1145/347057.347561)."""


class RangeClient:
    """Asks servers for ranges of bytes; safe to use from many threads.

    Parameters
    ----------
    patience : Patience
        Tries, pauses and time limits.
    sign : callable, optional
        Signs an address just before it is used; see `signing`.
    connections : int
        Most connections kept open.
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
        self._trusted = trusted
        self._transfers = Transfers(connections, self.patience.silence_s, trusted)
        self.requests = 0
        self.received_bytes = 0

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
            except FailedError as error:
                failure = error
            lasting += failure.status in _LASTING
            afresh = failure.status in (401, 403)
            late = time.monotonic() + failure.wait_s >= end
            if attempt == self.patience.tries or lasting > 1 or late:
                break
            self.patience.pause(attempt, at_least_s=failure.wait_s)
        raise UnreadableError(str(failure))

    def _once(self, address: str, first: int, length: int, end: float, *, afresh: bool) -> Answer:
        try:
            target = self._sign(address, afresh) if self._sign else address
            reply, sealed = self._ask(target, first, length, end)
        # A library's own words can hold the query string.
        except (ValueError, UnsafeReferenceError) as error:
            raise FailedError(re.sub(r"\?[^\s'\"]*", "", str(error))) from error
        except (urllib3.exceptions.HTTPError, OSError) as error:
            raise FailedError(f"the line to the server failed ({type(error).__name__})") from error
        self.received_bytes += len(reply.body)
        begins, _, size = _part(reply.status, reply.headers, first, length)
        data = reply.body
        if begins != first or len(data) > length:
            data = data[first - begins : first - begins + length]
        return Answer(data, size, f"{reply.headers.get('etag', '')} {size}", sealed)

    def _ask(self, address: str, first: int, length: int, end: float) -> tuple[Reply, bool]:
        """The answer, and whether it came by TLS all the way.

        Redirects are followed by hand: none may lead from the open net into a private one.
        """

        def believed(status: int, headers: Mapping[str, str]) -> tuple[int, int]:
            if status in _REDIRECTS and headers.get("location"):
                return 0, _REDIRECT_BYTES
            begins, ends, _ = _part(status, headers, first, length)
            return ends - begins, ends - begins

        sealed = True
        for _ in range(_MOST_REDIRECTS):
            self.requests += 1
            if _LOG.isEnabledFor(logging.DEBUG):
                _LOG.debug("%d bytes from %d of %s", length, first, address.partition("?")[0])
            sealed = sealed and urlsplit(address).scheme == "https"
            reply = self._transfers.get(address, first, length, end, believed)
            place = reply.headers.get("location")
            if reply.status not in _REDIRECTS or not place:
                return reply, sealed
            inside = is_private(urlsplit(address).hostname or "")
            address = resolve(
                urljoin(address, place),
                address,
                remote=not inside,
                trusted=self._trusted or frozenset(),
            )
        raise FailedError("the server redirects in a circle")


def _part(status: int, headers: Mapping[str, str], first: int, length: int) -> tuple[int, int, int]:
    """First byte of what a body holds, the one after its last, and the whole file's size.

    Raises
    ------
    FailedError
        If it is not what was asked for, or does not agree with itself.
    """
    if status not in (200, 206):
        wait_s = min(_retry_after(headers), _LONGEST_RETRY_AFTER_S)
        raise FailedError(f"the server answers {status}", status, wait_s)
    if headers.get("content-encoding", "identity") != "identity":
        raise FailedError("the server sends a re-coded file")
    announced = int(headers.get("content-length", -1))
    if status == 200:
        if not 0 <= announced <= _WHOLE_FILE_BYTES:
            raise FailedError("the server does not give parts of files", 405)
        return 0, announced, announced
    found = _RANGE.fullmatch(headers.get("content-range", ""))
    if found is None or found[3] == "*":
        raise FailedError("the server does not say which part it sends")
    begins, last, size = (int(text) for text in found.groups())
    if begins != first or last != min(first + length, size) - 1:
        raise FailedError("the server sends another part than it was asked for")
    if announced not in (-1, last - begins + 1):
        raise FailedError("the server announces another length than it was asked for")
    return begins, last + 1, size


def _retry_after(headers: Mapping[str, str]) -> float:
    """Seconds that the server asks to wait."""
    asked = headers.get("retry-after")
    try:
        return urllib3.Retry().parse_retry_after(asked) if asked else 0.0
    except (InvalidHeader, ValueError, OverflowError):
        return 0.0
