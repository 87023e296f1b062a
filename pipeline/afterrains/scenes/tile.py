"""One scene under one window: mask and bands on the analysis grid, each file read once."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field

import numpy as np
import rasterio.features
from numpy.typing import NDArray
from odc.geo.geobox import GeoBox
from rasterio.errors import RasterioError
from rasterio.warp import transform_geom

from afterrains.scenes.bandpass import adjust_bandpass
from afterrains.scenes.clear import MaskReading, read_mask
from afterrains.scenes.failures import UnreadableError
from afterrains.scenes.model import BandAsset, Scene
from afterrains.scenes.profile_model import Profile, ValueMask
from afterrains.scenes.reader import WindowReader
from afterrains.scenes.reflectance import to_reflectance
from afterrains.scenes.regrid import codes_to_geobox, crs_of, values_to_geobox
from afterrains.scenes.windows import WindowReading

__all__ = ["Tile"]


@dataclass
class Tile:
    """One scene under one window; each file is read once."""

    scene: Scene
    profile: Profile
    geobox: GeoBox
    reader: WindowReader
    own_crs: bool = True
    _reads: dict[str, Future[WindowReading | None]] = field(default_factory=dict)

    def mask(self, dilation_m: float) -> MaskReading | None:
        """What the mask says on the analysis grid; None where the scene does not reach it."""
        rule = self.profile.mask
        asset = self.scene.bands[rule.band]
        reading = self._window(asset)
        if reading is None:
            return None
        if isinstance(rule, ValueMask):
            return self._seen_by_value(asset, reading)
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

    def _seen_by_value(self, asset: BandAsset, reading: WindowReading) -> MaskReading:
        """A mask made of a band: ground is seen where it holds a number."""
        self.own_crs = reading.crs == crs_of(self.geobox)
        seen = np.isfinite(self._reflectance(asset))
        return MaskReading(seen, seen.copy(), {"no_value": int((~seen).sum())})

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
        """Reflectance on the analysis grid of the bands that the scene has, and failures.

        The arrays are the caller's; windows of files are let go of as they are used.
        """
        read: dict[str, NDArray[np.float32]] = {}
        failed: list[tuple[str, str]] = []
        assets = {
            band: asset
            for band in bands
            if (asset := self.scene.bands.get(self._source(band, adjust=adjust))) is not None
        }
        self.start(assets.values())
        saturated = self._saturated(failed)
        left = Counter(asset.href for asset in assets.values())
        for band, asset in assets.items():
            try:
                read[band] = self._reflectance(asset)
                if saturated is not None:
                    read[band][saturated] = np.nan
            except UnreadableError as error:
                failed.append((band, str(error)))
            left[asset.href] -= 1
            if not left[asset.href]:
                del self._reads[asset.href]
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

    def start(self, assets: Iterable[BandAsset | None]) -> None:
        """Begin to read files that will be wanted; on a server they are read side by side."""
        for asset in assets:
            if asset is not None and asset.href not in self._reads:
                self._reads[asset.href] = self.reader.start(asset.href, self.geobox)

    def _window(self, asset: BandAsset) -> WindowReading | None:
        """The asset's window; a failure is remembered too."""
        self.start([asset])
        return self._reads[asset.href].result()


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
