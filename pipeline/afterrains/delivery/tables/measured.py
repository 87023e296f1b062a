"""Tables of what was measured: sites on clear dates and in seasons."""

from __future__ import annotations

from collections.abc import Sequence

from afterrains.delivery.columns import Column, Table
from afterrains.delivery.tables.shared import (
    SITE_ID,
    count,
    number,
    percent,
    require_names,
    season_id,
)

__all__ = ["LOOKS", "seasons_table", "series_table"]


def _share(name: str, description: str) -> Column:
    """A part of the polygon."""
    return number(name, "fraction", description, decimals=6, minimum=0, maximum=1)


LOOKS = Table(
    "looks",
    "Looks",
    "a site in a pass of a satellite over it; the five shares add up to 1",
    (
        SITE_ID,
        Column("date", "date", "Solar day of the overpass, UTC.", "day", required=True),
        Column("sensor", "string", "The satellite, e.g. `sentinel-2a`.", required=True),
        Column("scene_id", "string", "The scenes of the pass here, joined by `;`.", required=True),
        number("pixels", "pixels", "The whole polygon (after the inner margin); a share times it "
               "is a count.", decimals=2, minimum=0),
        _share("clear", "Seen and used."),
        _share("leftover", "Clear by the mask, but far off the pixel's own season: haze or shadow "
               "that the mask missed; not used."),
        _share("masked", "Covered by a scene, but masked: cloud, shadow, snow, water, saturated, "
               "or near cloud."),
        _share("unreadable", "Covered by a scene that could not be read, or that was left out "
               "because its numbers contradict its metadata."),
        _share("not_covered", "Covered by no scene."),
        Column("unread", "string", "Bands that could not be read, joined by `;`; on ground that "
               "counts as clear such a band is missing."),
    ),
    primary_key=("site_id", "date", "sensor", "scene_id"),
)  # fmt: skip

# McKee et al. (1993) as in WMO-No. 1090 (2012), table of SPI values.
_SPI_CLASSES = (
    "extremely wet",
    "very wet",
    "moderately wet",
    "near normal",
    "moderately dry",
    "severely dry",
    "extremely dry",
)


def series_table(indices: Sequence[str]) -> Table:
    """The table of clear dates for the indices of a run, in the order given.

    `indices` are names such as "ndvi"; each is one column, the coverage-weighted mean over the
    clear part of the polygon.
    """
    require_names(indices)
    return Table(
        "series",
        "Series",
        "a site on a clear date",
        (
            SITE_ID,
            Column("date", "date", "Solar day of the overpass, UTC.", "day", required=True),
            Column("sensor", "string", "The satellite, e.g. `sentinel-2a`.", required=True),
            Column("scene_id", "string", "The scenes read, joined by `;` where tiles merge.",
                   required=True),
            number("clear_fraction", "fraction",
                    "Clear part of the polygon (after the inner margin), by covered area.",
                    decimals=6, minimum=0, maximum=1),
            number("pixels", "pixels", "Sum of clear pixel coverage; whole pixels count 1.",
                    decimals=2, minimum=0),
            *(
                number(name, "index", f"Coverage-weighted mean `{name}` over the clear part.",
                        decimals=6)
                for name in indices
            ),
        ),
        primary_key=("site_id", "date", "sensor", "scene_id"),
    )  # fmt: skip


def seasons_table(indices: Sequence[str]) -> Table:
    """The table of seasons for the indices of a run, in the order given.

    Each index brings `<index>_median`, `<index>_low`, `<index>_high`, and after the woody columns
    `control_<index>_median`.
    """
    require_names(indices)
    families = [
        column
        for name in indices
        for column in (
            number(f"{name}_median", "index", f"Median `{name}` of the clear dates."),
            number(f"{name}_low", "index", f"10th percentile of `{name}` over them."),
            number(f"{name}_high", "index", f"90th percentile of `{name}` over them."),
        )
    ]
    controls = [
        number(f"control_{name}_median", "index",
                f"Weighted mean of the controls' `{name}` medians.")
        for name in indices
    ]  # fmt: skip
    return Table(
        "seasons",
        "Seasons",
        "a site, sown or control, in a season",
        (
            SITE_ID,
            Column("role", "string", "`sown` or `control`.", required=True,
                   enum=("sown", "control")),
            season_id("season", "The season: the year it starts in and its name.", required=True),
            Column("kind", "string", "`rains` or `dry`.", required=True, enum=("rains", "dry")),
            Column("start", "date", "First day.", "day", required=True),
            Column("end", "date", "Last day, inclusive.", "day", required=True),
            number("rain_mm", "mm", "Rain of the season.", decimals=1, minimum=0),
            number("spi", "standard deviations", "Standardised precipitation index.",
                    decimals=2),
            count("clear_dates", "Dates with a clear look."),
            number("clear_fraction", "fraction", "Mean clear part of the polygon on those dates.",
                    minimum=0, maximum=1),
            *families,
            percent("woody_percent", "Ground under woody crowns; empty without a woody model."),
            percent("woody_low", "Lower bound of its 95 % interval, the model's error included."),
            percent("woody_high", "Upper bound of its 95 % interval."),
            *controls,
            percent("control_woody_percent", "The same, weighted mean of the site's controls."),
            number("difference", "as the judged outcome",
                    "The judged outcome: the site minus its weighted controls, this season."),
            number("judged_value", "as the judged outcome",
                    "The value that was judged: the season's mean over dates that all sites share "
                    "as far as they can, so that clouds at one site do not move it."),
            number("control_judged_value", "as the judged outcome",
                    "The same, weighted mean of the site's controls."),
            Column("complete", "boolean", "Whether the season is over, lies wholly within the "
                   "programme's scenes as far as it is judged (of a dry season its last 90 days), "
                   "and is not cut off by the ends of the rain record, where seasons are found "
                   "from rain. Only complete seasons are judged. Days without a rain reading "
                   "inside it do not count here: with too many of them `rain_mm` is empty.",
                   required=True),
            Column("enough_dates", "boolean", "Whether the clear dates that the judged greenness "
                   "rests on (of a dry season those of its last 90 days) reach the fewest that "
                   "judging asks for: 3 in a dry season, 2 in the rains. Below, the season's "
                   "greenness counts as missing.", required=True),
            Column("spi_class", "string", "The class of `spi` in the words of WMO-No. 1090.",
                   enum=_SPI_CLASSES),
            Column("rain_rank", "integer", "Place of `rain_mm` among all complete seasons of the "
                   "same name in the rain record, from the driest (1) up; equal totals share the "
                   "lower place. It moves as the record grows. Empty where the season is not over "
                   "or has no total.",
                   "place", minimum=1),
            count("rain_days", "Days of the season with 1 mm of rain or more."),
            Column("longest_dry_spell_days", "integer", "Longest run of days under 1 mm within "
                   "the season; a day without a reading ends a run.", "days", minimum=0),
            number("green_fraction", "fraction",
                    "Green ground late in a dry season, by unmixing NDVI and NBR2 of the judged "
                    "dates into bare, dead and green; spectra of the three are from memory. An "
                    "index beside the verdicts, which do not rest on it: shade and twigs of crowns "
                    "are not green and grass that stays green is, so it is no woody cover. Empty "
                    "in the rains and without shortwave infrared.", minimum=0, maximum=1),
        ),
        primary_key=("site_id", "season"),
        order=("site_id", "start", "season"),
    )  # fmt: skip
