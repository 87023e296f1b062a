"""Radar among a model's features: which it has, and whether they earn their place.

A model is fitted with and without radar to the same plots, on the same places held out. Radar stays
only where it takes off more of the error than one standard error of what it takes off, for it costs
ground and seasons: where the satellite did not come, a model that needs it tells nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from afterrains.errors import InputError
from afterrains.woody.features import radar_features
from afterrains.woody.fitting import earns_its_place, fit
from afterrains.woody.model import RadarTrial, WoodyModel
from afterrains.woody.validation import score

__all__ = ["LEAST_SHARE", "try_radar"]

LEAST_SHARE = 0.8
"""Share of the plots without radar that must have it; else it is not tried."""


@dataclass(frozen=True)
class _Tried:
    tracks: tuple[str, ...]
    model: WoodyModel
    beside: WoodyModel
    """Without radar, of the same plots."""

    @property
    def rmse(self) -> float:
        return _rmse(self.model)


def try_radar(
    base: WoodyModel,
    plots: pd.DataFrame,
    features: pd.DataFrame,
    tracks: Sequence[str],
    *,
    seed: int = 1,
) -> WoodyModel:
    """The model without radar, or one with it where radar earns its place; both tell of the trial.

    Parameters
    ----------
    base : WoodyModel
        Fitted without radar, to all the plots that it can use.
    plots, features : DataFrame
        Row by row, as `gather` gives them, for the features of `base` and those of radar.
    tracks : sequence of str
        Of the radar, one for each direction at most. Each is tried alone, and all together; VH
        alone, and with its ratio to VV.
    seed : int
        As for `fit`.
    """
    tried: list[_Tried] = []
    least = LEAST_SHARE * len(base.scores)
    most = 0
    for chosen, radar in _choices(tracks):
        names = (*base.features, *radar)
        has = features[list(names)].notna().all(axis=1).to_numpy()
        most = max(most, int(has.sum()))
        if has.sum() < least:
            continue
        mine, theirs = plots[has].reset_index(drop=True), features[has].reset_index(drop=True)
        try:
            model = fit(mine, theirs, names=names, seed=seed)
            beside = fit(mine, theirs, names=base.features, seed=seed)
        except InputError:
            continue
        tried.append(_Tried(tuple(chosen), model, beside))
    if not tried:
        why = f"only {most} of {len(base.scores)} plots have radar"
        return replace(base, radar=RadarTrial(tuple(tracks), most, np.nan, np.nan, False, why))
    best = min(tried, key=lambda each: each.rmse)
    kept = _earned(best)
    why = (
        "it takes off more error than one standard error of what it takes off"
        if kept
        else "it takes off no more error than chance would"
    )
    trial = RadarTrial(
        best.tracks, len(best.model.scores), _rmse(best.beside), best.rmse, kept, why
    )
    return replace(best.model if kept else base, radar=trial)


def _choices(tracks: Sequence[str]) -> Iterator[tuple[tuple[str, ...], tuple[str, ...]]]:
    """Tracks and features: each track alone, then all; VH alone, then with its ratio to VV."""
    alone = [(track,) for track in tracks]
    for chosen in [*alone, tuple(tracks)] if len(tracks) > 1 else alone:
        names = radar_features(chosen)
        yield chosen, tuple(name for name in names if not name.startswith("vh_vv_"))
        yield chosen, names


def _earned(tried: _Tried) -> bool:
    """The rule by which trees earn their place, on errors in the scale of the model without."""
    with_it, without = tried.model.training, tried.beside.training
    by = tried.beside.scale.at(without["held_out"].to_numpy(np.float64))
    left, right = (
        (table["cover"] - table["held_out"]).to_numpy(np.float64) / by
        for table in (without, with_it)
    )
    return earns_its_place(left, right, without["place"].to_numpy(np.int64))


def _rmse(model: WoodyModel) -> float:
    table = model.training
    return score(table["held_out"].to_numpy(float), table["cover"].to_numpy(float)).rmse
