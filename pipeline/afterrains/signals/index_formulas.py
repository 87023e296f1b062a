"""Formulas of spectral indices; what they need and where they come from is told in `indices`.

Every function takes reflectance between 0 and 1 as numbers or as numpy, xarray or dask arrays and
gives back the same kind (dask stays lazy); the argument names are our band names. NaN goes in, NaN
comes out; where a formula has no value (a zero denominator, the root of a negative number) the
result is NaN and nothing is warned about.

Most of these indices are wrong on scaled integers: EVI2, MSAVI2, SAVI, OSAVI and NIRv fed with
0–10000 fall back to a scaled NDVI without a sign of it (see `indices.require_reflectance`), and an
additive offset left in the bands does not cancel in any ratio.
"""

from __future__ import annotations

from typing import Any, TypeAlias

import numpy as np

__all__ = [
    "Array",
    "bsi",
    "evi",
    "evi2",
    "gcvi",
    "kndvi",
    "msavi2",
    "nbr",
    "nbr2",
    "ndmi",
    "ndre",
    "ndvi",
    "ndwi",
    "nirv",
    "osavi",
    "satvi",
    "savi",
    "values_where",
]

Array: TypeAlias = Any
"""A number or a numpy, xarray or dask array; one call uses one kind."""


def values_where(keep: Array, values: Array) -> Array:
    """`values` where `keep` holds, else NaN, without leaving xarray or dask."""
    if hasattr(values, "dims"):  # xarray has a method of its own and no NumPy dispatch
        return values.where(keep)
    return np.where(keep, values, np.nan)


def _ratio(numerator: Array, denominator: Array) -> Array:
    """The quotient; NaN, unwarned, where the denominator is zero."""
    return numerator / values_where(denominator != 0, denominator)


def _normalised_difference(first: Array, second: Array) -> Array:
    return _ratio(first - second, first + second)


def ndvi(red: Array, nir: Array) -> Array:
    """Normalised difference vegetation index."""
    return _normalised_difference(nir, red)


def evi(blue: Array, red: Array, nir: Array) -> Array:
    """Enhanced vegetation index; erratic over cloud and snow, where its denominator can vanish."""
    return 2.5 * _ratio(nir - red, nir + 6 * red - 7.5 * blue + 1)


def evi2(red: Array, nir: Array) -> Array:
    """Two-band enhanced vegetation index."""
    return 2.5 * _ratio(nir - red, nir + 2.4 * red + 1)


def savi(red: Array, nir: Array) -> Array:
    """Soil-adjusted vegetation index with the usual soil factor, L = 0.5."""
    return 1.5 * _ratio(nir - red, nir + red + 0.5)


def msavi2(red: Array, nir: Array) -> Array:
    """Modified soil-adjusted vegetation index, the closed form that needs no soil factor."""
    # (2N + 1)² - 8(N - R) written as a sum that is negative only for negative red reflectance.
    square = (2 * nir - 1) ** 2 + 8 * red
    return 0.5 * (2 * nir + 1 - np.sqrt(values_where(square >= 0, square)))


def osavi(red: Array, nir: Array) -> Array:
    """Optimised soil-adjusted vegetation index, without the factor 1.16 that some texts apply."""
    return _ratio(nir - red, nir + red + 0.16)


def kndvi(red: Array, nir: Array) -> Array:
    """Kernel NDVI with the kernel's width set to the mean of the two bands, tanh(NDVI²)."""
    return np.tanh(ndvi(red, nir) ** 2)


def nirv(red: Array, nir: Array) -> Array:
    """Near-infrared reflectance of vegetation, NDVI times nir."""
    return ndvi(red, nir) * nir


def ndre(rededge1: Array, nir: Array) -> Array:
    """Normalised difference red edge."""
    return _normalised_difference(nir, rededge1)


def gcvi(green: Array, nir: Array) -> Array:
    """Green chlorophyll vegetation index; unbounded above."""
    return _ratio(nir, green) - 1


def ndmi(nir: Array, swir16: Array) -> Array:
    """Normalised difference moisture index."""
    return _normalised_difference(nir, swir16)


def ndwi(green: Array, nir: Array) -> Array:
    """Normalised difference water index of open water (green against nir)."""
    return _normalised_difference(green, nir)


def nbr(nir: Array, swir22: Array) -> Array:
    """Normalised burn ratio."""
    return _normalised_difference(nir, swir22)


def nbr2(swir16: Array, swir22: Array) -> Array:
    """Normalised burn ratio 2, of the two shortwave bands; falls with dry plant matter."""
    return _normalised_difference(swir16, swir22)


def satvi(red: Array, swir16: Array, swir22: Array) -> Array:
    """Soil-adjusted total vegetation index (L = 0.5), which rises with dead cover as with green."""
    return 1.5 * _ratio(swir16 - red, swir16 + red + 0.5) - swir22 / 2


def bsi(blue: Array, red: Array, nir: Array, swir16: Array) -> Array:
    """Bare soil index."""
    return _normalised_difference(swir16 + red, nir + blue)
