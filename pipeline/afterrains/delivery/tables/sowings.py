"""Tables of sowings: the rain they got, and which ways of sowing work."""

from __future__ import annotations

from afterrains.delivery.columns import Column, Table
from afterrains.delivery.tables.shared import (
    SITE_ID,
    SITE_OF_VERDICTS,
    count,
    number,
    percent,
)
from afterrains.evidence.what_works import CAUTION

__all__ = ["SOWING_RAIN", "WHAT_WORKS"]

SOWING_RAIN = Table(
    "sowing_rain",
    "Rain after sowing",
    "a sowing",
    (
        SITE_ID,
        Column("sown_on", "date", "Day of the sowing, UTC.", "day", required=True),
        Column("first_effective_rain_on", "date",
               "First day of rain that can wake the seed; empty where none has come yet.", "day"),
        Column("days_waited", "integer", "Days from sowing to that rain.", "days", minimum=0),
        number("rain_30d_mm", "mm",
                "Rain of the 30 days after that day; empty until they are past.",
                decimals=1, minimum=0),
        Column("longest_dry_spell_30d", "integer",
               "Longest run of dry days in those 30 days; empty until they are past.",
               "days", minimum=0, maximum=30),
        number("rains_spi", "standard deviations", "SPI of that rainy season.", decimals=2),
        Column("start", "string", "`good`: rain came and held; `broken`: a dry spell followed; "
               "`none yet`: no effective rain so far; empty where the record cannot say yet.",
               enum=("good", "broken", "none yet")),
        count("missing_days", "Days without a rain figure from sowing to the last day looked at; "
               "rain may have fallen on them."),
        Column("method", "string", "How it was sown, in the words of the sowing table."),
        Column("species", "string", "What was sown, in the words of the sowing table."),
        Column("seed_lot", "string", "The seed lot, in the words of the sowing table."),
    ),
    # No primary key: a site may be sown twice on one day, with two mixes or two methods.
    order=("site_id", "sown_on"),
    foreign_keys=SITE_OF_VERDICTS,
)  # fmt: skip
WHAT_WORKS = Table(
    "what_works",
    "What works",
    "a way of sowing, pooled over the sites sown so; gains in points and in NDVI never share one",
    (
        Column("factor", "string", "What is compared: a column of the sowing table, the stratum, "
               "or `start`, the rain after sowing; `all` is every site.", required=True),
        Column("level", "string", "The way itself, in the words of that column; ways joined by "
               "`+` were sown on one day, by `then` one after the other.", required=True),
        count("sites", "Sites sown so whose gain could be judged and has had time to begin.",
              required=True),
        number("pooled_gain", "see gain_unit", "Mean gain of these sites, pooled."),
        number("low", "see gain_unit", "Lower bound of its 95 % interval."),
        number("high", "see gain_unit", "Upper bound of its 95 % interval."),
        percent("heterogeneity_percent",
                 "Share of the spread between sites that is more than noise (I²)."),
        number("cost_per_gained_ha", "programme's currency per hectare",
                "Cost of all these sites, those that failed or are undecided too, over the "
                "hectares of those called `gain`; empty where none is or a cost is not known.",
                decimals=2, minimum=0),
        Column("gain_unit", "string",
               "`points`: percentage points of woody cover; `ndvi`: dry-season NDVI.",
               required=True, enum=("points", "ndvi")),
        count("gained", "Of these sites, those called `gain`."),
        count("grass_only", "Of these sites, those called `grass-only`: their part of the pooled "
              "gain may be grass."),
        number("seasons_since_sowing", "dry seasons",
                "Their middle age; young ground had less time to gain.", decimals=1, minimum=0),
    ),
    primary_key=("factor", "level", "gain_unit"),
    caution=CAUTION,
)  # fmt: skip
