"""Which products the catalogue holds: overpasses, tiles, processing baselines and their traps.

One orbit sees both grounds, a side orbit on either hand sees one of them, partly. Sentinel-2A comes
every ten days, Sentinel-2B (from July 2017) half-way between. Of these passes some two or three a
month are kept, and most of those between July and September, when few are clear. The traps are
those of real catalogues: digital numbers that carry +1000 from baseline 04.00 on (also in
reprocessed older scenes), the same overpass twice.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta

import numpy as np

from afterrains.sample.chance import chance
from afterrains.sample.district import GROUNDS, SIZES, Extent
from afterrains.sample.sky import cloud_share

__all__ = ["Overpass", "overpasses"]

_FIRST_A = date(2016, 1, 4)
_FIRST_B = date(2017, 7, 2)  # five days beside the cycle of Sentinel-2A
_BOTH, _WEST_ONLY, _EAST_ONLY = 22, 65, 122  # relative orbits
# Days after the orbit that sees both grounds, time of day, grounds seen.
_ORBITS = {
    _BOTH: (0, (10, 20, 31), ("west", "east")),
    _WEST_ONLY: (3, (10, 30, 29), ("west",)),
    _EAST_ONLY: (7, (10, 10, 41), ("east",)),
}
_BASELINES = (
    (date(2015, 1, 1), "02.04"),
    (date(2018, 10, 8), "02.09"),
    (date(2019, 7, 16), "02.13"),
    (date(2020, 2, 4), "02.14"),
    (date(2021, 3, 30), "03.00"),
    (date(2021, 6, 30), "03.01"),
    (date(2022, 1, 25), "04.00"),
    (date(2022, 12, 6), "05.09"),
    (date(2023, 12, 13), "05.10"),
    (date(2024, 7, 23), "05.11"),
)
_SMALL_DAYS = (
    15,
    42,
    75,
    90,
    105,
    120,
    135,
    150,
    205,
    222,
    232,
    242,
    252,
    262,
    285,
    350,
)  # of the year, for the small sample


@dataclass(frozen=True)
class Overpass:
    """One product: a tile at an overpass, as processed once.

    `hazy` and `older` shape the pixels (`older`: an early processing whose correction differs a
    little), `copy_of` the item of which this one is an exact duplicate.
    """

    item_id: str
    ground: str
    acquired: datetime
    platform: str
    orbit: int
    baseline: str
    processed: datetime
    hazy: bool = False
    older: bool = False
    copy_of: str | None = None

    @property
    def add_1000(self) -> bool:
        """Whether the numbers carry the offset of baseline 04.00 and later."""
        return self.baseline >= "04.00"


def overpasses(size: str, seed: int) -> tuple[Overpass, ...]:
    """Every product of the catalogue, in order of time, then tile, then processing."""
    extent = SIZES[size]
    singles = _singles(extent, seed)
    made = _with_traps(singles, extent, seed)
    return tuple(sorted(made, key=lambda each: (each.acquired, each.item_id)))


def _singles(extent: Extent, seed: int) -> list[Overpass]:
    """One product for each tile and kept overpass."""
    made = []
    for year in range(extent.first_year, extent.last_year + 1):
        rng = chance(seed, "overpasses", year, extent.pixels)
        taken: set[tuple[date, int]] = set()
        for target in _target_days(extent, year, rng):
            day, orbit, platform = _pass_near(target, rng)
            if (day, orbit) in taken or day.year != year:
                continue
            taken.add((day, orbit))
            made += _products(day, orbit, platform, rng)
    return made


def _target_days(extent: Extent, year: int, rng: np.random.Generator) -> list[date]:
    first = date(year, 1, 1)
    if extent == SIZES["small"]:
        return [first + timedelta(days=number - 1) for number in _SMALL_DAYS]
    steps = np.concatenate(
        [
            np.arange(8, 66, 15),
            np.arange(68, 182, 10),
            np.arange(185, 275, 6),
            np.arange(283, 365, 15),
        ]
    )
    jitter = rng.uniform(-2, 2, steps.size)
    return [first + timedelta(days=int(day)) for day in steps + jitter]


def _pass_near(target: date, rng: np.random.Generator) -> tuple[date, int, str]:
    """Return the pass nearest to a day, now and then of a side orbit."""
    orbit = int(rng.choice([_BOTH, _WEST_ONLY, _EAST_ONLY], p=[0.80, 0.10, 0.10]))
    delay = timedelta(days=_ORBITS[orbit][0])
    candidates = [(_nearest(target, _FIRST_A + delay), "sentinel-2a")]
    if target > _FIRST_B + delay:
        candidates.append((_nearest(target, _FIRST_B + delay), "sentinel-2b"))
    day, platform = min(candidates, key=lambda each: abs((each[0] - target).days))
    return day, orbit, platform


def _nearest(target: date, first: date) -> date:
    cycles = max(round((target - first).days / 10), 0)
    return first + timedelta(days=10 * cycles)


def _products(day: date, orbit: int, platform: str, rng: np.random.Generator) -> list[Overpass]:
    _, time_of_day, grounds = _ORBITS[orbit]
    made = []
    for name in grounds:
        if rng.random() < 0.03:  # a tile that the archive never got
            continue
        # Tiles of one overpass are seconds apart.
        moment = datetime(day.year, day.month, day.day, *time_of_day, tzinfo=UTC)
        moment += timedelta(seconds=4 if name == "east" else 0)
        baseline = [version for since, version in _BASELINES if since <= day][-1]
        made.append(
            Overpass(
                item_id=_item_id(platform, name, day, 0),
                ground=name,
                acquired=moment,
                platform=platform,
                orbit=orbit,
                baseline=baseline,
                processed=moment + timedelta(minutes=int(rng.integers(190, 900))),
            )
        )
    return made


def _item_id(platform: str, ground: str, day: date, sequence: int) -> str:
    satellite = "S" + platform.rsplit("-", 1)[1].upper()
    return f"{satellite}_{GROUNDS[ground].tile}_{day:%Y%m%d}_{sequence}_L2A"


def _with_traps(singles: list[Overpass], extent: Extent, seed: int) -> list[Overpass]:
    """The same products with haze and doubles among them."""
    rng = chance(seed, "traps", extent.pixels)
    full = extent.pixels == SIZES["full"].pixels
    made = list(singles)

    def draw(months: tuple[int, ...], years: range, count: int) -> list[int]:
        fit = [
            index
            for index, each in enumerate(made)
            if each.acquired.month in months
            and each.acquired.year in years
            and each.orbit == _BOTH
            and each == singles[index]
            # Under full cloud a trap would never be met: such scenes are not read.
            and cloud_share(seed, each.ground, each.acquired, extent.pixels) < 0.4
        ]
        return sorted(int(each) for each in rng.choice(fit, size=count, replace=False))

    for index in draw((1, 2, 3, 4, 12), range(2016, extent.last_year + 1), 6 if full else 2):
        made[index] = replace(made[index], hazy=True)
    doubles = []
    for index in draw((2, 3, 4, 8, 11), range(2017, 2022), 4 if full else 2):
        newer = made[index]
        made[index] = replace(newer, older=True)
        doubles.append(
            replace(
                newer,
                item_id=newer.item_id.replace("_0_L2A", "_1_L2A"),
                baseline="05.00",
                processed=datetime(2023, 6, 1, tzinfo=UTC)
                + timedelta(hours=int(rng.integers(0, 8000))),
            )
        )
    for index in draw((1, 2, 3), range(2018, 2021), 1):
        copied = made[index]
        doubles.append(
            replace(
                copied,
                item_id=copied.item_id.replace("_0_L2A", "_1_L2A"),
                copy_of=copied.item_id,
            )
        )
    return made + doubles
