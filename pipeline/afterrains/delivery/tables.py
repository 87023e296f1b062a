"""What every table of the results holds: the one definition behind files, dictionary and package.

`table_files` writes and reads by these definitions, `dictionary` renders them for people,
`datapackage` for machines. A name, its order or its meaning is changed here and nowhere else.
"""

from __future__ import annotations

from collections.abc import Sequence

from afterrains.delivery.columns import Column, ForeignKey, Table

__all__ = [
    "ANY_INDEX",
    "CONTROLS",
    "SOWING_RAIN",
    "VERDICTS",
    "VERDICT_HISTORY",
    "VISITS",
    "WHAT_WORKS",
    "all_tables",
    "seasons_table",
    "series_table",
]

ANY_INDEX = "<index>"
"""Stands for the name of any index where no run is meant, as in the data dictionary."""

_SEASON = r"[0-9]{4}-[a-z0-9]+(-[a-z0-9]+)*"
_SITE_ID = Column("site_id", "string", "The site, as the sites file names it.", required=True)
_NAME = Column("name", "string", "The site's name, where the sites file gives one.")
_STRATUM = Column("stratum", "string", "The site's stratum, where the sites file gives one.")
_SITE_OF_VERDICTS = (ForeignKey(("site_id",), "verdicts", ("site_id",)),)


def _number(
    name: str,
    unit: str,
    description: str,
    *,
    decimals: int = 4,
    minimum: float | None = None,
    maximum: float | None = None,
) -> Column:
    """A number that may be missing."""
    return Column(
        name,
        "number",
        description,
        unit,
        minimum=minimum,
        maximum=maximum,
        decimals=decimals,
    )


def _probability(name: str, description: str) -> Column:
    """A p-value or a value made of p-values."""
    return _number(name, "probability", description, decimals=6, minimum=0, maximum=1)


def _percent(name: str, description: str) -> Column:
    """A share of ground in percent."""
    return _number(name, "%", description, decimals=2, minimum=0, maximum=100)


def _count(name: str, description: str, *, required: bool = False) -> Column:
    """A whole number from zero up."""
    return Column(name, "integer", description, "count", required=required, minimum=0)


def _season(name: str, description: str, *, required: bool = False) -> Column:
    """A season id: the year it starts in and its name."""
    return Column(name, "string", description, required=required, pattern=_SEASON)


_COST = _number("cost", "programme's currency", "Cost of every sowing of the site so far.",
                decimals=2, minimum=0)  # fmt: skip
_COST_PER_HA = _number(
    "cost_per_gained_ha",
    "programme's currency per hectare",
    "Cost divided by the hectares that gained; empty without a gain.",
    decimals=2,
    minimum=0,
)

_VERDICT_COLUMNS = (
    _SITE_ID,
    _NAME,
    _STRATUM,
    _season("as_of", "The season at which the site is judged, with what was known then.",
            required=True),
    Column("first_sown_on", "date", "Day of the first sowing, UTC.", "day"),
    _count("seasons_since_sowing", "Dry seasons since the first sowing, the judged one included."),
    _number("area_ha", "hectares", "Area of the whole polygon.", minimum=0),
    Column(
        "verdict",
        "string",
        "What can be said: `gain` more woody vegetation than comparable unsown ground, beyond "
        "chance; `loss` less, beyond chance; `no-gain` the upper bound lies below the meaningful "
        "gain; `grass-only` the rains' green flush rose, woody vegetation did not; `too-early` a "
        "real gain could not have been seen yet; `not-assessable` see `reason`.",
        required=True,
        enum=("gain", "loss", "no-gain", "grass-only", "too-early", "not-assessable"),
    ),
    Column("reason", "string", "Why this verdict, above all why a site is not assessable."),
    Column(
        "outcome",
        "string",
        "What was judged. Dry-season greenness is not trees: grass that stays green or dead "
        "matter that stays standing moves it too.",
        enum=("dry-season greenness", "woody cover"),
    ),
    _number("gain", "see gain_unit",
            "Sown minus control minus the same difference before sowing."),
    _number("gain_low", "see gain_unit", "Lower bound of the 95 % interval of `gain`."),
    _number("gain_high", "see gain_unit", "Upper bound of the 95 % interval of `gain`."),
    Column(
        "gain_unit",
        "string",
        "`points`: percentage points of woody cover; `ndvi`: dry-season NDVI.",
        enum=("points", "ndvi"),
    ),
    _probability("p_value", "Two-sided p-value of no gain at this season alone."),
    _probability("q_value",
                 "p-value after allowing for all sites (false discovery rate)."),
    _number("detectable_gain", "see gain_unit",
            "Smallest true gain that would be seen at this season four times in five.", minimum=0),
    _season("answer_by", "For `too-early`: the season by which a meaningful gain can be seen."),
    _number("grass_gain", "ndvi",
            "The same contrast for the green flush of the rains."),
    _number("grass_gain_low", "ndvi", "Lower bound of the 95 % interval of `grass_gain`."),
    _number("grass_gain_high", "ndvi", "Upper bound of the 95 % interval of `grass_gain`."),
    _count("controls", "Control sites that the site is compared with."),
    _number("match_balance", "standard deviations",
            "Largest standardised mean difference between the site and its weighted controls "
            "before sowing.", minimum=0),
    _probability("before_trend_p",
                 "p-value that site and controls ran parallel before sowing; small means apart."),
    _count("clear_dates", "Dates with a clear look at the site in the judged season."),
    _number("rains_anomaly", "standard deviations",
            "Rain of the last rainy season before the judged one, as SPI.", decimals=2),
    _COST,
    _COST_PER_HA,
)  # fmt: skip

VERDICTS = Table(
    "verdicts",
    "Verdicts",
    "a sown site at the newest season",
    _VERDICT_COLUMNS,
    primary_key=("site_id",),
)
VERDICT_HISTORY = Table(
    "verdict_history",
    "Verdict history",
    "a sown site at each season so far, judged with what was known then",
    _VERDICT_COLUMNS,
    primary_key=("site_id", "as_of"),
    foreign_keys=_SITE_OF_VERDICTS,
)
CONTROLS = Table(
    "controls",
    "Controls",
    "a control site, judged against the other controls",
    (
        _SITE_ID,
        _NAME,
        _STRATUM,
        _number("weight_total", "sum of weights",
                "Its weight added up over the sown sites that use it.", minimum=0),
        _count("used_by", "Sown sites that use it."),
        _number("balance", "standard deviations",
                "Standardised mean difference before sowing between it and the sites that use it.",
                minimum=0),
        _probability("before_trend_p",
                     "p-value that it ran parallel to the other controls before sowing."),
        _percent("woody_percent", "Woody cover at the newest season."),
        _number("own_gain", "as gain in verdicts.csv",
                "Its own change against the other controls."),
        _number("own_gain_low", "as gain in verdicts.csv",
                "Lower bound of the 95 % interval of `own_gain`."),
        _number("own_gain_high", "as gain in verdicts.csv",
                "Upper bound of the 95 % interval of `own_gain`."),
        Column("note", "string", "What is odd about it, e.g. `recovering by itself`, `possibly "
               "sown or disturbed`."),
    ),
    primary_key=("site_id",),
)  # fmt: skip
SOWING_RAIN = Table(
    "sowing_rain",
    "Rain after sowing",
    "a sowing",
    (
        _SITE_ID,
        Column("sown_on", "date", "Day of the sowing, UTC.", "day", required=True),
        Column("first_effective_rain_on", "date",
               "First day of rain that can wake the seed; empty where none has come yet.", "day"),
        Column("days_waited", "integer", "Days from sowing to that rain.", "days", minimum=0),
        _number("rain_30d_mm", "mm",
                "Rain of the 30 days after that day; empty until they are past.",
                decimals=1, minimum=0),
        Column("longest_dry_spell_30d", "integer",
               "Longest run of dry days in those 30 days; empty until they are past.",
               "days", minimum=0, maximum=30),
        _number("rains_spi", "standard deviations", "SPI of that rainy season.", decimals=2),
        Column("start", "string", "`good`: rain came and held; `broken`: a dry spell followed; "
               "`none yet`: no effective rain so far; empty where the record cannot say yet.",
               enum=("good", "broken", "none yet")),
        _count("missing_days", "Days without a rain figure from sowing to the last day looked at; "
               "rain may have fallen on them."),
    ),
    # No primary key: a site may be sown twice on one day, with two mixes or two methods.
    order=("site_id", "sown_on"),
    foreign_keys=_SITE_OF_VERDICTS,
)  # fmt: skip
WHAT_WORKS = Table(
    "what_works",
    "What works",
    "a way of sowing, pooled over the sites sown so",
    (
        Column("factor", "string", "What is compared, e.g. method, species, stratum, rain after "
               "sowing.", required=True),
        Column("level", "string", "The way itself, in the words of the sowing table.",
               required=True),
        _count("sites", "Sites sown so that could be judged.", required=True),
        _number("pooled_gain", "as gain in verdicts.csv", "Mean gain of these sites, pooled."),
        _number("low", "as gain in verdicts.csv", "Lower bound of its 95 % interval."),
        _number("high", "as gain in verdicts.csv", "Upper bound of its 95 % interval."),
        _percent("heterogeneity_percent",
                 "Share of the spread between sites that is more than noise (I²)."),
        _COST_PER_HA,
    ),
    primary_key=("factor", "level"),
)  # fmt: skip
VISITS = Table(
    "visits",
    "Visits",
    "a place for the field team to check",
    (
        Column("visit_id", "string", "The visit.", required=True),
        _SITE_ID,
        Column("lon", "number", "Longitude, WGS 84.", "degrees", required=True,
               minimum=-180, maximum=180, decimals=6),
        Column("lat", "number", "Latitude, WGS 84.", "degrees", required=True,
               minimum=-90, maximum=90, decimals=6),
        Column("why", "string", "What a visit teaches there."),
        _STRATUM,
        _probability("inclusion_probability",
                     "Chance with which the draw took this place; empty for chosen places."),
    ),
    primary_key=("visit_id",),
)  # fmt: skip


def series_table(indices: Sequence[str]) -> Table:
    """The table of clear dates for the indices of a run, in the order given.

    `indices` are names such as "ndvi"; each is one column, the coverage-weighted mean over the
    clear part of the polygon.
    """
    _require_names(indices)
    return Table(
        "series",
        "Series",
        "a site on a clear date",
        (
            _SITE_ID,
            Column("date", "date", "Solar day of the overpass, UTC.", "day", required=True),
            Column("sensor", "string", "The satellite, e.g. `sentinel-2a`.", required=True),
            Column("scene_id", "string", "The scenes read, joined by `;` where tiles merge.",
                   required=True),
            _number("clear_fraction", "fraction",
                    "Clear part of the polygon (after the inner margin), by covered area.",
                    decimals=6, minimum=0, maximum=1),
            _number("pixels", "pixels", "Sum of clear pixel coverage; whole pixels count 1.",
                    decimals=2, minimum=0),
            *(
                _number(name, "index", f"Coverage-weighted mean `{name}` over the clear part.",
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
    _require_names(indices)
    families = [
        column
        for name in indices
        for column in (
            _number(f"{name}_median", "index", f"Median `{name}` of the clear dates."),
            _number(f"{name}_low", "index", f"10th percentile of `{name}` over them."),
            _number(f"{name}_high", "index", f"90th percentile of `{name}` over them."),
        )
    ]
    controls = [
        _number(f"control_{name}_median", "index",
                f"Weighted mean of the controls' `{name}` medians.")
        for name in indices
    ]  # fmt: skip
    return Table(
        "seasons",
        "Seasons",
        "a site, sown or control, in a season",
        (
            _SITE_ID,
            Column("role", "string", "`sown` or `control`.", required=True,
                   enum=("sown", "control")),
            _season("season", "The season: the year it starts in and its name.", required=True),
            Column("kind", "string", "`rains` or `dry`.", required=True, enum=("rains", "dry")),
            Column("start", "date", "First day.", "day", required=True),
            Column("end", "date", "Last day, inclusive.", "day", required=True),
            _number("rain_mm", "mm", "Rain of the season.", decimals=1, minimum=0),
            _number("spi", "standard deviations", "Standardised precipitation index.",
                    decimals=2),
            _count("clear_dates", "Dates with a clear look."),
            _number("clear_fraction", "fraction", "Mean clear part of the polygon on those dates.",
                    minimum=0, maximum=1),
            *families,
            _percent("woody_percent", "Ground under woody crowns; empty without a woody model."),
            _percent("woody_low", "Lower bound of its interval."),
            _percent("woody_high", "Upper bound of its interval."),
            *controls,
            _percent("control_woody_percent", "The same, weighted mean of the site's controls."),
            _number("difference", "as the judged outcome",
                    "The judged outcome: the site minus its weighted controls, this season."),
            _number("judged_value", "as the judged outcome",
                    "The value that was judged: the season's mean over dates that all sites share "
                    "as far as they can, so that clouds at one site do not move it."),
            _number("control_judged_value", "as the judged outcome",
                    "The same, weighted mean of the site's controls."),
        ),
        primary_key=("site_id", "season"),
        order=("site_id", "start", "season"),
    )  # fmt: skip


def all_tables(indices: Sequence[str]) -> tuple[Table, ...]:
    """Every table of the results, in the order of the contract, for the indices of a run."""
    return (
        VERDICTS,
        VERDICT_HISTORY,
        seasons_table(indices),
        series_table(indices),
        CONTROLS,
        SOWING_RAIN,
        WHAT_WORKS,
        VISITS,
    )


def _require_names(indices: Sequence[str]) -> None:
    """Refuse what cannot be a column name of its own."""
    odd = [
        name
        for name in indices
        if name != ANY_INDEX and not (name.isidentifier() and name.islower())
    ]
    if odd or len(set(indices)) != len(indices):
        raise ValueError(f"indices must be distinct lower-case names, and are {list(indices)}")
