"""Band-pass adjustment between sensors, by published coefficients. Off unless asked for.

Sensors see the same ground through slightly different band passes, so an index steps when the
sensor changes. The coefficients are linear per band: adjusted = slope x reflectance + intercept.
All sets here lead *to the OLI of Landsat 8/9*; a sensor without a set is left as it is. Ordinary
least squares coefficients shrink contrast and are not offered.

References
----------
Roy, D. P. et al. (2016). Characterization of Landsat-7 to Landsat-8 reflective wavelength and
normalized difference vegetation index continuity. Remote Sens. Environ. 185, 57-70, table 2
(reduced major axis, surface reflectance). doi:10.1016/j.rse.2015.12.024
Claverie, M. et al. (2018). The Harmonized Landsat and Sentinel-2 surface reflectance data set.
Remote Sens. Environ. 219, 145-161. doi:10.1016/j.rse.2018.09.002; coefficients of the agency's
parameter files, which hold for the narrow near infrared (B8A) and not for B08.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

__all__ = ["METHODS", "SETS", "adjust_bandpass", "family_of"]

_Coefficients = Mapping[str, tuple[float, float]]

SETS: Mapping[str, _Coefficients] = {
    "roy-etm": {
        "blue": (0.9785, -0.0095),
        "green": (0.9542, -0.0016),
        "red": (0.9825, -0.0022),
        "nir": (1.0073, -0.0021),
        "nir08": (1.0073, -0.0021),
        "swir16": (1.0171, -0.0030),
        "swir22": (0.9949, 0.0029),
    },
    "hls-s2a": {
        "blue": (0.9778, -0.0040),
        "green": (1.0053, -0.0009),
        "red": (0.9765, 0.0009),
        "nir08": (0.9983, -0.0001),
        "swir16": (0.9987, -0.0011),
        "swir22": (1.0030, -0.0012),
    },
    "hls-s2b": {
        "blue": (0.9778, -0.0040),
        "green": (1.0075, -0.0008),
        "red": (0.9761, 0.0010),
        "nir08": (0.9966, 0.0000),
        "swir16": (1.0000, -0.0003),
        "swir22": (0.9867, 0.0004),
    },
    "hls-s2c": {
        "blue": (0.9851, -0.0027),
        "green": (1.0038, -0.0009),
        "red": (0.9718, 0.0011),
        "nir08": (0.9995, -0.0003),
        "swir16": (0.9994, -0.0007),
        "swir22": (0.9910, 0.0004),
    },
}
"""(slope, intercept) to OLI by set and band; red edge and Sentinel-2's B08 have none."""
METHODS: Mapping[str, frozenset[str]] = {
    "off": frozenset(),
    "rma": frozenset({"roy-etm"}),
    "harmonised-coefficients": frozenset(SETS),
}
"""The sets that each way of adjusting uses. The harmonised product leaves TM and ETM+ out, which
keep their reduced major axis."""
_FAMILIES = {"landsat-4": "tm", "landsat-5": "tm", "landsat-7": "tm"}


def family_of(sensor: str) -> str:
    """Sensors of one family see alike: TM and ETM+, OLI, MSI; any other platform is its own."""
    if sensor in _FAMILIES:
        return _FAMILIES[sensor]
    if sensor in ("landsat-8", "landsat-9"):
        return "oli"
    return "msi" if sensor.startswith("sentinel-2") else sensor


def adjust_bandpass(
    reflectance: NDArray[np.float32], band: str, set_name: str
) -> NDArray[np.float32]:
    """Reflectance as OLI would have seen it; NaN in a band that the set has no coefficients for.

    An index must not mix adjusted and unadjusted bands.

    Parameters
    ----------
    reflectance : array, any shape
        Surface reflectance 0-1; NaN stays NaN.
    band : str
        Our band name.
    set_name : str
        A key of `SETS`.
    """
    slope, intercept = SETS[set_name].get(band, (np.nan, np.nan))
    return (np.float32(slope) * reflectance + np.float32(intercept)).astype(np.float32)
