"""Which band-pass sets a programme's way of adjusting uses, and which sensors see alike."""

from __future__ import annotations

import pytest

from afterrains.scenes import Profiles
from afterrains.scenes.bandpass import SETS, family_of


@pytest.mark.parametrize(
    ("method", "landsat", "sentinel"),
    [
        ("off", {}, {}),
        ("rma", {"landsat-4", "landsat-5", "landsat-7"}, {}),
        (
            "harmonised-coefficients",
            {"landsat-4", "landsat-5", "landsat-7"},
            {"sentinel-2a", "sentinel-2b", "sentinel-2c"},
        ),
    ],
)
def test_a_way_of_adjusting_uses_its_own_sets(
    profiles: Profiles, method: str, landsat: set[str], sentinel: set[str]
) -> None:
    """Roy et al. 2016 give reduced major axis for TM and ETM+; Claverie et al. 2018 MSI to OLI."""
    chosen = profiles.adjusting(method)
    assert set(chosen.by_id["landsat-c2-l2"].bandpass) == set(landsat)
    assert set(chosen.by_id["sentinel-2-l2a"].bandpass) == set(sentinel)
    assert all(used in SETS for p in chosen for used in p.bandpass.values())
    assert profiles.by_id["sentinel-2-l2a"].bandpass, "the profiles that were given have changed"


def test_sensors_of_one_family_need_no_bridge() -> None:
    """TM and ETM+, OLI, and MSI are the families that the publications tell apart."""
    assert family_of("landsat-5") == family_of("landsat-7") == "tm"
    assert family_of("landsat-8") == family_of("landsat-9") == "oli"
    assert family_of("sentinel-2a") == family_of("sentinel-2c") == "msi"
    assert family_of("sentinel-1a") == "sentinel-1a"
