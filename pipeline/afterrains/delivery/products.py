"""The rasters of the results: what each file's bands mean, and where the file lies.

One definition behind the writer (`rasters`), the catalogue (`stac`) and the data dictionary.
Numbers are float32 with NaN for missing: a program that does not know the nodata tag then gets
"not a number" and can never average a filler such as -9999 into a mean. Pictures are uint8, 0 for
missing; classes are uint8 with a colour table, 255 for missing.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Literal

__all__ = [
    "DRY_GREENNESS",
    "GREENNESS_TREND",
    "PICTURE",
    "PRODUCTS",
    "WOODY_CHANGE",
    "WOODY_PERCENT",
    "Band",
    "ClassValue",
    "Product",
    "season_code",
    "season_of_code",
]

_SLUG = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_DRY_SEASON = re.compile(r"([0-9]{4})-dry(-([1-9]))?")


@dataclass(frozen=True)
class ClassValue:
    """One class of a band: its code, name and colour."""

    value: int
    name: str
    """One plain word."""
    description: str
    colour: tuple[int, int, int]


@dataclass(frozen=True)
class Band:
    """One band: its name, meaning and unit, and how its overviews are made."""

    name: str
    description: str
    unit: str = ""
    overview: Literal["average", "nearest"] = "average"
    """"nearest" where a mean of pixels would be no value of the band: classes, codes, p-values."""
    classes: tuple[ClassValue, ...] = ()

    def __post_init__(self) -> None:
        if self.classes and self.overview != "nearest":
            raise ValueError(f"{self.name}: classes cannot be averaged")


@dataclass(frozen=True)
class Product:
    """One kind of raster file."""

    name: str
    title: str
    description: str
    bands: tuple[Band, ...]
    dtype: Literal["float32", "uint8"] = "float32"
    nodata: float = math.nan

    def path(self, block: str, season: str) -> PurePosixPath:
        """Where the file of a block and season lies, from the output folder on.

        Raises
        ------
        ValueError
            When `block` or `season` is not a slug: foreign text never becomes a path.
        """
        for text in (block, season):
            if not _SLUG.fullmatch(text):
                raise ValueError(f"{text!r} cannot be part of a path")
        return PurePosixPath("rasters") / block / f"{self.name}_{season}.tif"


def season_code(season: str) -> float:
    """A dry season as a number in a band: its year, plus a tenth for its number in the year.

    `2021-dry` is 2021; `2021-dry-1` is 2021.1 and `2021-dry-2` is 2021.2, where a year has more
    than one dry season.

    Raises
    ------
    ValueError
        When the season is no dry season.
    """
    match = _DRY_SEASON.fullmatch(season)
    if match is None:
        raise ValueError(f"{season!r} is not the id of a dry season")
    return int(match[1]) + int(match[3] or 0) / 10


def season_of_code(code: float) -> str:
    """The dry season that `season_code` made the number from; float32 rounding is allowed for."""
    year, number = divmod(round(float(code) * 10), 10)
    return f"{year}-dry" if number == 0 else f"{year}-dry-{number}"


GREENNESS_TREND = Product(
    "greenness_trend",
    "Trend of dry-season greenness",
    "Trend of dry-season greenness over the seasons up to this one. Greening is not trees; a trend "
    "describes and does not decide, verdicts rest on the comparison with unsown ground.",
    (
        Band("slope", "slope of dry-season greenness", "ndvi per year"),
        Band("p_value", "p-value of no trend", "probability", "nearest"),
        Band("seasons", "number of dry seasons with a value", "count"),
        Band(
            "break_season",
            "first season after the strongest step of greenness against the block's own median of "
            "each season: its year, plus .1, .2 for a year's first, second dry season where it has "
            "several",
            "year",
            "nearest",
        ),
        Band(
            "break_class",
            "whether that step goes beyond the noise of independent seasons, over all pixels of "
            "the block, in patches of 5 pixels or more; a step needs two seasons on either side",
            "",
            "nearest",
            classes=(
                ClassValue(0, "none", "no step beyond noise", (220, 220, 220)),
                ClassValue(1, "rise", "greenness rose at once", (27, 120, 55)),
                ClassValue(
                    2, "sudden-loss", "greenness fell at once: fire, clearing", (118, 42, 131)
                ),
            ),
        ),
    ),
)
DRY_GREENNESS = Product(
    "dry_greenness",
    "Dry-season greenness",
    "Median greenness of the dry season's last 90 days, when grass is dead and most trees are not. "
    "Standing dead matter and late grass move it too.",
    (
        Band("median", "median NDVI of the clear dates", "ndvi"),
        Band("count", "clear dates", "count"),
    ),
)
PICTURE = Product(
    "picture",
    "Picture in natural colour",
    "Median reflectance of the season's clear dates, stretched for the eye; no measurement.",
    (Band("red", "red"), Band("green", "green"), Band("blue", "blue")),
    dtype="uint8",
    nodata=0,
)
WOODY_PERCENT = Product(
    "woody_percent",
    "Woody cover",
    "Ground under woody crowns. Encroaching or invasive shrubs count as woody; species need eyes "
    "on the ground.",
    (
        Band("estimate", "woody cover", "percent"),
        Band("low", "lower bound of the 90 % interval of a plot-sized patch", "percent"),
        Band("high", "upper bound of the 90 % interval of a plot-sized patch", "percent"),
        Band(
            "applicability",
            "whether the pixel is like the ground the model was trained on",
            "",
            "nearest",
            classes=(
                ClassValue(0, "outside", "outside the model's training domain", (178, 24, 43)),
                ClassValue(1, "inside", "inside the model's training domain", (33, 102, 172)),
            ),
        ),
    ),
)  # fmt: skip
WOODY_CHANGE = Product(
    "woody_change",
    "Change of woody cover",
    "Woody cover of the season minus woody cover before sowing. Areas counted from its classes are "
    "map area, no estimate: areas come from a probability sample of checks.",
    (
        Band("change", "change since before sowing", "percentage points"),
        Band("standard_error", "standard error of the change", "percentage points", "nearest"),
        Band(
            "class",
            "whether the change goes beyond its error",
            "",
            "nearest",
            classes=(
                ClassValue(0, "unchanged", "no change beyond its error", (220, 220, 220)),
                ClassValue(1, "more", "more woody cover, beyond its error", (27, 120, 55)),
                ClassValue(2, "less", "less woody cover, beyond its error", (118, 42, 131)),
            ),
        ),
    ),
)

PRODUCTS: dict[str, Product] = {
    product.name: product
    for product in (GREENNESS_TREND, DRY_GREENNESS, PICTURE, WOODY_PERCENT, WOODY_CHANGE)
}
