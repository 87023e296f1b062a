"""Masks by class, by bit, and widened in metres."""

from __future__ import annotations

import numpy as np
import pytest

from afterrains.scenes import Profiles
from afterrains.scenes.clear import has_bits, read_mask, widen
from afterrains.scenes.profile_model import BitMask, ClassMask


@pytest.fixture
def scl(profiles: Profiles) -> ClassMask:
    rule = profiles.by_id["sentinel-2-l2a"].mask
    assert isinstance(rule, ClassMask)
    return rule


@pytest.fixture
def qa_pixel(profiles: Profiles) -> BitMask:
    rule = profiles.by_id["landsat-c2-l2"].mask
    assert isinstance(rule, BitMask)
    return rule


def test_scene_classification(scl: ClassMask):
    """ESA's twelve classes: vegetation 4, not vegetated 5, unclassified 7 are clear land."""
    codes = np.arange(13, dtype=np.uint8).reshape(1, 13)  # 12 is no class
    found = read_mask(codes, scl, pixel_m=(20, 20), widen_m=0)
    assert np.flatnonzero(found.clear).tolist() == [4, 5, 7]
    assert np.flatnonzero(~found.covered).tolist() == [0]
    assert found.counts["thin_cirrus"] == 1
    assert sum(found.counts.values()) == 12


@pytest.mark.parametrize(
    ("value", "covered", "clear", "flags"),
    [
        # USGS Collection 2 QA_PIXEL values; the bits worked out by hand.
        (1, False, False, {"fill"}),
        (21824, True, True, set()),
        (21952, True, False, {"water"}),
        (22280, True, False, {"cloud"}),
        (23888, True, False, {"cloud_shadow"}),
        (30048, True, False, {"snow"}),
        (55052, True, False, {"cloud", "cirrus"}),
    ],
)
def test_qa_pixel_values(
    qa_pixel: BitMask, value: int, covered: bool, clear: bool, flags: set[str]
):
    """21824 is clear land; 23888 is cloud shadow although its "clear" bit 6 is set."""
    codes = np.full((1, 1), value, dtype=np.uint16)
    found = read_mask(codes, qa_pixel, pixel_m=(30, 30), widen_m=0)
    assert (bool(found.covered[0, 0]), bool(found.clear[0, 0])) == (covered, clear)
    assert {name for name, count in found.counts.items() if count} == flags


def test_shadow_passes_the_clear_bit():
    """Why bit 6 is not used: it is set in 23888, a cloud shadow."""
    codes = np.array([[23888, 22280]], dtype=np.uint16)
    assert has_bits(codes, 6).tolist() == [[True, False]]
    assert has_bits(codes, 4).tolist() == [[True, False]]


def test_widening_is_a_disk_in_metres():
    """By hand: at 10 m, within 20 m of one pixel lie 13 pixel centres; the far one is at 20 m."""
    mask = np.zeros((9, 9), dtype=bool)
    mask[4, 4] = True
    wide = widen(mask, (10, 10), 20)
    assert wide.sum() == 13
    assert wide[4, 2]
    assert not wide[2, 2]
    assert widen(mask, (10, 10), 19.9).sum() == 9
    # Pixels twice as wide: two to each side upwards, one sideways, and the four beside it.
    assert widen(mask, (10, 20), 20).sum() == 7


def test_widening_by_nothing_and_of_nothing():
    mask = np.eye(3, dtype=bool)
    assert np.array_equal(widen(mask, (10, 10), 0), mask)
    assert not widen(np.zeros((3, 3), dtype=bool), (10, 10), 60).any()
    with pytest.raises(ValueError, match="widened by -1"):
        widen(mask, (10, 10), -1)


def test_only_cloud_and_shadow_are_widened(scl: ClassMask):
    """Ground beside water, snow or missing data is as good as any; beside cloud it is not."""
    codes = np.full((5, 15), 5, dtype=np.uint8)
    codes[2, 2], codes[2, 7], codes[2, 12] = 6, 0, 9
    found = read_mask(codes, scl, pixel_m=(20, 20), widen_m=20)
    assert found.clear[2, [1, 3, 6, 8]].all()
    assert not found.clear[2, [11, 13]].any()
    assert found.counts["widened"] == 4


def test_bits_of_unsigned_and_signed_numbers():
    codes = np.array([[1 << 15]], dtype=np.uint16)
    assert has_bits(codes, 15).item() is True
    assert has_bits(codes, 0).item() is False
