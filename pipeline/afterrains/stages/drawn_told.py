"""What is told of drawn ground before a run: how much was found, and that nobody has seen it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import shapely

from afterrains.delivery.drawn_layer import FILE, KeptDraw
from afterrains.programme import Drawn
from afterrains.register import Register
from afterrains.register.findings import counted, first_few

__all__ = ["Tell", "not_used", "tell_left_out", "tell_reach"]

_FEW = 5
Tell = Callable[[str, str, str], None]
"""Takes what, mend and code of a warning."""


def not_used(controls: pd.DataFrame) -> str:
    """How many drawn patches serve no site, from rows of controls.csv; "" where each does."""
    drawn = controls[controls["origin"] == "drawn"]
    idle = int((drawn["used_by"] == 0).sum())
    if not idle:
        return ""
    return (
        f"{idle} of {len(drawn)} drawn patches are compared with nothing; controls.csv tells "
        "which, and why"
    )


def tell_left_out(wanted: Drawn, draw: KeptDraw, tell: Tell) -> None:
    """Tell of patches that are to be left out and are not there."""
    unknown = sorted(set(wanted.leave_out) - set(draw.patches["site_id"]))
    if unknown:
        tell(
            f"leave_out names {first_few(unknown)}, and no patch bears that id",
            f"take the ids from {FILE} or controls.csv",
            "drawn-left-out-unknown",
        )


def tell_reach(wanted: Drawn, draw: KeptDraw, register: Register, tell: Tell) -> None:
    """Tell how much was found, and that nobody has seen it."""
    sown = register.sites[register.sites["role"] == "sown"]
    used = draw.patches[~draw.patches["site_id"].isin(wanted.leave_out)].to_crs(register.crs)
    within = np.zeros(len(sown), dtype=int)
    if len(used) and len(sown):
        hits = shapely.STRtree(sown.geometry.to_numpy()).query(
            used.geometry.to_numpy(), predicate="dwithin", distance=wanted.within_m
        )[1]
        np.add.at(within, hits, 1)
    if len(used):
        tell(
            f"{len(used)} patches of unsown ground serve as controls, and nobody has seen them: "
            "each may have been sown, farmed, fenced or settled",
            f"look at {FILE} on a map after the run, visit them, and name what is not comparable "
            "under controls.drawn.leave_out",
            "drawn-not-visited",
        )
    short = within < min(wanted.number, _FEW if len(draw.patches) >= wanted.most else wanted.number)
    if not short.any():
        return
    listed = int((register.sites["role"] == "control").sum())
    order = np.argsort(within[short], kind="stable")
    named = ", ".join(
        f"{count} at {site_id!r}"
        for site_id, count in zip(
            sown["site_id"][short].iloc[order[:5]], within[short][order[:5]], strict=True
        )
    )
    more = f" and fewer than that at {int(short.sum()) - 5} more" if short.sum() > 5 else ""
    beside = f", beside {counted(listed, 'listed control')}" if listed else ""
    if len(draw.patches) >= wanted.most:
        mend = f"raise most ({wanted.most}), or list controls in the sites file"
    else:
        mend = (
            f"raise within_m ({wanted.within_m:g}), lower apart_m ({wanted.apart_m:g}), or list "
            "controls in the sites file; scenes must cover the ground"
        )
    tell(
        f"wants {wanted.number} patches within reach of each sown site and found {named}{more}"
        f"{beside}",
        mend,
        "drawn-few",
    )
