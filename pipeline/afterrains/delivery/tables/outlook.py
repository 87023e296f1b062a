"""Tables of the outlook: what could be seen, how often rain started well, what the lot says."""

from __future__ import annotations

from afterrains.delivery.columns import Column, Table
from afterrains.delivery.tables.shared import SITE_ID, STRATUM, count, number, season_id

__all__ = ["OUTLOOK", "OUTLOOK_LOTS", "OUTLOOK_RAIN"]

OUTLOOK = Table(
    "outlook",
    "Outlook: what could be seen",
    "a site, a pool of sites or a plan, some dry seasons after its sowing",
    (
        Column("scope", "string", "`site`: one sown site with the controls and record it has; "
               "`pool`: the mean of several; `plan`: any numbers of controls, sites and seasons.",
               required=True, enum=("plan", "pool", "site")),
        Column("site_id", "string", "The site; empty for a pool or a plan."),
        Column("pool", "string", "Whose mean it is: `all sites`, or a stratum; empty for a site or "
               "a plan."),
        count("sites", "Sown sites whose mean gain is asked for.", required=True),
        count("controls", "Control sites that they are compared with.", required=True),
        count("seasons_before", "Dry seasons on record when the seed is sown.", required=True),
        count("seasons_since_sowing", "Dry seasons since the sowing.", required=True),
        season_id("season", "That dry season: of a pool by its middle sowing, of a plan by a "
                  "sowing before the next dry season."),
        number("expected_share", "fraction", "Share of the full gain that the programme's growth "
               "curve expects by then.", minimum=0, maximum=1),
        number("detectable_gain", "see gain_unit", "Smallest true gain that would be seen then "
               "four times in five; empty where the season may not be tested yet.", minimum=0),
        number("meaningful_gain", "see gain_unit", "What a gain that matters would have grown to "
               "by then.", minimum=0),
        Column("seen", "boolean", "Whether a gain that matters would be seen then, four times in "
               "five.", required=True),
        Column("gain_unit", "string", "`points`: percentage points of woody cover; `ndvi`: "
               "dry-season NDVI.", required=True, enum=("points", "ndvi")),
    ),
    order=("scope", "site_id", "pool", "sites", "controls", "seasons_before",
           "seasons_since_sowing"),
    caution="Foreseen from the noise of the record so far; ground that is disturbed, or a climate "
    "that changes, makes it optimistic.",
)  # fmt: skip
OUTLOOK_RAIN = Table(
    "outlook_rain",
    "Outlook: good starts by month of sowing",
    "a site and a month of sowing",
    (
        SITE_ID,
        count("month", "Month of a sowing on its 15th, 1 January to 12 December.", required=True),
        count("years", "Past years that the rain record can tell of.", required=True),
        count("good", "Years with effective rain after such a sowing that held.", required=True),
        count("broken", "Years in which a long dry spell followed it.", required=True),
        count("none", "Years without effective rain in the 365 days after.", required=True),
        number("share_good", "fraction", "`good` over `years`; empty without years.", minimum=0,
               maximum=1),
        number("median_days_waited", "days", "Middle wait from sowing to the first effective rain, "
               "in years that had one; the longer, the more seed is lost. Above 90 days a good "
               "start is that of the next rains, and speaks for no sowing in this month.",
               decimals=1, minimum=0),
    ),
    primary_key=("site_id", "month"),
    caution="Counts of past years, not a forecast: next year's rain comes from a climate that may "
    "have changed since.",
)  # fmt: skip
OUTLOOK_LOTS = Table(
    "outlook_lots",
    "Outlook: which ground to sow first, by lot",
    "a piece of ground in the draw",
    (
        SITE_ID,
        STRATUM,
        count("lot", "Order in which it was drawn.", required=True),
        Column("sow_first", "boolean", "Whether the lot says to sow it first; the rest is its "
               "control until it is sown too.", required=True),
        count("seed", "Seed of the draw: with it anyone draws the same lots.", required=True),
    ),
    primary_key=("site_id",),
    caution="The proof holds only if the lot is kept: ground swapped by hand is no longer drawn.",
)  # fmt: skip
