"""Gains on a common scale: a dot with its interval, zero, and the smallest gain that could be seen.

Sites judged on woody cover and sites judged on greenness have different units, hence a scale each.
An interval that runs off the scale ends in an arrow.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from afterrains.delivery.page.axes import Scale, coordinate, padded
from afterrains.delivery.page.panels import Tick, ticks_of
from afterrains.delivery.page.texts import Texts

__all__ = ["HEIGHT", "WIDTH", "Estimate", "GainBar", "GainScale"]

WIDTH, HEIGHT = 200, 22
_MARGIN = 8


@dataclass(frozen=True)
class Estimate:
    """A gain with its interval; `reach` is the smallest gain that could have been seen."""

    gain: float | None
    low: float | None
    high: float | None
    reach: float | None = None


@dataclass(frozen=True)
class GainBar:
    """A drawn estimate; "" for what is not there."""

    x: str
    low_x: str
    high_x: str
    cut_low: bool
    cut_high: bool
    reach_x: str
    zero_x: str
    matters_x: str


class GainScale:
    """The common scale of all estimates in one unit.

    Parameters
    ----------
    estimates : iterable of Estimate
        Its ends hold zero, every gain, and the bounds from the 5th to the 95th percentile, so that
        one site that nothing is known of does not press the others flat.
    meaningful : float, optional
        The gain that matters; marked on every bar.
    """

    def __init__(self, estimates: Iterable[Estimate], meaningful: float | None = None) -> None:
        self._meaningful = meaningful
        seen = list(estimates)
        gains = [e.gain for e in seen if e.gain is not None]
        bounds = [b for e in seen for b in (e.low, e.high) if b is not None]
        tails = [float(q) for q in np.quantile(bounds, [0.05, 0.95])] if bounds else []
        low, high = padded([0.0, meaningful or 0.0, *gains, *tails], 0.05)
        self._scale = Scale(low, high, _MARGIN, WIDTH - _MARGIN)

    def draw(self, estimate: Estimate) -> GainBar | None:
        """The estimate on the scale; None without a gain."""
        if estimate.gain is None:
            return None
        x, low, high = self._scale, estimate.low, estimate.high
        reach = estimate.reach
        return GainBar(
            x=coordinate(x.inside(estimate.gain)),
            low_x="" if low is None else coordinate(x.inside(low)),
            high_x="" if high is None else coordinate(x.inside(high)),
            cut_low=low is not None and low < x.low,
            cut_high=high is not None and high > x.high,
            reach_x="" if reach is None or reach > x.high else coordinate(x(reach)),
            zero_x=coordinate(x(0)),
            matters_x="" if self._meaningful is None else coordinate(x(self._meaningful)),
        )

    def ticks(self, texts: Texts) -> tuple[Tick, ...]:
        """Labelled places for the head of the column."""
        return ticks_of(self._scale, 5, texts, signed=True)
