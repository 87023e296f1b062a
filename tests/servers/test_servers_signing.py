"""Files that a server delivers to signed addresses only, and a service that signs them."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import numpy as np
import pytest
from odc.geo.geobox import GeoBox
from range_server import RangeServer, serve

from afterrains.errors import InputError
from afterrains.sample import SamplePaths
from afterrains.scenes import Overpass, Patience, Profiles, load_profiles, overpasses, search
from afterrains.scenes.read import read_overpass
from afterrains.scenes.reader import WindowReader
from afterrains.scenes.signers import signer


class Keys:
    """Signatures that hold for a few requests each, and what was asked to be signed."""

    def __init__(self, holds_for: int) -> None:
        self.holds_for = holds_for
        self.asked: list[str] = []
        self._left: dict[str, int] = {}
        self._lock = threading.Lock()

    def make(self, address: str) -> str:
        """The address, signed."""
        with self._lock:
            self.asked.append(address)
            key = f"k{len(self.asked)}"
            self._left[key] = self.holds_for
            return f"{address}?sig={key}"

    def takes(self, query: str) -> bool:
        """Whether a request with this query string is let in; counts it."""
        key = parse_qs(query).get("sig", [""])[0]
        with self._lock:
            self._left[key] = self._left.get(key, 0) - 1
            return self._left[key] >= 0


@contextmanager
def signing_service(keys: Keys) -> Iterator[str]:
    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            href = parse_qs(urlsplit(self.path).query)["href"][0]
            body = json.dumps({"href": keys.make(href)}).encode()
            self.send_response(200)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            """Keep quiet."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}/sign"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def profiles_with(service: str, servers: str, folder: Path) -> Profiles:
    """The shipped Sentinel-2 profile, replaced by one that signs."""
    shipped = Path(__file__).parents[2] / "configs" / "catalogues" / "sentinel-2-l2a.yaml"
    signing = f"\nsigning: {{service: '{service}', servers: ['{servers}']}}\n"
    (folder / "mine.yaml").write_text(shipped.read_text(encoding="utf-8") + signing)
    return load_profiles(folder)


def test_files_are_signed_just_before_use_and_again_when_refused(
    sample: SamplePaths, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """A signature holds for three requests: pixels as from the disk, and no key in any log."""
    keys = Keys(holds_for=3)
    local = one_look(str(sample.catalogue))
    box = GeoBox.from_bbox((486_200, 1_549_800, 486_800, 1_550_400), "EPSG:32631", resolution=10)
    expected = read_overpass(local, box, ("red", "nir"), load_profiles(), dilation_m=60)
    assert expected.clear.any()
    with serve(sample.folder) as files, signing_service(keys) as service:
        only_signed(files, keys)
        profiles = profiles_with(service, "127.0.0.1", tmp_path)
        look = one_look(f"{files.address}/scenes/catalog.json")
        quick = Patience(tries=3, first_wait_s=0.01)
        with WindowReader(patience=quick, sign=signer(profiles)) as reader:
            seen = read_overpass(look, box, ("red", "nir"), profiles, dilation_m=60, reader=reader)
    assert seen.unreadable == ()
    assert seen.scene_ids == expected.scene_ids
    for band in ("red", "nir"):
        np.testing.assert_array_equal(seen.reflectance[band], expected.reflectance[band])
    assert len(keys.asked) >= 3
    assert all("?" not in address for address in keys.asked), "a signed address was signed again"
    assert "sig=" not in caplog.text


def one_look(catalogue: str) -> Overpass:
    """The first clear pass of 2022 over the western ground."""
    days = date(2022, 3, 1), date(2022, 5, 31)
    found = search(
        catalogue, ["sentinel-2-l2a"], *days, (2.86, 14.0, 2.9, 14.05), 5, load_profiles()
    )
    return overpasses([scene for scene in found.scenes if scene.tile == "31PDR"])[0]


def only_signed(files: RangeServer, keys: Keys) -> None:
    """From now on images go to those with a key alone."""
    files.refuses = lambda path, query: path.endswith(".tif") and not keys.takes(query)


def test_other_servers_addresses_are_never_shown_to_the_service(tmp_path: Path) -> None:
    """Only the named servers', whole names or all that end so."""
    keys = Keys(holds_for=1)
    with signing_service(keys) as service:
        sign = signer(profiles_with(service, ".files.example.org", tmp_path))
        assert sign is not None
        for address in ("https://files.example.org.evil.net/a.tif", "https://example.org/a.tif"):
            assert sign(address, False) == address
        assert keys.asked == []
        asked = "https://a.files.example.org/b.tif"
        assert sign(asked, False) == f"{asked}?sig=k1"
    assert signer(load_profiles()) is None


@pytest.mark.parametrize("service", ["http://keys.example.org/sign", "ftp://x/y", "https://me@x/y"])
def test_a_service_must_be_asked_in_secret(service: str, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="https address"):
        profiles_with(service, "files.example.org", tmp_path)
