"""What a pixel shows in a dry season that parts woody crowns from grass, dead or late.

A feature is a number per pixel and dry season, made from the season's composites: reflectance
(0-1) and indices, float32 (y, x), by the names that the cell's work gives them (`<band>_median`,
`<index>_low`, `_median`, `_high`; prefix `late_` for the season's last weeks, when grass is
deadest). The rains' composites are those of the rains just before. Radar comes as medians of linear
power of one track, ascending and descending apart (`late_vv_descending_median`, …).

A feature is NaN where any of its inputs is NaN; a neighbourhood feature where fewer than half of
its neighbours are known. A pixel with a NaN feature gets no prediction, never a guessed one.
Neighbourhood features reach `HALO_PIXELS` beyond a pixel; at the rim of the array they use the
neighbours there are, so a map in blocks has no seams when each block is read with that halo.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

from afterrains.scenes.radar import DIRECTIONS, direction_of
from afterrains.signals.backscatter import decibels

__all__ = [
    "DEFAULT_FEATURES",
    "FEATURES",
    "HALO_PIXELS",
    "Feature",
    "FeatureStack",
    "feature_stack",
    "makeable",
    "radar_features",
    "radar_inputs",
]

Field = NDArray[np.float32]
Composites = Mapping[str, NDArray[Any]]

HALO_PIXELS = 2
"""How far the widest neighbourhood reaches."""

RAINS = "rains:"
"""Prefix of inputs that come from the rains before the dry season."""


@dataclass(frozen=True)
class Feature:
    """A named feature: what it shows, and which composites it needs (`rains:` for the rains')."""

    name: str
    what: str
    inputs: tuple[str, ...]
    make: Callable[..., NDArray[np.floating]]
    reach_pixels: int = 0
    unit: str = "1"
    """Of its values, by the rules of UDUNITS; "1" is none."""


@dataclass(frozen=True)
class FeatureStack:
    """Features of every pixel of a window."""

    names: tuple[str, ...]
    values: Field
    """Shape (feature, y, x); NaN by the rule of the module."""


def feature_stack(
    dry: Composites, rains: Composites | None = None, names: Sequence[str] | None = None
) -> FeatureStack:
    """Features of a window in one dry season.

    Parameters
    ----------
    dry : mapping of str to array, shape (y, x)
        Composites of the dry season.
    rains : mapping of str to array, shape (y, x), optional
        Composites of the rains before it; without, features that need them cannot be made.
    names : sequence of str, optional
        Keys of `FEATURES`, in the order wanted; `DEFAULT_FEATURES` if not given.

    Returns
    -------
    FeatureStack

    Raises
    ------
    ValueError
        If a name is unknown or an input is missing.
    """
    chosen = tuple(DEFAULT_FEATURES if names is None else names)
    known = {**dry, **{RAINS + name: field for name, field in (rains or {}).items()}}
    layers = []
    for name in chosen:
        if name not in FEATURES:
            raise ValueError(f"no feature {name!r}; there are {', '.join(FEATURES)}")
        feature = FEATURES[name]
        missing = [each for each in feature.inputs if each not in known]
        if missing:
            raise ValueError(f"{name} needs the composites {', '.join(missing)}")
        with np.errstate(divide="ignore", invalid="ignore"):
            made = feature.make(*(np.asarray(known[each], np.float64) for each in feature.inputs))
        layers.append(np.where(np.isfinite(made), made, np.nan).astype(np.float32))
    return FeatureStack(chosen, np.stack(layers))


def radar_features(tracks: Sequence[str]) -> tuple[str, ...]:
    """The features that radar of these tracks gives, ascending first."""
    directions = {direction_of(track) for track in tracks}
    return tuple(
        name
        for direction in DIRECTIONS
        if direction in directions
        for name in (f"vh_{direction}", f"vh_vv_{direction}")
    )


def radar_inputs(names: Sequence[str]) -> frozenset[str]:
    """The composites of radar that these features need."""
    needed = {each for name in names if name in FEATURES for each in FEATURES[name].inputs}
    return frozenset(needed & _RADAR_INPUTS)


def makeable(
    dry: Sequence[str] | Composites, rains: Sequence[str] | Composites | None
) -> tuple[str, ...]:
    """Which features can be made of these composites, in the order of `FEATURES`."""
    known = set(dry) | {RAINS + name for name in rains or ()}
    return tuple(name for name, feature in FEATURES.items() if known.issuperset(feature.inputs))


def _same(values: NDArray[np.float64]) -> NDArray[np.float64]:
    return values


def _difference(first: NDArray[np.float64], second: NDArray[np.float64]) -> NDArray[np.float64]:
    return first - second


def _log_ratio(top: NDArray[np.float64], bottom: NDArray[np.float64]) -> NDArray[np.float64]:
    """Natural logarithm of a ratio of reflectances; a scene's common gain cancels."""
    ratio: NDArray[np.float64] = np.log(np.maximum(top, 1e-4) / np.maximum(bottom, 1e-4))
    return np.where(np.isfinite(top + bottom), ratio, np.nan)


def _local_mean(values: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    """Mean of the known neighbours in a square; NaN where fewer than half are known."""
    known = np.isfinite(values)
    total = scipy.ndimage.uniform_filter(np.where(known, values, 0.0), width, mode="constant")
    share = scipy.ndimage.uniform_filter(known.astype(np.float64), width, mode="constant")
    # The rim of the array counts as unknown there, not as zero.
    inside = scipy.ndimage.uniform_filter(np.ones_like(values), width, mode="constant")
    enough = share >= 0.5 * inside - 1e-9
    return np.where(enough, total / np.where(enough, share, 1.0), np.nan)


def _smoothed_decibels(power: NDArray[np.float64]) -> NDArray[np.float64]:
    """Decibels of the mean power of the known neighbours; NaN where a pixel is unknown itself."""
    smooth = decibels(_local_mean(power, SPECKLE_PIXELS))
    return np.where(np.isfinite(power), smooth, np.nan)


def _roughness(values: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    """Standard deviation in a square, as a share of its mean."""
    mean = _local_mean(values, width)
    variance = _local_mean(np.square(values), width) - np.square(mean)
    # Rounding leaves a variance of about 1e-16 where all neighbours are equal; nothing real is so
    # even, so it may stand.
    rough: NDArray[np.float64] = np.sqrt(np.maximum(variance, 0.0)) / mean
    return np.where(np.isfinite(values), rough, np.nan)


def _band(name: str, band: str, what: str) -> Feature:
    return Feature(name, what, (f"late_{band}_median",), _same)


_RATIOS = (
    ("late_rededge_red", "rededge1", "red", "red edge over red", "chlorophyll"),
    ("late_nir_rededge", "nir", "rededge1", "near infrared over red edge", "leaves"),
    ("late_swir22_swir16", "swir22", "swir16", "2.2 µm over 1.6 µm", "dead matter, shade"),
    ("late_nir_swir16", "nir", "swir16", "near infrared over 1.6 µm", "water in leaves"),
    ("late_green_red", "green", "red", "green over red", "pigments against sand"),
    ("late_blue_red", "blue", "red", "blue over red", "shade and crowns against sand"),
)


SPECKLE_PIXELS = 3
"""Side of the square over which radar power is averaged against speckle."""


def _radar(direction: str) -> tuple[Feature, ...]:
    vv, vh = (f"late_{band}_{direction}_median" for band in ("vv", "vh"))
    looks = f"of {direction} radar passes at the end of the dry season"
    reach = SPECKLE_PIXELS // 2
    return (
        Feature(
            f"vh_{direction}", f"cross-polarised backscatter (VH) {looks}: branches and stems",
            (vh,), _smoothed_decibels, reach, "dB",
        ),
        Feature(
            f"vh_vv_{direction}", f"VH over VV {looks}: volume of crowns against bare soil",
            (vh, vv), lambda cross, like: _smoothed_decibels(cross) - _smoothed_decibels(like),
            reach, "dB",
        ),
    )  # fmt: skip


def _all() -> list[Feature]:
    late = "at the end of the dry season"
    return [
        Feature("late_ndvi", f"NDVI {late}", ("late_ndvi_median",), _same),
        Feature("late_ndvi_low", f"low quantile of NDVI {late}", ("late_ndvi_low",), _same),
        Feature("late_ndmi", f"NDMI {late}: water in leaves", ("late_ndmi_median",), _same),
        Feature("late_ndmi_low", f"low quantile of NDMI {late}", ("late_ndmi_low",), _same),
        Feature("late_nbr2", f"NBR2 {late}: dead matter, wetness", ("late_nbr2_median",), _same),
        _band("late_blue", "blue", f"blue reflectance {late}"),
        _band("late_green", "green", f"green reflectance {late}"),
        _band("late_red", "red", f"red reflectance {late}"),
        _band("late_rededge", "rededge1", f"red-edge reflectance {late}"),
        _band("late_nir", "nir", f"near-infrared reflectance {late}"),
        _band("late_swir16", "swir16", f"shortwave reflectance (1.6 µm) {late}"),
        _band("late_swir22", "swir22", f"shortwave reflectance (2.2 µm) {late}"),
        *(
            Feature(
                name, f"logarithm of {ratio} {late}: {shows}",
                (f"late_{top}_median", f"late_{bottom}_median"), _log_ratio,
            )
            for name, top, bottom, ratio, shows in _RATIOS
        ),
        Feature("dry_ndvi", "median NDVI of the whole dry season", ("ndvi_median",), _same),
        Feature("dry_ndvi_low", "low quantile of the dry season's NDVI", ("ndvi_low",), _same),
        Feature(
            "fading", "NDVI lost from the whole dry season to its end: late grass",
            ("ndvi_median", "late_ndvi_median"), _difference,
        ),
        Feature(
            "rains_swing", "NDVI of the rains' peak above the end of the dry season: grass",
            (f"{RAINS}ndvi_high", "late_ndvi_median"), _difference,
        ),
        Feature("rains_ndvi", "NDVI of the rains' peak", (f"{RAINS}ndvi_high",), _same),
        Feature(
            "roughness3", f"spread of near infrared over 3 by 3 pixels {late}, share of its mean",
            ("late_nir_median",), lambda nir: _roughness(nir, 3), 1,
        ),
        Feature(
            "roughness5", f"spread of near infrared over 5 by 5 pixels {late}, share of its mean",
            ("late_nir_median",), lambda nir: _roughness(nir, 5), 2,
        ),
        Feature(
            "darkness5", f"logarithm of a pixel's near infrared over its 5 by 5 mean {late}",
            ("late_nir_median",), lambda nir: _log_ratio(nir, _local_mean(nir, 5)), 2,
        ),
        *(feature for direction in DIRECTIONS for feature in _radar(direction)),
    ]  # fmt: skip


FEATURES: dict[str, Feature] = {feature.name: feature for feature in _all()}
"""Every feature that can be made, by name."""

_RADAR_INPUTS = {
    f"late_{band}_{direction}_median" for band in ("vv", "vh") for direction in DIRECTIONS
}

DEFAULT_FEATURES: tuple[str, ...] = (
    "late_ndvi",
    "late_ndmi",
    "late_nbr2",
    "late_green_red",
    "late_blue_red",
    "roughness3",
    "darkness5",
)
"""The leanest set that lost nothing on held-out ground of the sample (`benchmarks/woody`). The red
edge, the whole dry season and the rains' swing brought nothing more there, so that no band is read
for them, and Landsat, which has no red edge, serves as well. Real ground may differ: the others can
be asked for by name."""
