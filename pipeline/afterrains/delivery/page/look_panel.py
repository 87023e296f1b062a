"""What became of the looks at one site, season by season: a panel of its drawing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from afterrains.delivery.page.axes import Scale, coordinate
from afterrains.delivery.page.panels import Panel, ticks_of
from afterrains.delivery.page.rows import SeasonLooks
from afterrains.delivery.page.texts import Texts

__all__ = ["LOOK_KINDS", "LookPanel", "draw_looks"]

LOOK_KINDS = ("clear", "masked", "unreadable", "not_covered")
"""What became of a look, from the axis up."""
_TOP, _BOTTOM = 400, 436


@dataclass(frozen=True)
class LookPanel:
    """Stacked bars as path data, by kind; a bar's height is the looks of a season."""

    panel: Panel
    bars: tuple[tuple[str, str], ...]


def draw_looks(looks: Sequence[SeasonLooks], x: Scale, texts: Texts) -> LookPanel | None:
    """The panel; None without any look."""
    most = max((sum(each.shares) for each in looks), default=0.0)
    if most <= 0:
        return None
    y = Scale(0, most * 1.05, _BOTTOM, _TOP)
    bars = dict.fromkeys(LOOK_KINDS, "")
    for each in looks:
        left = x.inside(each.season.start.toordinal()) + 0.6
        right = x.inside(each.season.end.toordinal() + 1) - 0.6
        if right <= left:
            continue
        below = 0.0
        for kind, share in zip(LOOK_KINDS, each.shares, strict=True):
            if share > 0:
                bars[kind] += (
                    f"M{coordinate(left)} {coordinate(y(below))}V{coordinate(y(below + share))}"
                    f"H{coordinate(right)}V{coordinate(y(below))}Z"
                )
            below += share
    panel = Panel(texts("chart.looks"), _TOP, _BOTTOM, ticks_of(y, 2, texts))
    return LookPanel(panel, tuple((kind, bars[kind]) for kind in LOOK_KINDS if bars[kind]))
