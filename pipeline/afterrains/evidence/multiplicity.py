"""False discovery rate over the sites of a programme, and the equivalence test."""

from __future__ import annotations

import numpy as np
import scipy
from numpy.typing import NDArray

__all__ = ["equivalence_p_value", "false_discovery_q_values"]

Floats = NDArray[np.float64]


def false_discovery_q_values(p_values: Floats) -> Floats:
    """Benjamini-Hochberg adjusted p-values.

    Parameters
    ----------
    p_values : array, shape (n,)
        One p-value a site; NaN where a site could not be tested.

    Returns
    -------
    array, shape (n,)
        NaN stays NaN and does not count among the tests.

    References
    ----------
    Benjamini, Y. & Hochberg, Y. (1995). Controlling the false discovery rate. J. R. Stat. Soc. B
    57, 289-300. doi:10.1111/j.2517-6161.1995.tb02031.x
    """
    out = np.full(np.shape(p_values), np.nan)
    tested = np.isfinite(p_values)
    if tested.any():
        out[tested] = scipy.stats.false_discovery_control(np.asarray(p_values)[tested], method="bh")
    return out


def equivalence_p_value(estimate: Floats, se: Floats, df: Floats, margin: float) -> Floats:
    """p-value of "the effect reaches +margin or -margin", by two one-sided t-tests.

    Parameters
    ----------
    estimate, se, df : array
        Estimate, its standard error and degrees of freedom.
    margin : float
        The smallest effect that matters, above zero.

    Returns
    -------
    array
        The larger of the two one-sided p-values; small means "equivalent to nothing".

    References
    ----------
    Schuirmann, D. J. (1987). A comparison of the two one-sided tests procedure and the power
    approach. J. Pharmacokinet. Biopharm. 15, 657-680. doi:10.1007/BF01068419
    """
    if margin <= 0:
        raise ValueError(f"margin is {margin}; it must be above zero")
    below: Floats = scipy.stats.t.cdf((estimate - margin) / se, df)
    above: Floats = scipy.stats.t.sf((estimate + margin) / se, df)
    return np.maximum(below, above)
