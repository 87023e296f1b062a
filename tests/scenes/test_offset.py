"""Offsets decided item by item: references are ESA's notice on baseline 04.00 and the STAC rule."""

from __future__ import annotations

from typing import Any

import pytest

from afterrains.scenes import Profiles
from afterrains.scenes.offset import (
    ContradictionError,
    UndecidedError,
    decide_numbers,
    stated_numbers,
)
from afterrains.scenes.profile_model import OffsetRule, Values

FLAG = "earthsearch:boa_offset_applied"


@pytest.fixture
def values(profiles: Profiles) -> Values:
    profile = profiles.of("sentinel-2-l2a")
    assert profile is not None
    return profile.values


@pytest.mark.parametrize(
    ("flag", "said", "baseline", "offset"),
    [
        (None, None, "03.01", 0.0),
        (None, None, "04.00", -0.1),
        (None, None, "05.11", -0.1),
        (None, -0.1, "05.10", -0.1),
        (None, -0.1, None, -0.1),
        (None, 0.0, None, 0.0),
        (None, 0.0, "02.14", 0.0),
        (True, None, "05.10", 0.0),
        (True, 0.0, "05.10", 0.0),
        # The metadata describe the agency's files, the flag the catalogue's own copies.
        (True, -0.1, "05.10", 0.0),
        (False, None, "04.00", -0.1),
        (False, -0.1, "04.00", -0.1),
        (False, 0.0, "02.14", 0.0),
    ],
)
def test_flag_then_metadata_then_baseline(
    values: Values, flag: bool | None, said: float | None, baseline: str | None, offset: float
):
    """By hand from the order of the rules; offset -1000 x 0.0001 from baseline 04.00 on (ESA)."""
    asset: dict[str, Any] = {} if said is None else {"raster:bands": [{"offset": said}]}
    properties = {} if flag is None else {FLAG: flag}
    found = decide_numbers(values, properties, stated_numbers(asset), baseline)
    assert (found.scale, found.offset, found.nodata) == (0.0001, offset, 0)


@pytest.mark.parametrize(
    ("flag", "said", "baseline"),
    [
        # Seen in real catalogues in 2025: both say "not applied" while the files were shifted.
        (False, 0.0, "05.11"),
        (None, 0.0, "04.00"),
        (None, -0.1, "03.01"),
        (None, -0.7, "04.00"),
    ],
)
def test_contradictions_are_never_guessed(
    values: Values, flag: bool | None, said: float, baseline: str
):
    """Reflectance would be off by at least 0.1 if the wrong one were believed."""
    properties = {} if flag is None else {FLAG: flag}
    stated = stated_numbers({"raster:bands": [{"offset": said}]})
    with pytest.raises(ContradictionError, match=f"processing baseline {baseline}"):
        decide_numbers(values, properties, stated, baseline)


def test_two_flags_that_disagree(values: Values):
    properties = {FLAG: True, "sentinel:boa_offset_applied": False}
    with pytest.raises(ContradictionError, match="two flags disagree"):
        decide_numbers(values, properties, stated_numbers({}), "05.10")


def test_nothing_known_is_undecided(values: Values):
    """A date would decide it, and wrongly: old scenes were reprocessed."""
    with pytest.raises(UndecidedError, match="no processing baseline"):
        decide_numbers(values, {}, stated_numbers({}), None)


def test_profile_can_fix_the_offset():
    """A user's own profile has the first word."""
    values = Values(scale=0.0001, offset=OffsetRule(rule="fixed", default=0.0))
    stated = stated_numbers({"raster:bands": [{"offset": -0.1}]})
    assert decide_numbers(values, {FLAG: False}, stated, "05.10").offset == 0.0


def test_unused_metadata_and_other_scales_leave_a_note(values: Values):
    stated = stated_numbers({"raster:bands": [{"offset": -0.1, "scale": 0.0002}]})
    notes = decide_numbers(values, {FLAG: True}, stated, "05.10").notes
    assert any("not used" in note for note in notes)
    assert any("0.0002 from metadata" in note for note in notes)


@pytest.mark.parametrize(
    "asset",
    [
        {
            "raster:bands": [
                {"scale": 0.0001, "offset": -0.1, "nodata": 0, "spatial_resolution": 10}
            ]
        },
        {"bands": [{"raster:scale": 0.0001, "raster:offset": -0.1, "nodata": 0}], "gsd": 10},
        {
            "raster:scale": 0.0001,
            "raster:offset": -0.1,
            "nodata": 0,
            "raster:spatial_resolution": 10,
        },
    ],
)
def test_stac_1_0_and_1_1_state_the_same(asset: dict[str, Any]):
    """STAC 1.1 moved raster:bands into bands, and shared values up to the asset."""
    found = stated_numbers(asset)
    assert (found.scale, found.offset, found.nodata, found.resolution_m) == (0.0001, -0.1, 0, 10)


@pytest.mark.parametrize(
    ("asset", "words"),
    [
        ({"raster:bands": [{"scale": "0.0001"}]}, "scale"),
        ({"raster:bands": [{"scale": True}]}, "scale"),
        ({"raster:bands": [{"scale": 0}]}, "above zero"),
        ({"raster:bands": [{"offset": float("nan")}]}, "offset"),
        ({"raster:bands": [{"nodata": "none"}]}, "nodata"),
        ({"raster:bands": [{}, {}, {}]}, "3 bands"),
        ({"raster:bands": {"scale": 1}}, "list"),
        ({"bands": ["red"]}, "list"),
    ],
)
def test_broken_values_are_told(asset: dict[str, Any], words: str):
    with pytest.raises(ValueError, match=words):
        stated_numbers(asset)
