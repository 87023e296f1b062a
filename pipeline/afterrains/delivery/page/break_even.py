"""Sowing against planting: at what survival of a seed both cost the same, in words and figures."""

from __future__ import annotations

import math
from dataclasses import dataclass

from afterrains.delivery.page.facts import money_text
from afterrains.delivery.page.folder import Folder
from afterrains.delivery.page.rows import BreakEven
from afterrains.delivery.page.texts import Texts
from afterrains.delivery.page.ways import level_words

__all__ = ["BreakEvenRow", "EvenPoint", "lay_break_even"]

_FIGURES = 2
"""Figures that are shown: the costs behind them are rounder still."""


@dataclass(frozen=True)
class BreakEvenRow:
    """A way of sowing, as the table shows it."""

    label: str
    seed_cost: str
    survival: str
    share: str
    trees: str
    per_ha: str


@dataclass(frozen=True)
class EvenPoint:
    """What the break-even means, what it is worked out from, and the ways of sowing."""

    meaning: str
    sources: str
    rows: tuple[BreakEvenRow, ...]


def lay_break_even(folder: Folder, currency: str, texts: Texts) -> EvenPoint | None:
    """The break-even of all sowings in a sentence, and by way; None without break_even.csv.

    Ways of a single site are left out, as in the table of ways.
    """
    found = folder.break_even
    if not found:
        return None
    sites = {(each.factor, each.level): each.sites for each in folder.costs or ()}
    whole = next((each for each in found if each.factor == "all"), found[0])
    shown = [each for each in found if sites.get((each.factor, each.level), 2) > 1]
    return EvenPoint(
        meaning=_meaning(whole, texts),
        sources=texts(
            "even.sources",
            seedling=_money(whole.seedling_cost, currency, texts),
            survival=texts.number(whole.seedling_survival),
            years=_figures(whole.years, texts),
            tree=_money(whole.per_planted_tree, currency, texts),
            seed=_money(whole.seed_cost, currency, texts),
        ),
        rows=tuple(_row(each, currency, texts) for each in shown),
    )


def _meaning(row: BreakEven, texts: Texts) -> str:
    trees = ""
    if row.trees_per_ha is not None:
        trees = " " + texts(
            "even.trees",
            trees=_figures(row.trees_per_ha, texts),
            years=_figures(row.years, texts),
        )
    if row.survival_percent is None or row.share_percent is None:
        return texts("even.unknown") + trees
    if row.share_percent > 100:
        return texts("even.never") + trees
    one_in = 100 / row.survival_percent if row.survival_percent else math.inf
    return (
        texts(
            "even.meaning",
            one_in=texts.number(float(f"{one_in:.3g}"), 0)
            if math.isfinite(one_in)
            else texts("no_value"),
            survival=_figures(row.survival_percent, texts),
            years=_figures(row.years, texts),
            share=_figures(row.share_percent, texts),
        )
        + trees
    )


def _row(row: BreakEven, currency: str, texts: Texts) -> BreakEvenRow:
    name = f"compare.factor.{row.factor}"
    label = level_words(row.factor, row.level, texts)
    if row.factor != "all" and name in texts:
        label = texts("even.of", factor=texts(name), level=label)
    return BreakEvenRow(
        label=label,
        seed_cost=_money(row.seed_cost, currency, texts),
        survival=_percent(row.survival_percent, texts),
        share=_percent(row.share_percent, texts),
        trees=texts("no_value") if row.trees_per_ha is None else _figures(row.trees_per_ha, texts),
        per_ha=money_text(row.cost_per_sown_ha, currency, texts),
    )


def _percent(value: float | None, texts: Texts) -> str:
    if value is None:
        return texts("no_value")
    return texts("choices.percent", value=_figures(value, texts))


def _money(value: float | None, currency: str, texts: Texts) -> str:
    """Money to two figures at least: a seed costs little."""
    return money_text(value, currency, texts, decimals=_decimals(value or 0.0))


def _figures(value: float, texts: Texts) -> str:
    """A number to two figures; whole where it is larger."""
    decimals = _decimals(value)
    return texts.number(float(f"{value:.{_FIGURES}g}"), decimals)


def _decimals(value: float) -> int:
    """Decimals that two figures of a number need; none behind a whole one."""
    _, _, behind = f"{float(f'{value:.{_FIGURES}g}'):.9f}".rstrip("0").partition(".")
    return len(behind)
