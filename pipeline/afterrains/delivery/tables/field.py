"""Tables of the field team: places to check, how they were drawn, what came back."""

from __future__ import annotations

from afterrains.delivery.columns import Column, ForeignKey, Table
from afterrains.delivery.tables.shared import (
    SITE_ID,
    STRATUM,
    count,
    number,
    percent,
    probability,
    season_id,
)

__all__ = [
    "ACCURACY",
    "AREA",
    "FIELD_CHECKS",
    "FIELD_EVIDENCE",
    "FIELD_SEEDLINGS",
    "FIELD_TABLES",
    "SURVIVAL",
    "TRAINING_PLOTS",
    "VISITS",
    "VISIT_DESIGN",
    "VISIT_GROUND",
]

_SEEN = ("more", "unchanged", "less")
_MAPPED = (*_SEEN, "unmapped")
_ROLE = Column("role", "string", "Sown or control.", required=True, enum=("sown", "control"))
_VISIT_ID = Column("visit_id", "string", "The visit.", required=True)
_DRAW = Column(
    "draw", "string", "The draw: the judged season and the draw's number in it.", required=True
)
_PART = Column(
    "part",
    "string",
    "`random`: of the probability sample, on which areas and accuracies rest; `chosen`: because "
    "the answer may change a decision, never part of an estimate.",
    required=True,
    enum=("random", "chosen"),
)
_LON = Column("lon", "number", "Longitude, WGS 84.", "degrees", required=True,
              minimum=-180, maximum=180, decimals=6)  # fmt: skip
_LAT = Column("lat", "number", "Latitude, WGS 84.", "degrees", required=True,
              minimum=-90, maximum=90, decimals=6)  # fmt: skip
_SAMPLING_STRATUM = Column(
    "sampling_stratum", "string", "The part of the ground within which every pixel had one chance."
)
_CHANCE = probability(
    "inclusion_probability",
    "Chance with which the draw took this place; empty for chosen places.",
)
_OF_VISIT = (ForeignKey(("visit_id",), "visit_design", ("visit_id",)),)

VISITS = Table(
    "visits",
    "Visits",
    "a place for the field team to check",
    (
        _VISIT_ID,
        SITE_ID,
        _LON,
        _LAT,
        Column("why", "string", "What a visit teaches there."),
        STRATUM,
        _CHANCE,
    ),
    primary_key=("visit_id",),
)

VISIT_DESIGN = Table(
    "visit_design",
    "How the visits were drawn",
    "a visit of this or an earlier draw, with what the observers are not told beforehand",
    (
        _VISIT_ID,
        _DRAW,
        _PART,
        SITE_ID,
        _ROLE,
        STRATUM,
        _LON,
        _LAT,
        _SAMPLING_STRATUM,
        Column("verdict", "string", "The site's verdict when the visit was drawn."),
        Column("map_class", "string", "Change of woody cover that the map gave the place when the "
               "visit was drawn.", required=True, enum=_MAPPED),
        _CHANCE,
        count("rank", "Of chosen visits: 1 for the one with most ground hanging on it."),
    ),
    primary_key=("visit_id",),
)  # fmt: skip

VISIT_GROUND = Table(
    "visit_ground",
    "Ground that the visits stand for",
    "a part of the ground of a draw, as finely as anything is reported",
    (
        _DRAW,
        _SAMPLING_STRATUM,
        _ROLE,
        STRATUM,
        Column("verdict", "string", "Verdict of its sites when the visits were drawn."),
        Column("map_class", "string", "What the map gave it.", required=True, enum=_MAPPED),
        Column("map_from", "string", "Where `map_class` comes from: the `woody_change` rasters, "
               "or, without a woody-cover model, the verdicts (gain is more, loss is less, all "
               "else unchanged).", required=True, enum=("woody_change", "verdict")),
        count("pixels", "Pixels whose centre lies in a site.", required=True),
        number("area_ha", "hectares", "Their area on the map.", minimum=0),
        count("visits", "Visits drawn in the whole sampling stratum.", required=True),
        probability("inclusion_probability", "Chance of each of its pixels."),
        count("seed", "Seed of the draw.", required=True),
    ),
    primary_key=("draw", "role", "verdict", "map_class", "stratum"),
)  # fmt: skip

FIELD_CHECKS = Table(
    "field_checks",
    "Field checks",
    "a visit that came back",
    (
        _VISIT_ID,
        _DRAW,
        _PART,
        SITE_ID,
        Column("outcome", "string", "What became of the visit. Of a visit without consent nothing "
               "else is kept.", required=True, enum=("checked", "not-reached", "no-consent")),
        Column("not_reached_why", "string", "Why the place was not reached."),
        Column("surveyed_on", "date", "Day of the visit.", "day"),
        Column("lon", "number", "Longitude of the plot as measured there, WGS 84.", "degrees",
               minimum=-180, maximum=180, decimals=6),
        Column("lat", "number", "Latitude of the plot as measured there, WGS 84.", "degrees",
               minimum=-90, maximum=90, decimals=6),
        number("distance_m", "metres", "From the planned place.", decimals=1, minimum=0),
        Column("at_place", "boolean", "Whether the plot lies at the planned place; if not, the "
               "visit counts as not reached in every estimate of area and accuracy."),
        percent("woody_cover_percent", "Ground under woody crowns in the plot."),
        number("plot_radius_m", "metres", "Radius of the plot.", decimals=1, minimum=0),
        Column("seen", "string", "Woody plants now against before sowing, as seen there.",
               enum=(*_SEEN, "unsure")),
        Column("signs", "string", "Signs seen, such as grazing, fire, cutting; joined by `;`."),
        Column("observer", "string", "Code of the observer, not a name."),
        Column("remark", "string", "What the observer noted."),
    ),
    primary_key=("visit_id",),
    foreign_keys=_OF_VISIT,
)  # fmt: skip

FIELD_SEEDLINGS = Table(
    "field_seedlings",
    "Seedlings counted",
    "a species in the plot of a visit",
    (
        _VISIT_ID,
        Column("species", "string", "As the sowing table or the observer names it.",
               required=True),
        count("live", "Seedlings and saplings alive."),
        count("dead", "Seedlings and saplings dead but still standing."),
    ),
    primary_key=("visit_id", "species"),
    foreign_keys=_OF_VISIT,
)  # fmt: skip

_INTERVAL = "of the 95 % interval"


def _share(name: str, description: str) -> Column:
    return number(name, "share", description, decimals=4, minimum=0, maximum=1)


ACCURACY = Table(
    "accuracy",
    "Accuracy of the map",
    "a class of the map, or the whole map (`all`), over sown ground",
    (
        _DRAW,
        Column("class", "string", "Change of woody cover on the map; `all` for the whole map.",
               required=True, enum=(*_MAPPED, "all")),
        count("checks", "Random places of this class that were reached and judged there."),
        *(count(f"seen_{name}", f"Of these, places where `{name}` was seen.") for name in _SEEN),
        _share("users_accuracy", "Share of what the map calls the class that is it; of the whole "
               "map, the share that is right. Estimated with the weights of the sample."),
        _share("users_low", f"Lower bound {_INTERVAL}."),
        _share("users_high", f"Upper bound {_INTERVAL}."),
        _share("producers_accuracy", "Share of what is the class that the map calls so."),
        _share("producers_low", f"Lower bound {_INTERVAL}."),
        _share("producers_high", f"Upper bound {_INTERVAL}."),
        percent("missing_percent", "Random visits that were planned and tell nothing: not back, "
                "not reached, without consent, away from the place or unsure. The figures hold "
                "for ground like that which was reached."),
        Column("note", "string", "What to know before the figures are used."),
    ),
    primary_key=("draw", "class"),
)  # fmt: skip

AREA = Table(
    "area",
    "Area with woody gain or loss",
    "a change of woody cover on sown or control ground, of the programme or of one stratum",
    (
        _DRAW,
        _ROLE,
        Column("stratum", "string", "Stratum of the sites file; empty for all of the ground."),
        Column("class", "string", "Change of woody cover as seen on the ground.", required=True,
               enum=_SEEN),
        number("ground_ha", "hectares", "Area of the ground spoken of.", minimum=0),
        count("visits", "Random visits planned there."),
        count("checks", "Random visits reached and judged there."),
        percent("missing_percent", "Share of the random visits that tell nothing."),
        number("area_ha", "hectares", "Estimated area of the class, from the random visits alone; "
               "holds for ground like that which was reached.", decimals=2, minimum=0),
        number("area_low", "hectares", f"Lower bound {_INTERVAL}.", decimals=2, minimum=0),
        number("area_high", "hectares", f"Upper bound {_INTERVAL}.", decimals=2, minimum=0),
        number("map_area_ha", "hectares", "What the map gives the class, counted in pixels: no "
               "estimate, its errors do not cancel.", decimals=2, minimum=0),
        Column("note", "string", "What to know before the figures are used."),
    ),
    primary_key=("draw", "role", "stratum", "class"),
)  # fmt: skip

SURVIVAL = Table(
    "survival",
    "Seedlings by site and species",
    "a species on a site, over all plots checked there",
    (
        SITE_ID,
        Column("species", "string", "The species, as the sowing table or the observer names it.",
               required=True),
        count("plots", "Plots checked on the site.", required=True),
        count("plots_with", "Of these, plots that hold the species.", required=True),
        count("live", "Seedlings and saplings alive.", required=True),
        count("dead", "Seedlings and saplings dead but still standing.", required=True),
        percent("live_percent", "Alive among those found. Dead seedlings vanish, so survival since "
                "sowing is lower."),
        number("live_per_ha", "per hectare", "Alive on the ground of the plots. Chosen plots are "
               "in it, so it is no estimate for the site.", decimals=1, minimum=0),
    ),
    primary_key=("site_id", "species"),
)  # fmt: skip

TRAINING_PLOTS = Table(
    "training_plots",
    "Plots to train with",
    "a plot checked in the field, ready for `afterrains train`",
    (
        Column("plot_id", "string", "The visit.", required=True),
        _LON,
        _LAT,
        Column("surveyed_on", "date", "Day of the visit.", "day", required=True),
        Column("woody_cover_percent", "number", "Ground under woody crowns in the plot.", "%",
               required=True, minimum=0, maximum=100, decimals=2),
        Column("source", "string", "How cover was seen.", required=True, enum=("field",)),
        number("plot_radius_m", "metres", "Radius of the plot.", decimals=1, minimum=0),
        SITE_ID,
        Column("observer", "string", "Code of the observer."),
    ),
    primary_key=("plot_id",),
)  # fmt: skip

FIELD_EVIDENCE = Table(
    "field_evidence",
    "What the field saw beside the verdict",
    "a site that was visited; the verdict stays as it is",
    (
        SITE_ID,
        _ROLE,
        Column("verdict", "string", "The newest verdict from the satellite; empty for controls."),
        season_id("as_of", "The season of that verdict."),
        count("visits", "Visits that came back.", required=True),
        count("checks", "Of these, places reached and judged.", required=True),
        *(count(f"seen_{name}", f"Checks where `{name}` was seen.") for name in _SEEN),
        percent("woody_cover_percent", "Plain mean over the plots."),
        Column("last_surveyed_on", "date", "The newest check.", "day"),
        Column("field_says", "string", "What half of the checks or more show, from 3 checks up "
               "(common practice, no source).", enum=(*_SEEN, "mixed", "too few checks")),
        Column("agreement", "string", "`agree` or `disagree` where the verdict claims something "
               "that eyes can see; `open` where it does not, or the checks are too few.",
               required=True, enum=("agree", "disagree", "open")),
        Column("note", "string", "In a sentence."),
    ),
    primary_key=("site_id",),
)  # fmt: skip

FIELD_TABLES = (
    VISITS,
    VISIT_DESIGN,
    VISIT_GROUND,
    FIELD_CHECKS,
    FIELD_SEEDLINGS,
    ACCURACY,
    AREA,
    SURVIVAL,
    TRAINING_PLOTS,
    FIELD_EVIDENCE,
)
