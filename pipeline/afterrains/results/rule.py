"""What else is frozen beside the judging rule: how values are measured, and on which controls."""

from __future__ import annotations

import hashlib
from typing import Any

import geopandas as gpd

from afterrains.evidence.likeness import FEWEST_SEASONS, OTHER_GROUND, WIDTH
from afterrains.programme import Programme
from afterrains.results.panel import DEAD_GRASS_INDEX, MIN_CLEAR_DATES, OUTCOME_INDEX
from afterrains.signals.season_values import LATE_DAYS

__all__ = ["measuring_rule"]


def measuring_rule(
    programme: Programme, sites: gpd.GeoDataFrame, model_digest: str | None
) -> dict[str, Any]:
    """The measuring rule as plain values, for the specification.

    Parameters
    ----------
    programme : Programme
    sites : GeoDataFrame
        The register's, with controls that were drawn. Other controls are another comparison, so
        they are told by a digest of their ids and outlines; sown sites may be added.
    model_digest : str or None
        SHA-256 of the woody-cover model; None where greenness is judged.
    """
    controls = sites[sites["role"] == "control"].sort_values("site_id")
    digest = hashlib.sha256()
    for site_id, outline in zip(controls["site_id"], controls.geometry, strict=True):
        digest.update(site_id.encode() + b"\0" + outline.normalize().wkb)
    return {
        "measured": {
            "index": OUTCOME_INDEX,
            "guard_index": DEAD_GRASS_INDEX,
            "window": f"last {LATE_DAYS} days of a dry season, dates that sites share",
            "fewest_clear_dates": dict(MIN_CLEAR_DATES),
            "woody_model_sha256": model_digest,
            "collections": sorted(programme.scenes.collections),
            "record_from": programme.scenes.start.isoformat(),
            "most_cloud_percent": programme.scenes.max_cloud_percent,
            "pixel_m": programme.grid.resolution_m,
            "inner_margin_m": programme.grid.margin_m,
            "mask_dilation_m": programme.scenes.mask_dilation_m,
            "seasons": programme.seasons.model_dump(mode="json", by_alias=True),
        },
        "compared_with": {
            "choose": programme.controls.choose,
            "left_out_within_m_of_sown_ground": programme.controls.spill_over_m,
            "controls": len(controls),
            "controls_sha256": digest.hexdigest(),
            **_drawing_rule(programme),
        },
    }


def _drawing_rule(programme: Programme) -> dict[str, Any]:
    """How unsown ground was drawn, and which of it is compared with; nothing without a draw."""
    drawing = programme.controls.drawing
    if drawing is None:
        return {}
    told = drawing.model_dump(mode="json", exclude={"leave_out"})
    told["left_out"] = sorted(drawing.leave_out)
    told["comparable"] = (
        f"before the first sowing near it, over {FEWEST_SEASONS} dry seasons or more, in each of "
        f"{', '.join(OTHER_GROUND)} within {WIDTH:g} standard deviations of the sown sites' range"
    )
    return {"drawn": told}
