"""One pass over one window: merging, gaps, and what could not be read."""

from __future__ import annotations

import pickle
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from affine import Affine
from numpy.typing import NDArray
from odc.geo.geobox import GeoBox
from rasterio.warp import transform as warp

from afterrains.scenes import BandAsset, Observation, Overpass, Patience, Profiles, Scene
from afterrains.scenes import read_overpass as _read_overpass

MakeScene = Callable[..., Scene]
Writer = Callable[..., Path]
SIZE = 40
TOP = 1_600_000.0


def window(rows: int = SIZE, columns: int = SIZE, left: float = 500_000) -> GeoBox:
    return GeoBox((rows, columns), Affine(10, 0, left, 0, -10, TOP), "EPSG:32631")


def look(scenes: list[Scene], geobox: GeoBox, profiles: Profiles, **settings: Any) -> Observation:
    overpass = Overpass(date(2020, 1, 14), "sentinel-2a", "pass", tuple(scenes))
    settings = {"dilation_m": 0.0, "patience": Patience(2, 0.0), **settings}
    bands = settings.pop("bands", ("red", "nir"))
    return _read_overpass(overpass, geobox, bands, profiles, **settings)


@pytest.fixture
def tile(write_tif: Writer, scene: MakeScene) -> Callable[..., Scene]:
    """Write a tile of red, nir (10 m) and scl (20 m) and give its scene."""

    def _tile(
        name: str,
        *,
        red: NDArray[Any] | int = 1000,
        nir: NDArray[Any] | int = 3000,
        scl: NDArray[Any] | int = 5,
        left: float = 500_000.0,
        top: float = TOP,
        pixels: int = SIZE,
        crs: str = "EPSG:32631",
        offset: float = 0.0,
        **changes: Any,
    ) -> Scene:
        def band(value: NDArray[Any] | int, side: int, dtype: str) -> NDArray[Any]:
            return np.full((side, side), value, dtype) if isinstance(value, int) else value

        place: Mapping[str, Any] = {"left": left, "top": top, "crs": crs}
        files = {
            "red": write_tif(f"{name}/red.tif", band(red, pixels, "uint16"), **place),
            "nir": write_tif(f"{name}/nir.tif", band(nir, pixels, "uint16"), **place),
            "scl": write_tif(
                f"{name}/scl.tif", band(scl, pixels // 2, "uint8"), resolution=20, **place
            ),
        }
        bands = {
            key: BandAsset(str(path), 1.0 if key == "scl" else 1e-4, offset, 0, None)
            for key, path in files.items()
        }
        return scene(name, bands=bands, **changes)

    return _tile


def test_reflectance_of_one_tile(tile: Callable[..., Scene], profiles: Profiles):
    """DN 1000 and 3000 at 1/10000; 20 m classes cover four 10 m pixels each."""
    scl = np.full((SIZE // 2, SIZE // 2), 5, np.uint8)
    scl[0, 0], scl[0, 1], scl[0, 2] = 8, 0, 6
    seen = look([tile("a", scl=scl)], window(), profiles)
    assert seen.scene_ids == ("a",)
    assert seen.unreadable == ()
    assert seen.clear.sum() == SIZE**2 - 12
    assert seen.covered.sum() == SIZE**2 - 4
    assert not seen.lost.any()
    assert seen.mask_counts["cloud_medium_probability"] == 4
    assert np.isnan(seen.reflectance["red"][~seen.clear]).all()
    np.testing.assert_allclose(seen.reflectance["red"][seen.clear], 0.1, rtol=1e-6)
    np.testing.assert_allclose(seen.reflectance["nir"][seen.clear], 0.3, rtol=1e-6)
    assert seen.reflectance["red"].dtype == np.float32


def test_three_kinds_of_nothing_are_kept_apart(tile: Callable[..., Scene], profiles: Profiles):
    """Beside the tile nothing covers; under cloud it is covered; both are no reading failure."""
    scl = np.full((SIZE // 2, SIZE // 2), 9, np.uint8)
    seen = look([tile("a", scl=scl)], window(SIZE, 2 * SIZE), profiles)
    assert seen.covered[:, :SIZE].all()
    assert not seen.covered[:, SIZE:].any()
    assert not seen.clear.any()
    assert not seen.lost.any()
    assert seen.scene_ids == ("a",)


def test_unreadable_mask_makes_the_scene_unusable(
    tile: Callable[..., Scene], profiles: Profiles, footprint: Callable[..., dict[str, Any]]
):
    """Nothing is clear, the ground in its frame counts as lost, and the scene is named."""
    frame = footprint(500_000, TOP - 400, 500_200, TOP)
    broken = tile("broken", footprint=frame)
    Path(broken.bands["scl"].href).write_bytes(b"II*\0 no raster")
    seen = look([broken], window(), profiles)
    assert not seen.clear.any()
    assert not seen.covered.any()
    assert [(scene_id, band) for scene_id, band, _ in seen.unreadable] == [("broken", "scl")]
    assert seen.lost[:, :19].all()
    assert not seen.lost[:, 22:].any()
    assert seen.scene_ids == ()


def test_lost_ground_that_another_tile_shows_is_not_lost(
    tile: Callable[..., Scene], profiles: Profiles, footprint: Callable[..., dict[str, Any]]
):
    frame = footprint(500_000, TOP - 400, 500_400, TOP)
    broken, whole = tile("broken", footprint=frame), tile("whole", footprint=frame)
    Path(broken.bands["scl"].href).unlink()
    seen = look([broken, whole], window(), profiles)
    assert seen.clear.all()
    assert not seen.lost.any()
    assert seen.scene_ids == ("whole",)
    assert len(seen.unreadable) == 1


def test_unreadable_band_is_nan_never_zero(
    tile: Callable[..., Scene], profiles: Profiles, real: Path
):
    """rasterio-odd/corrupt.tif in place of a band; the other band stays."""
    odd = tile("a")
    corrupt = replace(odd.bands["nir"], href=str(real / "pixels/rasterio-odd/corrupt.tif"))
    seen = look([replace(odd, bands={**odd.bands, "nir": corrupt})], window(), profiles)
    assert np.isnan(seen.reflectance["nir"]).all()
    np.testing.assert_allclose(seen.reflectance["red"], 0.1, rtol=1e-6)
    assert seen.clear.all()
    assert [(scene_id, band) for scene_id, band, _ in seen.unreadable] == [("a", "nir")]


def test_where_no_band_can_be_read_clear_ground_is_lost_and_clouded_ground_masked(
    tile: Callable[..., Scene], profiles: Profiles
):
    """The mask says what was there to be seen: a 40 m corner of cloud is no failure to read."""
    scl = np.full((SIZE // 2, SIZE // 2), 5, np.uint8)
    scl[:2, :2] = 9
    broken = tile("a", scl=scl)
    for band in ("red", "nir"):
        Path(broken.bands[band].href).unlink()
    clouded = np.zeros((SIZE, SIZE), dtype=bool)
    clouded[:4, :4] = True
    seen = look([broken], window(), profiles)
    assert not seen.clear.any()
    assert len(seen.unreadable) == 2
    np.testing.assert_array_equal(seen.covered, clouded)
    np.testing.assert_array_equal(seen.lost, ~clouded)
    beside = look([broken, tile("b", red=2000)], window(), profiles)
    assert beside.clear.all()
    assert not beside.lost.any()


def test_tiles_merge_per_pixel_after_masking(tile: Callable[..., Scene], profiles: Profiles):
    """The tile with more clear ground first; what it masks comes from the other, all bands."""
    scl = np.full((SIZE // 2, SIZE // 2), 5, np.uint8)
    scl[:5, :5] = 3
    mostly = tile("mostly", scl=scl, red=1000, nir=3000)
    partly = np.full((SIZE // 2, SIZE // 2), 8, np.uint8)
    partly[:8, :8] = 4
    rest = tile("rest", scl=partly, red=2000, nir=4000)
    for order in ([mostly, rest], [rest, mostly]):
        seen = look(order, window(), profiles)
        assert seen.clear.all()
        assert seen.scene_ids == ("mostly", "rest")
        np.testing.assert_allclose(seen.reflectance["red"][:10, :10], 0.2, rtol=1e-6)
        np.testing.assert_allclose(seen.reflectance["nir"][:10, :10], 0.4, rtol=1e-6)
        np.testing.assert_allclose(seen.reflectance["red"][10:], 0.1, rtol=1e-6)


def test_equally_clear_tiles_the_newest_wins(tile: Callable[..., Scene], profiles: Profiles):
    old = tile("old", red=1000, processed=datetime(2020, 1, 15, tzinfo=UTC))
    new = tile("new", red=2000, processed=datetime(2021, 1, 15, tzinfo=UTC))
    unknown = tile("unknown", red=3000)
    seen = look([unknown, old, new], window(), profiles)
    np.testing.assert_allclose(seen.reflectance["red"], 0.2, rtol=1e-6)
    assert seen.scene_ids == ("new",)


def test_fill_in_one_band_takes_the_pixel(tile: Callable[..., Scene], profiles: Profiles):
    """At a detector's edge bands end at different pixels; a half-seen pixel is not clear."""
    red = np.full((SIZE, SIZE), 1000, np.uint16)
    red[:, 0] = 0
    seen = look([tile("a", red=red)], window(), profiles)
    assert not seen.clear[:, 0].any()
    assert np.isnan(seen.reflectance["nir"][:, 0]).all()
    assert seen.clear[:, 1:].all()


def test_ground_without_any_number_is_not_covered(tile: Callable[..., Scene], profiles: Profiles):
    """A mask can say "bare ground" where all bands are fill."""
    empty = np.full((SIZE, SIZE), 1000, np.uint16)
    empty[:, :3] = 0
    seen = look([tile("a", red=empty, nir=empty)], window(), profiles)
    assert not seen.covered[:, :3].any()
    assert seen.covered[:, 3:].all()


def test_a_band_the_scene_lacks_is_nan_and_no_failure(
    tile: Callable[..., Scene], profiles: Profiles
):
    seen = look([tile("a")], window(), profiles, bands=("red", "swir16"))
    assert seen.clear.all()
    assert np.isnan(seen.reflectance["swir16"]).all()
    assert seen.unreadable == ()


def test_masks_are_widened_in_metres(tile: Callable[..., Scene], profiles: Profiles):
    """One 20 m cloud pixel, 60 m around: by hand the row through it loses 2 + 2 x 6 pixels."""
    scl = np.full((SIZE // 2, SIZE // 2), 5, np.uint8)
    scl[10, 10] = 9
    seen = look([tile("a", scl=scl)], window(), profiles, dilation_m=60)
    assert (~seen.clear[20]).sum() == 14
    assert seen.mask_counts["widened"] == (~seen.clear).sum() - 4


def test_bands_are_not_read_where_nothing_is_clear(tile: Callable[..., Scene], profiles: Profiles):
    """A clouded window costs its mask alone: a missing band file is not even noticed."""
    clouded = tile("a", scl=9)
    Path(clouded.bands["red"].href).unlink()
    assert look([clouded], window(), profiles).unreadable == ()


def test_offset_that_seems_applied_twice_leaves_the_scene_out(
    tile: Callable[..., Scene], profiles: Profiles
):
    """Files at 0.05 whose item asks for another -0.1: most ground would reflect less than none."""
    seen = look([tile("a", red=500, offset=-0.1)], window(), profiles)
    assert not seen.clear.any()
    assert seen.lost.all()
    assert seen.unreadable == ()
    ((scene_id, reason),) = seen.doubted
    assert scene_id == "a"
    assert "in red: its offset seems to be applied already" in reason


def test_tile_of_the_next_zone_fills_what_the_own_zone_leaves(
    tile: Callable[..., Scene], profiles: Profiles
):
    """At 6 degrees east: 400 m of the window in the own zone, 400 m only in the next zone."""
    own = tile("own", red=1000, left=823_000)
    (x,), (y,) = warp("EPSG:32631", "EPSG:32632", [823_600.0], [TOP - 200])
    corner = {"left": round(x, -1) - 400, "top": round(y, -1) + 400}
    other = tile("other", red=2000, pixels=80, crs="EPSG:32632", **corner)
    seen = look([other, own], window(SIZE, 2 * SIZE, left=823_000), profiles)
    assert seen.clear.all()
    assert seen.scene_ids == ("own", "other")
    np.testing.assert_allclose(seen.reflectance["red"][:, :SIZE], 0.1, rtol=1e-6)
    np.testing.assert_allclose(seen.reflectance["red"][:, SIZE:], 0.2, rtol=1e-6)


def test_no_profile_is_a_programming_error(tile: Callable[..., Scene], profiles: Profiles):
    with pytest.raises(ValueError, match="no profile serves"):
        look([tile("a", collection="unheard-of")], window(), profiles)


def test_adjusting_band_passes(tile: Callable[..., Scene], profiles: Profiles):
    """Claverie et al. 2018, Sentinel-2A: red x 0.9765 + 0.0009, B8A x 0.9983 - 0.0001; the near
    infrared is then read from B8A, because B08 has no coefficients.
    """
    scene = tile("a")
    narrow = replace(scene.bands["nir"], href=tile("b", nir=2000).bands["nir"].href)
    scene = replace(scene, bands={**scene.bands, "nir08": narrow})
    seen = look([scene], window(), profiles, adjust_bandpasses=True)
    np.testing.assert_allclose(seen.reflectance["red"], 0.9765 * 0.1 + 0.0009, rtol=1e-6)
    np.testing.assert_allclose(seen.reflectance["nir"], 0.9983 * 0.2 - 0.0001, rtol=1e-6)
    plain = look([scene], window(), profiles)
    np.testing.assert_allclose(plain.reflectance["nir"], 0.3, rtol=1e-6)


def test_objects_travel_between_processes(tile: Callable[..., Scene], profiles: Profiles):
    scenes = [tile("a")]
    seen = look(scenes, window(), profiles)
    assert pickle.loads(pickle.dumps(scenes)) == scenes  # noqa: S301
    again = pickle.loads(pickle.dumps((seen, profiles)))  # noqa: S301
    assert again[1] == profiles
    assert np.array_equal(again[0].clear, seen.clear)


def test_coarser_analysis_pixels_need_all_their_parts(
    tile: Callable[..., Scene], profiles: Profiles
):
    """At 40 m one clouded 20 m pixel takes the whole pixel; reflectance is its parts' mean."""
    scl = np.full((SIZE // 2, SIZE // 2), 5, np.uint8)
    scl[0, 0] = 9
    red = np.tile(np.array([[1000, 2000]], np.uint16), (SIZE, SIZE // 2))
    coarse = GeoBox((10, 10), Affine(40, 0, 500_000, 0, -40, TOP), "EPSG:32631")
    seen = look([tile("a", scl=scl, red=red)], coarse, profiles)
    assert not seen.clear[0, 0]
    assert seen.clear.sum() == 99
    np.testing.assert_allclose(seen.reflectance["red"][seen.clear], 0.15, rtol=1e-6)
