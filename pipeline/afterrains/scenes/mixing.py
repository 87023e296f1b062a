"""Scenes of several families of sensors in one run: what brings them together, and what is left.

Bringing some sensors to what OLI sees and leaving others as they are would put a step into every
series where the sensor changes. So where a way of adjusting has no published coefficients for one
of the sensors at hand, the run is refused and not half adjusted.
"""

from __future__ import annotations

from collections.abc import Iterable

from afterrains.errors import Finding, InputError
from afterrains.scenes.bandpass import METHODS, SETS, family_of
from afterrains.scenes.model import Scene
from afterrains.scenes.profiles import Profiles

__all__ = ["adjusted_profiles", "bands_given"]

_TARGET = "oli"


def adjusted_profiles(
    scenes: Iterable[Scene], profiles: Profiles, method: str, *, file: str
) -> tuple[Profiles, bool]:
    """The profiles with the band-pass sets that these scenes need, and whether any is needed.

    Parameters
    ----------
    scenes : iterable of Scene
        All of the run.
    profiles : Profiles
    method : str
        A key of `METHODS`. Scenes of one family need no bridge to another, and keep their own
        bands and resolution, whatever it is.
    file : str
        Name of the programme file, for the message.

    Raises
    ------
    InputError
        If the method has no coefficients for one of the sensors.
    """
    pairs = {(scene.sensor, scene.collection) for scene in scenes}
    if len({family_of(sensor) for sensor, _ in pairs}) < 2:
        method = "off"
    chosen = profiles.adjusting(method)
    if method == "off":
        return chosen, False
    if left := _without(pairs, chosen):
        others = [m for m in METHODS if m != "off" and not _without(pairs, profiles.adjusting(m))]
        mend = (
            f"set {' or '.join(others)}"
            if others
            else "take one family of sensors alone, or set off, which leaves a step in every "
            "series where the sensor changes"
        )
        what = (
            f"is {method}, for which no coefficients are published that bring {', '.join(left)} "
            "to what Landsat 8/9 sees"
        )
        where = "scenes.adjust_bandpasses"
        raise InputError([Finding("error", file, where, what, mend, "bandpass-pair")])
    return chosen, True


def _without(pairs: Iterable[tuple[str, str]], profiles: Profiles) -> list[str]:
    """Sensors that neither are the target nor have coefficients to it."""
    return sorted(
        {
            sensor
            for sensor, collection in pairs
            if family_of(sensor) != _TARGET
            and ((profile := profiles.of(collection)) is None or sensor not in profile.bandpass)
        }
    )


def bands_given(scenes: Iterable[Scene], profiles: Profiles, *, adjusts: bool) -> set[str]:
    """The bands that at least one scene gives; adjusted, only those that have coefficients."""
    given: set[str] = set()
    for scene in scenes:
        profile = profiles.of(scene.collection)
        if not adjusts or profile is None or scene.sensor not in profile.bandpass:
            given |= set(scene.bands)
            continue
        known = SETS[profile.bandpass[scene.sensor]]
        for band in scene.bands:
            source = profile.bandpass_from.get(band, band)
            if source in known and source in scene.bands:
                given.add(band)
    return given
