"""When which site can be answered: a column of site numbers for each season, past and to come."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from afterrains.delivery.page.folder import Folder
from afterrains.delivery.page.rows import Judged
from afterrains.delivery.page.seasons import SeasonNames
from afterrains.delivery.page.sites import SiteRef
from afterrains.delivery.page.texts import Texts

__all__ = ["AnswerColumn", "lay_answers"]

_ANSWERS = ("gain", "loss", "no-gain")
_MOST = 12


@dataclass(frozen=True)
class AnswerColumn:
    """The sites that a season answers; `kind` is "past", "coming" or "open"."""

    kind: str
    label: str
    count: int
    refs: tuple[SiteRef, ...]
    more: int


def lay_answers(
    folder: Folder, refs: Mapping[str, SiteRef], names: SeasonNames, texts: Texts
) -> tuple[AnswerColumn, ...]:
    """Columns from the oldest answer to the latest to come, and last the sites without any.

    From answer_calendar.csv; where it is not there, from the verdicts and their history.
    """
    past: dict[str, list[SiteRef]] = {}
    coming: dict[str, list[SiteRef]] = {}
    without: list[SiteRef] = []
    for judged in folder.verdicts:
        state, season = _state(judged, folder)
        ref = refs[judged.site_id]
        if state == "answered":
            past.setdefault(season, []).append(ref)
        elif season:
            coming.setdefault(season, []).append(ref)
        else:
            without.append(ref)
    columns = [
        _column(kind, names.years(season), found[season])
        for kind, found in (("past", past), ("coming", coming))
        for season in sorted(found, key=names.order)
    ]
    if without:
        columns.append(_column("open", texts("answers.open"), without))
    return tuple(columns)


def _state(judged: Judged, folder: Folder) -> tuple[str, str]:
    known = (folder.answers or {}).get(judged.site_id)
    if known:
        return known.state, known.answered_since if known.state == "answered" else known.answer_by
    if judged.verdict not in _ANSWERS:
        return "waiting", judged.answer_by
    since = judged.as_of
    for earlier in reversed(folder.history.get(judged.site_id, ())):
        if earlier.verdict not in _ANSWERS:
            break
        since = earlier.as_of
    return "answered", since


def _column(kind: str, label: str, refs: list[SiteRef]) -> AnswerColumn:
    return AnswerColumn(kind, label, len(refs), tuple(refs[:_MOST]), max(0, len(refs) - _MOST))
