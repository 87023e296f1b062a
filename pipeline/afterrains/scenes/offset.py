"""Which scale and offset turn a file's numbers into reflectance, decided item by item.

From processing baseline 04.00 on, Sentinel-2 Level-2A numbers carry an additive offset of -1000,
and catalogues differ: some ship the numbers as they are, some apply the offset beforehand, some
say so in a flag, some in metadata, some not at all. The acquisition date decides nothing, because
old scenes were reprocessed. The order is:

1. the profile, where it fixes the offset;
2. a flag of the item that says the files already carry it;
3. scale and offset in the item's metadata (`raster:bands`; STAC 1.1 `bands`, `raster:scale`);
4. the processing baseline;
5. the profile's default, where it has one.

Where two of these contradict each other in a way that could shift reflectance by 0.1, the scene is
left out with the reason, not guessed.

References
----------
ESA, Sentinel-2 processing baseline 04.00 (2022): reflectance = (DN + BOA_ADD_OFFSET) / 10000.
STAC raster extension 1.1 and 2.0.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from afterrains.scenes.profile_model import OffsetRule, Values

__all__ = ["ContradictionError", "Numbers", "UndecidedError", "decide_numbers", "stated_numbers"]

_LARGEST = 1e300
_SAME = 1e-6  # offsets are multiples of 0.0001; this only absorbs decimal rounding


class ContradictionError(ValueError):
    """What an item says about its offset cannot all be true."""


class UndecidedError(ValueError):
    """Nothing says which offset holds."""


@dataclass(frozen=True)
class Numbers:
    """How a file's numbers are read: reflectance = number x scale + offset."""

    scale: float
    offset: float
    nodata: float | None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Stated:
    """What an asset's metadata state; None where they say nothing."""

    scale: float | None = None
    offset: float | None = None
    nodata: float | None = None
    resolution_m: float | None = None


def stated_numbers(asset: Mapping[str, Any]) -> Stated:
    """Scale, offset, nodata and resolution as an asset states them, STAC 1.0 or 1.1.

    Raises
    ------
    ValueError
        If a stated value is not a finite number, a scale is not above zero, or the asset holds
        several bands.
    """
    bands = asset.get("raster:bands", asset.get("bands"))
    band: Mapping[str, Any] = {}
    if bands is not None:
        if not isinstance(bands, list) or not all(isinstance(entry, Mapping) for entry in bands):
            raise ValueError("its list of bands is not a list of objects")
        if len(bands) > 1:
            raise ValueError(f"holds {len(bands)} bands in one file")
        band = bands[0] if bands else {}

    def number(*names: str) -> float | None:
        for source in (band, asset):
            for name in names:
                if source.get(name) is not None:
                    return _finite(source[name], name)
        return None

    scale = number("scale", "raster:scale")
    if scale is not None and scale <= 0:
        raise ValueError(f"its scale is {scale}, not above zero")
    return Stated(
        scale=scale,
        offset=number("offset", "raster:offset"),
        nodata=_nodata(band.get("nodata", asset.get("nodata"))),
        resolution_m=number("spatial_resolution", "raster:spatial_resolution", "gsd"),
    )


def _finite(value: Any, name: str) -> float:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if not number or not -_LARGEST < value < _LARGEST:  # not a number is not below anything
        raise ValueError(f"its {name} is {value!r:.40}, not a number")
    return float(value)


def _nodata(value: Any) -> float | None:
    """STAC allows numbers and the words nan, inf and -inf."""
    if value is None:
        return None
    if isinstance(value, str) and value in ("nan", "inf", "-inf"):
        return float(value)
    return _finite(value, "nodata")


def decide_numbers(
    values: Values, properties: Mapping[str, Any], stated: Stated, baseline: str | None
) -> Numbers:
    """Scale, offset and nodata of one band of one item; see the module's text for the order.

    Parameters
    ----------
    values : Values
        The profile's rule.
    properties : mapping
        The item's properties, for the flags.
    stated : Stated
        The asset's own metadata.
    baseline : str or None
        Processing baseline as "04.00", where the item tells it.

    Raises
    ------
    ContradictionError, UndecidedError
        With the reason in words.
    """
    scale = values.scale if stated.scale is None else stated.scale
    nodata = values.nodata if stated.nodata is None else stated.nodata
    offset, notes = _offset(values.offset, properties, stated, baseline)
    if stated.scale is not None and not math.isclose(stated.scale, values.scale, rel_tol=1e-9):
        notes = (*notes, f"scale {stated.scale:g} from metadata, {values.scale:g} in the profile")
    return Numbers(scale, offset, nodata, notes)


def _offset(
    rule: OffsetRule, properties: Mapping[str, Any], stated: Stated, baseline: str | None
) -> tuple[float, tuple[str, ...]]:
    if rule.rule == "fixed":
        assert rule.default is not None
        return rule.default, ()
    flag = _applied_flag(rule, properties)
    by_baseline = _by_baseline(rule, baseline)
    said = stated.offset
    if flag is True:
        note: tuple[str, ...] = ()
        if said is not None and abs(said) > _SAME:
            # The metadata describe the original files, the flag these ones.
            note = (f"offset {said:g} in metadata not used: a flag says it is applied already",)
        return 0.0, note
    if said is not None:
        if by_baseline is not None and abs(said - by_baseline) > _SAME:
            flagged = " and a flag says it is not applied" if flag is False else ""
            raise ContradictionError(
                f"metadata give offset {said:g}, processing baseline {baseline} means "
                f"{by_baseline:g}{flagged}"
            )
        return said, ()
    if by_baseline is not None:
        return by_baseline, ()
    if rule.default is not None:
        return rule.default, ()
    raise UndecidedError("no flag, no offset in its metadata and no processing baseline")


def _applied_flag(rule: OffsetRule, properties: Mapping[str, Any]) -> bool | None:
    flags = {properties[name] for name in rule.applied_flags if _is_flag(properties.get(name))}
    if len(flags) > 1:
        raise ContradictionError("two flags disagree on whether the offset is applied already")
    return flags.pop() if flags else None


def _is_flag(value: Any) -> bool:
    return isinstance(value, bool)


def _by_baseline(rule: OffsetRule, baseline: str | None) -> float | None:
    if rule.baseline is None or baseline is None:
        return None
    # "04.00" and "99.99" (a test baseline of the agency) compare as text: two digits each.
    return rule.baseline.after if baseline >= rule.baseline.from_ else rule.baseline.before
