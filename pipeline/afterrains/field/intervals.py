"""Intervals of shares that random visits showed, exact where a sample is of one mind.

References
----------
Clopper, C. J. & Pearson, E. S. (1934). Biometrika 26, 404-413. doi:10.1093/biomet/26.4.404
Korn, E. L. & Graubard, B. I. (1998). Confidence intervals for proportions with small expected
number of positive counts estimated from survey data. Survey Methodology 24, 193-201.
"""

from __future__ import annotations

import numpy as np
from scipy.special import betaincinv

from afterrains.woody.area import Share

__all__ = ["NO_ERROR", "bounds"]

_CONFIDENCE = 0.95
NO_ERROR = 1e-12
"""Standard error of a share up to which every stratum was of one mind."""


def bounds(estimate: float, standard_error: float, effective: float) -> tuple[float, float]:
    """The 95 % interval of a share, within 0 and 1.

    Normal, as good practice has it; where the standard error is 0 because every stratum is of one
    mind, which is no certainty, the exact binomial interval of the effective number of checks.

    Returns
    -------
    (low, high), NaN where nothing tells.
    """
    if not np.isfinite(estimate) or not np.isfinite(standard_error):
        return np.nan, np.nan
    if standard_error > NO_ERROR:
        half = float(Share(np.array([estimate]), np.array([standard_error])).half_width()[0])
        return max(estimate - half, 0.0), min(estimate + half, 1.0)
    tail = (1 - _CONFIDENCE) / 2
    found = min(max(estimate, 0.0), 1.0) * effective
    low = float(betaincinv(found, effective - found + 1, tail)) if found > 1e-9 else 0.0
    missed = effective - found
    high = float(betaincinv(found + 1, missed, 1 - tail)) if missed > 1e-9 else 1.0
    return low, high
