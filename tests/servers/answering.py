"""A server on the loopback that answers each request by a function."""

from __future__ import annotations

import ssl
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

__all__ = ["Answer", "Answering", "Asked", "answering", "served_part"]

Answer = tuple[int, Mapping[str, str], bytes | Iterable[bytes]]
"""Status, headers and body, or its pieces as they come; the length of bytes is announced."""


@dataclass(frozen=True)
class Asked:
    """A request."""

    method: str
    path: str
    """With its query string."""
    headers: Mapping[str, str]
    body: bytes


@dataclass
class Answering:
    """A running server: its address, and what it was asked for."""

    address: str
    paths: list[str] = field(default_factory=list)


@contextmanager
def answering(
    answer: Callable[[Asked], Answer], tls: ssl.SSLContext | None = None
) -> Iterator[Answering]:
    """Answer on a free port until the block ends, over TLS if there is a context for it."""
    state = Answering("")

    class Handler(BaseHTTPRequestHandler):
        def log_message(self, *_: object) -> None:
            """Be quiet."""

        def do_GET(self) -> None:
            state.paths.append(self.path)
            body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
            asked = Asked(self.command, self.path, self.headers, body)
            status, headers, content = answer(asked)
            whole = {"Content-Length": str(len(content))} if isinstance(content, bytes) else {}
            try:
                self.send_response(status)
                for name, value in {**whole, **headers}.items():
                    self.send_header(name, value)
                self.end_headers()
                for piece in [content] if isinstance(content, bytes) else content:
                    self.wfile.write(piece)
            except ConnectionError:
                pass  # whoever asked has gone

        do_POST = do_GET  # noqa: N815

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    if tls:
        server.socket = tls.wrap_socket(server.socket, server_side=True)
    state.address = f"http{'s' if tls else ''}://127.0.0.1:{server.server_port}"
    threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True).start()
    try:
        yield state
    finally:
        server.shutdown()
        server.server_close()


def served_part(asked: Asked, content: bytes) -> Answer:
    """The range asked for (RFC 9110, section 14), or all."""
    if "Range" not in asked.headers:
        return 200, {}, content
    first, _, last = asked.headers["Range"].removeprefix("bytes=").partition("-")
    begin, end = int(first), min(int(last or len(content)), len(content) - 1)
    return 206, {"Content-Range": f"bytes {begin}-{end}/{len(content)}"}, content[begin : end + 1]
