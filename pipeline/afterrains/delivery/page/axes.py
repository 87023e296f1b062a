"""Scales, ticks and path strings of small charts. Plain numbers in, SVG coordinates out."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

__all__ = ["Scale", "band_path", "coordinate", "decimals_of", "line_path", "nice_ticks", "padded"]

Point = tuple[float, float]


def coordinate(value: float) -> str:
    """A coordinate with one decimal at most and no trailing zeros."""
    text = f"{value:.1f}"
    text = text.removesuffix(".0")
    return "0" if text == "-0" else text


@dataclass(frozen=True)
class Scale:
    """A straight map of [low, high] onto [start, stop]; `start` may lie after `stop`."""

    low: float
    high: float
    start: float
    stop: float

    def __post_init__(self) -> None:
        if not self.low < self.high:
            raise ValueError(f"a scale needs low < high, and has {self.low}, {self.high}")

    def __call__(self, value: float) -> float:
        """The place of `value`; beyond the ends where it is."""
        share = (value - self.low) / (self.high - self.low)
        return self.start + share * (self.stop - self.start)

    def inside(self, value: float) -> float:
        """The place of `value`, moved to the nearer end where it lies beyond."""
        return self(min(max(value, self.low), self.high))


def padded(values: Iterable[float], share: float = 0.06, *, least: float = 1e-3) -> Point:
    """Ends of a scale around `values`: their range and `share` of it on either side.

    A range below `least` is widened to it. Raises ValueError without values.
    """
    seen = list(values)
    if not seen:
        raise ValueError("no values to make a scale of")
    low, high = min(seen), max(seen)
    if high - low < least:
        middle = (low + high) / 2
        low, high = middle - least / 2, middle + least / 2
    room = (high - low) * share
    return low - room, high + room


def nice_ticks(low: float, high: float, most: int) -> list[float]:
    """Round tick values within [low, high], at most `most`, in steps of 1, 2 or 5 times ten to n.

    References
    ----------
    Heckbert, P. S. (1990). Nice numbers for graph labels. Graphics Gems, 61-63,
    doi:10.1016/B978-0-08-050753-8.50024-X (the steps; the ends here stay inside the range).
    """
    if not low < high or most < 1:
        raise ValueError(f"no ticks between {low} and {high}, at most {most}")
    power = math.floor(math.log10((high - low) / most))
    for exponent in range(power, power + 3):
        for mantissa in (1, 2, 5):
            step = mantissa * 10.0**exponent
            first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
            if last - first + 1 <= most:
                return [round(at * step, max(0, -exponent)) for at in range(first, last + 1)]
    raise AssertionError("a step of a hundred times the wish always fits")


def decimals_of(ticks: Sequence[float]) -> int:
    """Fewest decimals that write every tick exactly (up to 4)."""
    return next(
        (n for n in range(4) if all(abs(round(tick, n) - tick) < 1e-9 for tick in ticks)), 4
    )


def _runs(points: Sequence[Point | None]) -> list[list[Point]]:
    """The unbroken stretches of a series with gaps."""
    runs: list[list[Point]] = [[]]
    for point in points:
        if point is None:
            runs.append([])
        else:
            runs[-1].append(point)
    return [run for run in runs if run]


def line_path(points: Sequence[Point | None]) -> str:
    """Path data through the points; a gap (None) lifts the pen, a lone point draws nothing."""
    parts = []
    for run in _runs(points):
        if len(run) > 1:
            joined = "L".join(f"{coordinate(x)} {coordinate(y)}" for x, y in run)
            parts.append(f"M{joined}")
    return "".join(parts)


def band_path(edges: Sequence[tuple[float, float, float] | None], half_width: float) -> str:
    """Closed path data of a band given as (x, y of one edge, y of the other), with gaps.

    A lone stretch of one place becomes a bar of `half_width` to either side.
    """
    parts = []
    above = [None if edge is None else (edge[0], edge[1]) for edge in edges]
    below = [None if edge is None else (edge[0], edge[2]) for edge in edges]
    for first, second in zip(_runs(above), _runs(below), strict=True):
        if len(first) == 1:
            (x, y0), (_, y1) = first[0], second[0]
            first = [(x - half_width, y0), (x + half_width, y0)]
            second = [(x - half_width, y1), (x + half_width, y1)]
        ring = "L".join(f"{coordinate(x)} {coordinate(y)}" for x, y in [*first, *second[::-1]])
        parts.append(f"M{ring}Z")
    return "".join(parts)
