"""Features of pixels: by hand, against scipy, and without seams between blocks."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import generic_filter

from afterrains.woody.features import (
    DEFAULT_FEATURES,
    FEATURES,
    HALO_PIXELS,
    feature_stack,
    makeable,
)

_RADAR = ("vv_ascending", "vh_ascending", "vv_descending", "vh_descending")
_BANDS = ("blue", "green", "red", "rededge1", "nir", "swir16", "swir22")
_INDICES = ("ndvi", "ndmi", "nbr2")


@pytest.fixture
def composites(rng):
    dry = {f"late_{band}_median": rng.uniform(0.05, 0.4, (30, 24)) for band in _BANDS + _RADAR}
    for prefix in ("", "late_"):
        for index in _INDICES:
            for stat in ("low", "median", "high"):
                dry[f"{prefix}{index}_{stat}"] = rng.uniform(-0.2, 0.5, (30, 24))
    rains = {"ndvi_high": rng.uniform(0.3, 0.7, (30, 24))}
    return dry, rains


def test_every_feature_can_be_made_and_is_described(composites):
    """A stack of all of them: names, order, shape, type."""
    names = makeable(*composites)
    assert set(names) == set(FEATURES)
    assert set(DEFAULT_FEATURES) <= set(makeable(composites[0], None))
    stack = feature_stack(*composites, names)
    assert stack.values.shape == (len(FEATURES), 30, 24)
    assert stack.values.dtype == np.float32
    assert np.isfinite(stack.values).all()
    assert all(feature.what and feature.inputs for feature in FEATURES.values())
    assert max(feature.reach_pixels for feature in FEATURES.values()) == HALO_PIXELS


def test_ratios_and_swing_by_hand():
    """ln(.2 / .1) = .693147; .6 - .25 = .35."""
    dry = {
        "late_nir_median": np.full((1, 1), 0.2),
        "late_rededge1_median": np.full((1, 1), 0.1),
        "late_ndvi_median": np.full((1, 1), 0.25),
    }
    names = ["late_nir_rededge", "rains_swing"]
    found = feature_stack(dry, {"ndvi_high": np.full((1, 1), 0.6)}, names)
    assert found.values.ravel() == pytest.approx([0.693147, 0.35], abs=1e-6)


@pytest.mark.parametrize(("name", "width"), [("roughness3", 3), ("roughness5", 5)])
def test_roughness_agrees_with_scipy(composites, name, width):
    """scipy.ndimage.generic_filter with numpy's std and mean, away from the rim; float32."""
    nir = composites[0]["late_nir_median"]
    theirs = generic_filter(nir, np.std, width) / generic_filter(nir, np.mean, width)
    ours = feature_stack(composites[0], None, [name]).values[0]
    inner = slice(width // 2, -(width // 2))
    np.testing.assert_allclose(ours[inner, inner], theirs[inner, inner], rtol=1e-5)


def test_blocks_with_a_halo_have_no_seams(composites):
    """Two blocks, each read with its halo, equal the whole to float32 rounding."""
    dry, rains = composites
    dry["late_nir_median"][12:15, 4:9] = np.nan
    names = makeable(dry, rains)
    whole = feature_stack(dry, rains, names).values
    for rows, kept in ((slice(0, 15 + HALO_PIXELS), slice(0, 15)),
                       (slice(15 - HALO_PIXELS, 30), slice(HALO_PIXELS, None))):  # fmt: skip
        part = feature_stack(
            {key: field[rows] for key, field in dry.items()},
            {key: field[rows] for key, field in rains.items()},
            names,
        ).values[:, kept]
        expected = whole[:, :15] if kept.start == 0 else whole[:, 15:]
        np.testing.assert_allclose(part, expected, rtol=1e-5, atol=1e-6)


def test_missing_inputs_stay_missing(composites):
    """NaN where an input is; a neighbourhood with fewer than half of its pixels known is NaN."""
    dry, rains = composites
    dry["late_red_median"][3, 3] = np.nan
    dry["late_nir_median"][10:14, 10:20] = np.nan
    dry["late_nir_median"][11, 15] = 0.2
    stack = feature_stack(dry, rains, ["late_green_red", "late_ndvi", "darkness5", "roughness3"])
    assert np.isnan(stack.values[0, 3, 3])
    assert np.isfinite(stack.values[1, 3, 3])
    assert np.isnan(stack.values[2:, 11, 15]).all()
    assert np.isfinite(stack.values[2, 20, 20])


def test_a_season_never_clear_gives_no_features(composites):
    """All NaN in, all NaN out, without a warning."""
    dry, rains = ({key: np.full_like(field, np.nan) for key, field in each.items()}
                  for each in composites)  # fmt: skip
    assert np.isnan(feature_stack(dry, rains, makeable(dry, rains)).values).all()


def test_what_cannot_be_made_is_refused(composites):
    """By name and by missing composite."""
    with pytest.raises(ValueError, match="no feature 'treeness'"):
        feature_stack(composites[0], None, ["treeness"])
    with pytest.raises(ValueError, match="rains_swing needs the composites rains:ndvi_high"):
        feature_stack(composites[0], None, ["rains_swing"])
