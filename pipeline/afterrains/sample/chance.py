"""Random streams of the sample: each use has its own, named by what it is for.

A stream depends on the seed and its name alone, never on what was drawn before, so that any number
of workers, in any order, writes the same bytes.
"""

from __future__ import annotations

import hashlib

import numpy as np
from numpy.typing import NDArray

__all__ = ["chance", "random_field"]


def chance(seed: int, *name: str | int) -> np.random.Generator:
    """Return the random stream of that name."""
    digest = hashlib.sha256("/".join(str(part) for part in name).encode()).digest()
    key = [int.from_bytes(digest[i : i + 4], "little") for i in range(0, 16, 4)]
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence([seed, *key])))


def random_field(
    rng: np.random.Generator, pixels: int, length_pixels: float
) -> NDArray[np.float64]:
    """Gaussian random field with mean 0 and variance 1 over the square, wrapped at its edges.

    Parameters
    ----------
    rng : Generator
        Its stream; one field uses `pixels` squared normal numbers.
    pixels : int
        Side of the square.
    length_pixels : float
        Standard deviation of the smoothing Gaussian, in pixels; the correlation between two points
        falls to exp(-1) at twice that distance.

    Returns
    -------
    array, shape (pixels, pixels)
    """
    frequency = np.fft.fftfreq(pixels)[:, None] ** 2 + np.fft.rfftfreq(pixels)[None, :] ** 2
    damping = np.exp(-2.0 * (np.pi * length_pixels) ** 2 * frequency)
    white = rng.standard_normal((pixels, pixels))
    field: NDArray[np.float64] = np.fft.irfft2(np.fft.rfft2(white) * damping, s=white.shape)
    field -= field.mean()
    field /= field.std()
    return field
