"""Radar of the sample: the water-cloud model, its speckle, sound scenes, and a default without."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import numpy as np
import pystac
import pytest
import rasterio
from rio_cogeo import cog_validate

from afterrains.sample.backscatter import LOOKS, backscatter, with_speckle
from afterrains.sample.ground import GroundModel
from afterrains.sample.mixing import Cover
from afterrains.sample.products import write_product
from afterrains.sample.radar_scenes import RADAR_COLLECTION, radar_passes
from afterrains.sample.weather import make_weather
from afterrains.scenes import load_profiles, search

_FLAT = np.zeros((64, 64))


def _db(**covers: float) -> dict[str, float]:
    """Backscatter of even ground in decibels; dune sand, dry and bare but for the covers given."""
    parts = dict.fromkeys(("woody", "leaf", "green", "dead", "char"), 0.0) | covers
    wetness = parts.pop("wetness", 0.0)
    cover = Cover(
        **{name: np.full(_FLAT.shape, value) for name, value in parts.items()},
        dune=np.ones(_FLAT.shape), brightness=np.ones(_FLAT.shape), wetness=wetness,
    )  # fmt: skip
    return {
        band: 10 * np.log10(backscatter(cover, _FLAT, _FLAT, band)[0, 0]) for band in ("vv", "vh")
    }


def test_backscatter_by_hand() -> None:
    """Water-cloud model with the README's constants, computed on paper for half a crown's cover.

    VV, bare wood: kept exp(-1.5) = .22313; crown 10^-.85 x .77687 + 10^-1.8 x .22313 = .113275;
    with half of it, (.015849 + .113275)/2 = .064562, -11.900 dB.
    """
    assert _db() == pytest.approx({"vv": -18.0, "vh": -26.5})
    assert _db(wetness=1.0) == pytest.approx({"vv": -13.0, "vh": -23.0})
    assert _db(woody=0.5)["vv"] == pytest.approx(-11.900, abs=2e-3)


def test_radar_hardly_sees_dead_grass() -> None:
    """Order of effects in VH: crowns before as much green grass, and even much dead grass least.

    By hand, half green: kept exp(-.45) = .63763; 10^-1.9 x .36237 + 10^-2.65 x .63763 = .0059895.
    """
    bare = _db()["vh"]
    assert abs(_db(dead=0.9)["vh"] - bare) < 0.3
    assert _db(green=0.5)["vh"] == pytest.approx(-22.226, abs=2e-3)
    assert _db(woody=0.1)["vh"] - bare > 3 > _db(green=0.1)["vh"] - bare
    assert _db(woody=0.1, leaf=1.0)["vh"] > _db(woody=0.1)["vh"]


def test_speckle_is_gamma_with_its_looks(rng: np.random.Generator) -> None:
    """Mean 1 and variance 1/L (gamma law of intensity); neighbours are alike, far pixels are not.

    Bright ground, so that noise is nothing; a whole image's calibration is divided out.
    """
    images = [with_speckle(np.full((64, 64), 10.0), "vv", rng) for _ in range(30)]
    ratio = np.stack([image / image.mean() for image in images])
    assert ratio.var() == pytest.approx(1 / LOOKS, rel=0.05)
    near = np.corrcoef(ratio[:, :, 1:].ravel(), ratio[:, :, :-1].ravel())[0, 1]
    far = np.corrcoef(ratio[:, :, 6:].ravel(), ratio[:, :, :-6].ravel())[0, 1]
    assert 0.3 < near < 0.7
    assert abs(far) < 0.03


def test_the_ascending_satellite_is_lost_and_the_descending_stays() -> None:
    """Sentinel-1B was lost on 23 December 2021, 1C's data are open from 26 March 2025."""
    passes = radar_passes("full")
    up = {each.acquired.date() for each in passes if each.direction == "ascending"}
    assert not [day for day in up if date(2021, 12, 23) <= day < date(2025, 3, 26)]
    assert max(up) > date(2025, 3, 26)
    for year in range(2016, 2026):
        spring = {
            each.acquired.date()
            for each in passes
            if each.direction == "descending"
            and date(year, 4, 1) <= each.acquired.date() <= date(year, 6, 29)
        }
        assert 7 <= len(spring) <= 8


def test_a_scene_is_sound_and_read_by_the_profile(tmp_path: Path) -> None:
    """Valid STAC and GeoTIFF, the same bytes twice, found as a scene of its track."""
    look = next(each for each in radar_passes("small") if each.direction == "ascending")
    grounds = {look.ground: GroundModel(look.ground, "small", 1, make_weather(1, 2023))}
    (tmp_path / RADAR_COLLECTION).mkdir()
    write_product(look, tmp_path, 1, grounds)
    folder = tmp_path / RADAR_COLLECTION / look.item_id
    first = {path.name: path.read_bytes() for path in folder.iterdir()}
    write_product(look, tmp_path, 1, grounds)
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == first
    document = json.loads(first[f"{look.item_id}.json"])
    assert pystac.Item.from_dict(document).properties["sat:relative_orbit"] == look.orbit
    assert cog_validate(folder / "vh.tif")[0]
    with rasterio.open(folder / "vh.tif") as vh, rasterio.open(folder / "vv.tif") as vv:
        assert (vh.dtypes[0], vh.nodata) == ("float32", -32768)
        assert np.median(vh.read(1)) < 0.3 * np.median(vv.read(1))
    saved = tmp_path / "items.json"
    for asset in document["assets"].values():
        asset["href"] = f"{folder}/{asset['href']}"
    saved.write_text(json.dumps({"type": "FeatureCollection", "features": [document]}))
    day = look.acquired.date()
    found = search(
        str(saved), [RADAR_COLLECTION], day, day, (-180, -90, 180, 90), 80, load_profiles()
    )
    assert [scene.track for scene in found.scenes] == ["ascending-161"]
