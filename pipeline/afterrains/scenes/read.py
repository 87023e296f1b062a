"""One pass of a satellite over one window: masks, reflectance, and what could not be read.

Overlapping tiles of a pass are merged pixel by pixel after masking. Tiles in the analysis CRS come
first (their pixels are copied, not interpolated), then those with more clear ground in the window,
then the newest; a pixel is taken whole, all bands, from the first tile in which it is clear. Bands
are read only of tiles that add clear ground.

A mask that cannot be read makes its scene unusable: without it nothing is known to be clear. A band
that cannot be read is NaN for that scene's pixels. Both are named in `Observation.unreadable`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import rasterio.features
from numpy.typing import NDArray
from odc.geo.geobox import GeoBox
from rasterio.errors import RasterioError
from rasterio.warp import transform_geom

from afterrains.scenes.bandpass import adjust_bandpass
from afterrains.scenes.clear import MaskReading, read_mask
from afterrains.scenes.duplicates import newest
from afterrains.scenes.model import BandAsset, Observation, Overpass, Scene
from afterrains.scenes.profiles import Profile, Profiles
from afterrains.scenes.reflectance import share_negative, to_reflectance
from afterrains.scenes.regrid import codes_to_geobox, crs_of, values_to_geobox
from afterrains.scenes.windows import Patience, UnreadableError, WindowReading, read_window

__all__ = ["read_overpass"]

_Reads = dict[str, WindowReading | UnreadableError | None]
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
    patience : Patience, optional
        Tries and pauses of failed reads.

    Raises
    ------
    ValueError
        If no profile serves a scene's collection.
    """
    patience = patience or Patience()
    shape = geobox.shape.yx
    canvas = _Canvas(
        reflectance={band: np.full(shape, np.nan, dtype=np.float32) for band in bands},
        clear=np.zeros(shape, dtype=bool),
        covered=np.zeros(shape, dtype=bool),
        lost=np.zeros(shape, dtype=bool),
    )
    masked = []
    for scene in overpass.scenes:
        find = profiles.of if isinstance(profiles, Profiles) else profiles.get
        profile = find(scene.collection)
        if profile is None:
            raise ValueError(f"no profile serves the collection {scene.collection!r}")
        tile = _Tile(scene, profile, geobox, patience)
        try:
            mask = tile.mask(dilation_m)
        except UnreadableError as error:
            canvas.fail(scene.scene_id, profile.mask.band, str(error))
            canvas.lost |= tile.frame()
            continue
        if mask is not None:
            masked.append((tile, mask))
    masked.sort(key=_before)
    for tile, mask in masked:
        _add(canvas, tile, mask, bands, adjust_bandpasses)
    givers = [scene_id for scene_id, gave in canvas.scenes.items() if gave]
    return Observation(
        date=overpass.date,
        sensor=overpass.sensor,
        scene_ids=tuple(givers or canvas.scenes),
        reflectance=canvas.reflectance,
        clear=canvas.clear,
        covered=canvas.covered,
        unreadable=tuple(canvas.unreadable),
        lost=canvas.lost & ~canvas.covered,
        mask_counts=canvas.counts,
    )


@dataclass
class _Canvas:
    """The observation while tiles are added."""

    reflectance: dict[str, NDArray[np.float32]]
    clear: NDArray[np.bool_]
    covered: NDArray[np.bool_]
    lost: NDArray[np.bool_]
    unreadable: list[tuple[str, str, str]] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)
    scenes: dict[str, bool] = field(default_factory=dict)
    """Scenes that cover something, and whether they gave a clear pixel."""

    def fail(self, scene_id: str, band: str, reason: str) -> None:
        self.unreadable.append((scene_id, band, reason))


def _before(pair: tuple[_Tile, MaskReading]) -> tuple[bool, int, float, str]:
    """Sort key of tiles: which pixels are taken first."""
    tile, mask = pair
    processed = newest(tile.scene)[0].timestamp() if tile.scene.processed else -math.inf
    return not tile.own_crs, -int(mask.clear.sum()), -processed, tile.scene.scene_id


def _add(
    canvas: _Canvas, tile: _Tile, mask: MaskReading, bands: Sequence[str], adjust: bool
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
            canvas.fail(
                scene_id,
                doubt,
                "most clear ground has negative reflectance: its offset "
                "seems to be applied already",
            )
            canvas.lost |= covered
            return
        if read:
            # Before adjusting, which may leave a band without values on purpose.
            has_value = np.isfinite(list(read.values()))
            wanted &= has_value.all(axis=0)
            # A mask can reach past the edge of the bands; ground without any number is no ground.
            covered = covered & (has_value.any(axis=0) | ~mask.clear)
        else:
            wanted = np.zeros_like(wanted) if failed else wanted
        for band, values in read.items():
            adjusted = tile.adjusted(values, band) if adjust else values
            canvas.reflectance[band][wanted] = adjusted[wanted]
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


@dataclass
class _Tile:
    """One scene under one window; each file is opened once."""

    scene: Scene
    profile: Profile
    geobox: GeoBox
    patience: Patience
    own_crs: bool = True
    _reads: _Reads = field(default_factory=dict)

    def mask(self, dilation_m: float) -> MaskReading | None:
        """What the mask says on the analysis grid; None where the scene does not reach it."""
        rule = self.profile.mask
        asset = self.scene.bands[rule.band]
        reading = self._window(asset)
        if reading is None:
            return None
        if reading.numbers.dtype.kind == "f":
            raise UnreadableError("holds no whole numbers, and a mask must")
        self.own_crs = reading.crs == crs_of(self.geobox)
        # Where analysis pixels are larger than the mask's, it is read finer and every part counts.
        ratio = abs(self.geobox.resolution.x) / abs(reading.transform.a)
        fine = max(1, math.ceil(ratio - 1e-6)) if self.own_crs else max(1, math.ceil(ratio - 0.1))
        geobox = self.geobox if fine == 1 else self.geobox.zoom_out(1 / fine)
        empty = rule.classes[rule.empty] if rule.kind == "classes" else 1 << rule.bits[rule.empty]
        codes = codes_to_geobox(
            reading.numbers, reading.transform, reading.crs, geobox, empty=empty
        )
        pixel_m = (abs(geobox.resolution.y), abs(geobox.resolution.x))
        found = read_mask(codes, rule, pixel_m=pixel_m, widen_m=dilation_m)
        return _coarser(found, fine)

    def adjusted(self, values: NDArray[np.float32], band: str) -> NDArray[np.float32]:
        """Reflectance as OLI would have seen it, where coefficients are named for the sensor."""
        set_name = self.profile.bandpass.get(self.scene.sensor)
        if set_name is None:
            return values
        return adjust_bandpass(values, self._source(band, adjust=True), set_name)

    def _source(self, band: str, *, adjust: bool) -> str:
        """The band whose file is read for a band."""
        if adjust and self.scene.sensor in self.profile.bandpass:
            return self.profile.bandpass_from.get(band, band)
        return band

    def bands(
        self, bands: Sequence[str], *, adjust: bool
    ) -> tuple[dict[str, NDArray[np.float32]], list[tuple[str, str]]]:
        """Reflectance on the analysis grid of the bands that the scene has, and failures."""
        read: dict[str, NDArray[np.float32]] = {}
        failed: list[tuple[str, str]] = []
        saturated = self._saturated(failed)
        for band in bands:
            asset = self.scene.bands.get(self._source(band, adjust=adjust))
            if asset is None:
                continue
            try:
                read[band] = self._reflectance(asset)
            except UnreadableError as error:
                failed.append((band, str(error)))
                continue
            if saturated is not None:
                read[band][saturated] = np.nan
        return read, failed

    def frame(self) -> NDArray[np.bool_]:
        """The window's pixels inside the scene's footprint; all of them if that cannot be told."""
        try:
            crs = crs_of(self.geobox)
            outline = transform_geom("EPSG:4326", crs, self.scene.footprint)
            inside: NDArray[np.bool_] = rasterio.features.geometry_mask(
                [outline], self.geobox.shape.yx, self.geobox.affine, all_touched=True, invert=True
            )
        except (RasterioError, ValueError):
            return np.ones(self.geobox.shape.yx, dtype=bool)
        return inside

    def _reflectance(self, asset: BandAsset) -> NDArray[np.float32]:
        reading = self._window(asset)
        if reading is None:
            return np.full(self.geobox.shape.yx, np.nan, dtype=np.float32)
        values = to_reflectance(
            reading.numbers,
            scale=asset.scale,
            offset=asset.offset,
            nodata=asset.nodata if asset.nodata is not None else reading.nodata,
            valid_range=self.profile.values.valid_range,
        )
        return values_to_geobox(values, reading.transform, reading.crs, self.geobox)

    def _saturated(self, failed: list[tuple[str, str]]) -> NDArray[np.bool_] | None:
        """Where the saturation band says a value is not to be trusted; None where there is none."""
        rule = self.profile.saturation
        asset = self.scene.bands.get(rule.band) if rule else None
        if rule is None or asset is None:
            return None
        try:
            reading = self._window(asset)
        except UnreadableError as error:
            failed.append((rule.band, str(error)))
            return None
        if reading is None or reading.numbers.dtype.kind == "f":
            return None
        codes = codes_to_geobox(
            reading.numbers, reading.transform, reading.crs, self.geobox, empty=0
        )
        return np.asarray(codes != 0)

    def _window(self, asset: BandAsset) -> WindowReading | None:
        """The asset's window, read once; a failure is remembered too."""
        if asset.href not in self._reads:
            try:
                self._reads[asset.href] = read_window(asset.href, self.geobox, self.patience)
            except UnreadableError as error:
                self._reads[asset.href] = error
        found = self._reads[asset.href]
        if isinstance(found, UnreadableError):
            raise found
        return found


def _coarser(mask: MaskReading, factor: int) -> MaskReading:
    """The mask on pixels `factor` times larger: clear and covered where every part is."""
    if factor == 1:
        return mask

    def every(layer: NDArray[np.bool_]) -> NDArray[np.bool_]:
        rows, columns = layer.shape[0] // factor, layer.shape[1] // factor
        parts = layer.reshape(rows, factor, columns, factor)
        return np.asarray(parts.all(axis=(1, 3)))

    counts = {name: round(count / factor**2) for name, count in mask.counts.items()}
    return MaskReading(every(mask.covered), every(mask.clear), counts)
