"""The plain contrast: scaled gains of sown sites against those of controls treated as if sown.

Each site's gap (its value minus its controls') is contrasted after against before sowing, divided
by its own before-sowing noise, and referred to what the controls do when each in turn is taken
for sown. Simple to explain and hard to fool; `contrast_gls` sees more in the same data.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

__all__ = ["SiteAgainstControls", "scaled_changes", "site_against_controls", "smallest_rank_p"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class SiteAgainstControls:
    """A site's change compared with its controls'; t with `df` degrees of freedom."""

    difference: float
    se: float
    t: float
    df: int
    p_value: float


def smallest_rank_p(controls: int) -> float:
    """Smallest p a placebo rank test can give for one site among `controls`: 1 / (J + 1)."""
    return 1.0 / (controls + 1)


def scaled_changes(before: Floats, after: Floats) -> Floats:
    """Change of each gap series, in units of its own before-sowing standard deviation.

    Parameters
    ----------
    before, after : array, shape (sites, seasons)
        Gaps (site minus controls); `before` needs at least two seasons.

    Returns
    -------
    array, shape (sites,)

    References
    ----------
    The scaling is that of the post/pre error ratio: Abadie, A., Diamond, A. & Hainmueller, J.
    (2010). Synthetic control methods. J. Am. Stat. Assoc. 105, 493-505.
    doi:10.1198/jasa.2009.ap08746
    """
    if before.shape[-1] < 2:
        raise ValueError("scaling needs at least two seasons before sowing")
    change: Floats = after.mean(axis=-1) - before.mean(axis=-1)
    change /= before.std(axis=-1, ddof=1)
    return change


def site_against_controls(site: float, controls: Floats) -> SiteAgainstControls:
    """One site's change against those of its controls, two-sided.

    Parameters
    ----------
    site : float
        The sown site's change (scaled or not).
    controls : array, shape (J,)
        The controls' changes; J at least 2.

    Returns
    -------
    SiteAgainstControls
        t = (x - mean) / (s sqrt(1 + 1/J)) with J - 1 degrees of freedom.

    References
    ----------
    Crawford, J. R. & Howell, D. C. (1998). Comparing an individual's test score against norms
    derived from small samples. Clin. Neuropsychol. 12, 482-486. doi:10.1076/clin.12.4.482.7241
    """
    count = controls.size
    if count < 2:
        raise ValueError(f"{count} control(s); a comparison needs at least 2")
    se = float(controls.std(ddof=1) * np.sqrt(1 + 1 / count))
    difference = float(site - controls.mean())
    t = difference / se
    return SiteAgainstControls(
        difference, se, t, count - 1, float(2 * scipy.stats.t.sf(abs(t), count - 1))
    )
