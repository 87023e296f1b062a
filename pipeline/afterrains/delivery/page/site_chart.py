"""One site through the seasons: sown against control, the gain, the rain; geometry only.

Three panels share one time axis. The templates draw what stands here; widths and heights are in the
drawing's own units, so that the page can scale it. The figures themselves stand in a table beside
the drawing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from afterrains.delivery.page.axes import Scale, coordinate
from afterrains.delivery.page.gain_panel import GainPanel, draw_gain
from afterrains.delivery.page.look_panel import LookPanel, draw_looks
from afterrains.delivery.page.outcome_panel import OutcomePanel, draw_outcome
from afterrains.delivery.page.panels import Panel, Tick, ticks_of
from afterrains.delivery.page.rows import Judged, SeasonLooks, SiteSeason, Sowing
from afterrains.delivery.page.seasons import Season
from afterrains.delivery.page.texts import Texts

__all__ = ["HEIGHT", "WIDTH", "SiteChart", "draw_site"]

WIDTH, HEIGHT = 480, 374
_LEFT, _RIGHT = 40, 426
_RAIN = (298, 348)
_LOOKS_HEIGHT = 66
_MOST_YEARS = 10
_ROOM_DAYS = 20  # so that no bar touches the axis
_DRY_SPI = -1.0  # at or below: "moderately dry" or drier (WMO-No. 1090)


@dataclass(frozen=True)
class SiteChart:
    """Everything the template draws for one site."""

    outcome: OutcomePanel
    gain: GainPanel
    rain: Panel | None
    rain_bars: str
    dry_bars: str
    years: tuple[Tick, ...]
    sowings: tuple[str, ...]
    drops: tuple[str, ...]
    gaps: tuple[str, ...]
    """Rainy seasons whose rain is not known."""
    looks: LookPanel | None

    @property
    def height(self) -> int:
        """Of the whole drawing."""
        return HEIGHT + (_LOOKS_HEIGHT if self.looks else 0)


def draw_site(
    rows: Sequence[SiteSeason],
    history: Sequence[Judged],
    sown_on: Sequence[date],
    sowings: Sequence[Sowing],
    unit: str,
    meaningful: float | None,
    judged_season: Season | None,
    looks: Sequence[SeasonLooks],
    texts: Texts,
) -> SiteChart | None:
    """Lay out the drawing of one site.

    Parameters
    ----------
    rows : sequence of SiteSeason
        The site's seasons, oldest first.
    history : sequence of Judged
        Its judgements, oldest first.
    sown_on : sequence of date
        Days of sowing.
    sowings : sequence of Sowing
        Rain after each sowing, where known.
    unit : str
        "points" or "ndvi".
    meaningful : float or None
        The gain that matters, in that unit, where the specification names it.
    judged_season : Season or None
        The newest season that the site is judged at.
    looks : sequence of SeasonLooks
        What became of the looks at it, where known.
    texts : Texts
        For the words in the drawing.

    Returns
    -------
    SiteChart or None
        None where the site has no season at all.
    """
    if not rows:
        return None
    x = _time_scale([row.season for row in rows], sown_on)
    dry = [row for row in rows if row.season.kind == "dry"]
    by_id = {row.season.season: row.season for row in rows}
    first_rains = [sowing.first_effective_rain_on for sowing in sowings]
    rain, wet_bars, dry_bars = _rain(rows, x, texts)
    return SiteChart(
        outcome=draw_outcome(dry, unit, judged_season, x, texts),
        gain=draw_gain(history, by_id, unit, meaningful, x, texts),
        rain=rain,
        rain_bars=wet_bars,
        dry_bars=dry_bars,
        years=_years(x),
        sowings=tuple(coordinate(x(day.toordinal())) for day in sown_on),
        gaps=tuple(
            coordinate(x(row.season.middle.toordinal()))
            for row in rows
            if row.season.kind == "rains" and row.rain_mm is None
        ),
        looks=draw_looks(looks, x, texts),
        drops=tuple(coordinate(x(day.toordinal())) for day in first_rains if day is not None),
    )


def _time_scale(seasons: Sequence[Season], sown_on: Sequence[date]) -> Scale:
    first = min([seasons[0].start, *sown_on])
    last = max([seasons[-1].end, *sown_on])
    return Scale(first.toordinal() - _ROOM_DAYS, last.toordinal() + _ROOM_DAYS, _LEFT, _RIGHT)


def _rain(rows: Sequence[SiteSeason], x: Scale, texts: Texts) -> tuple[Panel | None, str, str]:
    """The rain panel, and its bars as path data: the usual ones and the dry ones."""
    rains = [(row, row.rain_mm) for row in rows if row.season.kind == "rains"]
    fallen = [(row, rain) for row, rain in rains if rain is not None]
    if not fallen:
        return None, "", ""
    top, bottom = _RAIN
    y = Scale(0, max([*(rain for _, rain in fallen), 1.0]) * 1.05, bottom, top)
    bars = {True: "", False: ""}
    for row, rain in fallen:
        left, right = x(row.season.start.toordinal()), x(row.season.end.toordinal() + 1)
        dry = row.spi is not None and row.spi <= _DRY_SPI
        bars[dry] += (
            f"M{coordinate(left)} {bottom}V{coordinate(y(rain))}"
            f"H{coordinate(max(right, left + 1))}V{bottom}Z"
        )
    panel = Panel(texts("chart.rain"), top, bottom, ticks_of(y, 3, texts))
    return panel, bars[False], bars[True]


def _years(x: Scale) -> tuple[Tick, ...]:
    first, last = date.fromordinal(int(x.low)), date.fromordinal(int(x.high))
    years = [year for year in range(first.year, last.year + 1) if date(year, 1, 1) >= first]
    years = [year for year in years if date(year, 1, 1) <= last]
    step = -(-len(years) // _MOST_YEARS) or 1
    return tuple(
        Tick(coordinate(x(date(year, 1, 1).toordinal())), str(year), spare=at % 2 == 1)
        for at, year in enumerate(years[::step])
    )
