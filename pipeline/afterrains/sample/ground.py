"""The ground through time: what covers every 10 m pixel on a day, with and without sowing.

A `GroundModel` holds the fixed fields of one ground (soil, crowns' texture, unequal answer to rain)
and gives the covers of any day. Woody cover is a share 0-1 of the pixel, arrays are (y, x) with
north at the top. The truth that is written beside the scenes is the mean of these very fields.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray
from rasterio.features import rasterize
from rasterio.transform import Affine

from afterrains.sample.chance import chance, random_field
from afterrains.sample.district import GROUNDS, SIZES, Site, sites
from afterrains.sample.growth import (
    TRAITS,
    Grass,
    grow_grass,
    leaf_share,
    rested,
    surface_wetness,
)
from afterrains.sample.mixing import Cover
from afterrains.sample.plan import Kind
from afterrains.sample.weather import Weather

__all__ = ["GroundModel", "years_between"]

Field = NDArray[np.float64]

_RESPONSES = np.array([0.72, 1.0, 1.28])  # run-off, usual, run-on
_GRASS_FROM = np.datetime64("2013-01-01")  # two years and more to forget where the pools began
_FIRST_SEASON = 2012  # of the local departures; well before the scenes
_PERSISTENCE = 0.5  # of local departures from one season to the next
_RISE_PER_YEAR = 0.0020  # the background's woody cover rises everywhere
_LOSS_SHARE = {Kind.CLEARED: 0.65, Kind.CONTROL_CLEARED: 0.60, Kind.BURNT: 0.60}


def years_between(first: date, day: date) -> float:
    """Years from one day to another; negative before it."""
    return (day - first).days / 365.25


@dataclass(frozen=True)
class _Patch:
    """A site's pixels and the texture of what happens on it (mean 1 inside, 0 outside)."""

    site: Site
    inside: NDArray[np.bool_]
    texture: Field


class GroundModel:
    """The fields of one ground; deterministic by seed and size."""

    def __init__(self, name: str, size: str, seed: int, weather: Weather) -> None:
        extent = SIZES[size]
        self.name = name
        self.pixels = extent.pixels
        self.seed = seed
        ground = GROUNDS[name]
        self.transform: Affine = Affine(10.0, 0.0, ground.west_m, 0.0, -10.0, ground.north_m)
        self.sites = tuple(site for site in sites(size, seed) if site.ground == name)
        self._dune = self._dune_share(ground.dune_columns)
        self._brightness = (
            1.0 + 0.05 * self._field("brightness", 12) + 0.02 * self._field("grit", 1)
        )
        self._response = np.clip(0.32 * self._field("response", 14 * extent.scale), -1.0, 1.0)
        self._fertility = np.exp(
            0.12 * self._field("fertile", 6) + 0.16 * self._field("tufts", 0.8)
        )
        self._rise = np.clip(
            _RISE_PER_YEAR * (1.0 + 0.50 * self._field("rise", 10 * extent.scale)), 0.0, None
        )
        self._patches = tuple(self._patch(site) for site in self.sites)
        self._base = self._base_woody()
        since = weather.days >= _GRASS_FROM
        self._days = weather.days[since]
        rain = weather.rain_mm[name][since]
        day_of_year = (self._days - self._days.astype("datetime64[Y]")).astype(np.int64) + 1
        self._grass: dict[tuple[str, bool], Grass] = {}
        for stratum, traits in TRAITS.items():
            for fenced in (False, True):
                used = rested(traits) if fenced else traits
                self._grass[stratum, fenced] = grow_grass(rain, day_of_year, used, _RESPONSES)
        self._seasons: dict[int, tuple[Field, Field]] = {}
        self._wetness = surface_wetness(rain)
        self._leaf = leaf_share(rain)

    def woody(self, day: date, *, with_sowing: bool = True) -> Field:
        """Woody cover of every pixel; `with_sowing=False`: had nothing been done on the sites.

        "Nothing done" leaves out the seed and whatever else happened on that site alone (a
        clearing, a fire, a control's own recovery); the background's rise stays.
        """
        cover = self._base + self._rise * years_between(date(2016, 1, 1), day)
        if with_sowing:
            for patch in self._patches:
                self._change(cover, patch, day)
        return np.clip(cover, 0.0, 0.92)

    def cover(self, day: date, *, with_sowing: bool = True) -> Cover:
        """Everything that covers the ground on a day."""
        index = int((np.datetime64(day) - self._days[0]).astype(int))
        season = day.year if day.month >= 6 else day.year - 1
        patchy, thirst = self._season_fields(season)
        fenced = self._rest(day) if with_sowing else np.zeros_like(self._dune)
        factor = self._fertility * np.exp(0.20 * patchy)
        green = np.clip(self._pool(index, "green", fenced) * factor, 0.0, 0.80)
        dead = np.clip(self._pool(index, "dead", fenced) * factor, 0.0, 0.90 - green)
        char = self._char(day) if with_sowing else np.zeros_like(green)
        return Cover(
            woody=self.woody(day, with_sowing=with_sowing),
            leaf=np.clip(self._leaf[index] * (1.0 + 0.07 * thirst), 0.0, 1.0),
            green=green * (1.0 - char),
            dead=dead * (1.0 - char),
            char=char,
            dune=self._dune,
            brightness=self._brightness,
            wetness=float(self._wetness[index]),
        )

    def inside(self, site_id: str) -> NDArray[np.bool_]:
        """Pixels whose centre lies in the site, shape (y, x)."""
        return next(patch.inside for patch in self._patches if patch.site.site_id == site_id)

    def _field(self, name: str, length_pixels: float) -> Field:
        rng = chance(self.seed, "ground", self.name, self.pixels, name)
        return random_field(rng, self.pixels, length_pixels)

    def _season_fields(self, season: int) -> tuple[Field, Field]:
        """Local departures of a season's grass and leaves (variance 1).

        Storms, grazing and pests are patchy, and half of a patch's luck stays for the next season.
        """
        if season not in self._seasons:
            if season <= _FIRST_SEASON:
                before = (np.zeros_like(self._dune), np.zeros_like(self._dune))
            else:
                before = self._season_fields(season - 1)
            length = 9 * self.pixels / 256
            grass, leaf = (
                _PERSISTENCE * then + np.sqrt(1 - _PERSISTENCE**2) * self._field(name, length)
                for then, name in zip(before, (f"season {season}", f"leaf {season}"), strict=True)
            )
            self._seasons[season] = (grass, leaf)
        return self._seasons[season]

    def _dune_share(self, columns: tuple[int, int]) -> Field:
        """1 on dune, 0 on glacis; they meet in a wavy line along the middle of the ground."""
        scale = self.pixels / 256
        wave = 3.0 * scale * self._field("border", 16 * scale)[:, :1]
        across = (np.arange(self.pixels)[None, :] - self.pixels / 2 - wave) / (2.0 * scale)
        east = 1.0 / (1.0 + np.exp(-np.clip(across, -40, 40)))
        return east if columns == (2, 3) else 1.0 - east

    def _patch(self, site: Site) -> _Patch:
        inside = rasterize(
            [site.geometry], out_shape=(self.pixels, self.pixels), transform=self.transform
        ).astype(bool)
        # Seedlings come in clumps: where seed met water.
        texture = np.exp(0.55 * self._field(f"clumps {site.site_id}", 1.2))
        return _Patch(site, inside, np.where(inside, texture / texture[inside].mean(), 0.0))

    def _base_woody(self) -> Field:
        """Woody cover of 2016: sparse crowns, some thickets, each site at its own mean."""
        scale = self.pixels / 256
        crowns = np.exp(0.50 * self._field("crowns", 0.7) + 0.22 * self._field("stands", 4))
        base = 0.070 * crowns * np.exp(0.30 * self._field("woods", 14 * scale))
        thickets = np.clip(self._field("thickets", 9 * scale) - 1.35, 0.0, 1.0)
        base += 0.45 * thickets * crowns / crowns.mean()
        for patch in self._patches:
            inside = patch.inside
            base[inside] = crowns[inside] * patch.site.woody_percent / 100 / crowns[inside].mean()
        return np.clip(base, 0.005, 0.75)

    def _change(self, cover: Field, patch: _Patch, day: date) -> None:
        """Add, in place, what sowing, clearing, fire or own recovery has done by that day."""
        site = patch.site
        if site.gain_points and site.starts_on is not None:
            # Nothing in the first dry season, all of it from the season `full_after` on.
            grown = (years_between(site.starts_on, day) - 1.0) / (site.full_after - 1.0)
            cover += patch.texture * (site.gain_points / 100 * min(max(grown, 0.0), 1.0))
        if site.event_on is not None and day >= site.event_on:
            lost = _LOSS_SHARE[site.kind]
            if site.kind is Kind.BURNT:  # resprouts give a fifth back within five years
                lost *= 1.0 - 0.2 * min(years_between(site.event_on, day) / 5.0, 1.0)
            cover -= np.where(patch.inside, cover * np.clip(lost * patch.texture, 0.0, 0.97), 0.0)

    def _rest(self, day: date) -> Field:
        """How far ground is fenced and rested, 0-1: full two years after the sowing."""
        rest = np.zeros_like(self._dune)
        for patch in self._patches:
            if patch.site.kind is Kind.GRASS_ONLY:
                since = years_between(patch.site.sowing[0].sown_on, day)
                rest[patch.inside] = min(max(since / 2.0, 0.0), 1.0)
        return rest

    def _char(self, day: date) -> Field:
        """Ash and charcoal on burnt ground; wind and the next rains take it away."""
        char = np.zeros_like(self._dune)
        for patch in self._patches:
            if patch.site.kind is Kind.BURNT and patch.site.event_on is not None:
                since = years_between(patch.site.event_on, day)
                if since >= 0:
                    char[patch.inside] = 0.75 * np.exp(-since / 0.22)
        return char

    def _pool(self, index: int, pool: str, fenced: Field) -> Field:
        """Grass of the day (`green` or `dead`) by each pixel's own answer to rain."""
        low, high = np.clip(-self._response, 0, 1), np.clip(self._response, 0, 1)
        weights = np.stack([low, 1.0 - low - high, high])
        total = np.zeros_like(self._dune)
        for stratum, share in (("dune", self._dune), ("glacis", 1.0 - self._dune)):
            for is_fenced, rest in ((False, 1.0 - fenced), (True, fenced)):
                series: NDArray[np.float64] = getattr(self._grass[stratum, is_fenced], pool)
                total += share * rest * np.tensordot(series[:, index], weights, axes=1)
        return total
