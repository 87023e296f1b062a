"""How a sown site is named everywhere on the page: its number, its anchor, its short name."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from afterrains.delivery.page.next_step import NextStep, Verdict, chosen_step, next_step
from afterrains.delivery.page.rows import Choice, Judged
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
    rank: int
    """Place among the sites to sow again; 0 for the others."""


def refer_to(
    verdicts: Iterable[Judged], choices: Mapping[str, Choice] | None = None
) -> dict[str, SiteRef]:
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
            rank=_rank((choices or {}).get(judged.site_id)),
            step=_step(judged, (choices or {}).get(judged.site_id)),
        )
        for number, judged in enumerate(verdicts, start=1)
    }


def _step(judged: Judged, choice: Choice | None) -> NextStep:
    """The step that was chosen with costs and rain known, else the one that the verdict gives."""
    chosen = chosen_step(choice.choice, choice.until) if choice else None
    return chosen or next_step(
        judged.verdict, judged.reason, judged.answer_by, judged.seasons_since_sowing
    )


def _rank(choice: Choice | None) -> int:
    return (choice.rank or 0) if choice else 0
