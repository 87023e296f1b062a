"""An HTTP server of a folder's files with byte ranges, which can misbehave by a seeded plan.

Ways to misbehave: "slow" (late, and in two parts), "cut" (the connection closes half-way through a
body whose length was announced), "truncate" (half the body, announced as such), "lie" (a length
that is not the body's, and a false size of the file), and the statuses 403, 404, 429 and 500.
"""

from __future__ import annotations

import random
import threading
import time
import zlib
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import unquote, urlsplit

__all__ = ["KINDS", "FaultPlan", "RangeServer", "serve"]

KINDS = ("slow", "cut", "truncate", "lie", "403", "404", "429", "500")


@dataclass
class FaultPlan:
    """Which requests fail, and how. What happens to a file depends on no other file.

    Of each file every tenth request fails, the first of them at a place that the seed decides, so
    that threads and processes may ask in any order and still one request in ten goes wrong. A file
    named in `always` fails at every request.
    """

    seed: int = 1
    every: int = 10
    kinds: tuple[str, ...] = KINDS
    always: Mapping[str, str] = field(default_factory=dict)
    """Part of a path, and the way in which it always fails; "" for never. The first one counts."""
    done: Counter[str] = field(default_factory=Counter)
    """Faults so far, by kind."""
    _asked: Counter[str] = field(default_factory=Counter)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def next(self, path: str) -> str | None:
        """What goes wrong with this request, if anything."""
        with self._lock:
            self._asked[path] += 1
            number = self._asked[path]
            kind = next((how for part, how in self.always.items() if part in path), None)
            if (
                kind is None
                and (number + zlib.crc32(f"{self.seed}{path}".encode())) % (self.every) == 0
            ):
                kind = random.Random(f"{self.seed} {path} {number}").choice(self.kinds)
            if kind:
                self.done[kind] += 1
            return kind or None


@dataclass
class RangeServer:
    """A running server: its address, what it was asked for, and its plan of faults."""

    address: str
    plan: FaultPlan | None = None
    refuses: Callable[[str, str], bool] = lambda _path, _query: False
    """Whether a path with this query string is answered with 403."""
    requests: int = 0
    bytes_sent: int = 0


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    folder: Path
    state: RangeServer
    lock: threading.Lock

    def do_HEAD(self) -> None:
        self._answer(body=False)

    def do_GET(self) -> None:
        self._answer(body=True)

    def log_message(self, *_: object) -> None:
        """Keep quiet."""

    def _answer(self, *, body: bool) -> None:
        path = unquote(urlsplit(self.path).path)
        fault = self.state.plan.next(path) if self.state.plan else None
        with self.lock:
            self.state.requests += 1
        if fault is not None and fault.isdigit():
            self._status(int(fault))
            return
        if self.state.refuses(path, urlsplit(self.path).query):
            self._status(403)
            return
        file = (self.folder / path.lstrip("/")).resolve()
        if not file.is_relative_to(self.folder) or not file.is_file():
            self._status(404)
            return
        size = file.stat().st_size
        wanted = _range(self.headers.get("Range"), size)
        if wanted is None:
            self._status(416)
            return
        first, last = wanted
        with file.open("rb") as opened:
            opened.seek(first)
            content = opened.read(last - first + 1)
        self._send(content, first, size, fault, body=body)

    def _status(self, status: int) -> None:
        self.send_response(status)
        if status == 429:
            self.send_header("Retry-After", "1")
        self.send_header("Content-Length", "0")
        self.end_headers()

    def _send(
        self, content: bytes, first: int, size: int, fault: str | None, *, body: bool
    ) -> None:
        whole = len(content)
        if fault in ("cut", "truncate", "lie"):
            content = content[: whole // 2]
        announced = {"cut": whole, "lie": max(1, whole // 3)}.get(fault or "", len(content))
        told_size = size // 2 + 1 if fault == "lie" else size
        if fault == "slow":
            time.sleep(0.2)
        partial = "Range" in self.headers
        self.send_response(206 if partial else 200)
        self.send_header("Accept-Ranges", "bytes")
        self.send_header("Content-Type", "application/octet-stream")
        if partial:
            self.send_header("Content-Range", f"bytes {first}-{first + whole - 1}/{told_size}")
        self.send_header("Content-Length", str(announced))
        if fault in ("cut", "lie"):
            self.send_header("Connection", "close")
            self.close_connection = True
        self.end_headers()
        if not body:
            return
        half = len(content) // 2
        with self.lock:  # before the last byte leaves: a client that has all may ask at once
            self.state.bytes_sent += len(content)
        try:
            self.wfile.write(content[:half])
            if fault == "slow":
                self.wfile.flush()
                time.sleep(0.2)
            self.wfile.write(content[half:])
        except (BrokenPipeError, ConnectionResetError):
            self.close_connection = True


def _range(header: str | None, size: int) -> tuple[int, int] | None:
    """First and last byte of a single range (RFC 9110, section 14); None where it is past the end.

    Several ranges in one request are answered with the whole file, as the standard allows.
    """
    if header is None or "," in header or not header.startswith("bytes="):
        return 0, size - 1
    start, _, end = header.removeprefix("bytes=").partition("-")
    if not start:
        return max(0, size - int(end)), size - 1
    if int(start) >= size:
        return None
    return int(start), min(int(end), size - 1) if end else size - 1


@contextmanager
def serve(folder: Path) -> Iterator[RangeServer]:
    """Serve a folder on a free port of the loopback until the block ends."""
    state = RangeServer("")
    members = {"folder": folder.resolve(), "state": state, "lock": threading.Lock()}
    handler = type("Handler", (_Handler,), members)
    server = ThreadingHTTPServer(("127.0.0.1", 0), handler)
    server.daemon_threads = True
    state.address = f"http://127.0.0.1:{server.server_address[1]}"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
    thread.start()
    try:
        yield state
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
