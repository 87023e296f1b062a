"""The sensor: from reflectance at the top of the sky model to the numbers in the files.

Blur by the point spread, a shift of a fraction of a pixel (geolocation), the band response of each
satellite, errors of calibration and of atmospheric correction shared by a whole scene, noise of
every pixel, digital numbers. 20 m bands are blurred for their own aperture and averaged over 2 by 2
fields of 10 m. Reflectance arrays are (bands, y, x) in the order of `mixing.BANDS`.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from afterrains.sample.mixing import BANDS

__all__ = [
    "COARSE_BANDS",
    "FINE_BANDS",
    "blur_and_shift",
    "digital_numbers",
    "scene_errors",
    "through_satellite",
    "with_noise",
]

Field = NDArray[np.float64]

FINE_BANDS = ("blue", "green", "red", "nir")
"""Bands of 10 m."""
COARSE_BANDS = ("rededge1", "swir16", "swir22")
"""Bands of 20 m."""

# Published straight lines from each satellite to a common reference (Claverie et al. 2018,
# doi:10.1016/j.rse.2018.09.002; the agency's files): reference = slope * satellite + offset. The
# sample's ground is taken to be the reference and the satellites see the inverse. The near-infrared
# line was made for the narrow band 8A and stands in for band 8; the red edge has none.
_LINES: dict[str, dict[str, tuple[float, float]]] = {
    "sentinel-2a": {
        "blue": (0.9778, -0.0040),
        "green": (1.0053, -0.0009),
        "red": (0.9765, 0.0009),
        "nir": (0.9983, -0.0001),
        "swir16": (0.9987, -0.0011),
        "swir22": (1.0030, -0.0012),
    },
    "sentinel-2b": {
        "blue": (0.9778, -0.0040),
        "green": (1.0075, -0.0008),
        "red": (0.9761, 0.0010),
        "nir": (0.9966, 0.0000),
        "swir16": (1.0000, -0.0003),
        "swir22": (0.9867, 0.0004),
    },
}

# Atmospheric correction errs most where the air is brightest.
_AIR = np.array((1.5, 1.0, 0.8, 0.7, 0.5, 0.3, 0.2))
_SPREAD_PIXELS = {10: 0.50, 20: 1.00}  # of 10 m; standard deviation of the Gaussian point spread


def through_satellite(reflectance: Field, platform: str) -> Field:
    """Reflectance as the band response of `platform` sees it."""
    seen = reflectance.copy()
    for index, band in enumerate(BANDS):
        if band in _LINES[platform]:
            slope, offset = _LINES[platform][band]
            seen[index] = (reflectance[index] - offset) / slope
    return seen


def scene_errors(rng: np.random.Generator, size: float) -> tuple[Field, Field]:
    """Gain and additive error of every band for a whole scene.

    `size` 1 is an ordinary scene: gains of 0.8 % shared by all bands and 0.35 % each, an additive
    error of 0.003 in the red that follows the air's colour.
    """
    gain = np.exp(size * (0.008 * rng.standard_normal() + 0.0035 * rng.standard_normal(len(BANDS))))
    offset = size * 0.0035 * _AIR * rng.standard_normal()
    return gain[:, None, None], offset[:, None, None]


def blur_and_shift(
    field: Field, resolution_m: Literal[10, 20], shift_pixels: tuple[float, float]
) -> Field:
    """Blur a 10 m field by the sensor's point spread and shift it (rows, columns), in 10 m pixels.

    Done in the frequency domain, exact for fractions of a pixel; the outermost pixels take a little
    from the opposite edge. For 20 m the result is averaged over 2 by 2 pixels.
    """
    rows, columns = field.shape[-2:]
    fy = np.fft.fftfreq(rows)[:, None]
    fx = np.fft.rfftfreq(columns)[None, :]
    spread = _SPREAD_PIXELS[resolution_m]
    transfer = np.exp(-2.0 * (np.pi * spread) ** 2 * (fy**2 + fx**2))
    phase = np.exp(-2j * np.pi * (fy * shift_pixels[0] + fx * shift_pixels[1]))
    seen: Field = np.fft.irfft2(np.fft.rfft2(field) * transfer * phase, s=(rows, columns))
    if resolution_m == 20:
        halves = (*seen.shape[:-2], rows // 2, 2, columns // 2, 2)
        seen = seen.reshape(halves).mean(axis=(-3, -1))
    return seen


def with_noise(
    reflectance: Field, resolution_m: Literal[10, 20], rng: np.random.Generator
) -> Field:
    """Add each pixel's noise: 0.0025 + 0.8 % of the signal at 10 m, half of it at 20 m."""
    scale = 1.0 if resolution_m == 10 else 0.5
    noise = rng.standard_normal(reflectance.shape)
    noisy: Field = reflectance + scale * noise * (0.0025 + 0.008 * reflectance)
    return noisy


def digital_numbers(
    reflectance: Field, covered: NDArray[np.bool_], *, add_1000: bool
) -> NDArray[np.uint16]:
    """Reflectance as uint16: 10,000 times it, plus 1,000 from processing baseline 04.00 on.

    0 where not covered; a covered pixel is at least 1.
    """
    numbers = np.rint(reflectance * 10_000) + (1000 if add_1000 else 0)
    return np.where(covered, np.clip(numbers, 1, 65_535), 0).astype(np.uint16)
