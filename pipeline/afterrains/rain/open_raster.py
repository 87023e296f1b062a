"""A raster of rain, opened: on a disk by GDAL, on a server through our own ranges.

GDAL's own reader of addresses follows redirects wherever they lead, into this network too, and an
error that it only logs can pass for data. So GDAL is given the bytes: they come by the client that
reads scenes, which tries again, checks each answer and watches where connections end.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np
import rasterio
from rasterio.errors import RasterioError
from rasterio.windows import Window

from afterrains.errors import ServiceError
from afterrains.rain.raster_face import StepRaster, unfit
from afterrains.scenes.failures import UnreadableError
from afterrains.scenes.opener import Opener, open_remote
from afterrains.scenes.ranges import RangeClient
from afterrains.scenes.references import is_address
from afterrains.scenes.remote import RemoteFile
from afterrains.scenes.windows import gdal_settings, logged_errors, open_by_gdal

__all__ = ["OpenRaster", "open_raster"]


@dataclass(frozen=True)
class OpenRaster:
    """A raster while it is open."""

    raster: StepRaster
    dataset: Any
    opener: Opener | None
    """Of a remote file."""

    def read(self, bands: Sequence[int], window: Window) -> np.ma.MaskedArray[Any, Any]:
        """Numbers as stored, (band, y, x).

        Raises
        ------
        ServiceError, UnfitError
            If a remote file, or one on this disk, could not be read.
        """
        try:
            with logged_errors() as logged:
                stored: np.ma.MaskedArray[Any, Any] = self.dataset.read(
                    list(bands), window=window, masked=True
                )
        except (RasterioError, OSError) as error:
            raise _unreadable(self.raster, self.opener, error) from error
        if logged or (self.opener and self.opener.failure):
            raise _unreadable(self.raster, self.opener, None)
        return stored


@contextmanager
def open_raster(raster: StepRaster, client: RangeClient) -> Iterator[OpenRaster]:
    """The raster's file.

    Raises
    ------
    ServiceError
        If a remote file stays shut after the client's tries.
    UnfitError
        If a file on this disk is no GeoTIFF.
    """
    with ExitStack() as until:
        until.enter_context(rasterio.Env(**gdal_settings()))
        try:
            with logged_errors() as logged:
                opened = _opened(raster, client, until)
        except (UnreadableError, RasterioError, OSError) as error:
            raise _unreadable(raster, None, error) from error
        if logged:
            raise _unreadable(raster, opened.opener, None)
        yield opened


def _opened(raster: StepRaster, client: RangeClient, until: ExitStack) -> OpenRaster:
    """The raster's file, open until `until` is closed."""
    if is_address(raster.href):
        remote = open_remote(RemoteFile(raster.href, client), _looked_for, driver="GTiff")
        until.callback(remote.close)
        return OpenRaster(raster, remote.dataset, remote.opener)
    return OpenRaster(raster, until.enter_context(open_by_gdal(raster.href, "GTiff")), None)


def _looked_for(dataset: Any) -> None:
    """Have GDAL look for all that it would look for later, when other threads may open files."""
    dataset.mask_flag_enums  # noqa: B018 looked up once and remembered
    for band in range(dataset.count + 1):
        dataset.tags(band)


def _unreadable(raster: StepRaster, opener: Opener | None, error: Exception | None) -> Exception:
    """What to raise; a server's own words, where the client has any, have lost their secrets."""
    if "://" in raster.href:
        why = (opener and opener.failure) or error
        said = f" ({why})" if isinstance(why, UnreadableError) else ""
        return ServiceError(
            f"the rain raster {raster.name} could not be read after several tries{said}; "
            "run the same command again later"
        )
    mend = "get the file anew, or take it away (its day is then a gap)"
    return unfit(raster.name, "", "cannot be read as GeoTIFF", mend, "rain-grid-unreadable")
