"""How the kernels of this folder are compiled: one place for the reasons."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba

__all__ = ["compiled", "counting"]

_Kernel = TypeVar("_Kernel", bound=Callable[..., Any])


def compiled(kernel: _Kernel) -> _Kernel:
    """Compile a kernel to machine code at its first call.

    It runs without the interpreter's lock and on one thread: Dask lays out the parallel work. It is
    not cached on disk, because Numba's cache is not safe when several workers fill it at once
    (crashes are on record) and an installed package may not be writable; a worker
    process pays a second or two once. No value-changing float optimisation is allowed, so that a
    worker gives the same bits as a laptop.
    """
    return cast(_Kernel, numba.njit(nogil=True, error_model="numpy")(kernel))


def counting(kernel: _Kernel) -> _Kernel:
    """Compile a kernel whose sums add only small whole numbers, exact in any order.

    The compiler may then add them in vectors.
    """
    flags = {"reassoc"}
    return cast(_Kernel, numba.njit(nogil=True, error_model="numpy", fastmath=flags)(kernel))
