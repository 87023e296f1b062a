"""Tables of what was judged: sown sites, their history, controls."""

from __future__ import annotations

from afterrains.delivery.columns import Column, Table
from afterrains.delivery.tables.shared import (
    COST,
    COST_PER_HA,
    NAME,
    SITE_ID,
    SITE_OF_VERDICTS,
    STRATUM,
    count,
    number,
    percent,
    probability,
    season_id,
)
from afterrains.evidence.balance import QUANTITIES

__all__ = ["BALANCE", "CONTROLS", "VERDICTS", "VERDICT_HISTORY"]

_VERDICT_COLUMNS = (
    SITE_ID,
    NAME,
    STRATUM,
    season_id("as_of", "The season at which the site is judged, with what was known then.",
            required=True),
    Column("first_sown_on", "date", "Day of the first sowing, UTC.", "day"),
    count("seasons_since_sowing", "Dry seasons since the rain that woke "
          "the seed of the first sowing (`clock_from`), the judged one included."),
    number("area_ha", "hectares", "Area of the whole polygon.", minimum=0),
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
    number("gain", "see gain_unit",
            "Sown minus control minus the same difference before sowing."),
    number("gain_low", "see gain_unit", "Lower bound of the 95 % interval of `gain`."),
    number("gain_high", "see gain_unit", "Upper bound of the 95 % interval of `gain`."),
    Column(
        "gain_unit",
        "string",
        "`points`: percentage points of woody cover; `ndvi`: dry-season NDVI.",
        enum=("points", "ndvi"),
    ),
    probability("p_value", "Two-sided p-value of no gain at this season alone."),
    probability("q_value",
                 "p-value after allowing for all sites (false discovery rate)."),
    number("detectable_gain", "see gain_unit",
            "Smallest true gain that would be seen at this season four times in five.", minimum=0),
    season_id("answer_by", "For `too-early`: the season by which a meaningful gain can be seen."),
    number("grass_gain", "ndvi",
            "The same contrast for the green flush of the rains."),
    number("grass_gain_low", "ndvi", "Lower bound of the 95 % interval of `grass_gain`."),
    number("grass_gain_high", "ndvi", "Upper bound of the 95 % interval of `grass_gain`."),
    count("controls", "Control sites that the site is compared with."),
    number("match_balance", "standard deviations",
            "Largest standardised mean difference between the site and its weighted controls "
            "before sowing.", minimum=0),
    probability("before_trend_p",
                 "p-value that site and controls ran parallel before sowing; small means apart."),
    count("clear_dates", "Dates with a clear look at the site in the judged season."),
    number("rains_anomaly", "standard deviations",
            "Rain of the last rainy season before the judged one, as SPI.", decimals=2),
    COST,
    COST_PER_HA,
    number("gain_shrunken", "see gain_unit",
            "`gain` drawn towards the mean of all sites judged that season in the same unit, the "
            "more the less is known of the site (random effects): the better guess when sites are "
            "ranked. It carries no verdict."),
    number("rain_apart_mm", "mm a season",
            "Where a site's rain differed from its controls' beyond noise: how much more than "
            "they it got in a season since sowing, compared with before. The difference is "
            "allowed for in the contrast. Empty where rain did not differ.", decimals=1),
    number("rain_moved", "see gain_unit",
            "What allowing for that difference changed of `gain`; empty where rain did not "
            "differ."),
    Column("clock_from", "date", "Day from which seasons since sowing are counted: the first "
           "effective rain after the first sowing. A re-sowing starts no second clock.", "day"),
    Column("clock_by", "string", "`rain`: that rain; `sowing`: the day of sowing, where the rain "
           "record cannot say; empty while no effective rain has fallen, or without rain record.",
           enum=("rain", "sowing")),
    count("sowings", "Sowings of the site, re-sowings included."),
    season_id("break_season", "The season in which the site fell suddenly against its own record "
              "and its controls (fire, clearing), while it has not come back; else empty."),
    Column("late_data", "string", "What data that came after this row was judged would make of it; "
           "empty where they would change nothing. The row itself stays as it was said."),
    Column("provisional", "boolean", "True where reads failed in the run that judged this row; the "
           "next whole run judges it anew.", required=True),
    Column("rule", "string", "First digits of the digest of the judging rule, whole in "
           "`manifest.json`; rows of another rule are kept apart.", required=True),
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
    foreign_keys=SITE_OF_VERDICTS,
)
CONTROLS = Table(
    "controls",
    "Controls",
    "a control site, judged against the other controls",
    (
        SITE_ID,
        NAME,
        STRATUM,
        number("weight_total", "sum of weights",
                "Its weight added up over the sown sites that use it; those of a site make 1. "
                "None where it is left out, see `note`.", minimum=0),
        count("used_by", "Sown sites that use it at the newest season."),
        number("balance", "standard deviations",
                "Standardised mean difference before sowing between it and the sites that use it.",
                minimum=0),
        probability("before_trend_p",
                     "p-value that it ran parallel to the other controls before sowing."),
        percent("woody_percent", "Woody cover at the newest season."),
        number("own_gain", "as gain in verdicts.csv",
                "Its own change against the other controls."),
        number("own_gain_low", "as gain in verdicts.csv",
                "Lower bound of the 95 % interval of `own_gain`."),
        number("own_gain_high", "as gain in verdicts.csv",
                "Upper bound of the 95 % interval of `own_gain`."),
        Column("note", "string", "What is odd about it, e.g. `recovering by itself`, `possibly "
               "sown or disturbed`, or why it is not used; of drawn ground also that nobody has "
               "seen it."),
        Column("origin", "string", "`listed` in the sites file, or `drawn` around the sown ground "
               "(`controls.choose: sampled`).", enum=("listed", "drawn")),
    ),
    primary_key=("site_id",),
)  # fmt: skip

BALANCE = Table(
    "balance",
    "What sown sites and their controls looked like before",
    "a sown site and one quantity, over the seasons before its sowing",
    (
        SITE_ID,
        season_id("as_of", "Newest dry season before sowing: nothing later is looked at.",
                  required=True),
        Column("quantity", "string", "`dry level`, `rains level`: mean of the judged value of that "
               "kind of season (of rainy seasons: the green flush); `dry response`, `rains "
               "response`: its change where the controls' mean changes by one; `dry trend`: its "
               "change a season; `rain`: mean rain of the rainy seasons; `distance`: to the "
               "controls; `area`.", required=True, enum=QUANTITIES),
        number("site", "see quantity", "Of the sown site: points or NDVI, mm, m, ha, or a ratio; "
               "empty where it is not known, and for a distance."),
        number("controls", "see quantity", "Weighted mean of its controls."),
        number("standardised_difference", "standard deviations",
               "Site minus controls, over the standard deviation between sites (controls and sown "
               "sites pooled). Beyond 0.25 ground is often called unlike; a constant difference "
               "is taken out of the gain, one of response or trend is not."),
        number("variance_ratio", "ratio",
               "The site's variance over the seasons, over its controls': of the values for levels "
               "and rain, of what the fit leaves for a response or trend. Far from 1 the site is "
               "noisier or calmer than its controls; few seasons make it coarse.",
               decimals=3, minimum=0),
    ),
    primary_key=("site_id", "quantity"),
    foreign_keys=SITE_OF_VERDICTS,
)  # fmt: skip
