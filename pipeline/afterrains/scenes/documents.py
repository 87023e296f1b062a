"""Reading a catalogue's JSON documents from a disk or a server, with retries; nothing is guessed.

What trying again cannot mend (a missing file, broken JSON) is a `BrokenDocumentError`; what it can
(a server that is down, slow or cut off) is a `ServiceError` after the retries are used up. Servers
behind a balancer at times deny or miss a file that they have, or send half of it as if it were all,
so even what seems final is asked for again before it is believed.
"""

from __future__ import annotations

import json
import logging
import re
import threading
import time
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any, Self

import requests
from pystac_client.exceptions import APIError
from pystac_client.stac_api_io import StacApiIO
from urllib3 import Retry
from urllib3.exceptions import MaxRetryError

from afterrains.errors import ServiceError
from afterrains.packed import Packed
from afterrains.scenes.inside import GuardedAdapter
from afterrains.scenes.references import UnsafeReferenceError, is_address, without_query

__all__ = ["BrokenDocumentError", "Documents", "service_failed"]

_LARGEST_BYTES = 500_000_000
_SIDE_BY_SIDE = 16
"""Documents asked for at once; each thread has a session, and so a connection, of its own."""
_RETRIES = Retry(
    total=5,
    backoff_factor=0.5,
    backoff_jitter=0.5,
    status_forcelist=(429, 500, 502, 503, 504),
    allowed_methods=None,  # searches are POST requests and change nothing
    respect_retry_after_header=True,
)


_PAUSES_S = (0.2, 1.0)
"""Before each further try of what the HTTP library does not try again by itself."""
_PERHAPS_WRONG = (403, 404)


class BrokenDocumentError(Exception):
    """A document that is missing or not JSON, in words without its query string."""


def _hide_query(record: logging.LogRecord) -> bool:
    """Take query strings, which may hold keys, out of what the HTTP library logs of its retries."""
    record.msg, record.args = re.sub(r"\?[^\s'\"]*", "?…", record.getMessage()), ()
    return True


class _PatientIO(StacApiIO):
    """Asks again where a body was cut off or is no JSON, or where a file is denied or missing.

    The HTTP library tries again where a connection fails or a server says that it is busy; it does
    not once a body has begun.
    """

    def request(self, *args: Any, **kwargs: Any) -> str:
        """As the library's, with more tries; the last failure is raised as it came.

        Only addresses are asked: no answer of a server may lead to a file of this machine.
        """
        if not is_address(str(args[0] if args else kwargs.get("href", ""))):
            try:
                raise UnsafeReferenceError("is not on the web")
            except UnsafeReferenceError as error:
                raise APIError(str(error)) from error
        for pause in _PAUSES_S:
            try:
                text = str(super().request(*args, **kwargs))
                json.loads(text)
                return text
            except APIError as error:
                if not _worth_another_try(error):
                    raise
            except (ValueError, RecursionError):
                pass  # not JSON, perhaps for being half of it
            time.sleep(pause)
        return str(super().request(*args, **kwargs))


def _worth_another_try(error: APIError) -> bool:
    if getattr(error, "status_code", None) in _PERHAPS_WRONG:
        return True
    cause = error.__context__
    return isinstance(cause, requests.RequestException) and not (
        cause.args and isinstance(cause.args[0], MaxRetryError)
    )


def _packed(found: dict[str, Any]) -> dict[str, Any] | Packed:
    if found.get("type") != "Feature":
        return found
    return Packed.of(found, default=Packed.unpacked)


class Documents:
    """Reads JSON from paths and addresses; one HTTP session for each thread.

    Parameters
    ----------
    retries : urllib3.Retry, optional
        How often requests are tried again, and with what pauses.
    timeout_s : float
        How long a server may be silent.
    trusted : frozenset of str, optional
        The only hosts that may lie inside this network; None lets every server be asked.
    """

    def __init__(
        self,
        retries: Retry | None = None,
        timeout_s: float = 60,
        trusted: frozenset[str] | None = None,
    ) -> None:
        self._how = retries or _RETRIES, timeout_s, trusted
        self._lock, self._own, self._all = threading.Lock(), threading.local(), list[_PatientIO]()
        logging.getLogger("urllib3.connectionpool").addFilter(_hide_query)  # adds itself once

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_failure: object) -> None:
        for each in self._all:
            each.session.close()

    @property
    def io(self) -> StacApiIO:
        """The session of this thread; that threads may share one is not promised."""
        found: _PatientIO | None = getattr(self._own, "io", None)
        if found is None:
            retries, timeout_s, trusted = self._how
            found = self._own.io = _PatientIO(timeout=timeout_s)
            for scheme in ("http://", "https://"):
                found.session.mount(scheme, GuardedAdapter(trusted, max_retries=retries))
            with self._lock:
                self._all.append(found)
        return found

    def read_all(self, places: Sequence[str]) -> Iterator[dict[str, Any] | BrokenDocumentError]:
        """The JSON objects at many places, in their order; a broken one as its error.

        From servers many are read at a time, and no more than a few ahead of what is taken.

        Raises
        ------
        ServiceError
            If a server failed after the retries.
        """
        if not any(map(is_address, places)):
            yield from map(self._read_or_error, places)
            return
        pool = ThreadPoolExecutor(min(_SIDE_BY_SIDE, len(places)), "document")
        running: deque[Future[dict[str, Any] | BrokenDocumentError]] = deque()
        try:
            for place in places:
                running.append(pool.submit(self._read_or_error, place))
                if len(running) == 2 * _SIDE_BY_SIDE:
                    yield running.popleft().result()
            while running:
                yield running.popleft().result()
        finally:
            pool.shutdown(cancel_futures=True)

    def _read_or_error(self, place: str) -> dict[str, Any] | BrokenDocumentError:
        try:
            return self.read(place)
        except BrokenDocumentError as error:
            return error

    def read(self, place: str, *, packed: bool = False) -> dict[str, Any]:
        """The JSON object at a path or address.

        If `packed`, GeoJSON features in it are `Packed`.

        Raises
        ------
        BrokenDocumentError
            If it is not there or is not a JSON object.
        ServiceError
            If a server failed after the retries.
        """
        text = self._fetch(place) if is_address(place) else self._open(Path(place))
        try:
            found = json.loads(text, object_hook=_packed if packed else None)
            if isinstance(found, Packed):
                found = found.unpacked()
        except (ValueError, RecursionError) as error:
            raise BrokenDocumentError(f"{without_query(place)} is not JSON") from error
        if not isinstance(found, dict):
            raise BrokenDocumentError(f"{without_query(place)} does not hold a JSON object")
        return found

    def _open(self, path: Path) -> str:
        try:
            if path.stat().st_size > _LARGEST_BYTES:
                raise BrokenDocumentError(f"{path} is larger than any catalogue")
            return path.read_text(encoding="utf-8-sig")
        except OSError as error:
            raise BrokenDocumentError(f"{path} cannot be read ({error.strerror})") from error
        except UnicodeDecodeError as error:
            raise BrokenDocumentError(f"{path} is not UTF-8") from error

    def _fetch(self, address: str) -> str:
        try:
            return str(self.io.read_text(address))
        except APIError as error:
            if isinstance(error.__context__, UnsafeReferenceError):
                raise BrokenDocumentError(f"{without_query(address)} {error.__context__}") from None
            if getattr(error, "status_code", None) in (400, 401, 403, 404, 410):
                what = f"{without_query(address)} answers {error.status_code}"
                raise BrokenDocumentError(what) from None
            raise service_failed(address, error) from None
        except (requests.RequestException, OSError) as error:
            raise service_failed(address, error) from None


def service_failed(address: str, error: Exception) -> ServiceError:
    """What to raise when a server failed for good.

    Only the kind of fault is told: the library's own words can hold the query string.
    """
    status = getattr(error, "status_code", None)
    kind = f"status {status}" if status else type(error).__name__
    return ServiceError(
        f"the catalogue {without_query(address)} failed after several tries ({kind}); "
        "nothing is lost: run the same command again later"
    )
