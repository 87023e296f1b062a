"""Tables of costs and choices: what a hectare took, where to sow again, what changed, when to ask.

Sums of money are in the programme's currency (`currency` names it). A cost that is not known is
counted and left out, never taken for zero.
"""

from __future__ import annotations

from afterrains.choices.changes import CAUSES
from afterrains.choices.rules import CHOICES
from afterrains.delivery.columns import Column, Table
from afterrains.delivery.tables.shared import (
    NAME,
    SITE_ID,
    SITE_OF_VERDICTS,
    STRATUM,
    count,
    number,
    percent,
    season_id,
)

__all__ = ["ANSWER_CALENDAR", "BREAK_EVEN", "CHANGES", "COSTS", "SOW_AGAIN"]

_MONEY = "programme's currency"
_FACTOR = Column(
    "factor", "string", "What is compared: `all`, method, species, stratum, start (rain after "
    "sowing), seed_lot; as in what_works.csv.", required=True)  # fmt: skip
_LEVEL = Column(
    "level", "string", "The way itself, in the words of the sowing table.", required=True
)
_CURRENCY = Column("currency", "string", "ISO 4217 code of every sum in the row; `XXX` where the "
                   "programme names none.", required=True)  # fmt: skip


def _money(name: str, unit: str, description: str) -> Column:
    return number(name, unit, description, decimals=2, minimum=0)


COSTS = Table(
    "costs",
    "Costs",
    "a way of sowing, with what it cost and what that bought so far",
    (
        _FACTOR,
        _LEVEL,
        _CURRENCY,
        count("sites", "Sown sites.", required=True),
        count("sowings", "Sowings of these sites.", required=True),
        count("sowings_without_cost", "Sowings whose cost is not known.", required=True),
        number("sown_ha", "hectares", "Area of all the sites, each counted once.", minimum=0),
        _money("cost", _MONEY, "Sum of the costs that are known, of every sowing."),
        number("costed_ha", "hectares", "Area of the sites of whose every sowing the cost is "
               "known; the costs by hectare rest on these.", minimum=0),
        _money("cost_per_sown_ha", f"{_MONEY} per hectare",
               "Cost by hectare sown, over sites of whose every sowing the cost is known."),
        number("undecided_ha", "hectares", "Area of sites that are too early or not assessable: "
               "nothing can be said of them yet.", minimum=0),
        count("gained_sites", "Sites whose verdict is `gain`.", required=True),
        number("gained_ha", "hectares", "Area of the sites whose verdict is `gain`.", minimum=0),
        number("gained_ha_low", "hectares", "Lower bound of the 95 % interval of `gained_ha`: what "
               "as many judged sites of this kind may give, by the spread between these "
               "(delta method on the log-odds of the share); empty with fewer than three, or "
               "where none or all gained.", minimum=0),
        number("gained_ha_high", "hectares", "Upper bound of that interval.", minimum=0),
        count("counted_sites", "Sites whose gain could be judged and has had time to begin, "
              "with every cost known: `cost_per_gained_ha` rests on these.", required=True),
        _money("cost_per_gained_ha", f"{_MONEY} per hectare",
               "Cost of the counted sites until the judged season, those that failed or are "
               "undecided too, by hectare of those called `gain`; empty where none gained. As in "
               "what_works.csv, and for one site as in verdicts.csv."),
        _money("cost_per_gained_ha_low", f"{_MONEY} per hectare",
               "Lower bound of its 95 % interval, from the spread between the counted sites "
               "(delta method on the logarithm of the ratio); empty with fewer than three."),
        _money("cost_per_gained_ha_high", f"{_MONEY} per hectare",
               "Upper bound of that interval."),
        count("sites_in_points", "Counted sites judged in points of woody cover: the cost of a "
              "point rests on these.", required=True),
        _money("cost_per_point_ha", f"{_MONEY} per hectare and point",
               "Cost by hectare of those sites over their pooled gain: what one point more of "
               "woody cover on one hectare cost; empty where the pooled gain is not above zero."),
        _money("cost_per_point_ha_low", f"{_MONEY} per hectare and point",
               "With the upper bound of the pooled gain."),
        _money("cost_per_point_ha_high", f"{_MONEY} per hectare and point",
               "With the lower bound of the pooled gain; empty where that is not above zero: then "
               "there is no upper bound."),
        Column("basis", "string", "What the figures rest on and why some are empty."),
    ),
    primary_key=("factor", "level"),
)  # fmt: skip

SOW_AGAIN = Table(
    "sow_again",
    "Where to sow again",
    "a sown site, with what to do next; sites to sow again first, by expected gain per cost",
    (
        Column("rank", "integer", "Place among the sites to sow again, the best first; empty for "
               "the others.", "place", minimum=1),
        SITE_ID,
        NAME,
        STRATUM,
        season_id("as_of", "The season by which the choice is made.", required=True),
        Column("verdict", "string", "As in verdicts.csv.", required=True,
               enum=("gain", "loss", "no-gain", "grass-only", "too-early", "not-assessable")),
        Column("choice", "string", "`sow again`; `protect first` what took the plants takes new "
               "seed too; `visit first` only eyes can tell; `wait` for the season in `until`; "
               "`leave alone` it gains, or recovers without seed; `stop here` sown more than once "
               "into rain that held, and nothing came.", required=True, enum=CHOICES),
        Column("reason", "string", "Why.", required=True),
        season_id("until", "For `wait`: the season that answers."),
        count("sowings", "Sowings so far.", required=True),
        count("good_starts", "Of these, those whose rain came and held; empty without a rain "
              "record."),
        Column("way_factor", "string", "What the expected gain is taken from: a factor of "
               "what_works.csv, or `all`."),
        Column("way", "string", "The level of that factor that the expected gain is taken from."),
        number("expected_gain_if_good", "see gain_unit", "Expected gain of such a sowing when the "
               "rain holds: the pooled gain of the way, drawn towards that of all ways by how "
               "little is known of it."),
        number("expected_gain_low", "see gain_unit", "Lower bound of its 95 % interval."),
        number("expected_gain_high", "see gain_unit", "Upper bound of its 95 % interval."),
        Column("gain_unit", "string", "`points`: percentage points of woody cover; `ndvi`: "
               "dry-season NDVI.", enum=("points", "ndvi")),
        Column("sowing_month", "integer", "Month in which the next sowing is taken to be: that of "
               "the last one.", "month", minimum=1, maximum=12),
        percent("chance_good_start_percent", "Share of past years in which rain would have come "
                "and held after a sowing in that month; a count of years, no forecast."),
        count("chance_years", "Past years counted."),
        number("expected_gain", "see gain_unit", "Expected gain times the chance of a good start."),
        _money("expected_cost", _MONEY, "Cost of sowing the whole site once more, at the cost by "
               "hectare of the way (else of the programme)."),
        number("gain_per_cost", "gain_unit x hectares per 1000 of the currency",
               "Expected gain times hectares for each thousand of the currency; the rank goes by "
               "it, with NDVI turned into points by the programme's own setting.", decimals=6),
        Column("assumptions", "string", "What the expectation takes for granted."),
    ),
    primary_key=("site_id",),
    order=("rank", "site_id"),
    foreign_keys=SITE_OF_VERDICTS,
)  # fmt: skip

BREAK_EVEN = Table(
    "break_even",
    "Break-even against planting",
    "a way of sowing, against planting nursery seedlings at the costs that the programme states",
    (
        _FACTOR,
        _LEVEL,
        _CURRENCY,
        number("years", "years", "When the trees are counted, after sowing or planting.",
               decimals=1, minimum=0),
        _money("seedling_cost", f"{_MONEY} per seedling",
               "A nursery seedling, raised and planted, as the programme states."),
        percent("seedling_survival_percent", "Planted seedlings alive after those years, as the "
                "programme states."),
        _money("cost_per_planted_tree", f"{_MONEY} per living tree",
               "Seedling cost over seedling survival."),
        number("seed_cost", f"{_MONEY} per seed", "One seed, sown: as the programme states, else "
               "cost by hectare over seeds by hectare; empty where neither is known.",
               decimals=4, minimum=0),
        number("break_even_share_percent", "% of a seedling's survival",
               "Seed cost over seedling cost: where a seed survives this share as well as a "
               "seedling, both ways cost the same for each living tree. Above 100, planting is "
               "cheaper whatever survives.", decimals=4, minimum=0),
        number("break_even_survival_percent", "%", "The same as survival of a seed: the share "
               "times seedling survival.", decimals=6, minimum=0),
        _money("cost_per_sown_ha", f"{_MONEY} per hectare", "As in costs.csv."),
        number("break_even_trees_per_ha", "trees per hectare", "Trees from seed alive after those "
               "years on each hectare sown, at which both ways cost the same: cost by hectare over "
               "cost by planted tree.", decimals=2, minimum=0),
        Column("basis", "string", "The formula with its figures, and what it leaves out."),
    ),
    primary_key=("factor", "level"),
)  # fmt: skip

CHANGES = Table(
    "changes",
    "What changed",
    "a sown site, between the results of the season before and these",
    (
        SITE_ID,
        NAME,
        season_id("from_season", "The season of the earlier results; empty for a new site."),
        season_id("to_season", "The season of the later results; empty for a site that is gone."),
        Column("verdict_before", "string", "Verdict then; empty for a new site.",
               enum=("gain", "loss", "no-gain", "grass-only", "too-early", "not-assessable")),
        Column("verdict_now", "string", "Verdict now; empty for a site that is gone.",
               enum=("gain", "loss", "no-gain", "grass-only", "too-early", "not-assessable")),
        Column("verdict_changed", "boolean", "Whether the verdict is another, or the site new or "
               "gone.", required=True),
        number("gain_before", "see gain_unit", "Gain then."),
        number("gain_low_before", "see gain_unit", "Lower bound then."),
        number("gain_high_before", "see gain_unit", "Upper bound then."),
        number("gain_now", "see gain_unit", "Gain now."),
        number("gain_low_now", "see gain_unit", "Lower bound now."),
        number("gain_high_now", "see gain_unit", "Upper bound now."),
        number("gain_change", "see gain_unit", "Now minus then; empty where the unit is another."),
        Column("gain_unit", "string", "Unit now: `points` of woody cover, or `ndvi`.",
               enum=("points", "ndvi")),
        Column("causes", "string", "All that differs in what the figures rest on, joined by `;`: "
               + ", ".join(f"`{cause}`" for cause in CAUSES) + ". Empty where nothing differs. "
               "They are what differs, not a share of the change for each."),
        Column("late_scenes_seasons", "integer", "Finished seasons that both results hold and "
               "whose scenes differ at this site or at a control; empty where it cannot be said.",
               "count", minimum=0),
        Column("explanation", "string", "The change in one sentence.", required=True),
    ),
    primary_key=("site_id",),
)  # fmt: skip

ANSWER_CALENDAR = Table(
    "answer_calendar",
    "When which site can be answered",
    "a sown site, with the season that answers whether the sowing took",
    (
        SITE_ID,
        NAME,
        STRATUM,
        Column("first_sown_on", "date", "Day of the first sowing, UTC.", "day"),
        season_id("as_of", "The season judged last.", required=True),
        Column("verdict", "string", "As in verdicts.csv.", required=True,
               enum=("gain", "loss", "no-gain", "grass-only", "too-early", "not-assessable")),
        Column("state", "string", "`answered`; `waiting` for the season in `answer_by`; `open`: "
               "no season can be named, see the reason in verdicts.csv.", required=True,
               enum=("answered", "waiting", "open")),
        season_id("answered_since", "First season of the unbroken run with an answer (gain, loss "
                  "or no-gain; it may have changed from one to another)."),
        season_id("answer_by", "The season by which a meaningful gain can be seen."),
        count("seasons_to_wait", "Dry seasons from the one judged last to that one."),
    ),
    primary_key=("site_id",),
    foreign_keys=SITE_OF_VERDICTS,
)  # fmt: skip
