"""The gain of one site as it was judged season by season: a panel of its drawing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from afterrains.delivery.page.axes import Scale, coordinate, line_path, padded
from afterrains.delivery.page.next_step import VERDICTS, Verdict
from afterrains.delivery.page.panels import Panel, ticks_of
from afterrains.delivery.page.rows import Judged
from afterrains.delivery.page.seasons import Season
from afterrains.delivery.page.texts import Texts

__all__ = ["GainPanel", "Marks", "draw_gain"]

_TOP, _BOTTOM = 186, 262
# The verdicts' shapes around a place, as in defs.svg.j2 but smaller and as one stroke of the pen.
_SHAPES: dict[Verdict, str] = {
    "gain": "m0-4l4 7.2h-8z",
    "loss": "m0 4l4-7.2h-8z",
    "no-gain": "m-3.1-3.1h6.2v6.2h-6.2z",
    "grass-only": "m0 3.8v-7.6m0 7.6q-.8-4-3.8-5.7m3.8 5.7q.8-4 3.8-5.7",
    "too-early": "m-3.1 0a3.1 3.1 0 0 0 6.2 0a3.1 3.1 0 0 0-6.2 0",
    "not-assessable": "m-2.8-2.8l5.6 5.6m0-5.6l-5.6 5.6",
}


@dataclass(frozen=True)
class Marks:
    """The judgements with one verdict, as path data in that verdict's shape."""

    verdict: Verdict
    path: str


@dataclass(frozen=True)
class GainPanel:
    """The gain panel's parts; "" for what is not there."""

    panel: Panel | None = None
    marks: tuple[Marks, ...] = ()
    zero_y: str = ""
    matters_y: str = ""
    whiskers: str = ""
    reach: str = ""


def draw_gain(
    history: Sequence[Judged],
    by_id: Mapping[str, Season],
    unit: str,
    meaningful: float | None,
    x: Scale,
    texts: Texts,
) -> GainPanel:
    """The panel of the gain as judged at each season."""
    known = [
        (x(by_id[judged.as_of].middle.toordinal()), judged)
        for judged in history
        if judged.as_of in by_id and judged.gain_unit == unit and judged.gain is not None
    ]
    if not known:
        return GainPanel()
    y = Scale(*_gain_ends([judged for _, judged in known], meaningful or 0.0), _BOTTOM, _TOP)
    whiskers = "".join(
        f"M{coordinate(at)} {coordinate(y.inside(judged.gain_low))}"
        f"V{coordinate(y.inside(judged.gain_high))}"
        for at, judged in known
        if judged.gain_low is not None and judged.gain_high is not None
    )
    reach = line_path(
        [
            (at, y(judged.detectable_gain))
            if judged.detectable_gain is not None and judged.detectable_gain <= y.high
            else None
            for at, judged in known
        ]
    )
    return GainPanel(
        panel=Panel(texts(f"chart.gain.{unit}"), _TOP, _BOTTOM, ticks_of(y, 5, texts, signed=True)),
        marks=tuple(
            Marks(
                verdict,
                "".join(
                    f"M{coordinate(at)} {coordinate(y.inside(judged.gain))}{_SHAPES[verdict]}"
                    for at, judged in known
                    if judged.verdict == verdict and judged.gain is not None
                ),
            )
            for verdict in VERDICTS
            if any(judged.verdict == verdict for _, judged in known)
        ),
        zero_y=coordinate(y(0)),
        matters_y="" if meaningful is None else coordinate(y(meaningful)),
        whiskers=whiskers,
        reach=reach,
    )


def _gain_ends(known: Sequence[Judged], meaningful: float) -> tuple[float, float]:
    """Ends of the gain axis: every gain, the newest interval, zero, and some of the older ones.

    The first seasons' intervals are many times as wide as the newest; drawn whole they would press
    everything else flat, so they run out of the panel (and stand in the table).
    """
    gains = [judged.gain for judged in known if judged.gain is not None]
    newest = known[-1]
    bounds = [bound for bound in (newest.gain_low, newest.gain_high) if bound is not None]
    low, high = padded([0.0, meaningful, *gains, *bounds, newest.detectable_gain or 0.0], 0.0)
    all_bounds = [b for j in known for b in (j.gain_low, j.gain_high) if b is not None]
    room = 0.35 * (high - low)
    wide_low, wide_high = min([low, *all_bounds]), max([high, *all_bounds])
    return padded([max(wide_low, low - room), min(wide_high, high + room)], 0.04)
