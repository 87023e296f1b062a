"""A small HTTP server of one folder by byte ranges, with latency, that counts what it sends.

It runs in a process of its own and uses the kernel's sendfile, so that on a small machine it takes
little from the readers that are measured.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path

_HEAD_LIMIT = 65536


StandIns = Callable[[str], tuple[Path, tuple[int, bytes]] | None]
"""For a file's name: the file sent in its place, and bytes that differ, from an offset on."""


@dataclass
class Counted:
    """What the server sent since it was last asked."""

    requests: int
    sent_bytes: int
    """Bodies only."""


@dataclass(frozen=True)
class RangeServer:
    """A running server."""

    address: str
    _pipe: Connection
    _process: BaseProcess

    def kill(self) -> None:
        """End it without a word, as a machine that loses power does."""
        self._process.kill()
        self._process.join()

    def count(self) -> Counted:
        """What was sent since the last call."""
        self._pipe.send("count")
        return Counted(*self._pipe.recv())


@contextmanager
def range_server(
    folder: Path, latency_s: float, port: int = 0, stand_ins: StandIns | None = None
) -> Iterator[RangeServer]:
    """Serve a folder until the block ends; every answer waits for `latency_s` first.

    `stand_ins` may answer for files that are not there.
    """
    here, there = multiprocessing.get_context("spawn").Pipe()
    process = multiprocessing.get_context("spawn").Process(
        target=_serve, args=(folder, latency_s, there, port, stand_ins), daemon=True
    )
    process.start()
    try:
        yield RangeServer(f"http://127.0.0.1:{here.recv()}", here, process)
    finally:
        if process.is_alive():
            here.send("stop")
        process.join(5)


def _serve(
    folder: Path, latency_s: float, pipe: Connection, port: int, stand_ins: StandIns | None
) -> None:
    asyncio.run(_serving(folder, latency_s, pipe, port, stand_ins))


async def _serving(
    folder: Path, latency_s: float, pipe: Connection, port: int, stand_ins: StandIns | None
) -> None:
    counted = Counted(0, 0)
    stopped = asyncio.Event()

    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while True:
                head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1")
                await asyncio.sleep(latency_s)
                await _respond(folder, head, writer, counted, stand_ins)
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            writer.close()

    def told() -> None:
        try:
            word = pipe.recv()
        except EOFError:  # whoever started it was killed
            word = "stop"
        if word == "stop":
            stopped.set()
            return
        pipe.send((counted.requests, counted.sent_bytes))
        counted.requests = counted.sent_bytes = 0

    server = await asyncio.start_server(answer, "127.0.0.1", port, limit=_HEAD_LIMIT, backlog=512)
    asyncio.get_running_loop().add_reader(pipe.fileno(), told)
    pipe.send(server.sockets[0].getsockname()[1])
    await stopped.wait()
    os._exit(0)  # open connections would be waited for


async def _respond(
    folder: Path,
    head: str,
    writer: asyncio.StreamWriter,
    counted: Counted,
    stand_ins: StandIns | None,
) -> None:
    line, *rest = head.split("\r\n")
    method, target, _ = line.split(" ")
    headers = {k.lower(): v.strip() for k, _, v in (h.partition(":") for h in rest)}
    name = target.split("?")[0].lstrip("/")
    path, patch = (stand_ins and stand_ins(name)) or (folder / name, None)
    counted.requests += 1
    try:
        file = path.open("rb")
    except OSError:
        writer.write(b"HTTP/1.1 404 Not Found\r\nContent-Length: 0\r\n\r\n")
        return
    with file:
        size = os.fstat(file.fileno()).st_size
        first, last, status, extra = 0, size - 1, "200 OK", ""
        if "range" in headers:
            start, _, end = headers["range"].removeprefix("bytes=").partition("-")
            first, last = int(start), min(int(end or size), size - 1)
            status = "206 Partial Content"
            extra = f"Content-Range: bytes {first}-{last}/{size}\r\n"
        length = last - first + 1
        writer.write(
            f"HTTP/1.1 {status}\r\nContent-Length: {length}\r\nAccept-Ranges: bytes\r\n"
            f'ETag: "{size:x}"\r\n{extra}\r\n'.encode()
        )
        if method == "GET":
            counted.sent_bytes += length
            await writer.drain()
            if patch is not None and first < patch[0] + len(patch[1]):
                file.seek(0)
                data = bytearray(file.read(last + 1))
                data[patch[0] : patch[0] + len(patch[1])] = patch[1]
                writer.write(bytes(data[first : last + 1]))
            else:
                await asyncio.get_running_loop().sendfile(writer.transport, file, first, length)
