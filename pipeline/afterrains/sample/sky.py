"""What stands between the ground and the sensor: cloud, shadow, mist, haze, and the class map.

Opacity is 0-1 on the 10 m pixels. The scene classification (SCL) is made on 20 m pixels and sees
less than there is: thin cloud edges and, in a few scenes, haze are left in ground classes, some
bright sand is called cloud. Classes: 0 no data, 3 shadow, 4 vegetation, 5 bare, 7 unclassified,
8 and 9 cloud of medium and high probability, 10 thin cirrus (Sentinel-2 level-2A definition).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, gaussian_filter

from afterrains.sample.chance import chance, random_field

__all__ = ["Sky", "classify", "cloud_share", "make_sky", "sun_position"]

Field = NDArray[np.float64]

_LATITUDE_DEG, _LONGITUDE_DEG = 14.02, 3.0
# Spectra in the order of `mixing.BANDS`, from memory.
CLOUD = np.array((0.62, 0.61, 0.61, 0.61, 0.63, 0.45, 0.34))
DUST = np.array((0.20, 0.25, 0.30, 0.31, 0.33, 0.30, 0.26))

# Chances of a clear, a broken and an overcast sky by month, January first.
_DRY, _TURN, _RAINS = (0.80, 0.16, 0.04), (0.55, 0.33, 0.12), (0.30, 0.46, 0.24)
_STATES = (_DRY,) * 4 + (_TURN, _TURN) + (_RAINS,) * 3 + (_TURN, _DRY, _DRY)
_SEEN_OPACITY = 0.12  # thinner cloud is not seen by the classification


@dataclass(frozen=True)
class Sky:
    """Opacity of cloud, depth of cloud shadow and opacity of unseen haze, each (y, x), 0-1."""

    cloud: Field
    shadow: Field
    haze: Field

    def veil(self, reflectance: Field) -> Field:
        """Return the reflectance (bands, y, x) as it looks from above this sky."""
        veiled = reflectance
        if self.shadow.any():
            veiled = veiled * (1.0 - 0.55 * self.shadow)
        for spectrum, opacity in ((DUST, self.haze), (CLOUD, self.cloud)):
            if opacity.any():
                veiled = veiled * (1.0 - opacity) + spectrum[:, None, None] * opacity
        return veiled


def sun_position(moment: datetime) -> tuple[float, float]:
    """Sun zenith and azimuth (clockwise from north) over the district, degrees.

    Cooper's declination, mean solar time; good to about a degree, enough for shade.
    """
    day = moment.timetuple().tm_yday
    declination = np.deg2rad(23.45 * np.sin(2 * np.pi * (284 + day) / 365))
    hour = moment.hour + moment.minute / 60 + _LONGITUDE_DEG / 15
    angle = np.deg2rad(15.0 * (hour - 12.0))
    latitude = np.deg2rad(_LATITUDE_DEG)
    up = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.cos(
        angle
    )
    east = -np.cos(declination) * np.sin(angle)
    north = np.cos(latitude) * np.sin(declination) - np.sin(latitude) * np.cos(
        declination
    ) * np.cos(angle)
    return float(np.rad2deg(np.arccos(up))), float(np.rad2deg(np.arctan2(east, north)) % 360)


def cloud_share(seed: int, tile: str, moment: datetime, pixels: int) -> float:
    """Share of the tile under cloud (mist apart) that `make_sky` will draw, 0-1."""
    return _share(_stream(seed, tile, moment, pixels), moment)


def _stream(seed: int, tile: str, moment: datetime, pixels: int) -> np.random.Generator:
    return chance(seed, "sky", tile, moment.isoformat(), pixels)


def _share(rng: np.random.Generator, moment: datetime) -> float:
    """Cloud share of a sky; must be the first that is drawn from its stream."""
    clear, broken, _ = _STATES[moment.month - 1]
    draw = float(rng.random())
    if draw < clear:
        return 0.0
    if draw < clear + broken:
        return float(rng.uniform(0.04, 0.55))
    return float(rng.uniform(0.80, 0.99))


def make_sky(
    seed: int,
    tile: str,
    moment: datetime,
    pixels: int,
    *,
    hazy: bool,
    misty: NDArray[np.bool_] | None,
) -> Sky:
    """Draw the sky over one tile at one overpass.

    Parameters
    ----------
    seed, tile, moment
        Name the sky: the same three give the same sky, whichever product shows it.
    pixels : int
        Side of the tile in 10 m pixels.
    hazy : bool
        Lay dust haze over part of the tile that the classification does not see.
    misty : bool array, shape (pixels, pixels), or None
        Ground that lies under mist in most scenes.
    """
    rng = _stream(seed, tile, moment, pixels)
    share = _share(rng, moment)
    cloud = np.zeros((pixels, pixels))
    shadow = np.zeros_like(cloud)
    if share > 0:
        field = 0.9 * random_field(rng, pixels, 13) + 0.43 * random_field(rng, pixels, 3)
        cloud = np.clip((field - np.quantile(field, 1.0 - share)) / 0.55, 0.0, 1.0) * 0.96
        zenith, azimuth = sun_position(moment)
        # Cloud base 700 to 1,500 m: the shadow falls away from the sun. Cloud fields are wrapped.
        reach = float(rng.uniform(700, 1500)) * np.tan(np.deg2rad(zenith)) / 10.0
        rows = round(reach * np.cos(np.deg2rad(azimuth)))
        columns = round(-reach * np.sin(np.deg2rad(azimuth)))
        shadow = np.roll(cloud, (rows, columns), axis=(0, 1)) * (1.0 - cloud)
    if misty is not None and rng.random() < 0.97:
        near = gaussian_filter(binary_dilation(misty, iterations=3).astype(float), 1.5)
        depth = 0.55 + 0.15 * random_field(rng, pixels, 4)
        cloud = np.maximum(cloud, np.clip(near * depth, 0.0, 0.95))
    haze = np.zeros_like(cloud)
    if hazy:
        haze = np.clip(0.10 + 0.07 * random_field(rng, pixels, 22), 0.0, 0.30)
    return Sky(cloud, shadow, haze)


def classify(
    sky: Sky, ndvi: Field, covered: NDArray[np.bool_], rng: np.random.Generator
) -> NDArray[np.uint8]:
    """Scene classification on 20 m pixels.

    Parameters
    ----------
    sky : Sky
        On the 10 m pixels.
    ndvi : array, shape (y, x)
        NDVI on the 20 m pixels, as the sensor sees it.
    covered : bool array, shape (y, x)
        20 m pixels inside the swath; the others are class 0.
    rng : Generator
        For bright ground called cloud and for unclassified pixels.

    Returns
    -------
    array of uint8, shape (y, x)
    """
    cloud, shadow = _halved(sky.cloud), _halved(sky.shadow)
    scl = np.where(ndvi >= 0.30, 4, 5).astype(np.uint8)
    if rng.random() < 0.25:  # bright sand taken for cloud, in specks
        scl[rng.random(scl.shape) < 0.004] = 8
    scl[rng.random(scl.shape) < 0.002] = 7
    scl[shadow > 0.30] = 3
    scl[cloud > _SEEN_OPACITY] = 10
    scl[cloud > 0.28] = 8
    scl[cloud > 0.60] = 9
    scl[~covered] = 0
    return scl


def _halved(field: Field) -> Field:
    """Mean of 2 by 2 pixels."""
    rows, columns = field.shape
    means: Field = field.reshape(rows // 2, 2, columns // 2, 2).mean(axis=(1, 3))
    return means
