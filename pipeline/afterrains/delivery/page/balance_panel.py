"""What a site and its controls looked like before sowing: a row for each quantity, in plain words.

Differences are in standard deviations between sites. Beyond 0.25 a quantity is marked, as is a
variance beyond half or twice the controls': the rule of thumb that Stuart gives after Rubin (2001).

References
----------
Stuart, E. A. (2010). Matching methods for causal inference: a review and a look forward. Stat. Sci.
25, 1-21. doi:10.1214/09-STS313
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from afterrains.delivery.page.rows import Matched
from afterrains.delivery.page.seasons import SeasonNames
from afterrains.delivery.page.texts import Texts, shortened

__all__ = ["APART", "BalancePanel", "BalanceRow", "lay_balance"]

APART = 0.25
_NOISE = (0.5, 2.0)
_END = 1.0
"""Standard deviations at either end of the scale; what lies beyond gets an arrow."""
_MIDDLE, _HALF = 50.0, 44.0
_DECIMALS = {
    "dry level": {"ndvi": 3, "points": 1},
    "dry trend": {"ndvi": 4, "points": 2},
    "rains level": {"ndvi": 3, "points": 3},
    "dry response": {"ndvi": 2, "points": 2},
    "rains response": {"ndvi": 2, "points": 2},
    "rain": {"ndvi": 0, "points": 0},
    "area": {"ndvi": 1, "points": 1},
    "distance": {"ndvi": 1, "points": 1},
}


@dataclass(frozen=True)
class BalanceRow:
    """A quantity as shown; `x` places the dot on a scale of 100, None where there is none."""

    what: str
    site: str
    controls: str
    x: float | None
    beyond: int
    """-1 or 1 where the dot lies beyond the scale."""
    apart: str
    marked: bool
    noise: str


@dataclass(frozen=True)
class BalancePanel:
    """The rows, their caption, and what they come to in a sentence."""

    caption: str
    said: str
    rows: tuple[BalanceRow, ...]

    @property
    def band(self) -> tuple[float, float]:
        """Where differences that are not marked lie on the scale: start and width."""
        return _MIDDLE - _HALF * APART / _END, 2 * _HALF * APART / _END


def lay_balance(
    matched: Sequence[Matched], unit: str, names: SeasonNames, texts: Texts
) -> BalancePanel | None:
    """Lay out the rows of balance.csv of one site; None where it has none."""
    if not matched:
        return None
    places = {quantity: at for at, quantity in enumerate(_DECIMALS)}
    ordered = sorted(matched, key=lambda each: places.get(each.quantity, len(places)))
    rows = tuple(_row(each, unit, texts) for each in ordered)
    compared = sum(1 for row in rows if row.x is not None)
    marked = [row.what for row in rows if row.marked]
    said = texts("balance.none")
    if marked:
        said = texts("balance.some", n=len(marked), total=compared, which="; ".join(marked))
    elif compared:
        said = texts("balance.all", total=compared)
    return BalancePanel(texts("balance.caption", season=names.label(matched[0].as_of)), said, rows)


def _row(each: Matched, unit: str, texts: Texts) -> BalanceRow:
    of = "points" if unit == "points" else "ndvi"
    key = each.quantity.replace(" ", "_")
    name = (
        f"balance.what.{key}_{of}" if f"balance.what.{key}_{of}" in texts else f"balance.what.{key}"
    )
    decimals = _DECIMALS.get(each.quantity, {}).get(of, 2)
    scale = 0.001 if each.quantity == "distance" else 1.0  # shown in kilometres
    signed = each.quantity == "dry trend"

    def figure(value: float | None) -> str:
        if value is None:
            return texts("no_value")
        return texts.number(value * scale, decimals, signed=signed)

    apart = each.difference
    at = None if apart is None else _MIDDLE + _HALF * max(-_END, min(_END, apart)) / _END
    return BalanceRow(
        what=texts(name) if name in texts else shortened(each.quantity),
        site=figure(each.site),
        controls=figure(each.controls),
        x=None if at is None else round(at, 1),
        beyond=0 if apart is None or abs(apart) <= _END else (1 if apart > 0 else -1),
        apart=texts("no_value") if apart is None else texts.number(apart, 2, signed=True),
        marked=apart is not None and abs(apart) > APART,
        noise=_noise(each.variance_ratio, texts),
    )


def _noise(ratio: float | None, texts: Texts) -> str:
    """Whether it varied more or less than its controls, beyond the rule of thumb; else ""."""
    if ratio is None or _NOISE[0] <= ratio <= _NOISE[1]:
        return ""
    return texts("balance.noisier" if ratio > 1 else "balance.calmer")
