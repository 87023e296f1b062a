"""Whether sown and control ground were drifting apart before sowing, all sown sites together.

One site's few seasons cannot show a slow drift; many sites show their mean drift far better. A
drift goes on after sowing and passes for gain or loss. Where the record hints at one, what it shows
of it, and what it cannot rule out, enters every site's gain: there may be no common drift, or one
of a size that matters, each weighted by its prior and by how well it foretells the sites' slopes
before sowing. A record without a hint is taken for one without drift: to doubt every record alike
costs an eighth of all power and stops few false gains more (docs/evidence_method.md).

What a short record could never show is not held against it; `CommonDrift.largest` says how large
a drift it cannot rule out, and the reason of a gain tells it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

__all__ = ["DRIFTS", "HINT", "CommonDrift", "MeanSlope", "Slopes", "believe_drift"]

Floats = NDArray[np.float64]

DRIFTS = ((0.2, 0.07, 0.1), (0.5, 0.2, 0.01))
"""Mean and standard deviation of a drift per season, in units of one season's noise of a sown site,
and how plausible it is in either direction where a record could show it. Set by measurement: more
weight costs power where there is no drift (docs/evidence_method.md)."""
HINT = 0.05
"""One-sided p-value of a drift, of all sown sites together, up to which the record hints at it."""
_RULED_OUT = 0.05
"""One-sided level at which a drift is ruled out."""


@dataclass(frozen=True)
class Slopes:
    """Slopes of some sown sites' gaps before sowing, under every kept structure.

    `slope` and `variance` have shape (structures, sites), 0 and infinity where there is none;
    `variance` is the site's own part, `spread` (sites,) what the controls' mean adds in its units,
    `df` (sites,) the degrees of freedom that are left.
    """

    slope: Floats
    variance: Floats
    spread: Floats
    df: Floats


class MeanSlope:
    """The sites' mean slope under every structure, from slopes that are added some sites at a time.

    Those of all sites under all structures are the largest table of a large programme's judging.
    The sums of two groups are joined as in Chan, T. F., Golub, G. H. & LeVeque, R. J. (1983).
    Algorithms for computing the sample variance. Am. Stat. 37, 242-247.
    doi:10.1080/00031305.1983.10483115
    """

    def __init__(self, structures: int) -> None:
        self._total, self._mean, self._apart, self._shared, self._count = np.zeros((5, structures))

    def add(self, slopes: Slopes) -> None:
        """Some sites' slopes."""
        known = np.isfinite(slopes.variance)
        precision = np.where(known, 1 / slopes.variance, 0.0)
        total = precision.sum(axis=1)
        safe = np.where(total > 0, total, 1.0)
        mean = (precision * slopes.slope).sum(axis=1) / safe
        apart = (precision * (slopes.slope - mean[:, None]) ** 2).sum(axis=1)
        both = self._total + total
        moved, share = mean - self._mean, total / np.where(both > 0, both, 1.0)
        self._apart += apart + moved**2 * self._total * share
        self._mean += moved * share
        self._total = both
        self._shared += (known * slopes.spread).sum(axis=1)
        self._count += known.sum(axis=1)

    def told(self) -> tuple[Floats, Floats]:
        """The mean, weighted by precision, and its variance; 0 and infinity without a slope."""
        wider = np.maximum(self._apart / np.maximum(self._count - 1, 1), 1.0)
        error = np.full(self._total.shape, np.inf)
        np.divide(wider + self._shared, self._total, out=error, where=self._count > 0)
        return self._mean, error


@dataclass(frozen=True)
class CommonDrift:
    """What is believed of the common drift, in the slopes' unit of time.

    `weight`, `mean` and `variance` have shape (drifts, structures), the first drift being none;
    `weight` sums to 1 over the drifts. `seen` and `error` (structures,) are the mean slope and its
    variance as the record alone shows them; infinity where no site has a slope.
    """

    weight: Floats
    mean: Floats
    variance: Floats
    seen: Floats
    error: Floats

    def largest(self, structures: Floats) -> float:
        """Largest drift upwards that the record does not rule out at one-sided 5 %."""
        reach = -scipy.special.ndtri(_RULED_OUT)
        return float(structures @ (self.seen + reach * np.sqrt(self.error)))

    def p_upward(self, structures: Floats) -> float:
        """One-sided p-value of a drift upwards, 1 where nothing is known of one."""
        score = np.where(np.isfinite(self.error), self.seen / np.sqrt(self.error), -np.inf)
        return float(structures @ scipy.special.ndtr(-score))

    def is_hinted(self, structures: Floats) -> bool:
        """Whether the record hints at a drift, up or down."""
        p = self.p_upward(structures)
        return bool(np.isfinite(self.error).any()) and min(p, 1 - p) <= HINT


def believe_drift(slopes: MeanSlope, noise: Floats, span: float) -> CommonDrift:
    """Weigh the possible common drifts by the sites' slopes.

    Parameters
    ----------
    slopes : MeanSlope
        Of all sites.
    noise : array, shape (structures,)
        Variance of a sown site's gap in one season.
    span : float
        Seasons in one unit of the slopes' time.

    Returns
    -------
    CommonDrift
        The slopes' mean is weighted by their precision; its error has the part of the controls,
        which all sites share, and grows where the slopes differ more than their structure allows.

    References
    ----------
    Knapp, G. & Hartung, J. (2003). Improved tests for a random effects meta-regression. Stat. Med.
    22, 2693-2710. doi:10.1002/sim.1482 (the error grows with the spread and never shrinks).
    Johnson, V. E. & Rossell, D. (2010). On the use of non-local prior densities in Bayesian
    hypothesis tests. J. R. Stat. Soc. B 72, 143-170. doi:10.1111/j.1467-9868.2009.00730.x
    (drifts too small to matter are no alternative to none, which spares a record without any).
    """
    seen, error = slopes.told()
    told = np.isfinite(error)
    size, spread, prior = (np.array(each)[:, None] for each in zip(*DRIFTS, strict=True))
    scale = span * np.sqrt(noise)
    start = np.concatenate([0 * scale[None], size * scale, -size * scale])
    own = np.concatenate([0 * scale[None], spread * scale, spread * scale]) ** 2
    # A drift that the record could not tell from none is told in words, not asked about.
    could = np.where(told, (size * scale) ** 2, 0.0)
    chance = prior * (could / (could + np.where(told, error, 1.0))) ** 2
    chance = np.concatenate([1 - 2 * chance.sum(axis=0, keepdims=True), chance, chance])
    both = np.where(told, own + error, 1.0)
    fit = np.where(told, -0.5 * (np.log(both) + (seen - start) ** 2 / both), 0.0)
    with np.errstate(divide="ignore"):
        logs = fit + np.log(chance)
    weight = np.exp(logs - logs.max(axis=0))
    weight /= weight.sum(axis=0)
    share = np.where(told, own / both, 0.0)
    return CommonDrift(weight, start + share * (seen - start), own * (1 - share), seen, error)
