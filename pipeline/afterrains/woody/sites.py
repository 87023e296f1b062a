"""From pixels to sites: woody percent of a site in a dry season, with an honest interval.

A site's cover is the mean of its pixels' predictions, weighted by the exact share of each pixel
inside it, before they are kept within 0-100 (else bare ground would never average to bare). Its
error is not that of a pixel divided by the root of their number: errors are shared. It adds

- what a whole place shares, and what a whole season shares (from residuals of places held out,
  raised by their own standard errors: few places and fewer seasons tell them);
- what each plot-sized patch has of its own, divided by the number of such patches;
- the model's own uncertainty, by the jackknife over folds of places.

The observers' errors are in the residuals too, so the interval is rather too wide than too narrow.
Covers are percent; a site hardly seen is NaN.

References
----------
Efron, B. & Stein, C. (1981). The jackknife estimate of variance. Annals of Statistics 9, 586-596.
doi:10.1214/aos/1176345462
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd
import scipy
from numpy.typing import NDArray

from afterrains.signals.coverage import Coverage
from afterrains.woody.features import FeatureStack
from afterrains.woody.model import Prediction, WoodyModel, predict

__all__ = ["GREENNESS", "SITE_COLUMNS", "SITE_LEVEL", "WOODY", "site_cover", "sites_in_points"]

SITE_LEVEL = 0.95
LEAST_SEEN = 0.5
"""Share of a site that must have predictions (common practice, no source)."""
LEAST_INSIDE = 0.5
"""Share of what was seen that must lie in the model's domain (common practice, no source)."""
WOODY = "woody cover"
GREENNESS = "dry-season greenness"

SITE_COLUMNS = (
    "site_id",
    "woody_percent",
    "woody_low",
    "woody_high",
    "woody_se",
    "woody_se_own",
    "woody_se_place",
    "seen_share",
    "inside_share",
    "basis",
)
"""`woody_se` holds everything; `woody_se_own` leaves out what the whole season shares, which falls
out of a difference from controls of the same season; `woody_se_place` is what one place has and
another has not: it falls out of a difference from before only while the ground stays of its kind.
`basis` is `WOODY`, or `GREENNESS` where the
site lies outside the model's domain and is to be judged on greenness."""


def site_cover(
    model: WoodyModel,
    stack: FeatureStack,
    coverage: Coverage,
    pixel_area_m2: float,
    *,
    prediction: Prediction | None = None,
    level: float = SITE_LEVEL,
) -> pd.DataFrame:
    """Woody percent of the sites of a cell in one dry season.

    Parameters
    ----------
    model : WoodyModel
    stack : FeatureStack
        Of the cell and season.
    coverage : Coverage
        Of the cell's grid by its sites (`afterrains.signals.coverage.polygon_coverage`).
    pixel_area_m2 : float
    prediction : Prediction, optional
        As `predict` gives it for the stack, to save the work.
    level : float
        Of the interval.

    Returns
    -------
    DataFrame
        `SITE_COLUMNS`, one row for each site of the coverage. Where too little was seen, or too
        little of it lies in the domain, the numbers stand but `basis` says greenness; where
        nothing was seen they are NaN.

    Raises
    ------
    ValueError
        If the stack and the coverage have different shapes.
    """
    if stack.values.shape[1:] != coverage.shape:
        raise ValueError(f"features of {stack.values.shape[1:]}, a grid of {coverage.shape}")
    found = predict(model, stack) if prediction is None else prediction
    cover = found.unclipped.ravel()[coverage.pixel].astype(np.float64)
    known = np.isfinite(cover)
    seen = coverage.sums(known)

    def mean(values: NDArray[np.floating]) -> NDArray[np.float64]:
        total = coverage.sums(np.where(known, values, 0.0).astype(np.float64))
        out = np.full(seen.shape, np.nan)
        np.divide(total, seen, out=out, where=seen > 0)
        return out

    layers = [stack.values[stack.names.index(name)].ravel() for name in model.features]
    features = np.column_stack([mean(layer[coverage.pixel]) for layer in layers])
    estimate = mean(cover)
    own, shared, place = _variances(model, features, estimate, seen * pixel_area_m2)
    freedom = _freedom(model, own, shared)
    inside = mean(found.applicability.ravel()[coverage.pixel])
    seen_share = np.minimum(seen / coverage.whole, 1.0)
    error = np.sqrt(own + shared)
    reach = scipy.special.stdtrit(freedom, 0.5 + level / 2) * error
    trusted = (seen_share >= LEAST_SEEN) & (inside >= LEAST_INSIDE)
    return pd.DataFrame(
        {
            "site_id": list(coverage.site_ids),
            "woody_percent": np.clip(estimate, 0.0, 100.0),
            "woody_low": np.clip(estimate - reach, 0.0, 100.0),
            "woody_high": np.clip(estimate + reach, 0.0, 100.0),
            "woody_se": error,
            "woody_se_own": np.sqrt(own),
            "woody_se_place": np.sqrt(place),
            "seen_share": seen_share,
            "inside_share": inside,
            "basis": np.where(trusted, WOODY, GREENNESS),
        },
        columns=list(SITE_COLUMNS),
    )


def sites_in_points(table: pd.DataFrame, *, least_share: float = 0.8) -> frozenset[str]:
    """Sites that can be judged in points of cover: their seasons mostly lie in the domain.

    A site's seasons are never judged partly in points and partly in greenness, so one rule for the
    whole record: at least `least_share` of a site's seasons, and its newest, have the basis `WOODY`
    (common practice, no source).

    Parameters
    ----------
    table : DataFrame
        Rows of `site_cover` for several seasons, in their order, with a column `season`.
    """
    good: list[str] = []
    groups: Iterable[tuple[object, pd.DataFrame]] = table.groupby("site_id", sort=True)
    for site_id, rows in groups:
        woody = rows["basis"].to_numpy(str) == WOODY
        if woody.mean() >= least_share and woody[-1]:
            good.append(str(site_id))
    return frozenset(good)


def _variances(
    model: WoodyModel,
    features: NDArray[np.float64],
    estimate: NDArray[np.float64],
    area_m2: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Error variance of each site's mean: its own, what its season shares, and of its own the
    part that a place shares.
    """
    share = model.error_share
    scale = model.scale.at(estimate) ** 2
    patches = np.maximum(area_m2 / model.plot_area_m2, 1.0)
    folds = model.fold_lines[:, :1] + model.fold_lines[:, 1:] @ features.T
    k = len(folds)
    jackknife = (k - 1) / k * np.square(folds - folds.mean(axis=0)).sum(axis=0)
    place, season = share.cautious()
    own = scale * (place + share.plot / patches) + jackknife
    return own, scale * season, scale * place


def _freedom(
    model: WoodyModel, own: NDArray[np.float64], shared: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Degrees of freedom of the sum of both variances (Welch-Satterthwaite)."""
    places = max(model.error_share.places - 1, 1)
    seasons = max(model.error_share.seasons - 1, 1)
    return np.square(own + shared) / (np.square(own) / places + np.square(shared) / seasons)
