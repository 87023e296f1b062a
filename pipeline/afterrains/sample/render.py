"""One product's pixels: ground, sky and sensor put together. No files here."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from afterrains.sample.chance import chance
from afterrains.sample.ground import GroundModel
from afterrains.sample.mixing import BANDS, mix
from afterrains.sample.overpasses import Overpass
from afterrains.sample.plan import Kind
from afterrains.sample.sensor import (
    COARSE_BANDS,
    FINE_BANDS,
    blur_and_shift,
    digital_numbers,
    scene_errors,
    through_satellite,
    with_noise,
)
from afterrains.sample.sky import classify, make_sky, sun_position

__all__ = ["Product", "render"]

_SHIFT_PIXELS = 0.25  # 2.5 m, about the multi-date geolocation of refined scenes
_MAIN_ORBIT = 22


@dataclass(frozen=True)
class Product:
    """Digital numbers by band, the class map, and what the metadata say of the scene.

    Bands of 10 m are (y, x), the others and `scl` half as large; 0 is no data. Percentages are of
    the covered pixels, `nodata_percent` of all.
    """

    bands: dict[str, NDArray[np.uint16]]
    scl: NDArray[np.uint8]
    cloud_percent: float
    nodata_percent: float
    sun_zenith_deg: float
    sun_azimuth_deg: float


def render(ground: GroundModel, overpass: Overpass, seed: int) -> Product:
    """Draw one product; deterministic by seed, whatever was drawn before."""
    day = overpass.acquired.date()
    zenith, azimuth = sun_position(overpass.acquired)
    truth = mix(ground.cover(day), zenith)
    misty = [site.site_id for site in ground.sites if site.kind is Kind.TOO_CLOUDY]
    sky = make_sky(
        seed,
        ground.name,
        overpass.acquired,
        ground.pixels,
        hazy=overpass.hazy,
        misty=ground.inside(misty[0]) if misty else None,
    )
    seen = through_satellite(sky.veil(truth), overpass.platform)
    # Errors of the day are shared by both tiles, those of the tile and the processing are not.
    gain, offset = scene_errors(chance(seed, "scene", day.isoformat(), overpass.platform), 1.0)
    own_gain, own_offset = scene_errors(chance(seed, "tile", day.isoformat(), ground.name), 0.25)
    seen = seen * gain * own_gain + offset + own_offset
    if overpass.older:
        seen = seen * 1.006 + 0.002
    rng = chance(seed, "pixels", ground.name, overpass.acquired.isoformat(), ground.pixels)
    shift = (float(rng.normal(0, _SHIFT_PIXELS)), float(rng.normal(0, _SHIFT_PIXELS)))
    index = {band: position for position, band in enumerate(BANDS)}
    fine = with_noise(
        blur_and_shift(seen[[index[band] for band in FINE_BANDS]], 10, shift), 10, rng
    )
    coarse_seen = blur_and_shift(seen[[index[band] for band in COARSE_BANDS]], 20, shift)
    coarse = with_noise(coarse_seen, 20, rng)
    covered = _covered(ground, overpass)
    red, nir = (blur_and_shift(seen[index[band]], 20, shift) for band in ("red", "nir"))
    scl = classify(sky, (nir - red) / (nir + red), covered, rng)
    covered_fine = np.kron(covered, np.ones((2, 2), dtype=bool))
    bands = {
        band: digital_numbers(fine[position], covered_fine, add_1000=overpass.add_1000)
        for position, band in enumerate(FINE_BANDS)
    } | {
        band: digital_numbers(coarse[position], covered, add_1000=overpass.add_1000)
        for position, band in enumerate(COARSE_BANDS)
    }
    return Product(
        bands=bands,
        scl=scl,
        cloud_percent=100.0 * float(np.isin(scl[covered], (8, 9, 10)).mean()),
        nodata_percent=100.0 * float((~covered).mean()),
        sun_zenith_deg=zenith,
        sun_azimuth_deg=azimuth,
    )


def _covered(ground: GroundModel, overpass: Overpass) -> NDArray[np.bool_]:
    """20 m pixels inside the swath: side orbits cut off a corner, along the ground track."""
    half = ground.pixels // 2
    rows, columns = np.mgrid[0:half, 0:half] / half
    if overpass.orbit == _MAIN_ORBIT:
        return np.ones((half, half), dtype=bool)
    # The western orbit's swath ends to the east of its ground's middle, the eastern one's before.
    across = columns + 0.21 * rows
    if ground.name == "west":
        inside: NDArray[np.bool_] = across < 0.98
    else:
        inside = across > 0.20
    return inside
