"""Columns and kinds of column that several tables have."""

from __future__ import annotations

from collections.abc import Sequence

from afterrains.delivery.columns import Column, ForeignKey

__all__ = [
    "ANY_INDEX",
    "COST",
    "COST_PER_HA",
    "NAME",
    "SEASON_PATTERN",
    "SITE_ID",
    "SITE_OF_VERDICTS",
    "STRATUM",
    "count",
    "number",
    "percent",
    "probability",
    "require_names",
    "season_id",
]

ANY_INDEX = "<index>"
"""Stands for the name of any index where no run is meant, as in the data dictionary."""

SEASON_PATTERN = r"[0-9]{4}-[a-z0-9]+(-[a-z0-9]+)*"
SITE_ID = Column("site_id", "string", "The site, as the sites file names it.", required=True)
NAME = Column("name", "string", "The site's name, where the sites file gives one.")
STRATUM = Column("stratum", "string", "The site's stratum, where the sites file gives one.")
SITE_OF_VERDICTS = (ForeignKey(("site_id",), "verdicts", ("site_id",)),)


def number(
    name: str,
    unit: str,
    description: str,
    *,
    decimals: int = 4,
    significant: bool = False,
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
        significant=significant,
    )


def probability(name: str, description: str) -> Column:
    """A p-value or a value made of p-values."""
    return number(
        name, "probability", description, decimals=4, significant=True, minimum=0, maximum=1
    )


def percent(name: str, description: str) -> Column:
    """A share of ground in percent."""
    return number(name, "%", description, decimals=2, minimum=0, maximum=100)


def count(name: str, description: str, *, required: bool = False) -> Column:
    """A whole number from zero up."""
    return Column(name, "integer", description, "count", required=required, minimum=0)


def season_id(name: str, description: str, *, required: bool = False) -> Column:
    """A season id: the year it starts in and its name."""
    return Column(name, "string", description, required=required, pattern=SEASON_PATTERN)


COST = number("cost", "programme's currency", "Cost of every sowing of the site so far; "
                "empty where that of one is not known.",
                decimals=2, minimum=0)  # fmt: skip
COST_PER_HA = number(
    "cost_per_gained_ha",
    "programme's currency per hectare",
    "Cost over the hectares of the site, where it is called `gain`; empty without a gain.",
    decimals=2,
    minimum=0,
)


def require_names(indices: Sequence[str]) -> None:
    """Refuse what cannot be a column name of its own."""
    odd = [
        name
        for name in indices
        if name != ANY_INDEX and not (name.isidentifier() and name.islower())
    ]
    if odd or len(set(indices)) != len(indices):
        raise ValueError(f"indices must be distinct lower-case names, and are {list(indices)}")
