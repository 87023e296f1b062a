"""What became of the looks: counts for the manifest, and what of them a reader must be told.

Ground that no scene covers, ground that is covered but masked, and ground whose scene could not be
read are counted apart, as are haze and shadow that the masks missed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import pandas as pd

from afterrains.signals.looks import SHARES

__all__ = ["LookCounts", "look_notes"]

_WORTH_TELLING = 0.01  # of a site: less is a few pixels at its edge


class LookCounts:
    """The counts of a run, from the rows of looks.csv as they pass by."""

    def __init__(self) -> None:
        self._ground = dict.fromkeys(SHARES, 0.0)
        self._sites: dict[str, dict[str, Any]] = {}
        self._leftover: dict[str, float] = {}

    def add(self, looks: pd.DataFrame) -> None:
        """Count rows; all of a site must be among them."""
        shares = looks[list(SHARES)]
        ground = shares.mul(looks["pixels"], axis=0)
        for kind in SHARES:
            self._ground[kind] += float(ground[kind].sum())
        by_site = shares.groupby(looks["site_id"])
        counts = by_site.size().tolist()
        for (site, row), n in zip(by_site.mean().round(4).iterrows(), counts, strict=True):
            self._sites[str(site)] = {"looks": n, **{kind: float(row[kind]) for kind in SHARES}}
        for scene, pixels in ground["leftover"].groupby(looks["scene_id"]).sum().items():
            if pixels > 0:
                name = str(scene)
                self._leftover[name] = self._leftover.get(name, 0.0) + float(pixels)

    def told(
        self,
        doubted: Iterable[tuple[str, str]],
        always_masked: Iterable[tuple[str, str, float]],
    ) -> dict[str, Any]:
        """All of it as plain values in a fixed order.

        Parameters
        ----------
        doubted : iterable of (scene_id, reason)
            Scenes left out because their numbers contradict their metadata; more than once will do.
        always_masked : iterable of (site_id, season, share)
            Share of a site's polygon that was masked on nearly every date of a season.

        Returns
        -------
        dict
            `looks` (rows), `pixels` (ground of all looks by kind, in pixels), `sites` (looks of
            each site and the mean share of each kind), `leftover_pixels` by scene,
            `scenes_left_out` and `always_masked`.
        """
        return {
            "looks": sum(site["looks"] for site in self._sites.values()),
            "pixels": {kind: round(pixels, 1) for kind, pixels in self._ground.items()},
            "sites": dict(sorted(self._sites.items())),
            "leftover_pixels": {
                scene: round(pixels, 1) for scene, pixels in sorted(self._leftover.items())
            },
            "scenes_left_out": [
                {"scene_id": scene, "reason": reason} for scene, reason in sorted(set(doubted))
            ],
            "always_masked": [
                {"site_id": site, "season": season, "share": round(share, 4)}
                for site, season, share in sorted(set(always_masked))
                if share >= _WORTH_TELLING
            ],
        }


def look_notes(counts: Mapping[str, Any]) -> tuple[str, ...]:
    """Sentences for whoever reads a run's end; nothing where all is as it should be."""
    notes = [
        f"left out  {entry['scene_id']}: {entry['reason']}" for entry in counts["scenes_left_out"]
    ]
    pixels = counts["pixels"]
    seen = pixels["clear"] + pixels["leftover"]
    if pixels["leftover"]:
        share = 100 * pixels["leftover"] / seen
        notes.append(
            f"haze or shadow that the masks missed was taken out of {share:.2g} % of the clear "
            "ground; looks.csv tells where and when"
        )
    patches = counts["always_masked"]
    for site in dict.fromkeys(entry["site_id"] for entry in patches):
        most = max(entry["share"] for entry in patches if entry["site_id"] == site)
        notes.append(
            f"site {site}: up to {100 * most:.0f} % of it is masked on nearly every date, though "
            "the ground around is not (bright soil taken for cloud, "
            "lasting mist, water, steep shade); what is "
            "left of it may be greener than the whole"
        )
    return tuple(notes)
