"""One draw of visits: random and chosen places together, in the order of the way.

Visits are numbered along the way, ground by ground, random and chosen ones mixed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from afterrains.field.chosen import choices, place_of
from afterrains.field.frame import Frame
from afterrains.field.sample import draw_sample
from afterrains.field.travel import Journey, nearest_first

__all__ = ["FEWEST_PLACES", "RANDOM_WHY", "Draw", "draw_visits"]

FEWEST_PLACES = 4
RANDOM_WHY = "Of the random sample: describe what stands here."
"""The same words for every random place, so that nobody knows what is expected there."""


@dataclass(frozen=True)
class Draw:
    """A draw, as rows of the tables."""

    name: str
    """The season and the draw's number in it."""
    visits: pd.DataFrame
    """Rows of visits.csv."""
    design: pd.DataFrame
    """Rows of visit_design.csv."""
    ground: pd.DataFrame
    """Rows of visit_ground.csv."""
    floor: int
    """The fewest visits that a sampling stratum of sown ground was given."""
    left_out: int
    """Sites worth a visit of their own for which there was no room."""


def draw_visits(
    frame: Frame,
    verdicts: pd.DataFrame,
    controls: pd.DataFrame | None,
    way: Journey,
    *,
    places: int,
    chosen_percent: float,
    control_percent: float,
    number: int,
    seed: int,
) -> Draw:
    """Draw visits for the judged season.

    Parameters
    ----------
    frame : Frame
        The ground.
    verdicts, controls : DataFrame
        Rows of verdicts.csv and controls.csv.
    way : Journey
        The grounds of the frame's sites, in their order.
    places : int
        Visits in all, at least `FEWEST_PLACES`.
    chosen_percent, control_percent : float
        See the settings; what the chosen visits do not use goes to the random part.
    number : int
        Of the draw in this season, from 1.
    seed : int
        With the number and the season the only source of chance.
    """
    if places < FEWEST_PLACES:
        raise ValueError(f"{places} places are too few")
    name = f"{frame.season}-{number}"
    # The season's text goes in as bytes, so that each season has its own draw with one seed.
    rng = np.random.default_rng([seed, number, *frame.season.encode()])
    worth = [
        (choice, place)
        for choice in choices(verdicts, controls)
        if (frame.sites["site_id"] == choice.site_id).any()
        and (place := place_of(frame, choice)) is not None
    ]
    room = min(round(places * chosen_percent / 100), places - FEWEST_PLACES + 1)
    taken = worth[:room]
    sample = draw_sample(frame, places - len(taken), control_percent, rng)
    rows = frame.site[sample.pixels]
    random = frame.sites.iloc[rows].assign(
        part="random",
        x=frame.x[sample.pixels],
        y=frame.y[sample.pixels],
        map_class=frame.map_class[sample.pixels],
        sampling_stratum=sample.sampling_stratum,
        inclusion_probability=sample.inclusion_probability,
        why=RANDOM_WHY,
        rank=np.nan,
    )
    parts = [random]
    if taken:
        at = [int(np.flatnonzero(frame.sites["site_id"] == c.site_id)[0]) for c, _ in taken]
        parts.append(
            frame.sites.iloc[at].assign(
                part="chosen",
                x=[place[0] for _, place in taken],
                y=[place[1] for _, place in taken],
                map_class=[place[2] for _, place in taken],
                sampling_stratum="",
                inclusion_probability=np.nan,
                why=[choice.why for choice, _ in taken],
                rank=np.arange(1.0, len(taken) + 1),
            )
        )
    ground_of = dict(zip(frame.sites["site_id"], way.ground, strict=True))
    every = _numbered(pd.concat(parts, ignore_index=True), ground_of, name)
    every["lon"], every["lat"] = frame.lon_lat(every["x"].to_numpy(), every["y"].to_numpy())
    every["draw"] = name
    design = [
        "visit_id", "draw", "part", "site_id", "role", "stratum", "lon", "lat", "sampling_stratum",
        "verdict", "map_class", "inclusion_probability", "rank",
    ]  # fmt: skip
    visits = ["visit_id", "site_id", "lon", "lat", "why", "stratum", "inclusion_probability"]
    return Draw(
        name=name,
        visits=every[visits].reset_index(drop=True),
        design=every[design].reset_index(drop=True),
        ground=sample.ground.assign(draw=name, map_from=frame.map_from, seed=seed),
        floor=sample.floor,
        left_out=len(worth) - len(taken),
    )


def _numbered(places: pd.DataFrame, ground_of: dict[str, int], name: str) -> pd.DataFrame:
    """The places along the way, each with its visit id."""
    ground = places["site_id"].map(ground_of)
    parts = []
    for each in sorted(ground.unique()):
        part = places[ground == each]
        parts.append(part.iloc[nearest_first(part["x"].to_numpy(), part["y"].to_numpy())])
    every: pd.DataFrame = pd.concat(parts, ignore_index=True)
    width = max(3, len(str(len(every))))
    every["visit_id"] = [f"{name}-{at:0{width}d}" for at in range(1, len(every) + 1)]
    return every
