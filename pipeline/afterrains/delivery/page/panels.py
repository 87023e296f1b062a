"""Frames and labelled axes that the drawings share."""

from __future__ import annotations

from dataclasses import dataclass

from afterrains.delivery.page.axes import Scale, coordinate, decimals_of, nice_ticks
from afterrains.delivery.page.texts import Texts

__all__ = ["Panel", "Tick", "ticks_of"]


@dataclass(frozen=True)
class Tick:
    """A labelled place on an axis; `spare` ones go where the drawing is small."""

    at: str
    label: str
    spare: bool = False


@dataclass(frozen=True)
class Panel:
    """A panel's frame: title, its top and bottom, the ticks of its upright axis."""

    title: str
    top: int
    bottom: int
    ticks: tuple[Tick, ...]


def ticks_of(scale: Scale, most: int, texts: Texts, *, signed: bool = False) -> tuple[Tick, ...]:
    """At most `most` round ticks on a scale, with their labels."""
    values = nice_ticks(scale.low, scale.high, most)
    decimals = decimals_of(values)
    return tuple(
        Tick(coordinate(scale(value)), texts.number(value, decimals, signed=signed))
        for value in values
    )
