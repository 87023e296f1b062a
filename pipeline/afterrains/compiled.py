"""How kernels are compiled, and where their machine code is kept: one place for the reasons."""

from __future__ import annotations

import hashlib
import importlib.util
import inspect
import shutil
import sys
from collections.abc import Callable, Collection
from functools import cached_property
from pathlib import Path
from types import FunctionType
from typing import Any, TypeVar, cast

from filelock import FileLock, Timeout

__all__ = ["compiled", "counting", "with_kept_code"]

_Function = TypeVar("_Function", bound=Callable[..., Any])
_LONGEST_WAIT_S = 60.0


class _Kernel:
    """A function that is compiled when it is first called.

    Numba itself is loaded no sooner: it takes 50 MB and half a second, and the process that plans,
    judges and writes calls no kernel.
    """

    def __init__(self, function: FunctionType, relaxed: Collection[str]) -> None:
        self.function, self._relaxed = function, set(relaxed)
        self.__doc__ = function.__doc__

    @cached_property
    def machine(self) -> Any:
        """Numba's own object, in which the kernels that this one calls are Numba's own too."""
        import numba  # see above

        function = self.function
        called = {
            name: value.machine
            for name in function.__code__.co_names
            if isinstance(value := function.__globals__.get(name), _Kernel)
        }
        own = FunctionType(
            function.__code__,
            {**function.__globals__, **called},
            function.__name__,
            function.__defaults__,
            function.__closure__,
        )
        own.__module__, own.__qualname__ = function.__module__, function.__qualname__
        flags = self._relaxed or False
        return numba.njit(nogil=True, error_model="numpy", fastmath=flags)(own)

    def __call__(self, *arguments: Any) -> Any:
        return self.machine(*arguments)


_kernels: list[_Kernel] = []


def compiled(kernel: _Function) -> _Function:
    """Compile a kernel to machine code at its first call.

    It runs without the interpreter's lock and on one thread: Dask lays out the parallel work. No
    value-changing float optimisation is allowed, so that a worker gives the same bits as a laptop.
    """
    return _known(kernel, ())


def counting(kernel: _Function) -> _Function:
    """Compile a kernel whose sums add only small whole numbers, exact in any order.

    The compiler may then add them in vectors.
    """
    return _known(kernel, ("reassoc",))


def with_kept_code(call_kernels: Callable[[], None]) -> None:
    """Call kernels so that they are compiled, or loaded where an earlier process compiled them.

    Their code is kept by Numba, beside Python's own compiled modules: written where those are, and
    trusted as they are. Numba's files are not safe when several processes fill them at once
    (crashes are on record), so one process at a time comes here, and outside of here nothing is
    loaded or kept. Their folder is named after the source of all kernels, for Numba looks only at
    the file that a kernel stands in. Where nothing may be written, or what was written is spoilt,
    the kernels are compiled anew.
    """
    folder = _folder()
    lock = None
    if folder is not None:
        try:
            folder.mkdir(parents=True, exist_ok=True)
            lock = FileLock(folder.parent / "kernels.lock", timeout=_LONGEST_WAIT_S)
            lock.acquire()
        except (OSError, Timeout, NotImplementedError):
            lock = None
    if folder is None or lock is None:
        call_kernels()
        return
    try:
        _forget_others(folder)
        _keep(folder)
        call_kernels()
    except Exception:  # a spoilt file can raise anything
        _keep(None)
        shutil.rmtree(folder, ignore_errors=True)
        call_kernels()
    finally:
        _keep(None)
        lock.release()


def _known(kernel: _Function, relaxed: Collection[str]) -> _Function:
    made = _Kernel(cast(FunctionType, kernel), relaxed)
    _kernels.append(made)
    return cast(_Function, made)


def _keep(folder: Path | None) -> None:
    """Load and keep the code of all kernels there; nowhere for None."""
    import numba  # see `_Kernel`

    setattr(numba.config, "CACHE_DIR", "" if folder is None else str(folder))  # noqa: B010
    for kernel in _kernels:
        if folder is None:
            kernel.machine._cache.disable()
        else:
            kernel.machine.enable_caching()


def _folder() -> Path | None:
    """Where this version's code is kept.

    None where Python keeps no compiled modules either, or where there is no source to tell one
    version from another by.
    """
    if sys.dont_write_bytecode:
        return None
    digest = hashlib.sha256()
    try:
        sources = {Path(inspect.getfile(kernel.function)) for kernel in _kernels}
        for source in sorted({*sources, Path(__file__)}):
            digest.update(source.read_bytes())
    except OSError:
        return None
    beside = Path(importlib.util.cache_from_source(__file__)).parent
    return beside / f"kernels-{digest.hexdigest()[:16]}"


def _forget_others(folder: Path) -> None:
    """Delete what earlier versions kept."""
    for other in folder.parent.glob("kernels-*"):
        if other.is_dir() and other != folder:
            shutil.rmtree(other, ignore_errors=True)
