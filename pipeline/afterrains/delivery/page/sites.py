"""How a sown site is named everywhere on the page: its number, its anchor, its short name."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass

from afterrains.delivery.page.next_step import NextStep, Verdict, next_step
from afterrains.delivery.page.rows import Judged
from afterrains.delivery.page.texts import LONGEST_SHOWN, one_line, shortened

__all__ = ["SiteRef", "refer_to"]


@dataclass(frozen=True)
class SiteRef:
    """A sown site as the page refers to it."""

    number: int
    """Its place in the order of site ids: on the maps, in the table, on its sheet."""
    site_id: str
    anchor: str
    """A fragment made from the id's digest: foreign text never becomes an address."""
    name: str
    """The name, or the id where there is none, cut to what a line takes."""
    full_name: str
    """The whole name where `name` had to be cut, else ""."""
    hover: str
    """The name for places that cannot fence off direction marks."""
    verdict: Verdict
    step: NextStep


def refer_to(verdicts: Iterable[Judged]) -> dict[str, SiteRef]:
    """A reference for each sown site, by site_id, in the order given."""
    return {
        judged.site_id: SiteRef(
            number=number,
            site_id=shortened(judged.site_id),
            anchor=f"site-{hashlib.sha256(judged.site_id.encode()).hexdigest()[:12]}",
            name=shortened(judged.name) or shortened(judged.site_id),
            full_name=judged.name if len(judged.name) > LONGEST_SHOWN else "",
            hover=one_line(judged.name) or one_line(judged.site_id),
            verdict=judged.verdict,
            step=next_step(
                judged.verdict, judged.reason, judged.answer_by, judged.seasons_since_sowing
            ),
        )
        for number, judged in enumerate(verdicts, start=1)
    }
