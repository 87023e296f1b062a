"""Spectral indices of surface reflectance: which there are, what they need, how to compute one.

The formulas are in `index_formulas`; they take reflectance between 0 and 1.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

from afterrains.signals import index_formulas as formulas
from afterrains.signals.index_formulas import Array, values_where

__all__ = ["DEFAULT_INDICES", "INDICES", "Index", "available", "compute", "require_reflectance"]


@dataclass(frozen=True)
class Index:
    """A named index: what it needs, how it is computed and where it comes from.

    `bands` are our band names in the order of the function's arguments. `low` and `high` bound what
    non-negative reflectance can give, or, for EVI, what vegetation gives.
    """

    name: str
    bands: tuple[str, ...]
    function: Callable[..., Array] = field(repr=False)
    formula: str
    source: str
    low: float = -1.0
    high: float = 1.0

    @property
    def range(self) -> tuple[float, float]:
        """Lowest and highest value that is taken for real."""
        return self.low, self.high


_INF = float("inf")

_ALL = (
    Index(
        "ndvi",
        ("red", "nir"),
        formulas.ndvi,
        "(nir - red) / (nir + red)",
        "Rouse et al. 1974, NASA SP-351, 309-317, https://ntrs.nasa.gov/citations/19740022614",
    ),
    Index(
        "evi2",
        ("red", "nir"),
        formulas.evi2,
        "2.5 (nir - red) / (nir + 2.4 red + 1)",
        "Jiang et al. 2008, doi:10.1016/j.rse.2008.06.006",
        low=-2.5 / 2.4,
        high=2.5,
    ),
    Index(
        "msavi2",
        ("red", "nir"),
        formulas.msavi2,
        "0.5 (2 nir + 1 - sqrt((2 nir + 1)² - 8 (nir - red)))",
        "Qi et al. 1994, doi:10.1016/0034-4257(94)90134-1",
        low=-1.0,
        high=1.0,
    ),
    Index(
        "ndmi",
        ("nir", "swir16"),
        formulas.ndmi,
        "(nir - swir16) / (nir + swir16)",
        "Wilson & Sader 2002, doi:10.1016/S0034-4257(01)00318-2",
    ),
    Index(
        "nbr",
        ("nir", "swir22"),
        formulas.nbr,
        "(nir - swir22) / (nir + swir22)",
        "Key & Benson, as given in doi:10.3133/ofr0211",
    ),
    Index(
        "kndvi",
        ("red", "nir"),
        formulas.kndvi,
        "tanh(((nir - red) / (nir + red))²)",
        "Camps-Valls et al. 2021, doi:10.1126/sciadv.abc7447",
        low=0.0,
    ),
    Index(
        "savi",
        ("red", "nir"),
        formulas.savi,
        "1.5 (nir - red) / (nir + red + 0.5)",
        "Huete 1988, doi:10.1016/0034-4257(88)90106-X",
        low=-1.5,
        high=1.5,
    ),
    Index(
        "osavi",
        ("red", "nir"),
        formulas.osavi,
        "(nir - red) / (nir + red + 0.16)",
        "Rondeaux et al. 1996, doi:10.1016/0034-4257(95)00186-7",
    ),
    Index(
        "evi",
        ("blue", "red", "nir"),
        formulas.evi,
        "2.5 (nir - red) / (nir + 6 red - 7.5 blue + 1)",
        "Huete et al. 1997, doi:10.1016/S0034-4257(96)00112-5",
    ),
    Index(
        "nirv",
        ("red", "nir"),
        formulas.nirv,
        "nir (nir - red) / (nir + red)",
        "Badgley et al. 2017, doi:10.1126/sciadv.1602244",
        high=_INF,
        low=-1.0,
    ),
    Index(
        "ndre",
        ("rededge1", "nir"),
        formulas.ndre,
        "(nir - rededge1) / (nir + rededge1)",
        "Gitelson & Merzlyak 1994, doi:10.1016/1011-1344(93)06963-4",
    ),
    Index(
        "gcvi",
        ("green", "nir"),
        formulas.gcvi,
        "nir / green - 1",
        "Gitelson et al. 2003, doi:10.1078/0176-1617-00887",
        high=_INF,
    ),
    Index(
        "ndwi",
        ("green", "nir"),
        formulas.ndwi,
        "(green - nir) / (green + nir)",
        "McFeeters 1996, doi:10.1080/01431169608948714",
    ),
    Index(
        "nbr2",
        ("swir16", "swir22"),
        formulas.nbr2,
        "(swir16 - swir22) / (swir16 + swir22)",
        "U.S. Geological Survey, Landsat Normalized Burn Ratio 2",
    ),
    Index(
        "satvi",
        ("red", "swir16", "swir22"),
        formulas.satvi,
        "1.5 (swir16 - red) / (swir16 + red + 0.5) - swir22 / 2",
        "Marsett et al. 2006, Rangeland Ecology & Management 59, 530-540",
        low=-_INF,
        high=1.5,
    ),
    Index(
        "bsi",
        ("blue", "red", "nir", "swir16"),
        formulas.bsi,
        "((swir16 + red) - (nir + blue)) / ((swir16 + red) + (nir + blue))",
        "Rikimaru et al. 2002, Tropical Ecology 43(1), 39-47",
    ),
)

INDICES: Mapping[str, Index] = MappingProxyType({index.name: index for index in _ALL})
"""Every index by name."""

DEFAULT_INDICES: tuple[str, ...] = ("ndvi", "evi2", "msavi2", "ndmi", "nbr", "kndvi", "nbr2")
"""The indices of the series and season tables."""


def available(bands: Iterable[str]) -> tuple[str, ...]:
    """Names of the indices that these bands allow, in the order of `INDICES`."""
    have = set(bands)
    return tuple(name for name, index in INDICES.items() if have.issuperset(index.bands))


def compute(name: str, bands: Mapping[str, Array]) -> Array:
    """The index `name` from reflectance arrays keyed by our band names.

    Parameters
    ----------
    name : str
        A key of `INDICES`.
    bands : mapping of str to array
        Reflectance 0–1, all of one shape; NaN where missing. Bands not needed are ignored.

    Returns
    -------
    array
        Same kind and shape as the bands. NaN where a band is NaN and where the value falls outside
        the index's range: over-corrected, negative reflectance makes ratios of any size, and one
        such pixel would spoil the mean of a polygon.

    Raises
    ------
    ValueError
        If there is no such index or a band is missing.
    """
    try:
        index = INDICES[name]
    except KeyError:
        raise ValueError(f"no index {name!r}; there are {', '.join(INDICES)}") from None
    missing = [band for band in index.bands if band not in bands]
    if missing:
        raise ValueError(f"{name} needs the band(s) {', '.join(missing)}")
    values = index.function(*(bands[band] for band in index.bands))
    slack = 1e-6  # what rounding of float32 may add
    return values_where((values >= index.low - slack) & (values <= index.high + slack), values)


def require_reflectance(values: Array, what: str = "reflectance") -> None:
    """Stop where `values` (numpy) are plainly not reflectance between 0 and 1.

    Looks at the median of the finite values: snow, cloud and glint exceed 1 in single pixels, half
    of a window does not exceed 1.5 unless numbers or percent were passed unscaled. An offset left
    in cannot be seen this way.

    Raises
    ------
    ValueError
        If the median of the finite values is above 1.5.
    """
    known = np.asarray(values)[np.isfinite(values)]
    # The median is looked for only where it can be that high: most arrays end here.
    if np.any(known > 1.5) and np.median(known) > 1.5:
        raise ValueError(
            f"{what} has a median of {np.median(known):.4g}; reflectance lies between 0 and 1: "
            "apply the band's scale and offset first"
        )
