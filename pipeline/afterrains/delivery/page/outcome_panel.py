"""Sown ground against its controls, dry season by dry season: a panel of a site's drawing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from afterrains.delivery.page.axes import Scale, band_path, coordinate, line_path, padded
from afterrains.delivery.page.panels import Panel, ticks_of
from afterrains.delivery.page.rows import SiteSeason
from afterrains.delivery.page.seasons import Season
from afterrains.delivery.page.texts import Texts

__all__ = ["OutcomePanel", "draw_outcome"]

_TOP, _BOTTOM = 26, 148
_LABEL_HEIGHT = 14.0
_RING = "a2.4 2.4 0 0 0 4.8 0a2.4 2.4 0 0 0-4.8 0"
_SQUARE = "v2.4h4.8v-4.8h-4.8z"

Points = Sequence[tuple[float, float] | None]


@dataclass(frozen=True)
class OutcomePanel:
    """The panel's parts as path data and places; "" for what is not there.

    `open_sown` and `open_control` mark seasons after the newest judged one: the newest season may
    still be running, and a line through it would tell of a jump that is none.
    """

    panel: Panel | None = None
    band: str = ""
    sown_line: str = ""
    sown_dots: str = ""
    control_line: str = ""
    control_dots: str = ""
    open_sown: str = ""
    open_control: str = ""
    sown_label_y: str = ""
    control_label_y: str = ""


def draw_outcome(
    dry: Sequence[SiteSeason], unit: str, judged_season: Season | None, x: Scale, texts: Texts
) -> OutcomePanel:
    """Lay out the dry seasons, oldest first; those after `judged_season` are marked as open."""
    judged = [
        row for row in dry if judged_season is None or row.season.start <= judged_season.start
    ]
    later = dry[len(judged) :]
    seen = [
        value
        for row in dry
        for value in (row.reading(unit).value, row.reading(unit).control)
        if value is not None
    ]
    if not seen:
        return OutcomePanel()
    spread = [
        value
        for row in judged
        for value in (row.reading(unit).low, row.reading(unit).high)
        if value is not None
    ]
    y = Scale(*padded([*seen, *spread]), _BOTTOM, _TOP)
    sown, control = _places(judged, unit, x, y)
    open_sown, open_control = _places(later, unit, x, y)
    band = [
        None
        if reading.low is None or reading.high is None
        else (x(row.season.middle.toordinal()), y(reading.low), y(reading.high))
        for row in judged
        for reading in (row.reading(unit),)
    ]
    sown_label_y, control_label_y = _label_heights(sown, control)
    return OutcomePanel(
        panel=Panel(texts(f"chart.outcome.{unit}"), _TOP, _BOTTOM, ticks_of(y, 4, texts)),
        band=band_path(band, 3),
        sown_line=line_path(sown),
        sown_dots=_dots(sown),
        control_line=line_path(control),
        control_dots=_dots(control),
        open_sown=_marks(open_sown, _RING),
        open_control=_marks(open_control, _SQUARE),
        sown_label_y=sown_label_y,
        control_label_y=control_label_y,
    )


def _places(rows: Sequence[SiteSeason], unit: str, x: Scale, y: Scale) -> tuple[Points, Points]:
    """Places of the sown and the control value in the middle of each season."""
    middles = [x(row.season.middle.toordinal()) for row in rows]
    values = [(row.reading(unit).value, row.reading(unit).control) for row in rows]
    sown = [None if v is None else (at, y(v)) for at, (v, _) in zip(middles, values, strict=True)]
    control = [
        None if v is None else (at, y(v)) for at, (_, v) in zip(middles, values, strict=True)
    ]
    return sown, control


def _dots(points: Points) -> str:
    """Path data of one zero-length stroke for each point: round caps draw it as a dot."""
    return "".join(f"M{coordinate(p[0])} {coordinate(p[1])}h0" for p in points if p)


def _marks(points: Points, shape: str) -> str:
    """Path data of a small closed shape, drawn from its left middle, at each point."""
    return "".join(f"M{coordinate(p[0] - 2.4)} {coordinate(p[1])}{shape}" for p in points if p)


def _label_heights(sown: Points, control: Points) -> tuple[str, str]:
    """Heights of the lines' names: beside their last points, never on each other."""
    last_sown = next((point[1] for point in reversed(sown) if point), None)
    last_control = next((point[1] for point in reversed(control) if point), None)
    if last_sown is not None and last_control is not None:
        apart = last_sown - last_control
        if abs(apart) < _LABEL_HEIGHT:
            middle, half = (last_sown + last_control) / 2, _LABEL_HEIGHT / 2
            sign = 1 if apart > 0 else -1
            last_sown, last_control = middle + half * sign, middle - half * sign
    return (
        "" if last_sown is None else coordinate(last_sown + 3),
        "" if last_control is None else coordinate(last_control + 3),
    )
