"""Rain from a STAC API on a server: pages, failures, and rasters read over HTTP."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
from affine import Affine
from shapely.geometry import box
from urllib3 import Retry

from afterrains.errors import ServiceError
from afterrains.programme import RainCatalogue
from afterrains.rain.catalogue import check_catalogue
from afterrains.scenes.documents import Documents
from afterrains.scenes.windows import Patience

DAYS = [f"2021-06-{day:02}" for day in range(1, 8)]
NO_WAIT = {"patience": Patience(tries=2, first_wait_s=0)}


class _Service(BaseHTTPRequestHandler):
    """A small STAC API: three items a page; rasters with byte ranges; 503 as often as told."""

    folder: Path
    failures: dict[str, int | str]
    """By path: how often 503 is answered, "cut" for bodies cut short, or where it redirects to."""

    def log_message(self, *_args) -> None:
        pass

    def do_HEAD(self) -> None:
        self.do_GET()

    def do_POST(self) -> None:
        asked = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        self._answer(asked)

    def do_GET(self) -> None:
        failure = self.failures.get(self.path, 0)
        if isinstance(failure, str) and failure != "cut":
            self.send_response(302)
            self.send_header("Location", failure)
            self.send_header("Content-Length", "0")
            self.end_headers()
        elif isinstance(failure, int) and failure > 0:
            self.failures[self.path] = failure - 1
            self.send_error(503)
        elif self.path.endswith(".tif"):
            self._raster()
        else:
            self._answer({})

    def _raster(self) -> None:
        path = self.folder / self.path.strip("/")
        if not path.is_file():
            self.send_error(404)
            return
        data = path.read_bytes()
        asked = self.headers.get("Range")
        first, last = 0, len(data) - 1
        if asked:
            ends = asked.removeprefix("bytes=").split("-")
            first, last = int(ends[0]), min(int(ends[1] or last), last)
        part = data[first : last + 1]
        if self.failures.get(self.path) == "cut" and first >= len(data) // 2:
            part = b"" if self.command == "HEAD" else part[: len(part) // 2]
            self.close_connection = True
        self.send_response(206 if asked else 200)
        self.send_header("Accept-Ranges", "bytes")
        self.send_header("Content-Length", str(last - first + 1))
        if asked:
            self.send_header("Content-Range", f"bytes {first}-{last}/{len(data)}")
        self.end_headers()
        if self.command != "HEAD":
            self.wfile.write(part)

    def _answer(self, asked: dict) -> None:
        here = f"http://{self.headers['Host']}"
        if self.path == "/":
            body = {
                "type": "Catalog",
                "id": "rain",
                "stac_version": "1.0.0",
                "description": "rain",
                "conformsTo": [
                    "https://api.stacspec.org/v1.0.0/core",
                    "https://api.stacspec.org/v1.0.0/item-search",
                ],
                "links": [
                    {"rel": "self", "href": f"{here}/"},
                    {"rel": "root", "href": f"{here}/"},
                    {"rel": "search", "href": f"{here}/search", "method": "POST"},
                ],
            }
        else:
            start = int(asked.get("token", 0))
            body = {"type": "FeatureCollection", "features": [], "links": []}
            for day in DAYS[start : start + 3]:
                body["features"].append(_item(day, here))
            if start + 3 < len(DAYS):
                follow = asked | {"token": str(start + 3)}
                body["links"] = [
                    {"rel": "next", "href": f"{here}/search", "method": "POST", "body": follow}
                ]
        data = json.dumps(body).encode()
        self.send_response(200)
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", str(len(data)))
        self.end_headers()
        self.wfile.write(data)


def _item(day: str, here: str) -> dict:
    return {
        "type": "Feature",
        "stac_version": "1.1.0",
        "id": f"rain-{day}",
        "collection": "daily",
        "geometry": box(10, 14, 11, 15).__geo_interface__,
        "bbox": [10, 14, 11, 15],
        "properties": {
            "datetime": None,
            "start_datetime": f"{day}T00:00:00Z",
            "end_datetime": f"{day}T23:59:59Z",
        },
        "links": [],
        "assets": {"rain": {"href": f"{here}/{day}.tif", "unit": "mm"}},
    }


@pytest.fixture
def service(tmp_path) -> Iterator[tuple[RainCatalogue, dict[str, int | str]]]:
    for number, day in enumerate(DAYS):
        profile = {
            "driver": "GTiff",
            "width": 10,
            "height": 10,
            "count": 1,
            "dtype": "float32",
            "crs": "EPSG:4326",
            "transform": Affine(0.1, 0, 10, 0, -0.1, 15),
        }
        with rasterio.open(tmp_path / f"{day}.tif", "w", **profile) as dataset:
            dataset.write(np.full((1, 10, 10), float(number), dtype=np.float32))
    handler = type("_Here", (_Service,), {"folder": tmp_path, "failures": {}})
    server = ThreadingHTTPServer(("127.0.0.1", 0), handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    url = f"http://127.0.0.1:{server.server_address[1]}/"
    yield RainCatalogue(url=url, collection="daily", asset="rain"), handler.failures
    server.shutdown()
    server.server_close()
    thread.join()


@pytest.fixture
def sites() -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        {"site_id": ["north"]}, geometry=[box(10.2, 14.2, 10.3, 14.3)], crs=4326
    )


def documents() -> Documents:
    return Documents(Retry(total=2, backoff_factor=0, status_forcelist=(503,)), timeout_s=5)


def test_pages_of_items_and_rasters_over_http(service, sites):
    """By construction: day n has n mm; seven items on three pages."""
    catalogue, _ = service
    record, findings = check_catalogue(catalogue, sites, documents=documents(), **NO_WAIT)
    assert findings == []
    assert record.daily["north"].tolist() == [0, 1, 2, 3, 4, 5, 6]
    assert [f"{day:%Y-%m-%d}" for day in record.daily.index] == DAYS
    assert record.step == "daily"


def test_a_raster_that_stays_away_is_a_service_error(service, sites):
    catalogue, failures = service
    failures["/2021-06-03.tif"] = 100
    with pytest.raises(ServiceError, match=r"rain-2021-06-03 could not be read"):
        check_catalogue(catalogue, sites, documents=documents(), **NO_WAIT)


def test_a_raster_that_fails_once_is_tried_again(service, sites):
    catalogue, failures = service
    failures["/2021-06-03.tif"] = 1
    record, _ = check_catalogue(catalogue, sites, documents=documents(), **NO_WAIT)
    assert record.daily["north"].tolist() == [0, 1, 2, 3, 4, 5, 6]


@pytest.mark.parametrize("scheme", ["s3", "gs", "az"])
def test_rasters_at_other_addresses_are_refused_in_words(service, sites, tmp_path, scheme):
    """Nothing there watches where a connection ends, or tries again; a key in one is not told."""
    item = _item(DAYS[0], f"{scheme}://key:SECRET@rain-bucket/daily")
    path = tmp_path / "items.json"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": [item]}))
    catalogue = RainCatalogue(url=str(path), collection="daily", asset="rain")
    record, (finding,) = check_catalogue(catalogue, sites, **NO_WAIT)
    assert record is None
    assert finding.code == "rain-catalogue-scheme"
    assert f"{scheme}: address" in finding.what
    assert "https" in finding.mend
    assert "SECRET" not in f"{finding}"


def test_a_server_that_is_down_is_a_service_error(sites):
    catalogue = RainCatalogue(url="http://127.0.0.1:9/", collection="daily", asset="rain")
    with pytest.raises(ServiceError):
        check_catalogue(catalogue, sites, documents=documents(), **NO_WAIT)


@pytest.mark.parametrize(
    "place", ["http://127.0.0.1:{port}/2021-06-04.tif", "file://{file}", "{file}"]
)
def test_a_raster_that_redirects_inside_is_refused(service, sites, names, tmp_path, place):
    """A catalogue on the open net may lead neither to this machine's servers nor to its files."""
    catalogue, failures = service
    port = catalogue.url.rpartition(":")[2].strip("/")
    names("rain.example.org", "127.0.0.1")
    public = catalogue.model_copy(update={"url": f"http://rain.example.org:{port}/"})
    record, _ = check_catalogue(public, sites, documents=documents(), **NO_WAIT)
    assert record is not None
    failures["/2021-06-03.tif"] = place.format(port=port, file=tmp_path / "2021-06-04.tif")
    with pytest.raises(ServiceError, match=r"rain-2021-06-03 could not be read .*\("):
        check_catalogue(public, sites, documents=documents(), **NO_WAIT)


def test_a_body_that_is_cut_off_is_no_rain(service, sites, tmp_path):
    """The numbers lie in the file's second half, which never comes whole: no zeros, no dry day."""
    catalogue, failures = service
    path = tmp_path / "2021-06-03.tif"
    noise = np.random.default_rng(1).random((1, 200, 200), dtype=np.float32)
    with rasterio.open(path) as dataset:
        north = Affine(0.1, 0, 0, 0, -0.1, 30)  # the site lies at row 157 of 200
        profile = {**dataset.profile, "width": 200, "height": 200, "transform": north}
    for day in DAYS:
        with rasterio.open(tmp_path / f"{day}.tif", "w", **profile) as dataset:
            dataset.write(noise)
    assert check_catalogue(catalogue, sites, documents=documents(), **NO_WAIT)[1] == []
    failures["/2021-06-03.tif"] = "cut"
    with pytest.raises(ServiceError, match=r"rain-2021-06-03 could not be read"):
        check_catalogue(catalogue, sites, documents=documents(), **NO_WAIT)
