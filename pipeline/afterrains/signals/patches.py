"""Which pixels changed, over a whole map: false discoveries limited, specks left out.

One pixel in twenty passes a test at 5 % where nothing happened, so a map of many pixels needs a
rate over all of them; and noise comes in single pixels, clearing and regrowth in patches.

References
----------
Benjamini, Y. & Hochberg, Y. (1995). Controlling the false discovery rate. Journal of the Royal
Statistical Society B 57, 289-300. doi:10.1111/j.2517-6161.1995.tb02031.x
"""

from __future__ import annotations

import numpy as np
import scipy
from numpy.typing import NDArray

__all__ = [
    "FALSE_DISCOVERY_RATE",
    "FELL",
    "LEAST_PATCH_PIXELS",
    "ROSE",
    "UNCHANGED",
    "classes",
    "discovered",
]

UNCHANGED, ROSE, FELL = 0, 1, 2
FALSE_DISCOVERY_RATE = 0.05
LEAST_PATCH_PIXELS = 5
"""0.05 ha at 10 m (common practice, no source)."""


def classes(
    p_value: NDArray[np.floating],
    change: NDArray[np.floating],
    *,
    rate: float = FALSE_DISCOVERY_RATE,
    least_patch: int = LEAST_PATCH_PIXELS,
) -> NDArray[np.float32]:
    """Class of each pixel: `UNCHANGED`, `ROSE` or `FELL`.

    Parameters
    ----------
    p_value : array, shape (y, x)
        Two-sided, of no change; NaN where not tested.
    change : array, shape (y, x)
        Its sign says which way a pixel went.
    rate : float
        False discovery rate over the tested pixels.
    least_patch : int
        Pixels, joined at their sides, of the smallest patch that counts; smaller ones are
        unchanged.

    Returns
    -------
    array, shape (y, x), float32
        NaN where not tested.
    """
    known = np.isfinite(p_value)
    kind = np.where(known, float(UNCHANGED), np.nan).astype(np.float32)
    if known.any():
        beyond = np.zeros(p_value.shape, dtype=bool)
        beyond[known] = discovered(p_value[known], rate)
        for value, side in ((ROSE, change > 0), (FELL, change < 0)):
            patch, _ = scipy.ndimage.label(beyond & side)
            large = np.bincount(patch.ravel()) >= least_patch
            large[0] = False
            kind[large[patch]] = value
    return kind


def discovered(p_value: NDArray[np.floating], rate: float) -> NDArray[np.bool_]:
    """Which tests are discoveries at a false discovery rate, by Benjamini and Hochberg.

    `scipy.stats.false_discovery_control` gives the same answer; `scipy.stats` alone is 50 MB, which
    each worker would hold for this one call, and its adjusted values take the map several times.

    Parameters
    ----------
    p_value : array, shape (n,)
        None of them missing.
    rate : float
        The rate.
    """
    ordered = np.sort(p_value)
    held = ordered <= rate * np.arange(1, ordered.size + 1) / ordered.size
    if not held.any():
        return np.zeros(p_value.shape, dtype=bool)
    return np.asarray(p_value <= ordered[np.flatnonzero(held)[-1]])
