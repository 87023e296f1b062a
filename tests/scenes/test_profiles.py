"""Profiles that come with the tool, and those that a user adds."""

from __future__ import annotations

from pathlib import Path

import pytest

from afterrains.errors import InputError
from afterrains.scenes import Profiles, load_profiles

SMALL = """\
id: {id}
collections: [my-scenes]
sensors: [sentinel-2a]
bands:
  red: {{assets: [rot], resolution_m: 10}}
values:
  scale: 0.0001
  offset: {{rule: fixed, default: 0.0}}
mask:
  kind: classes
  band: scl
  assets: [klassen]
  empty: nothing
  classes: {{nothing: 0, land: 4, cloud: 9}}
  clear: [land]
  widen: [cloud]
"""


def test_ready_profiles(profiles: Profiles):
    """Sentinel-2, Landsat and Sentinel-1 under the names that catalogues use."""
    assert set(profiles.by_id) == {"sentinel-2-l2a", "landsat-c2-l2", "sentinel-1-rtc"}
    for name in ("sentinel-2-l2a", "sentinel-2-c1-l2a", "sentinel-s2-l2a-cogs"):
        profile = profiles.of(name)
        assert profile is not None
        assert profile.id == "sentinel-2-l2a"
    assert profiles.of("landsat-c2l2-sr") is profiles.by_id["landsat-c2-l2"]
    assert profiles.of("modis") is None


def test_every_ready_band_has_its_own_assets(profiles: Profiles):
    """One asset name must not serve two bands; "rededge" would serve three and is not used."""
    bands = profiles.by_id["sentinel-2-l2a"].bands
    names = [name for rule in bands.values() for name in rule.assets]
    assert len(names) == len(set(names))
    assert len(bands) == 10
    assert "rededge" not in names


def test_landsat_band_4_depends_on_the_sensor(profiles: Profiles):
    """SR_B4 is red on OLI and near infrared on TM and ETM+ (USGS)."""
    bands = profiles.by_id["landsat-c2-l2"].bands
    assert "SR_B4" in bands["red"].asset_names("landsat-8")
    assert "SR_B4" not in bands["red"].asset_names("landsat-7")
    assert "SR_B4" in bands["nir"].asset_names("landsat-5")
    assert "SR_B4" not in bands["nir"].asset_names("landsat-9")


def test_a_user_adds_and_replaces(tmp_path: Path):
    (tmp_path / "mine.yaml").write_text(SMALL.format(id="mine"), encoding="utf-8")
    (tmp_path / "s2.yml").write_text(SMALL.format(id="sentinel-2-l2a"), encoding="utf-8")
    found = load_profiles(tmp_path)
    assert set(found.by_id) == {*load_profiles().by_id, "mine"}
    assert found.by_id["sentinel-2-l2a"].bands["red"].assets == ("rot",)


@pytest.mark.parametrize(
    ("old", "new", "where", "words"),
    [
        ("values:", "valeus:", "line 6, valeus", "not permitted"),
        ("scale: 0.0001", "scale: -1", "values.scale", "greater than 0"),
        ("scale: 0.0001", "scale: .nan", "values.scale", "finite"),
        ("red:", "rouge:", "the file", "rouge"),
        ("clear: [land]", "clear: [land, cloud]", "mask", "clear and masked"),
        ("clear: [land]", "clear: [meadow]", "mask", "clear names meadow"),
        ("empty: nothing", "empty: void", "mask", "empty names void"),
        ("kind: classes", "kind: colours", "mask", "colours"),
        ("  red: {assets", "  vv: {assets: [x]}\n  red: {assets", "the file", "profile each"),
        ("default: 0.0", "default: null", "values.offset", "needs a default"),
        ("assets: [rot]", "assets: [rot], common_name: rededge", "bands.red", "three bands"),
        ("id: mine", "id: Mine Own", "line 1, id", "pattern"),
        ("id: mine", "id: mine\nid: twice", "line 2", "stands twice"),
        ("id: mine", "id: !!python/object:os.system mine", "line 1", "tags"),
        ("sensors: [sentinel-2a]", "sensors: []", "sensors", "at least 1"),
        (
            "widen: [cloud]",
            "widen: [cloud]\nbandpass: {sentinel-2a: guessed}",
            "the file",
            "guessed",
        ),
    ],
)
def test_faults_are_told_with_their_place(
    tmp_path: Path, old: str, new: str, where: str, words: str
):
    """Every one as the user would look it up."""
    text = SMALL.format(id="mine").replace(old, new, 1)
    (tmp_path / "mine.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as failure:
        load_profiles(tmp_path)
    findings = failure.value.findings
    assert any(where in f.where and words in f.what for f in findings), findings
    assert all(f.file == "mine.yaml" for f in findings)


def test_all_faults_of_all_files_at_once(tmp_path: Path):
    (tmp_path / "a.yaml").write_text(SMALL.format(id="a").replace("scale:", "scael:"))
    (tmp_path / "b.yaml").write_text("[1, 2", encoding="utf-8")
    (tmp_path / "c.yaml").write_bytes(b"\xff\xfe\xff")
    (tmp_path / "d.yaml").write_text(SMALL.format(id="same"))
    (tmp_path / "e.yaml").write_text(SMALL.format(id="same"))
    with pytest.raises(InputError) as failure:
        load_profiles(tmp_path)
    assert {f.file for f in failure.value.findings} == {"a.yaml", "b.yaml", "c.yaml", "e.yaml"}


def test_profile_of_a_users_catalogue_reads_its_items(tmp_path: Path):
    """The whole way: names, classes and offset of the user's own profile."""
    import json
    from datetime import date

    from afterrains.scenes import search

    (tmp_path / "mine.yaml").write_text(SMALL.format(id="mine"), encoding="utf-8")
    ring = [[3, 14], [4, 14], [4, 15], [3, 15], [3, 14]]
    item = {
        "type": "Feature",
        "id": "one",
        "collection": "my-scenes",
        "geometry": {"type": "Polygon", "coordinates": [ring]},
        "properties": {"datetime": "2020-01-01T10:00:00Z", "platform": "Sentinel-2A"},
        "assets": {"rot": {"href": "r.tif"}, "klassen": {"href": "k.tif"}},
    }
    (tmp_path / "item.json").write_text(json.dumps(item), encoding="utf-8")
    days = date(2020, 1, 1), date(2020, 1, 1)
    profiles = load_profiles(tmp_path)
    found = search(str(tmp_path / "item.json"), ["my-scenes"], *days, (3, 14, 4, 15), 80, profiles)
    assert found.refused == ()
    assert found.scenes[0].bands["red"].href.endswith("r.tif")
