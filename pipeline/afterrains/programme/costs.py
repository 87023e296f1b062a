"""Settings of costs: what planting nursery seedlings takes, to hold sowing against it."""

from __future__ import annotations

from pydantic import Field

from afterrains.programme.base import Settings
from afterrains.programme.fields import Number

__all__ = ["Costs"]


class Costs(Settings):
    """What planting takes, in the programme's currency; the programme's own figures.

    Common practice, no source: at one unit a coated seed against 20 to 100 a nursery seedling,
    sowing breaks even where a seed survives 5 to 1 % as well as a seedling; and a tree is worth
    judging over about ten years.
    """

    nursery_seedling: Number = Field(gt=0)
    """Cost of one nursery seedling, raised, carried and planted."""
    nursery_survival_percent: Number = Field(gt=0, le=100)
    """Planted seedlings alive after `years`, in percent."""
    sown_seed: Number | None = Field(default=None, gt=0)
    """Cost of one coated seed, sown. If unset it is reckoned from the sowing table's costs and
    `seed_kg_per_ha`, where `seeds_per_kg` is given."""
    seeds_per_kg: Number | None = Field(default=None, gt=0)
    """Tree seeds in a kilogram of what is sown."""
    years: Number = Field(default=10, gt=0, le=100)
    """Years after sowing or planting at which living trees are counted."""
