"""What only the looks of a season together tell: a shifted product, leftover haze, lasting masks.

The kernels are in `leftover` and `doubts`; here they meet the observations of one window and
season. A shifted product is left out whole, because its pixels cannot be mended by guessing;
leftover haze and shadow are left out pixel by pixel; ground that is masked nearly always is only
reported, because nothing can be known of it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from afterrains.scenes.doubts import always_clouded, shifted_dates
from afterrains.scenes.leftover import leftovers
from afterrains.scenes.model import Observation

__all__ = ["LEFTOVER_BANDS", "CheckedSeason", "check_season"]

LEFTOVER_BANDS = ("blue", "green")
"""The first of them that was read is tested: haze and cloud move it most, grass and wet soil least.

On the sample programme (562 looks, true sky known) blue loses fewer than 1 in 100 000 clean looks
of a pixel, and none after its fire and its clearings; red would lose 300 and short-wave infrared
2500, at green-up and where rain darkens soil. Of cloud of opacity 0.2 or more that was laid over
clean ground it finds 99 % of the looks that could be tested, where it is given the looks of the
weeks before and after too, and 60 to 90 % within one season alone; at opacity 0.1 one in ten. The
sample's own dust haze, about 0.1, moves blue by 0.01 and passes: no test of one pixel's season
tells that from the errors of a whole scene.
"""
_FEWEST_PIXELS = 50  # of ground that is clear in a look; fewer say nothing of the whole product
_USUALLY_CLEAR = 0.5  # of the looks
_ENOUGH_PIXELS = 5_000


@dataclass(frozen=True)
class CheckedSeason:
    """A season's looks after the check, in the order given."""

    looks: tuple[Observation, ...]
    """Without leftover haze and shadow; a shifted product is lost and named in `doubted`."""
    leftover: tuple[NDArray[np.bool_], ...]
    """What was taken out of each look, (y, x)."""
    tested: tuple[int, ...]
    """Clear pixels of each look that had neighbours enough to be tested."""
    always_masked: NDArray[np.bool_]
    """Ground masked on nearly every date though its surroundings are not, (y, x)."""

    @property
    def removed(self) -> dict[str, int]:
        """Pixels taken out, by the look's scenes joined with ";"; only looks that lost some."""
        counts: dict[str, int] = {}
        for look, layer in zip(self.looks, self.leftover, strict=True):
            if layer.any():
                name = ";".join(look.scene_ids)
                counts[name] = counts.get(name, 0) + int(layer.sum())
        return counts


def check_season(
    looks: Sequence[Observation], doubted: Mapping[str, str] | None = None
) -> CheckedSeason:
    """Check the looks of one window and season against each other.

    Parameters
    ----------
    looks : sequence of Observation
        In order of time, all of one window. Arrays are not changed; looks that lose nothing are
        handed on as they are.
    doubted : mapping of scene id to reason, optional
        Scenes that are left out whatever is seen of them here.

    Returns
    -------
    CheckedSeason

    Raises
    ------
    ValueError
        If the looks are not in order of time.
    """
    days = np.array([look.date.toordinal() for look in looks], dtype=np.int64)
    if np.any(np.diff(days) < 0):
        raise ValueError("looks must be in order of time")
    if not looks:
        return CheckedSeason((), (), (), np.zeros((0, 0), dtype=bool))
    known = doubted or {}
    looks = [
        _set_aside(look, known) if known.keys() & set(look.scene_ids) else look for look in looks
    ]
    kept = [
        _set_aside(look, dict.fromkeys(look.scene_ids, _reason(shift))) if shift else look
        for look, shift in zip(looks, _shifts(looks, days), strict=True)
    ]
    always = _always_masked(kept)
    shape = kept[0].clear.shape
    nothing = np.zeros(shape, dtype=bool)
    band = next(
        (b for b in LEFTOVER_BANDS if b in kept[0].reflectance and _is_known(kept, b)), None
    )
    if band is None:
        return CheckedSeason(tuple(kept), (nothing,) * len(kept), (0,) * len(kept), always)
    cube = np.stack([look.reflectance[band] for look in kept])
    found = leftovers(cube, days)
    return CheckedSeason(
        looks=tuple(
            _without(look, layer) if layer.any() else look
            for look, layer in zip(kept, found.outlier, strict=True)
        ),
        leftover=tuple(found.outlier),
        tested=tuple(int(layer.sum()) for layer in found.tested),
        always_masked=always,
    )


def _shifts(looks: Sequence[Observation], days: NDArray[np.int64]) -> NDArray[np.float64]:
    """The offset by which each look seems shifted, against the looks around it; mostly zero."""
    bands = [band for band in looks[0].reflectance if _is_known(looks, band)]
    if len(bands) < 3 or not any(band.startswith("swir") for band in bands):
        return np.zeros(len(looks))
    clear = np.stack([look.clear for look in looks])
    ground = clear.mean(axis=0) >= _USUALLY_CLEAR * clear.any(axis=(1, 2)).mean()
    levels = np.full((len(looks), len(bands)), np.nan)
    for position, look in enumerate(looks):
        seen = ground & look.clear
        if seen.sum() >= max(_FEWEST_PIXELS, ground.sum() / 2):
            for column, band in enumerate(bands):
                values = look.reflectance[band][seen]
                values = values[np.isfinite(values)]
                if values.size >= _FEWEST_PIXELS:
                    # So many tell a level to a hundredth of the shift that is looked for.
                    every = max(1, values.size // _ENOUGH_PIXELS)
                    levels[position, column] = np.median(values[::every])
    return shifted_dates(levels, days)


def _is_known(looks: Sequence[Observation], band: str) -> bool:
    return any(np.isfinite(look.reflectance[band]).any() for look in looks)


def _reason(shift: float) -> str:
    word = "not to be applied" if shift > 0 else "to be applied twice"
    return f"every band lies {shift:+.1f} off the dates around it: its offset seems {word}"


def _set_aside(look: Observation, doubted: Mapping[str, str]) -> Observation:
    """A look whose numbers cannot be trusted: all its ground is lost, and the reason is named."""
    told = tuple((scene, doubted[scene]) for scene in look.scene_ids if scene in doubted)
    return replace(
        look,
        reflectance={
            band: np.full_like(values, np.nan) for band, values in look.reflectance.items()
        },
        clear=np.zeros_like(look.clear),
        covered=np.zeros_like(look.covered),
        lost=look.lost | look.covered,
        doubted=(*look.doubted, *told),
    )


def _without(look: Observation, layer: NDArray[np.bool_]) -> Observation:
    """The look with some of its clear ground taken out."""
    return replace(
        look,
        reflectance={
            band: np.where(layer, np.float32(np.nan), values)
            for band, values in look.reflectance.items()
        },
        clear=look.clear & ~layer,
    )


def _always_masked(looks: Sequence[Observation]) -> NDArray[np.bool_]:
    covered = np.stack([look.covered for look in looks])
    masked = covered & ~np.stack([look.clear for look in looks])
    return always_clouded(
        np.asarray(masked.sum(axis=0, dtype=np.int64)),
        np.asarray(covered.sum(axis=0, dtype=np.int64)),
    )
