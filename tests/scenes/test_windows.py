"""Windows of files on a disk and on a server that fails in the ways in which servers fail."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from affine import Affine
from odc.geo.geobox import GeoBox
from rasterio.warp import transform_bounds

from afterrains.scenes import Patience, failures, windows
from afterrains.scenes.failures import UnreadableError
from afterrains.scenes.reader import read_window

Writer = Callable[..., Path]
EAGER = Patience(tries=3, first_wait_s=0.0)


def window(rows: int, columns: int, left: float = 500_000, top: float = 1_600_000) -> GeoBox:
    return GeoBox((rows, columns), Affine(10, 0, left, 0, -10, top), "EPSG:32631")


class Server:
    """Files by byte ranges; `plan` names how the next requests fail, then all is well."""

    def __init__(self) -> None:
        self.files: dict[str, bytes] = {}
        self.plan: list[str] = []
        self.requests: list[str] = []
        outer = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def log_message(self, *_args: Any) -> None:
                """Be quiet."""

            def do_HEAD(self) -> None:
                self._answer(body=False)

            def do_GET(self) -> None:
                self._answer(body=True)

            def _answer(self, *, body: bool) -> None:
                outer.requests.append(f"{self.command} {self.path}")
                fault = outer.plan.pop(0) if outer.plan else ""
                if fault.isdigit():
                    self.send_response(int(fault))
                    self.send_header("Content-Length", "0")
                    self.end_headers()
                    return
                data = outer.files[self.path.split("?")[0]]
                status, part = 200, data
                if asked := self.headers.get("Range"):
                    first, last = asked.removeprefix("bytes=").split("-")
                    end = min(int(last or len(data)), len(data) - 1)
                    status, part = 206, data[int(first) : end + 1]
                self.send_response(status)
                if status == 206:
                    self.send_header("Content-Range", f"bytes {first}-{end}/{len(data)}")
                self.send_header("Content-Length", str(len(part)))
                self.send_header("Accept-Ranges", "bytes")
                self.end_headers()
                if body:
                    self.wfile.write(part[: len(part) // 2] if fault == "cut" else part)
                if fault == "cut":
                    self.close_connection = True

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.address = f"http://127.0.0.1:{self._server.server_port}"
        threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True).start()

    def stop(self) -> None:
        """Answer no more."""
        self._server.shutdown()
        self._server.server_close()


@pytest.fixture
def server() -> Iterator[Server]:
    found = Server()
    yield found
    found.stop()


def test_only_the_window_is_read(write_tif: Writer, rng: np.random.Generator):
    """A slice of the same grid, without any rim."""
    numbers = rng.integers(1, 10_000, size=(50, 60), dtype=np.uint16)
    path = write_tif("red.tif", numbers)
    reading = read_window(str(path), window(5, 7, left=500_100, top=1_599_800))
    assert reading is not None
    assert np.array_equal(reading.numbers, numbers[20:25, 10:17])
    assert (reading.transform.c, reading.transform.f) == (500_100, 1_599_800)
    assert reading.nodata == 0


def test_beside_the_file_there_is_nothing(write_tif: Writer):
    path = write_tif("red.tif", np.ones((10, 10), np.uint16))
    assert read_window(str(path), window(5, 5, left=600_000)) is None


@pytest.mark.parametrize("fault", ["404", "500", "503", "429", "403"])
def test_a_passing_failure_leaves_nothing_behind(write_tif: Writer, server: Server, fault: str):
    """After a 404 GDAL would say "does not exist" for good; the next try asks the server again."""
    numbers = np.arange(1, 401, dtype=np.uint16).reshape(20, 20)
    server.files["/red.tif"] = write_tif("red.tif", numbers).read_bytes()
    server.plan = [fault]
    reading = read_window(f"{server.address}/red.tif", window(20, 20), EAGER)
    assert reading is not None
    assert np.array_equal(reading.numbers, numbers)


def test_a_cut_body_is_tried_again(write_tif: Writer, server: Server):
    numbers = np.arange(1, 401, dtype=np.uint16).reshape(20, 20)
    server.files["/red.tif"] = write_tif("red.tif", numbers).read_bytes()
    server.plan = ["", "cut"]
    reading = read_window(f"{server.address}/red.tif", window(20, 20), EAGER)
    assert reading is not None
    assert np.array_equal(reading.numbers, numbers)


def test_a_lasting_failure_is_told_without_the_query_string(write_tif: Writer, server: Server):
    """Three tries, then the reason; keys in the address stay out of it."""
    server.files["/red.tif"] = write_tif("red.tif", np.ones((5, 5), np.uint16)).read_bytes()
    server.plan = ["500"] * 50
    with pytest.raises(UnreadableError) as failure:
        read_window(f"{server.address}/red.tif?signature=SECRET", window(5, 5), EAGER)
    assert "SECRET" not in str(failure.value)
    assert len([line for line in server.requests if line.startswith("GET")]) >= 3


def test_a_failure_of_another_file_does_not_wait(server: Server, write_tif: Writer):
    """A file that failed for good can be read once its server is well again."""
    numbers = np.full((5, 5), 7, np.uint16)
    server.files["/late.tif"] = write_tif("late.tif", numbers).read_bytes()
    server.plan = ["404"] * 20
    with pytest.raises(UnreadableError):
        read_window(f"{server.address}/late.tif", window(5, 5), EAGER)
    server.plan = []
    reading = read_window(f"{server.address}/late.tif", window(5, 5), EAGER)
    assert reading is not None
    assert np.array_equal(reading.numbers, numbers)


def test_corrupt_file_is_unreadable(real: Path):
    """rasterio-odd/corrupt.tif opens, but its pixels cannot be decoded."""
    bounds = transform_bounds(
        "EPSG:3857", "EPSG:32652", 14_321_900, 4_532_500, 14_322_400, 4_533_000
    )
    box = GeoBox.from_bbox(bounds, crs="EPSG:32652", resolution=10)
    with pytest.raises(UnreadableError):
        # three bands; the first reason is enough to leave it out
        read_window(str(real / "pixels/rasterio-odd/corrupt.tif"), box, EAGER)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("rotated.tif", "rotated|coordinate reference"),
        ("float_nan.tif", "coordinate reference"),
        ("all-nodata.tif", "4 bands"),
        ("missing.tif", "No such file"),
    ],
)
def test_odd_files_are_unreadable_with_a_reason(real: Path, name: str, words: str):
    with pytest.raises(UnreadableError, match=words):
        read_window(str(real / "pixels/rasterio-odd" / name), window(5, 5), EAGER)


def test_a_file_of_another_kind_is_not_opened(tmp_path: Path, write_tif: Writer):
    """A virtual raster can point at any file or address; only plain rasters are read."""
    inner = write_tif("red.tif", np.ones((5, 5), np.uint16))
    text = f"""<VRTDataset rasterXSize="5" rasterYSize="5"><SRS>EPSG:32631</SRS>
        <GeoTransform>500000,10,0,1600000,0,-10</GeoTransform>
        <VRTRasterBand dataType="UInt16" band="1"><SimpleSource>
        <SourceFilename>{inner}</SourceFilename><SourceBand>1</SourceBand>
        </SimpleSource></VRTRasterBand></VRTDataset>"""
    disguised = tmp_path / "nir.tif"
    disguised.write_text(text, encoding="utf-8")
    with pytest.raises(UnreadableError):
        read_window(str(disguised), window(5, 5), EAGER)


def test_a_truncated_file_is_unreadable(write_tif: Writer, rng: np.random.Generator):
    numbers = rng.integers(1, 10_000, size=(200, 200), dtype=np.uint16)
    path = write_tif("red.tif", numbers)
    path.write_bytes(path.read_bytes()[:40_000])
    with pytest.raises(UnreadableError):
        read_window(str(path), window(200, 200), EAGER)


def test_an_error_that_is_only_logged_counts_as_a_failure(
    write_tif: Writer, monkeypatch: pytest.MonkeyPatch
):
    """GDAL can log an error and hand back pixels all the same."""
    path = write_tif("red.tif", np.ones((5, 5), np.uint16))
    honest, calls = windows._read_once, []

    def _noisy(href: str, geobox: GeoBox) -> Any:
        calls.append(href)
        if len(calls) < 3:
            logging.getLogger("rasterio._env").error("CPLE_AppDefined in TIFFReadEncodedTile")
        return honest(href, geobox)

    monkeypatch.setattr(windows, "_read_once", _noisy)
    assert read_window(str(path), window(5, 5), EAGER) is not None
    assert len(calls) == 3
    calls.clear()
    with pytest.raises(UnreadableError, match="CPLE_AppDefined"):
        read_window(str(path), window(5, 5), Patience(tries=2, first_wait_s=0))


def test_pauses_grow(monkeypatch: pytest.MonkeyPatch):
    """Half a second, one, two – each spread by half to one and a half."""
    waits: list[float] = []
    monkeypatch.setattr(failures.time, "sleep", waits.append)
    for failed in (1, 2, 3):
        Patience().pause(failed)
    assert all(
        0.5 * middle <= wait <= 1.5 * middle
        for wait, middle in zip(waits, (0.5, 1, 2), strict=True)
    )


def test_settings_leave_gdals_threads_alone():
    """Threads inside GDAL over HTTP have written wrong pixels without an error before 3.11."""
    assert windows.gdal_settings()["GDAL_NUM_THREADS"] == 1
    assert windows.gdal_settings()["GDAL_DISABLE_READDIR_ON_OPEN"] == "EMPTY_DIR"
