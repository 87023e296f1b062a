"""The mixing model: how much light the ground sends back, given what covers it.

Reflectance of a pixel is the sum of its covers times their spectra (linear mixing; Settle & Drake
1993, doi:10.1080/01431169308904402). Covers are shares of the pixel and sum to 1:

    crown   W            woody crowns; leafy share L of them green, the rest twigs and litter
    shade   S = k W (1 - W), k = tan(sun zenith) / 2     cast on open ground
    open    O = 1 - W - S, and on it
    green   O g          green grass
    dead    O d          standing dead grass
    char    O c          ash and charcoal after fire
    soil    O (1 - g - d - c), darkened by wetness m: soil spectrum times (1 - a m)

Spectra are broad-band surface reflectances. The dune sand is the median of a real Sentinel-2 scene
of Saharan ground (tile 29RKH, 19 February 2020: blue .167, green .238, red .341, red edge .371,
near infrared .391, shortwave .482 and .459), darkened by a tenth to a sixth for the Sahel's finer,
browner sands; the others are typical values from memory, of the order found in public spectral
libraries. A missing value does not occur here; arrays are float64, reflectance 0-1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["BANDS", "DARKENING", "SPECTRA", "Cover", "mix", "shade_cover"]

BANDS = ("blue", "green", "red", "rededge1", "nir", "swir16", "swir22")

SPECTRA: dict[str, NDArray[np.float64]] = {
    name: np.array(values)
    for name, values in {
        "dune": (0.140, 0.205, 0.295, 0.322, 0.350, 0.430, 0.400),
        "glacis": (0.095, 0.140, 0.212, 0.240, 0.270, 0.355, 0.325),
        "green": (0.035, 0.075, 0.055, 0.115, 0.340, 0.210, 0.105),
        "dead": (0.090, 0.138, 0.195, 0.238, 0.322, 0.360, 0.250),
        "leafy": (0.020, 0.046, 0.030, 0.080, 0.330, 0.160, 0.072),
        "twigs": (0.075, 0.105, 0.138, 0.170, 0.232, 0.270, 0.200),
        "shade": (0.035, 0.040, 0.048, 0.055, 0.068, 0.055, 0.045),
        "char": (0.040, 0.045, 0.055, 0.062, 0.080, 0.125, 0.120),
    }.items()
}
"""Reflectance of each cover in `BANDS`."""

DARKENING: NDArray[np.float64] = np.array((0.30, 0.30, 0.30, 0.29, 0.27, 0.38, 0.46))
"""Share of the dry soil's reflectance that a fully wet skin takes away, by band."""


@dataclass(frozen=True)
class Cover:
    """What covers the pixels, each of shape (y, x) or a number.

    `woody`, `green`, `dead`, `char` are shares as in the module's table (the last three of the open
    ground), `leaf` the leafy share of the crowns, `dune` the share of the soil that is dune sand
    (the rest is glacis), `wetness` 0-1, `brightness` a factor on the soil's spectrum.
    """

    woody: NDArray[np.float64]
    leaf: NDArray[np.float64]
    green: NDArray[np.float64]
    dead: NDArray[np.float64]
    char: NDArray[np.float64]
    dune: NDArray[np.float64]
    brightness: NDArray[np.float64]
    wetness: float


def shade_cover(woody: NDArray[np.float64], sun_zenith_deg: float) -> NDArray[np.float64]:
    """Share of the pixel under cast shade, k W (1 - W) with k = tan(sun zenith) / 2."""
    factor = 0.5 * np.tan(np.deg2rad(sun_zenith_deg))
    shade: NDArray[np.float64] = factor * woody * (1.0 - woody)
    return shade


def mix(cover: Cover, sun_zenith_deg: float) -> NDArray[np.float64]:
    """Reflectance of the pixels in every band.

    Parameters
    ----------
    cover : Cover
        Arrays of shape (y, x).
    sun_zenith_deg : float
        Degrees from the vertical, below 60 so that shade leaves open ground.

    Returns
    -------
    array, shape (bands, y, x)
        Surface reflectance, in the order of `BANDS`.
    """
    if not 0.0 <= sun_zenith_deg < 60.0:
        raise ValueError(
            f"sun zenith is {sun_zenith_deg} degrees; the shade rule holds for 0 to 60"
        )
    shade = shade_cover(cover.woody, sun_zenith_deg)
    open_ground = 1.0 - cover.woody - shade
    soil = open_ground * (1.0 - cover.green - cover.dead - cover.char) * cover.brightness
    shares = {
        "leafy": cover.woody * cover.leaf,
        "twigs": cover.woody * (1.0 - cover.leaf),
        "shade": shade,
        "green": open_ground * cover.green,
        "dead": open_ground * cover.dead,
        "char": open_ground * cover.char,
    }
    light = 1.0 - DARKENING * cover.wetness
    dune = np.multiply.outer(SPECTRA["dune"] * light, soil * cover.dune)
    total: NDArray[np.float64] = dune
    total += np.multiply.outer(SPECTRA["glacis"] * light, soil * (1.0 - cover.dune))
    for name, share in shares.items():
        total += np.multiply.outer(SPECTRA[name], share)
    return total
