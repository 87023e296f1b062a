"""Radar of the invented ground: backscatter of a C-band satellite, in linear power (gamma nought).

A pixel is the sum of its open ground and its crowns. Each is soil seen through plants, by the
water-cloud model: what the plants scatter, plus what the soil scatters, weakened twice on its way
(Attema, E. P. W. & Ulaby, F. T. (1978). Vegetation modeled as a water cloud. Radio Science 13,
357-364. doi:10.1029/RS013i002p00357). Only water scatters: wet soil, green grass, leaves, and the
wood of a crown whether it has leaves or not; dead grass is nearly invisible.

Constants are from memory, of the order of published C-band figures for drylands (dune sand about
-18 dB in VV and -26 dB in VH, closed dry woodland about -9 and -15 dB); they were taken from no
table. Speckle is gamma-distributed with `LOOKS` looks, even in the mean and alike in neighbours, as
the satellite resolves some 20 m; noise of the receiver is taken off again in the mean and leaves
its own spread, so that the darkest ground now and then has negative power.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from afterrains.sample.mixing import Cover

__all__ = ["LOOKS", "POLARISATIONS", "backscatter", "with_speckle"]

Field = NDArray[np.float64]

POLARISATIONS = ("vv", "vh")
LOOKS = 4
"""Independent looks of a pixel, as the product of 10 m pixels has (4.4 by its metadata)."""

_SAND_DB = {"vv": -18.0, "vh": -26.5}
_GLACIS_DB = {"vv": -14.5, "vh": -24.0}  # gravel and crusts are rougher than sand
_WET_DB = {"vv": 5.0, "vh": 3.5}  # of soaked soil above dry
_CROWN_DB = {"vv": -8.5, "vh": -14.0}  # of a crown so thick that no soil shows
_GRASS_DB = {"vv": -12.0, "vh": -19.0}  # the same of green grass
_WOOD_DEPTH, _LEAF_DEPTH = 0.75, 0.35  # how opaque a crown is, one way: bare, and leaves on top
_GREEN_DEPTH, _DEAD_DEPTH = 0.45, 0.03  # of a full cover of grass
_ROUGHNESS_DB = 0.7  # spread of soil over tens of metres
_STANDS_DB = 1.5  # spread of what crowns of one size send back: kind, height, water
_NOISE = {"vv": 10**-2.8, "vh": 10**-2.8}  # power of the receiver's noise
_CALIBRATION_DB = 0.2  # of a whole image
_RESOLUTION_PIXELS = 0.8  # standard deviation of the point spread, in pixels of 10 m


def backscatter(cover: Cover, roughness: Field, crowns: Field, band: str) -> Field:
    """Mean power of every pixel on a day, without speckle; shape (y, x).

    Parameters
    ----------
    cover : Cover
        Of the day.
    roughness, crowns : array, shape (y, x)
        Departure of the soil's roughness, and of what a crown sends back for its size: mean 0,
        standard deviation 1.
    band : str
        "vv" or "vh".
    """
    dry = cover.dune * _SAND_DB[band] + (1.0 - cover.dune) * _GLACIS_DB[band]
    soil = _power(dry + _ROUGHNESS_DB * roughness + _WET_DB[band] * cover.wetness)
    open_ground = _through(soil, _GREEN_DEPTH * cover.green, _power(_GRASS_DB[band]))
    open_ground = _through(open_ground, _DEAD_DEPTH * cover.dead, _power(_GRASS_DB[band] - 10.0))
    depth = _WOOD_DEPTH + _LEAF_DEPTH * cover.leaf
    stands = _through(soil, depth, _power(_CROWN_DB[band] + _STANDS_DB * crowns))
    power: Field = (1.0 - cover.woody) * open_ground + cover.woody * stands
    return power


def with_speckle(power: Field, band: str, rng: np.random.Generator) -> NDArray[np.float32]:
    """One look at the ground: calibration, resolution, noise and speckle; 0 is never written."""
    seen = gaussian_filter(power, _RESOLUTION_PIXELS, mode="wrap")
    seen = seen * _power(_CALIBRATION_DB * rng.standard_normal())
    noise = _NOISE[band]
    looked = (seen + noise) * _speckle(power.shape, rng) - noise
    return np.where(looked == 0, 1e-6, looked).astype(np.float32)


def _speckle(shape: tuple[int, ...], rng: np.random.Generator) -> Field:
    """Gamma-distributed with mean 1 and `LOOKS` looks, alike in neighbours.

    Each look is the squared length of a complex Gaussian field with the satellite's resolution.
    """
    parts = rng.standard_normal((2 * LOOKS, *shape))
    spread = (0.0, _RESOLUTION_PIXELS, _RESOLUTION_PIXELS)
    squares = np.square(gaussian_filter(parts, spread, mode="wrap")).sum(axis=0)
    # The filter leaves a known share of the variance of white noise.
    speckle: Field = squares / (2 * LOOKS * _variance_left())
    return speckle


@cache
def _variance_left() -> float:
    """Variance that the filter leaves of white noise of variance 1."""
    spike = np.zeros((31, 31))
    spike[15, 15] = 1.0
    return float(np.square(gaussian_filter(spike, _RESOLUTION_PIXELS)).sum())


def _through(soil: Field, depth: Field, plants: Field) -> Field:
    """Soil seen through plants of a one-way depth: the water-cloud model."""
    kept = np.exp(-2.0 * depth)
    seen: Field = plants * (1.0 - kept) + soil * kept
    return seen


def _power(decibels: Field | float) -> Field:
    power: Field = np.asarray(10.0 ** (np.asarray(decibels) / 10.0))
    return power
