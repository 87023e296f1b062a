"""Features of field plots: which season saw a plot, which pixels it covers and by how much.

A plot is a circle whose place is known only so well. Its pixels are weighted by the expected share
of the plot that lies in them: the circle's exact coverage of each pixel, averaged over where the
circle may truly lie (a Gaussian error, `position_error_m` at 95 % of a circular error).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pyproj
import shapely
from numpy.typing import NDArray
from odc.geo.geobox import GeoBox

from afterrains.woody.features import FeatureStack

__all__ = [
    "DEFAULT_RADIUS_M",
    "POSITION_ERROR_M",
    "PixelWeights",
    "plot_means",
    "plot_weights",
    "plots_inside",
    "season_of_plot",
]

DEFAULT_RADIUS_M = 15.0
"""Radius of a plot that gives none: the smallest whose overlap with what a pixel sees is fair (its
mean overlap is 0.65 to 0.8 with usual receivers; own calculation)."""
POSITION_ERROR_M = 5.0
"""Circular error of a plot's place at 95 %, receiver and image together."""
_CE95_SIGMAS = 2.447746830680816  # sqrt(-2 ln 0.05): a circle holding 95 % of a 2-D Gaussian
# Three Gauss-Hermite nodes in each direction are exact for a Gaussian up to fifth powers.
_NODES = np.array([-np.sqrt(3.0), 0.0, np.sqrt(3.0)])
_NODE_WEIGHTS = np.array([1.0, 4.0, 1.0]) / 6.0


@dataclass(frozen=True)
class PixelWeights:
    """The pixels that one plot covers."""

    rows: NDArray[np.int64]
    columns: NDArray[np.int64]
    weight: NDArray[np.float64]
    """Share of the plot in each pixel; the shares of a plot that lies wholly inside sum to 1."""


def season_of_plot(
    surveyed_on: pd.Series, seasons: pd.DataFrame, *, most_days_apart: int = 120
) -> pd.Series:
    """Id of the dry season that shows each plot as it was surveyed.

    The season that holds the day; a plot surveyed in the rains goes to the dry season nearest in
    time. Crowns change slowly, so a few months do not matter and a year may.

    Parameters
    ----------
    surveyed_on : Series of datetime64
    seasons : DataFrame
        Season calendar; rows with kind "dry" are used.
    most_days_apart : int
        A season that ends earlier, or starts later, than this is no match.

    Returns
    -------
    Series of str
        Missing where no dry season is near enough; index of `surveyed_on`.
    """
    dry = seasons[seasons["kind"] == "dry"].reset_index(drop=True)
    found: list[str | None] = []
    for day in surveyed_on:
        before = (dry["start"] - day).dt.days.clip(lower=0)
        after = (day - dry["end"]).dt.days.clip(lower=0)
        apart = before + after
        near = int(apart.idxmin()) if len(apart) and pd.notna(day) else -1
        found.append(
            str(dry.at[near, "season"]) if near >= 0 and apart[near] <= most_days_apart else None
        )
    return pd.Series(found, index=surveyed_on.index, dtype="str")


def plot_weights(
    plots: pd.DataFrame,
    geobox: GeoBox,
    *,
    default_radius_m: float = DEFAULT_RADIUS_M,
    position_error_m: float = POSITION_ERROR_M,
) -> dict[int, PixelWeights]:
    """Pixels of a grid under each plot.

    Parameters
    ----------
    plots : DataFrame
        lon, lat (WGS 84, degrees), plot_radius_m (NaN: `default_radius_m`).
    geobox : GeoBox
        A north-up grid in metres.
    default_radius_m, position_error_m : float
        Metres; the error is that of a circle which holds 95 % of the positions.

    Returns
    -------
    dict
        By position (row number) in `plots`; plots whose centre lies outside the grid are left out.
    """
    columns, rows = _places(plots, geobox)
    height, width = geobox.shape
    pixel_m = abs(geobox.resolution.x)
    radius = plots["plot_radius_m"].fillna(default_radius_m).to_numpy(float) / pixel_m
    sigma = position_error_m / _CE95_SIGMAS / pixel_m
    return {
        int(at): _circle(columns[at], rows[at], radius[at], sigma, (height, width))
        for at in np.flatnonzero(plots_inside(plots, geobox))
    }


def plots_inside(plots: pd.DataFrame, geobox: GeoBox) -> NDArray[np.bool_]:
    """Which plots have their centre inside a grid; shape (plot,)."""
    columns, rows = _places(plots, geobox)
    height, width = geobox.shape
    inside: NDArray[np.bool_] = (columns >= 0) & (columns < width) & (rows >= 0) & (rows < height)
    return inside


def _places(plots: pd.DataFrame, geobox: GeoBox) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Column and row of each plot's centre, in pixels from the grid's corner."""
    to_grid = pyproj.Transformer.from_crs("EPSG:4326", str(geobox.crs), always_xy=True)
    x, y = to_grid.transform(plots["lon"].to_numpy(float), plots["lat"].to_numpy(float))
    columns, rows = ~geobox.affine * (np.asarray(x), np.asarray(y))
    return columns, rows


def plot_means(
    stack: FeatureStack, weights: Mapping[int, PixelWeights], *, least_share: float = 0.8
) -> pd.DataFrame:
    """Weighted mean of each feature over each plot.

    Parameters
    ----------
    stack : FeatureStack
        Of the grid that the weights belong to.
    weights : mapping
        As `plot_weights` gives them.
    least_share : float
        Share of a plot that must have features, 0-1; a plot with less gets NaN.

    Returns
    -------
    DataFrame
        A row for each plot (index: its position), a column for each feature.
    """
    rows: dict[int, Sequence[Any]] = {}
    for at, pixels in weights.items():
        values = stack.values[:, pixels.rows, pixels.columns].astype(np.float64)
        seen = np.isfinite(values).all(axis=0)
        share = float(pixels.weight[seen].sum())
        if share >= least_share:
            rows[at] = list((values[:, seen] * pixels.weight[seen]).sum(axis=1) / share)
        else:
            rows[at] = [np.nan] * len(stack.names)
    return pd.DataFrame.from_dict(rows, orient="index", columns=list(stack.names))


def _circle(
    column: float, row: float, radius: float, sigma: float, shape: tuple[int, int]
) -> PixelWeights:
    """Expected share of a circle in each pixel; everything in pixels."""
    reach = radius + _NODES[-1] * sigma
    first_row, last_row = max(0, int(row - reach)), min(shape[0] - 1, int(row + reach))
    first_column = max(0, int(column - reach))
    last_column = min(shape[1] - 1, int(column + reach))
    ys, xs = np.mgrid[first_row : last_row + 1, first_column : last_column + 1]
    boxes = shapely.box(xs.ravel(), ys.ravel(), xs.ravel() + 1, ys.ravel() + 1)
    total = np.zeros(boxes.size)
    for dx, weight_x in zip(_NODES, _NODE_WEIGHTS, strict=True):
        for dy, weight_y in zip(_NODES, _NODE_WEIGHTS, strict=True):
            disc = shapely.Point(column + dx * sigma, row + dy * sigma).buffer(radius, 32)
            shared = shapely.area(shapely.intersection(boxes, disc)) / disc.area
            total += weight_x * weight_y * shared
    kept = total > 0
    return PixelWeights(ys.ravel()[kept], xs.ravel()[kept], total[kept])
