"""Clear ground: mask classes and bits read by name, and masks widened in metres of ground.

Kernels take plain integer arrays of shape (y, x). What a mask says is kept apart in two answers:
*covered* (there is data) and *clear* (the ground is seen). Sentinel-2's scene classification keeps
vegetation, bare and unclassified ground; Landsat's QA_PIXEL is read bit by bit, because its
"clear" bit 6 says only that two cloud bits are unset and passes cloud shadow.

A caution where the counts are read: bright bare soil is at times classified as cloud on every
date. Its pixels then drop out for good, and what remains is biased towards vegetation.

References
----------
ESA, Sentinel-2 Level-2A product specification: scene classification.
USGS, Landsat Collection 2 Level-2 science product guide: QA_PIXEL, QA_RADSAT.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from afterrains.scenes.profile_model import BitMask, ClassMask

__all__ = ["MaskReading", "has_bits", "read_mask", "widen"]


@dataclass(frozen=True)
class MaskReading:
    """What a mask band says of a window; all arrays (y, x)."""

    covered: NDArray[np.bool_]
    clear: NDArray[np.bool_]
    """Clear before saturation and values are looked at; False where not covered."""
    counts: dict[str, int]
    """Pixels by class or flag, before widening; "widened" are those that widening masked."""


def read_mask(
    codes: NDArray[np.integer],
    rule: ClassMask | BitMask,
    *,
    pixel_m: tuple[float, float],
    widen_m: float,
) -> MaskReading:
    """What a mask band says, by a profile's rule.

    Parameters
    ----------
    codes : integer array, shape (y, x)
        Class numbers or bit fields.
    rule : ClassMask or BitMask
        A class that the rule does not list is masked; a bit that it does not refuse is ignored.
    pixel_m : (float, float)
        Height and width of a pixel in metres.
    widen_m : float
        Ground within this distance of the classes that the rule widens is masked too.
    """
    if isinstance(rule, ClassMask):
        layers = {name: codes == number for name, number in rule.classes.items()}
        seen = _any_of(layers, rule.clear, codes.shape)
    else:
        layers = {name: has_bits(codes, bit) for name, bit in rule.bits.items()}
        seen = ~_any_of(layers, (*rule.refuse, rule.empty), codes.shape)
    covered = ~layers[rule.empty]
    near = widen(_any_of(layers, rule.widen, codes.shape), pixel_m, widen_m)
    clear = covered & seen & ~near
    counts = {name: int(layer.sum()) for name, layer in layers.items()}
    counts["widened"] = int((covered & seen & near).sum())
    return MaskReading(covered, clear, counts)


def has_bits(codes: NDArray[np.integer], bit: int) -> NDArray[np.bool_]:
    """Where a bit is set; bit 0 is the lowest."""
    return (codes.astype(np.int64) >> bit & 1).astype(bool)


def _any_of(
    layers: dict[str, NDArray[np.bool_]], names: tuple[str, ...], shape: tuple[int, ...]
) -> NDArray[np.bool_]:
    found = np.zeros(shape, dtype=bool)
    for name in names:
        found |= layers[name]
    return found


def widen(
    mask: NDArray[np.bool_], pixel_m: tuple[float, float], distance_m: float
) -> NDArray[np.bool_]:
    """The mask and all ground within a distance of it, between pixel centres.

    Parameters
    ----------
    mask : bool array, shape (y, x)
    pixel_m : (float, float)
        Height and width of a pixel in metres.
    distance_m : float
        A disk's radius; 0 gives the mask back.

    Raises
    ------
    ValueError
        If the distance is negative.
    """
    if distance_m < 0:
        raise ValueError(f"a mask cannot be widened by {distance_m} m")
    if distance_m == 0 or not mask.any():
        return mask
    distances = scipy.ndimage.distance_transform_edt(~mask, sampling=pixel_m)
    found: NDArray[np.bool_] = distances <= distance_m
    return found
