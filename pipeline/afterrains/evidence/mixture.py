"""Tail areas and quantiles of a weighted mixture of t distributions.

Each structure of the noise gives its own estimate, standard error and degrees of freedom; what is
reported is their weighted mixture. Arrays have shape (structures, sites), weights (structures,).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

__all__ = ["Mixture"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Mixture:
    """What is believed of a quantity of each site, averaged over structures."""

    weight: Floats
    estimate: Floats
    se: Floats
    df: Floats

    @property
    def mean(self) -> Floats:
        """Weighted estimate, shape (sites,)."""
        out: Floats = np.einsum("k,kn->n", self.weight, self.estimate)
        return out

    @property
    def standard_error(self) -> Floats:
        """Root of the mean squared standard error and the spread between structures."""
        apart = self.estimate - self.mean
        out: Floats = np.sqrt(np.einsum("k,kn->n", self.weight, self.se**2 + apart**2))
        return out

    @property
    def mean_df(self) -> Floats:
        """Weighted degrees of freedom."""
        out: Floats = np.einsum("k,kn->n", self.weight, self.df)
        return out

    def below(self, value: Floats | float) -> Floats:
        """Share of the mixture below a value; below 0 it is the one-sided p-value of a gain."""
        t = (np.asarray(value) - self.estimate) / self.se
        out: Floats = np.einsum("k,kn->n", self.weight, scipy.special.stdtr(self.df, t))
        # Weights sum to 1 but for rounding, which must not make a chance above 1.
        return np.clip(out, 0.0, 1.0)

    def quantile(self, share: float) -> Floats:
        """Value below which `share` of the mixture lies, by guarded Newton steps."""
        df = self.mean_df
        middle, width = self.mean, self.standard_error
        x: Floats = middle + scipy.special.stdtrit(df, share) * width
        target = scipy.special.ndtri(share)
        for _ in range(4):
            t = (x - self.estimate) / self.se
            area = np.einsum("k,kn->n", self.weight, scipy.special.stdtr(self.df, t))
            logs = (
                scipy.special.gammaln((self.df + 1) / 2)
                - scipy.special.gammaln(self.df / 2)
                - 0.5 * np.log(self.df * np.pi)
                - (self.df + 1) / 2 * np.log1p(t**2 / self.df)
            )
            density = np.einsum("k,kn->n", self.weight, np.exp(logs) / self.se)
            # On the normal scale the curve is nearly straight, so few steps settle it.
            z = scipy.special.ndtri(np.clip(area, 1e-15, 1 - 1e-15))
            slope = density / (np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi))
            x = x - np.clip((z - target) / np.maximum(slope, 1e-300), -2 * width, 2 * width)
        return x
