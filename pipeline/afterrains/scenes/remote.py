"""A file on a server, as far as it is needed: from the local store, else by ranges.

Its beginning holds a cloud-optimised file's directory and comes with the first request, together
with what tells one version of the file from another. Parts of different versions are never mixed:
when the server delivers another version than the store began with, all is asked for anew.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future, wait
from contextlib import AbstractContextManager, ExitStack, nullcontext
from dataclasses import dataclass
from functools import partial

from afterrains.scenes.failures import UnreadableError
from afterrains.scenes.plan import Block, merged
from afterrains.scenes.ranges import Answer, RangeClient
from afterrains.scenes.signing import store_name
from afterrains.scenes.store import BlockStore
from afterrains.scenes.windows import driver_of

__all__ = ["ChangedError", "Pulled", "RemoteFile"]

_HEAD_BYTES = 16_384  # GDAL's directory of a 10980-pixel file in 512-pixel blocks takes 4 to 8 kB
_HEAD = "head"


class ChangedError(OSError):
    """The file on the server is another than the one whose beginning was read."""


@dataclass(frozen=True)
class Pulled:
    """A block's bytes, from the server or the store."""

    block: Block
    raw: bytes | memoryview
    vouched: bool
    """Whether no bit can have turned unseen since a sound block was sent: it came by TLS, or the
    store's checksum agrees, and the store keeps only what was found sound."""
    keep: Callable[[], None]
    """Puts it into the store, for whoever found it sound."""


Take = Callable[[Pulled], "Future[None] | None"]
"""Does something with a block; what is still under way is waited for."""


class RemoteFile:
    """One version of one file on a server.

    Parameters
    ----------
    address : str
        Unsigned, or signed by the catalogue.
    client : RangeClient
    store : BlockStore, optional
    until : ExitStack, optional
        From the first part that the store has not, the file is held in the store until this is
        closed; without, it is held anew for each pulling.

    Raises
    ------
    UnreadableError
        If its beginning cannot be had.
    """

    def __init__(
        self,
        address: str,
        client: RangeClient,
        store: BlockStore | None = None,
        until: ExitStack | None = None,
    ) -> None:
        self.address = address
        self.name = store_name(address)
        self._client, self._store, self._until = client, store, until
        self._is_held = False
        self._wanted: list[Block] = []
        self._parts: dict[int, bytes] = {}
        """What was read besides blocks, by first byte."""
        answer = self._stored_head()
        if answer is None:
            with self._held():
                answer = self._stored_head()  # another may have pulled it since
                if answer is None:
                    answer = client.get(address, 0, _HEAD_BYTES)
                    if store:
                        store.put(self.name, _HEAD, _packed(answer))
        self.size, self.version = answer.size, answer.version
        self._parts[0] = bytes(answer.data)
        self._mark = hashlib.sha256(answer.version.encode()).hexdigest()[:8]

    def _held(self) -> AbstractContextManager[None]:
        """Nobody else pulls parts of the file meanwhile."""
        if self._store is None or self._is_held:
            return nullcontext()
        hold = self._store.hold(self.name)
        if self._until is None:
            return hold
        self._until.enter_context(hold)
        self._is_held = True
        return nullcontext()

    def _stored_head(self) -> Answer | None:
        stored = self._store.get(self.name, _HEAD) if self._store else None
        return _unpacked(stored) if stored else None

    @property
    def head(self) -> bytes:
        """Its beginning."""
        return self._parts[0]

    @property
    def driver(self) -> str:
        """GDAL's driver for it; see `windows.driver_of`."""
        return driver_of(self.address, self._parts[0][:12])

    def forget(self) -> None:
        """Take the beginning and the blocks out of the store: something is wrong with them."""
        if self._store:
            self._store.forget(self.name, _HEAD)
            for block in self._wanted:
                self._store.forget(self.name, self._part(block.offset, block.length))

    def pull(self, blocks: Sequence[Block], take: Take, pool: Executor) -> None:
        """Hand each block to `take`, in any order and from many threads.

        Parameters
        ----------
        blocks : sequence of Block
            Those without bytes are left out.
        take : callable
        pool : Executor
            Does the requests, many at a time, and `take`.

        Raises
        ------
        UnreadableError, ChangedError
            After all requests have ended; also whatever `take` raises, at once or later.
        """
        present = self._wanted = [block for block in blocks if block.length]
        if any(block.offset + block.length > self.size for block in present):
            raise UnreadableError("its directory names blocks beyond its end")
        under_way: list[Future[None]] = []

        def hand_on(pulled: Pulled) -> None:
            begun = take(pulled)
            if begun is not None:
                under_way.append(begun)

        try:
            missing = self._stored(present, hand_on)
            if missing:
                was_held = self._is_held
                with self._held():
                    if self._store and not was_held:
                        missing = self._stored(missing, hand_on)  # another may have pulled them
                    running = [pool.submit(self._fetch, part, hand_on) for part in merged(missing)]
                    wait(running)
                    wait(under_way)  # what they keep must be there before another process looks
                for done in running:
                    done.result()
        finally:
            wait(under_way)
        for done in under_way:
            done.result()

    def _stored(self, blocks: Sequence[Block], take: Callable[[Pulled], None]) -> list[Block]:
        """Take what the store has; what it has not is left."""
        if self._store is None:
            return list(blocks)
        missing = []
        for block in blocks:
            data = self._store.get(self.name, self._part(block.offset, block.length))
            if data is None:
                missing.append(block)
            else:
                take(Pulled(block, data, vouched=True, keep=_is_kept))
        return missing

    def _fetch(self, group: Sequence[Block], take: Callable[[Pulled], None]) -> None:
        """One request for neighbouring blocks."""
        first, last = group[0].offset, group[-1].offset + group[-1].length
        answer = self._asked(first, last - first)
        data = memoryview(answer.data)
        for block in group:
            raw = data[block.offset - first : block.offset - first + block.length]
            take(Pulled(block, raw, answer.sealed, partial(self._keep, block, raw)))

    def _keep(self, block: Block, raw: memoryview) -> None:
        if self._store:
            self._store.put(self.name, self._part(block.offset, block.length), raw)

    def _asked(self, first: int, length: int) -> Answer:
        answer = self._client.get(self.address, first, length)
        if answer.version != self.version:
            raise ChangedError("the file on the server changed while it was read")
        if len(answer.data) != min(length, self.size - first):
            raise UnreadableError("the server sent less than the file holds")
        return answer

    def hold(self, pulled: Pulled) -> None:
        """Keep a block in memory too, where `read_at` finds it."""
        self._parts[pulled.block.offset] = bytes(pulled.raw)
        pulled.keep()

    def held_at(self, first: int, length: int) -> bytes | None:
        """Bytes that are in memory; None where they are not."""
        last = min(first + length, self.size)
        if last <= first:
            return b""
        for begins, data in tuple(self._parts.items()):
            if begins <= first and last <= begins + len(data):
                return data[first - begins : last - begins]
        return None

    def read_at(self, first: int, length: int) -> bytes:
        """Any bytes, kept in memory and in the store; shorter only at the file's end."""
        held = self.held_at(first, length)
        if held is not None:
            return held
        last = min(first + length, self.size)
        whole = min(max(last - first, _HEAD_BYTES), self.size - first)
        name = self._part(first, whole)
        stored = self._store.get(self.name, name) if self._store else None
        if stored is None:
            stored = bytes(self._asked(first, whole).data)
            if self._store:
                self._store.put(self.name, name, stored)
        self._parts[first] = stored
        return stored[: last - first]

    def _part(self, first: int, length: int) -> str:
        return f"{self._mark}-{first}-{length}"


def _is_kept() -> None:
    """Do nothing."""


def _packed(answer: Answer) -> bytes:
    about = json.dumps({"size": answer.size, "version": answer.version})
    return b"\n".join((about.encode(), answer.data))


def _unpacked(stored: bytes) -> Answer | None:
    about, _, data = stored.partition(b"\n")
    try:
        found = json.loads(about)
        return Answer(data, int(found["size"]), str(found["version"]))
    except (ValueError, KeyError, TypeError):
        return None
