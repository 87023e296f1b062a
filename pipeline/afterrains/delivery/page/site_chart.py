"""One site through the seasons: sown against control, the gain, the rain; geometry only.

Three panels share one time axis. The templates draw what stands here; widths and heights are in the
drawing's own units, so that the page can scale it. The figures themselves stand in a table beside
the drawing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from afterrains.delivery.page.axes import Scale, band_path, coordinate, line_path, padded
from afterrains.delivery.page.gain_panel import Marks, draw_gain
from afterrains.delivery.page.panels import Panel, Tick, ticks_of
from afterrains.delivery.page.rows import Judged, SiteSeason, Sowing
from afterrains.delivery.page.seasons import Season
from afterrains.delivery.page.texts import Texts

__all__ = ["HEIGHT", "WIDTH", "SiteChart", "draw_site"]

WIDTH, HEIGHT = 480, 374
_LEFT, _RIGHT = 40, 426
_OUTCOME = (26, 148)
_RAIN = (298, 348)
_MOST_YEARS = 10
_ROOM_DAYS = 20  # so that no bar touches the axis
_DRY_SPI = -1.0  # at or below: "moderately dry" or drier (WMO-No. 1090)


@dataclass(frozen=True)
class SiteChart:
    """Everything the template draws for one site."""

    outcome: Panel | None
    sown_line: str
    sown_band: str
    sown_dots: str
    control_line: str
    control_dots: str
    sown_label_y: str
    control_label_y: str
    gain: Panel | None
    zero_y: str
    matters_y: str
    whiskers: str
    reach: str
    marks: tuple[Marks, ...]
    rain: Panel | None
    rain_bars: str
    dry_bars: str
    years: tuple[Tick, ...]
    sowings: tuple[str, ...]
    drops: tuple[str, ...]


def draw_site(
    rows: Sequence[SiteSeason],
    history: Sequence[Judged],
    sown_on: Sequence[date],
    sowings: Sequence[Sowing],
    unit: str,
    meaningful: float | None,
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
    outcome, lines = _outcome(dry, unit, x, texts)
    panel_of_gain = draw_gain(history, by_id, unit, meaningful, x, texts)
    rain, wet_bars, dry_bars = _rain(rows, x, texts)
    return SiteChart(
        outcome=outcome,
        sown_line=lines["sown"],
        sown_band=lines["band"],
        sown_dots=lines["sown_dots"],
        control_line=lines["control"],
        control_dots=lines["control_dots"],
        sown_label_y=lines["sown_label"],
        control_label_y=lines["control_label"],
        gain=panel_of_gain.panel,
        zero_y=panel_of_gain.zero_y,
        matters_y=panel_of_gain.matters_y,
        whiskers=panel_of_gain.whiskers,
        reach=panel_of_gain.reach,
        marks=panel_of_gain.marks,
        rain=rain,
        rain_bars=wet_bars,
        dry_bars=dry_bars,
        years=_years(x),
        sowings=tuple(coordinate(x(day.toordinal())) for day in sown_on),
        drops=tuple(coordinate(x(day.toordinal())) for day in first_rains if day is not None),
    )


def _time_scale(seasons: Sequence[Season], sown_on: Sequence[date]) -> Scale:
    first = min([seasons[0].start, *sown_on])
    last = max([seasons[-1].end, *sown_on])
    return Scale(first.toordinal() - _ROOM_DAYS, last.toordinal() + _ROOM_DAYS, _LEFT, _RIGHT)


def _outcome(
    dry: Sequence[SiteSeason], unit: str, x: Scale, texts: Texts
) -> tuple[Panel | None, dict[str, str]]:
    """The panel of sown against control, and its path data by name."""
    readings = [(x(row.season.middle.toordinal()), row.reading(unit)) for row in dry]
    seen = [
        value
        for _, reading in readings
        for value in (reading.value, reading.low, reading.high, reading.control)
        if value is not None
    ]
    names = ("sown", "band", "sown_dots", "control", "control_dots", "sown_label", "control_label")
    lines = dict.fromkeys(names, "")
    if not seen:
        return None, lines
    top, bottom = _OUTCOME
    y = Scale(*padded(seen), bottom, top)
    sown = [None if r.value is None else (at, y(r.value)) for at, r in readings]
    control = [None if r.control is None else (at, y(r.control)) for at, r in readings]
    band = [
        None if r.low is None or r.high is None else (at, y(r.low), y(r.high)) for at, r in readings
    ]
    lines |= {"sown": line_path(sown), "control": line_path(control), "band": band_path(band, 3)}
    lines |= {"sown_dots": _dots(sown), "control_dots": _dots(control)}
    lines |= _labels(sown, control)
    title = texts(f"chart.outcome.{unit}")
    return Panel(title, top, bottom, ticks_of(y, 4, texts)), lines


def _dots(points: Sequence[tuple[float, float] | None]) -> str:
    """Path data of one zero-length stroke for each point: round caps draw it as a dot."""
    seen = [point for point in points if point is not None]
    return "".join(f"M{coordinate(px)} {coordinate(py)}h0" for px, py in seen)


def _labels(
    sown: Sequence[tuple[float, float] | None], control: Sequence[tuple[float, float] | None]
) -> dict[str, str]:
    """Where the lines' names stand at the right: beside their last points, never on each other."""
    last_sown = next((point[1] for point in reversed(sown) if point), None)
    last_control = next((point[1] for point in reversed(control) if point), None)
    if last_sown is not None and last_control is not None and abs(last_sown - last_control) < 14:
        middle, sign = (last_sown + last_control) / 2, 1 if last_sown <= last_control else -1
        last_sown, last_control = middle - 7 * sign, middle + 7 * sign
    return {
        "sown_label": "" if last_sown is None else coordinate(last_sown + 3),
        "control_label": "" if last_control is None else coordinate(last_control + 3),
    }


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
