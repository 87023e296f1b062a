"""One pass of a satellite over one window: masks, reflectance, and what could not be read.

Overlapping tiles of a pass are merged pixel by pixel after masking. Tiles in the analysis CRS come
first (their pixels are copied, not interpolated), then those with more clear ground in the window,
then the newest; a pixel is taken whole, all bands, from the first tile in which it is clear. Bands
are read only of tiles that add clear ground.

A mask that cannot be read makes its scene unusable: without it nothing is known to be clear. A band
that cannot be read is NaN for that scene's pixels; where none can be read, its clear ground is
lost. Both are named in `Observation.unreadable`.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial

import numpy as np
import rasterio
from numpy.typing import NDArray
from odc.geo.geobox import GeoBox

from afterrains.scenes.clear import MaskReading
from afterrains.scenes.duplicates import newest
from afterrains.scenes.failures import Patience, UnreadableError
from afterrains.scenes.model import Observation, Overpass
from afterrains.scenes.profiles import Profile, Profiles
from afterrains.scenes.reader import WindowReader
from afterrains.scenes.references import is_address
from afterrains.scenes.reflectance import share_negative
from afterrains.scenes.tile import Tile
from afterrains.scenes.windows import gdal_settings

__all__ = ["read_overpass", "read_overpasses"]

_VISIBLE = ("blue", "green", "red")
_FEWEST_FOR_CHECK = 50  # clear pixels; fewer say nothing about a whole scene's offset


def read_overpass(
    overpass: Overpass,
    geobox: GeoBox,
    bands: Sequence[str],
    profiles: Profiles | Mapping[str, Profile],
    *,
    dilation_m: float,
    adjust_bandpasses: bool = False,
    reader: WindowReader | None = None,
    patience: Patience | None = None,
) -> Observation:
    """What one pass shows of a window.

    Parameters
    ----------
    overpass : Overpass
        All tiles of the pass.
    geobox : GeoBox
        The window, in metres.
    bands : sequence of str
        Our band names. A band that a scene does not have is NaN on its pixels.
    profiles : Profiles, or mapping from collection id to Profile
        Must serve the scenes' collections.
    dilation_m : float
        How far cloud and shadow are widened.
    adjust_bandpasses : bool
        Adjust reflectance to OLI where the profile names coefficients for the sensor, from the
        narrow near infrared where the profile says so; a band without coefficients is then NaN, so
        that no index mixes adjusted and unadjusted bands.
    reader : WindowReader, optional
        Keeps connections and the local store over many passes; one without a store if unset.
    patience : Patience, optional
        Tries and pauses of failed reads, where no reader is given.

    Raises
    ------
    ValueError
        If no profile serves a scene's collection.
    """
    if reader is None:
        with WindowReader(patience=patience) as own:
            return read_overpass(
                overpass,
                geobox,
                bands,
                profiles,
                dilation_m=dilation_m,
                adjust_bandpasses=adjust_bandpasses,
                reader=own,
            )
    shape = geobox.shape.yx
    canvas = _Canvas(
        clear=np.zeros(shape, dtype=bool),
        covered=np.zeros(shape, dtype=bool),
        lost=np.zeros(shape, dtype=bool),
    )
    find = profiles.of if isinstance(profiles, Profiles) else profiles.get
    tiles = []
    for scene in overpass.scenes:
        profile = find(scene.collection)
        if profile is None:
            raise ValueError(f"no profile serves the collection {scene.collection!r}")
        tiles.append(Tile(scene, profile, geobox, reader))
    with rasterio.Env(**gdal_settings()):
        for tile, mask in sorted(_masked(tiles, canvas, dilation_m), key=_before):
            _add(canvas, tile, mask, bands, adjust_bandpasses)
    givers = [scene_id for scene_id, gave in canvas.scenes.items() if gave]
    return Observation(
        date=overpass.date,
        sensor=overpass.sensor,
        scene_ids=tuple(givers or canvas.scenes),
        reflectance={
            band: canvas.reflectance[band]
            if band in canvas.reflectance
            else np.full(shape, np.nan, dtype=np.float32)
            for band in bands
        },
        clear=canvas.clear,
        covered=canvas.covered,
        unreadable=tuple(canvas.unreadable),
        lost=canvas.lost & ~canvas.covered,
        mask_counts=canvas.counts,
        doubted=tuple(canvas.doubted),
    )


def read_overpasses(
    overpasses: Sequence[Overpass],
    geobox: GeoBox,
    bands: Sequence[str],
    profiles: Profiles | Mapping[str, Profile],
    *,
    dilation_m: float,
    reader: WindowReader,
    adjust_bandpasses: bool = False,
    ahead: int = 6,
) -> Iterator[Observation]:
    """What each pass shows of a window, in the order given; see `read_overpass`.

    Where scenes lie on servers, up to `ahead` passes are read side by side, so that the line and
    not its latency decides; memory then holds as many observations.
    """
    one = partial(
        read_overpass,
        geobox=geobox,
        bands=bands,
        profiles=profiles,
        dilation_m=dilation_m,
        adjust_bandpasses=adjust_bandpasses,
        reader=reader,
    )
    hrefs = (a.href for look in overpasses for s in look.scenes for a in s.bands.values())
    if not any(is_address(href) for href in hrefs):
        yield from map(one, overpasses)
        return
    with ThreadPoolExecutor(ahead, "overpass") as pool:
        running: deque[Future[Observation]] = deque()
        try:
            for overpass in overpasses:
                running.append(pool.submit(one, overpass))
                if len(running) == ahead:
                    yield running.popleft().result()
            while running:
                yield running.popleft().result()
        finally:
            for left in running:
                left.cancel()


@dataclass
class _Canvas:
    """The observation while tiles are added."""

    clear: NDArray[np.bool_]
    covered: NDArray[np.bool_]
    lost: NDArray[np.bool_]
    reflectance: dict[str, NDArray[np.float32]] = field(default_factory=dict)
    """Of the bands that a tile gave."""
    unreadable: list[tuple[str, str, str]] = field(default_factory=list)
    doubted: list[tuple[str, str]] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)
    scenes: dict[str, bool] = field(default_factory=dict)
    """Scenes that cover something, and whether they gave a clear pixel."""

    def fail(self, scene_id: str, band: str, reason: str) -> None:
        self.unreadable.append((scene_id, band, reason))

    def take(self, band: str, values: NDArray[np.float32], wanted: NDArray[np.bool_]) -> None:
        """Take some pixels of a band. The first tile's array becomes the canvas's own: most passes
        have one tile, and many passes are read side by side.
        """
        if band in self.reflectance:
            np.copyto(self.reflectance[band], values, where=wanted)
        else:
            values[~wanted] = np.nan
            self.reflectance[band] = values


def _masked(
    tiles: Sequence[Tile], canvas: _Canvas, dilation_m: float
) -> list[tuple[Tile, MaskReading]]:
    """The tiles that reach the window, with their masks; those without a mask are lost."""
    found = []
    for tile in tiles:
        tile.start([tile.scene.bands[tile.profile.mask.band]])
    for tile in tiles:
        try:
            mask = tile.mask(dilation_m)
        except UnreadableError as error:
            canvas.fail(tile.scene.scene_id, tile.profile.mask.band, str(error))
            canvas.lost |= tile.frame()
            continue
        if mask is not None:
            found.append((tile, mask))
    return found


def _before(pair: tuple[Tile, MaskReading]) -> tuple[bool, int, float, str]:
    """Sort key of tiles: which pixels are taken first."""
    tile, mask = pair
    processed = newest(tile.scene)[0].timestamp() if tile.scene.processed else -math.inf
    return not tile.own_crs, -int(mask.clear.sum()), -processed, tile.scene.scene_id


def _add(
    canvas: _Canvas, tile: Tile, mask: MaskReading, bands: Sequence[str], adjust: bool
) -> None:
    """Take from a tile the clear pixels that no tile before it gave."""
    scene_id = tile.scene.scene_id
    for name, count in mask.counts.items():
        canvas.counts[name] = canvas.counts.get(name, 0) + count
    wanted = mask.clear & ~canvas.clear
    covered = mask.covered
    if wanted.any():
        read, failed = tile.bands(bands, adjust=adjust)
        for band, reason in failed:
            canvas.fail(scene_id, band, reason)
        doubt = _offset_doubt(tile.profile, read, wanted)
        if doubt:
            what = f"most clear ground has negative reflectance in {doubt}: its offset seems to be"
            canvas.doubted.append((scene_id, f"{what} applied already"))
            canvas.lost |= covered
            return
        if read:
            # Before adjusting, which may leave a band without values on purpose.
            some_value = ~mask.clear
            for values in read.values():
                has_value = np.isfinite(values)
                wanted &= has_value
                some_value |= has_value
            # A mask can reach past the edge of the bands; ground without any number is no ground.
            covered = covered & some_value
        elif failed:
            wanted = np.zeros_like(wanted)
            # What its mask calls clear was there to be seen; what it calls cloud was not.
            canvas.lost |= mask.clear
            covered = covered & ~mask.clear
        for band, values in read.items():
            canvas.take(band, tile.adjusted(values, band) if adjust else values, wanted)
        canvas.clear |= wanted
    canvas.covered |= covered
    if covered.any():
        canvas.scenes[scene_id] = bool(wanted.any())


def _offset_doubt(
    profile: Profile, read: dict[str, NDArray[np.float32]], wanted: NDArray[np.bool_]
) -> str | None:
    """The visible band in which most clear ground is negative; None where all is well."""
    if profile.values.offset.rule == "fixed" or wanted.sum() < _FEWEST_FOR_CHECK:
        return None
    shares = {band: share_negative(read[band], wanted) for band in _VISIBLE if band in read}
    return next((band for band, share in shares.items() if share > 0.5), None)
