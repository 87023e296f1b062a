"""A proxy before a service: counts requests, and answers some of them with a failure."""

from __future__ import annotations

import http.client
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import urlsplit

__all__ = ["Proxy", "in_front_of"]

_KEPT_HEADERS = ("Accept", "Content-Type", "Host")


@dataclass
class Proxy:
    """A running proxy."""

    address: str
    fails: Callable[[int], int | None] = lambda _number: None
    """The status with which the n-th request fails, counted from 1; None to pass it on."""
    asked: list[str] = field(default_factory=list)
    """Method and path of every request, failed ones too."""
    statuses: list[int] = field(default_factory=list)


@contextmanager
def in_front_of(service: str) -> Iterator[Proxy]:
    """A proxy on a free port of the loopback until the block ends.

    The `Host` header is passed on, so that links in the answers lead back to the proxy.
    """
    proxy = Proxy("")
    target = urlsplit(service)
    lock = threading.Lock()

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_GET(self) -> None:
            self._pass_on()

        def do_POST(self) -> None:
            self._pass_on()

        def log_message(self, *_: object) -> None:
            """Keep quiet."""

        def _pass_on(self) -> None:
            body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
            with lock:
                proxy.asked.append(f"{self.command} {urlsplit(self.path).path}")
                status = proxy.fails(len(proxy.asked))
            content, kind = b"", "text/plain"
            if status is None:
                connection = http.client.HTTPConnection(str(target.hostname), target.port or 80)
                headers = {key: self.headers[key] for key in _KEPT_HEADERS if key in self.headers}
                connection.request(self.command, self.path, body or None, headers)
                answer = connection.getresponse()
                status, content = answer.status, answer.read()
                kind = answer.getheader("Content-Type", kind)
                connection.close()
            proxy.statuses.append(status)
            self.send_response(status)
            self.send_header("Content-Type", kind)
            self.send_header("Content-Length", str(len(content)))
            self.end_headers()
            self.wfile.write(content)

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    proxy.address = f"http://127.0.0.1:{server.server_address[1]}"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
    thread.start()
    try:
        yield proxy
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
