"""Area and accuracy from a probability sample of checks, never from counting pixels.

A map's own pixel count is not an estimate of area: its errors do not cancel. The estimators here
take a stratified random sample of checked places and give areas and accuracies with standard
errors. Matrices have the map's classes (or the strata) in rows and the checked classes in columns;
shares are 0-1, areas have the unit of the areas given. Confidence intervals are normal ones.

References
----------
Olofsson, P. et al. (2013). Making better use of accuracy data in land change studies. Remote
Sensing of Environment 129, 122-131. doi:10.1016/j.rse.2012.10.031
Olofsson, P. et al. (2014). Good practices for estimating area and assessing accuracy of land
change. Remote Sensing of Environment 148, 42-57. doi:10.1016/j.rse.2014.02.015
Stehman, S. V. (2014). Estimating area and map accuracy for stratified random sampling when the
strata are different from the map classes. International Journal of Remote Sensing 35, 4923-4939.
doi:10.1080/01431161.2014.930207
Cochran, W. G. (1977). Sampling Techniques, 3rd ed. Wiley.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "AreaEstimate",
    "Share",
    "area_from_matrix",
    "area_from_strata",
    "cochran_sample_size",
    "stratified_sample_size",
]

Numbers = NDArray[np.float64]


@dataclass(frozen=True)
class Share:
    """Estimates with their standard errors, one for each class; NaN where nothing tells."""

    estimate: Numbers
    standard_error: Numbers

    def half_width(self, confidence: float = 0.95) -> Numbers:
        """Half the width of the confidence interval."""
        widths: Numbers = scipy.special.ndtri(0.5 + confidence / 2) * self.standard_error
        return widths

    def times(self, factor: float) -> Share:
        """The same in another unit."""
        return Share(self.estimate * factor, self.standard_error * factor)


@dataclass(frozen=True)
class AreaEstimate:
    """Area of each checked class, accuracy of each map class and of the whole map."""

    classes: tuple[Hashable, ...]
    proportion: Share
    area: Share
    users: Share
    """Share of what the map calls a class that is it."""
    producers: Share
    """Share of what is a class that the map calls it."""
    overall: Share
    """One value."""
    sample_size: int


def area_from_matrix(
    counts: ArrayLike, mapped_area: ArrayLike, classes: Sequence[Hashable] | None = None
) -> AreaEstimate:
    """Areas and accuracies where the strata are the map's classes.

    Parameters
    ----------
    counts : array, shape (class, class)
        Number of checked places by map class (rows) and checked class (columns).
    mapped_area : array, shape (class,)
        Area that the map gives each class, in any unit.
    classes : sequence, optional
        Names of the classes; 0, 1, … if not given.

    Returns
    -------
    AreaEstimate
        Areas in the unit of `mapped_area`. A class never found has no producer's accuracy (NaN).

    Raises
    ------
    ValueError
        If shapes disagree, a number is negative, or a class on the map has fewer than 2 checks: no
        standard error can be had from one.

    References
    ----------
    Olofsson et al. 2014, eq. 1-11.
    """
    n, area = _checked(counts, mapped_area)
    weight = area / area.sum()
    rows = n.sum(axis=1)
    used = area > 0
    safe = np.where(rows > 0, rows, 1.0)
    within = n / safe[:, None]
    p = weight[:, None] * within
    columns = p.sum(axis=0)
    spread = np.where(rows > 1, rows - 1, 1.0)
    variance_of_columns = (
        weight[:, None] ** 2 * within * (1 - within) / spread[:, None] * used[:, None]
    ).sum(axis=0)
    right = np.diag(within)
    user_variance = np.where(rows > 1, right * (1 - right) / spread, np.nan)
    overall_variance = float((weight**2 * np.where(used, right * (1 - right) / spread, 0)).sum())
    producer, producer_variance = _producers(n, area, within, spread)
    total = float(area.sum())
    proportion = Share(columns, np.sqrt(variance_of_columns))
    return AreaEstimate(
        classes=_names(classes, len(area)),
        proportion=proportion,
        area=proportion.times(total),
        users=Share(np.where(rows > 0, right, np.nan), np.sqrt(user_variance)),
        producers=Share(producer, np.sqrt(producer_variance)),
        overall=Share(np.array([np.diag(p).sum()]), np.sqrt([overall_variance])),
        sample_size=int(n.sum()),
    )


def area_from_strata(
    stratum: Sequence[Hashable],
    mapped: Sequence[Hashable],
    found: Sequence[Hashable],
    stratum_area: Mapping[Hashable, float],
    classes: Sequence[Hashable],
) -> AreaEstimate:
    """Areas and accuracies where the sample's strata are not the map's classes.

    The usual case of a programme: strata are sites or kinds of ground, or the map was made anew
    after the sample was drawn.

    Parameters
    ----------
    stratum, mapped, found : sequence
        Of each checked place: its stratum, the class the map gives it, the class found.
    stratum_area : mapping
        Area (or number of pixels) of every stratum, sampled or not.
    classes : sequence
        The classes to report.

    Returns
    -------
    AreaEstimate
        Ratios (user's, producer's) by the combined ratio estimator.

    Raises
    ------
    ValueError
        If lengths differ, a stratum has no area or fewer than 2 checks.

    References
    ----------
    Stehman 2014, eq. 3, 25-28, without the finite population correction.
    """
    if not len(stratum) == len(mapped) == len(found):
        raise ValueError("stratum, mapped and found need one value for each checked place")
    at = {name: np.array([each == name for each in stratum]) for name in stratum_area}
    unknown = sorted({str(each) for each in stratum if each not in stratum_area})
    if unknown:
        raise ValueError(f"no area is given for the strata {', '.join(unknown)}")
    thin = sorted(str(name) for name, inside in at.items() if inside.sum() < 2)
    if thin:
        raise ValueError(
            f"the strata {', '.join(thin)} have fewer than 2 checks; check more, or join strata"
        )
    total = float(sum(stratum_area.values()))
    weights = {name: area / total for name, area in stratum_area.items()}
    seen = [np.array([each == name for each in mapped], dtype=float) for name in classes]
    true = [np.array([each == name for each in found], dtype=float) for name in classes]

    def mean(values: Numbers) -> tuple[float, float]:
        """Stratified mean and its variance."""
        estimate = sum(weights[name] * values[inside].mean() for name, inside in at.items())
        variance = sum(
            weights[name] ** 2 * values[inside].var(ddof=1) / inside.sum()
            for name, inside in at.items()
        )
        return float(estimate), float(variance)

    def ratio(top: Numbers, bottom: Numbers) -> tuple[float, float]:
        """Combined ratio and its variance."""
        below = mean(bottom)[0]
        if below == 0:
            return math.nan, math.nan
        value = mean(top)[0] / below
        return value, mean(top - value * bottom)[1] / below**2

    proportion = _share([mean(each) for each in true])
    hit = [a * b for a, b in zip(seen, true, strict=True)]
    return AreaEstimate(
        classes=tuple(classes),
        proportion=proportion,
        area=proportion.times(total),
        users=_share([ratio(h, s) for h, s in zip(hit, seen, strict=True)]),
        producers=_share([ratio(h, t) for h, t in zip(hit, true, strict=True)]),
        overall=_share(
            [mean(np.array([float(a == b) for a, b in zip(mapped, found, strict=True)]))]
        ),
        sample_size=len(stratum),
    )


def stratified_sample_size(
    weights: ArrayLike, users_accuracy: ArrayLike, standard_error: float
) -> int:
    """How many places to check for a wanted standard error of overall accuracy.

    Parameters
    ----------
    weights : array, shape (class,)
        Share of the map's area; sums to 1.
    users_accuracy : array, shape (class,)
        What is expected, 0-1.
    standard_error : float
        Wanted, 0-1.

    References
    ----------
    Olofsson et al. 2014, eq. 13 (Cochran 1977, eq. 5.25), for large areas.
    """
    w, u = np.asarray(weights, np.float64), np.asarray(users_accuracy, np.float64)
    if w.shape != u.shape or not math.isclose(float(w.sum()), 1.0, abs_tol=1e-6):
        raise ValueError("weights and accuracies need one value for each class, weights sum to 1")
    if standard_error <= 0 or np.any((u < 0) | (u > 1)):
        raise ValueError("accuracies lie between 0 and 1, the standard error above 0")
    return _up(float((w * np.sqrt(u * (1 - u))).sum() / standard_error) ** 2)


def cochran_sample_size(share: float, half_width: float, confidence: float = 0.95) -> int:
    """How many places tell a share to within `half_width` (Cochran 1977, eq. 4.2), rounded up."""
    if not 0 <= share <= 1 or half_width <= 0 or not 0 < confidence < 1:
        raise ValueError("share and confidence lie between 0 and 1, the half width above 0")
    return _up(
        float(scipy.special.ndtri(0.5 + confidence / 2)) ** 2 * share * (1 - share) / half_width**2
    )


def _up(number: float) -> int:
    """Round up, but not for the last digits of a float."""
    return math.ceil(round(number, 9))


def _checked(counts: ArrayLike, mapped_area: ArrayLike) -> tuple[Numbers, Numbers]:
    n, area = np.asarray(counts, np.float64), np.asarray(mapped_area, np.float64)
    if n.ndim != 2 or n.shape != (area.size, area.size) or area.ndim != 1:
        raise ValueError(f"counts have shape {n.shape}, areas {area.shape}; both go by class")
    if np.any(n < 0) or np.any(area < 0) or not area.sum() > 0:
        raise ValueError("counts and areas cannot be negative, and some area must be mapped")
    if np.any((area > 0) & (n.sum(axis=1) < 2)):
        raise ValueError("a class on the map has fewer than 2 checks; check more, or join classes")
    return n, area


def _producers(
    n: Numbers, area: Numbers, within: Numbers, spread: Numbers
) -> tuple[Numbers, Numbers]:
    """Producer's accuracies and their variances (Olofsson et al. 2014, eq. 7)."""
    found_area = (area[:, None] * within).sum(axis=0)
    some = found_area > 0
    divisor = np.where(some, found_area, 1.0)
    right = np.diag(within)
    producer = np.where(some, area * right / divisor, np.nan)
    own = area**2 * (1 - producer) ** 2 * right * (1 - right) / spread
    terms = area[:, None] ** 2 * within * (1 - within) / spread[:, None]
    others = producer**2 * (terms.sum(axis=0) - np.diag(terms))
    return producer, np.where(some, (own + others) / divisor**2, np.nan)


def _share(pairs: Sequence[tuple[float, float]]) -> Share:
    values = np.array(pairs, np.float64)
    return Share(values[:, 0], np.sqrt(values[:, 1]))


def _names(classes: Sequence[Hashable] | None, count: int) -> tuple[Hashable, ...]:
    if classes is None:
        return tuple(range(count))
    if len(classes) != count:
        raise ValueError(f"{len(classes)} names for {count} classes")
    return tuple(classes)
