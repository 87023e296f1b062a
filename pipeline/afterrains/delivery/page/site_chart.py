"""One site through the seasons: sown against control, the gain, the rain; geometry only.

Three panels share one time axis. The templates draw what stands here; widths and heights are in the
drawing's own units, so that the page can scale it. The figures themselves stand in a table beside
the drawing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from afterrains.delivery.page.axes import (
    Scale,
    band_path,
    coordinate,
    decimals_of,
    line_path,
    nice_ticks,
    padded,
)
from afterrains.delivery.page.folder import Judged, SiteSeason, Sowing
from afterrains.delivery.page.next_step import Verdict
from afterrains.delivery.page.seasons import Season, SeasonNames
from afterrains.delivery.page.texts import Texts

__all__ = ["HEIGHT", "WIDTH", "Mark", "Panel", "SiteChart", "Tick", "draw_site"]

WIDTH, HEIGHT = 480, 356
_LEFT, _RIGHT = 40, 426
_OUTCOME = (24, 148)
_GAIN = (176, 252)
_RAIN = (280, 330)
_MOST_YEARS = 10
_DRY_SPI = -1.0  # at or below: "moderately dry" or drier (WMO-No. 1090)


@dataclass(frozen=True)
class Tick:
    """A labelled place on an axis; `spare` ones go where the drawing is small."""

    at: str
    label: str
    spare: bool = False


@dataclass(frozen=True)
class Mark:
    """A judgement in the gain panel: its place and the verdict of that season."""

    x: str
    y: str
    verdict: Verdict


@dataclass(frozen=True)
class Panel:
    """A panel's frame: title, its top and bottom, the ticks of its upright axis."""

    title: str
    top: int
    bottom: int
    ticks: tuple[Tick, ...]


@dataclass(frozen=True)
class Bar:
    """A rainy season's rain; `dry` for an SPI of -1 or less."""

    x: str
    y: str
    width: str
    height: str
    dry: bool


@dataclass(frozen=True)
class Hover:
    """A stretch of time with what it holds in words."""

    x: str
    width: str
    words: str


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
    whiskers: str
    reach: str
    marks: tuple[Mark, ...]
    rain: Panel | None
    bars: tuple[Bar, ...]
    years: tuple[Tick, ...]
    sowings: tuple[str, ...]
    drops: tuple[str, ...]
    hovers: tuple[Hover, ...]


def draw_site(
    rows: Sequence[SiteSeason],
    history: Sequence[Judged],
    sown_on: Sequence[date],
    sowings: Sequence[Sowing],
    unit: str,
    names: SeasonNames,
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
    names, texts
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
    gain, marks, zero, whiskers, reach = _gain(history, by_id, unit, x, texts)
    rain, bars = _rain(rows, x, texts)
    return SiteChart(
        outcome=outcome,
        sown_line=lines["sown"],
        sown_band=lines["band"],
        sown_dots=lines["sown_dots"],
        control_line=lines["control"],
        control_dots=lines["control_dots"],
        sown_label_y=lines["sown_label"],
        control_label_y=lines["control_label"],
        gain=gain,
        zero_y=zero,
        whiskers=whiskers,
        reach=reach,
        marks=marks,
        rain=rain,
        bars=bars,
        years=_years(x),
        sowings=tuple(coordinate(x(day.toordinal())) for day in sown_on),
        drops=tuple(coordinate(x(day.toordinal())) for day in first_rains if day is not None),
        hovers=_hovers(rows, unit, x, names, texts),
    )


def _time_scale(seasons: Sequence[Season], sown_on: Sequence[date]) -> Scale:
    first = min([seasons[0].start, *sown_on])
    last = max([seasons[-1].end, *sown_on])
    return Scale(first.toordinal(), last.toordinal() + 1, _LEFT, _RIGHT)


def _ticks(scale: Scale, most: int, texts: Texts, *, signed: bool = False) -> tuple[Tick, ...]:
    values = nice_ticks(scale.low, scale.high, most)
    decimals = decimals_of(values)
    return tuple(
        Tick(coordinate(scale(value)), texts.number(value, decimals, signed=signed))
        for value in values
    )


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
    return Panel(title, top, bottom, _ticks(y, 4, texts)), lines


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


def _gain(
    history: Sequence[Judged], by_id: dict[str, Season], unit: str, x: Scale, texts: Texts
) -> tuple[Panel | None, tuple[Mark, ...], str, str, str]:
    """The panel of the gain as judged at each season: marks, zero, whiskers, reach."""
    known = [
        (x(by_id[judged.as_of].middle.toordinal()), judged)
        for judged in history
        if judged.as_of in by_id and judged.gain_unit == unit and judged.gain is not None
    ]
    if not known:
        return None, (), "", "", ""
    top, bottom = _GAIN
    y = Scale(*_gain_ends([judged for _, judged in known]), bottom, top)
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
    marks = tuple(
        Mark(coordinate(at), coordinate(y.inside(judged.gain)), judged.verdict)
        for at, judged in known
        if judged.gain is not None
    )
    panel = Panel(texts(f"chart.gain.{unit}"), top, bottom, _ticks(y, 4, texts, signed=True))
    return panel, marks, coordinate(y(0)), whiskers, reach


def _gain_ends(known: Sequence[Judged]) -> tuple[float, float]:
    """Ends of the gain axis: every gain, the newest interval, zero, and some of the older ones.

    The first seasons' intervals are many times as wide as the newest; drawn whole they would press
    everything else flat, so they run out of the panel (and stand in the table).
    """
    gains = [judged.gain for judged in known if judged.gain is not None]
    newest = known[-1]
    bounds = [bound for bound in (newest.gain_low, newest.gain_high) if bound is not None]
    low, high = padded([0.0, *gains, *bounds, newest.detectable_gain or 0.0], 0.0)
    all_bounds = [b for j in known for b in (j.gain_low, j.gain_high) if b is not None]
    room = 0.35 * (high - low)
    wide_low, wide_high = min([low, *all_bounds]), max([high, *all_bounds])
    return padded([max(wide_low, low - room), min(wide_high, high + room)], 0.04)


def _rain(
    rows: Sequence[SiteSeason], x: Scale, texts: Texts
) -> tuple[Panel | None, tuple[Bar, ...]]:
    rains = [(row, row.rain_mm) for row in rows if row.season.kind == "rains"]
    fallen = [(row, rain) for row, rain in rains if rain is not None]
    if not fallen:
        return None, ()
    top, bottom = _RAIN
    y = Scale(0, max([*(rain for _, rain in fallen), 1.0]) * 1.05, bottom, top)
    bars = []
    for row, rain in fallen:
        left, right = x(row.season.start.toordinal()), x(row.season.end.toordinal() + 1)
        bars.append(
            Bar(
                coordinate(left),
                coordinate(y(rain)),
                coordinate(max(right - left, 1.0)),
                coordinate(bottom - y(rain)),
                row.spi is not None and row.spi <= _DRY_SPI,
            )
        )
    return Panel(texts("chart.rain"), top, bottom, _ticks(y, 3, texts)), tuple(bars)


def _years(x: Scale) -> tuple[Tick, ...]:
    first, last = date.fromordinal(int(x.low)), date.fromordinal(int(x.high))
    years = [year for year in range(first.year, last.year + 1) if date(year, 1, 1) >= first]
    years = [year for year in years if date(year, 1, 1) <= last]
    step = -(-len(years) // _MOST_YEARS) or 1
    return tuple(
        Tick(coordinate(x(date(year, 1, 1).toordinal())), str(year), spare=at % 2 == 1)
        for at, year in enumerate(years[::step])
    )


def _hovers(
    rows: Sequence[SiteSeason], unit: str, x: Scale, names: SeasonNames, texts: Texts
) -> tuple[Hover, ...]:
    """A pointer resting on a season reads its figures."""
    out = []
    decimals = 1 if unit == "points" else 3

    def figure(value: float | None) -> str:
        return texts("no_value") if value is None else texts.number(value, decimals)

    for row in rows:
        left, right = x(row.season.start.toordinal()), x(row.season.end.toordinal() + 1)
        label = names.label(row.season.season)
        if row.season.kind == "dry":
            reading = row.reading(unit)
            words = texts(
                "chart.hover.dry",
                season=label,
                sown=figure(reading.value),
                control=figure(reading.control),
            )
        elif row.rain_mm is not None:
            words = texts("chart.hover.rains", season=label, rain=texts.number(row.rain_mm))
        else:
            continue
        out.append(Hover(coordinate(left), coordinate(right - left), words))
    return tuple(out)
