"""Pixels pulled by blocks equal those that rasterio reads from the same file on the disk."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
import rasterio.shutil
import rasterio.windows
from affine import Affine
from numpy.typing import NDArray
from odc.geo.geobox import GeoBox
from range_server import RangeServer
from rasterio.windows import Window
from served_ground import CRS, LEFT, TOP, box

from afterrains.scenes.decode import BlockError, Coding, decode_block
from afterrains.scenes.failures import Patience, UnreadableError
from afterrains.scenes.plan import Block, blocks_under, merged
from afterrains.scenes.ranges import RangeClient
from afterrains.scenes.reader import WindowReader
from afterrains.scenes.store import BlockStore

Write = Callable[..., Path]


def numbers(rng: np.random.Generator, dtype: str, shape: tuple[int, int]) -> NDArray[Any]:
    if dtype.startswith("float"):
        return rng.normal(0, 0.3, shape).astype(dtype)
    info = np.iinfo(dtype)
    return rng.integers(info.min, info.max, shape, dtype=dtype, endpoint=True)


def both_ways(path: Path, server: RangeServer, geoboxes: list[GeoBox]) -> None:
    """Every part of each reading is the same from the server as from the disk."""
    with WindowReader(patience=Patience(2, 0.0)) as reader:
        near = reader.read(str(path), geoboxes)
        far = reader.read(f"{server.address}/{path.name}", geoboxes)
    for one, other in zip(near, far, strict=True):
        assert (one is None) == (other is None)
        if one is not None and other is not None:
            assert one.numbers.dtype == other.numbers.dtype
            assert one.numbers.tobytes() == other.numbers.tobytes()
            assert (one.transform, one.crs) == (other.transform, other.crs)
            assert repr(one.nodata) == repr(other.nodata)


WINDOWS = [box(0, 0, 150, 170), box(60, 60, 10, 10), box(130, 150, 60, 60), box(10, 100, 1, 1)]


@pytest.mark.parametrize("endianness", ["LITTLE", "BIG"])
@pytest.mark.parametrize("compress", ["none", "deflate", "zstd", "lzw"])
@pytest.mark.parametrize(
    ("dtype", "predictor"),
    [(dtype, 1) for dtype in ("uint8", "uint16", "int16", "float32", "float64")]
    + [("uint8", 2), ("uint16", 2), ("int16", 2), ("int32", 2), ("float32", 3), ("float64", 3)],
)
def test_every_coding(
    write: Write,
    server: RangeServer,
    rng: np.random.Generator,
    dtype: str,
    predictor: int,
    compress: str,
    endianness: str,
):
    """An image whose sides are no whole number of blocks; own decoder or GDAL's, as may be."""
    if compress == "none" and predictor != 1:
        pytest.skip("TIFF knows predictors with compression only")
    values = numbers(rng, dtype, (150, 170))
    how = {} if predictor == 1 else {"predictor": predictor}
    both_ways(
        write("band.tif", values, compress=compress, ENDIANNESS=endianness, **how), server, WINDOWS
    )


@pytest.mark.parametrize(
    "how",
    [
        {"tiled": False, "blockysize": 16, "predictor": 2},
        {"tiled": False, "blockysize": 150},
        {"BIGTIFF": "YES"},
        {"BIGTIFF": "YES", "ENDIANNESS": "BIG", "predictor": 2},
        {"blockxsize": 256, "blockysize": 16},
        {"nbits": 12},
        {"compress": "lerc"},
        {"compress": "packbits"},
    ],
    ids=str,
)
def test_every_layout(
    write: Write, server: RangeServer, rng: np.random.Generator, how: dict[str, Any]
):
    values = rng.integers(0, 4096, (150, 170), dtype=np.uint16)
    both_ways(write("band.tif", values, **how), server, WINDOWS)


@pytest.mark.parametrize(
    ("dtype", "nodata"), [("uint16", 0), ("uint16", 7), ("int16", -9999), ("float32", np.nan)]
)
def test_blocks_that_are_left_out_hold_the_fill_value(
    folder: Path, server: RangeServer, dtype: str, nodata: float
):
    with rasterio.open(
        folder / "sparse.tif", "w", driver="GTiff", width=200, height=200, count=1, dtype=dtype,
        crs=CRS, transform=Affine(10, 0, LEFT, 0, -10, TOP), nodata=nodata, tiled=True,
        blockxsize=64, blockysize=64, compress="deflate", sparse_ok=True,
    ) as file:  # fmt: skip
        file.write(np.full((64, 64), 5, dtype), 1, window=Window(64, 64, 64, 64))
    both_ways(folder / "sparse.tif", server, [box(0, 0, 200, 200), box(0, 0, 10, 10)])


def test_overviews_and_cloud_optimised_layout(
    write: Write, folder: Path, server: RangeServer, rng: np.random.Generator
):
    """GDAL's own cloud-optimised driver, which keeps overviews first and bytes between blocks."""
    values = rng.integers(1, 3000, (700, 900), dtype=np.uint16)
    shutil.move(write("plain.tif", values), folder / "source.tif")
    with rasterio.open(folder / "source.tif") as source:
        profile = {"driver": "COG", "blocksize": 128, "compress": "deflate", "predictor": 2}
        rasterio.shutil.copy(source, folder / "cog.tif", **profile)
    both_ways(folder / "cog.tif", server, [box(100, 100, 300, 200), box(690, 880, 30, 30)])
    appended = write("appended.tif", values)
    with rasterio.open(appended, "r+") as file:
        file.build_overviews([2, 4])
    both_ways(appended, server, [box(100, 100, 300, 200)])


def test_another_grid_and_ground_beside_the_file(
    write: Write, server: RangeServer, rng: np.random.Generator
):
    path = write("band.tif", rng.integers(1, 3000, (150, 170), dtype=np.uint16))
    other_zone = GeoBox.from_bbox(
        (-147_000, 1_612_000, -146_000, 1_613_000), "EPSG:32632", resolution=20
    )
    coarse = GeoBox((20, 20), Affine(30, 0, LEFT + 7, 0, -30, TOP - 3), CRS)
    both_ways(path, server, [other_zone, coarse, box(0, 500, 10, 10)])


def test_two_bands_and_no_numbers_are_refused(folder: Path, server: RangeServer, write: Write):
    with rasterio.open(
        folder / "two.tif", "w", driver="GTiff", width=9, height=9, count=2, dtype="uint8",
        crs=CRS, transform=Affine(10, 0, LEFT, 0, -10, TOP),
    ) as file:  # fmt: skip
        file.write(np.ones((2, 9, 9), np.uint8))
    (folder / "text.tif").write_text("no raster at all")
    with WindowReader(patience=Patience(2, 0.0)) as reader:
        with pytest.raises(UnreadableError, match="holds 2 bands"):
            reader.read(f"{server.address}/two.tif", [box(0, 0, 5, 5)])
        with pytest.raises(UnreadableError):
            reader.read(f"{server.address}/text.tif", [box(0, 0, 5, 5)])


@pytest.mark.parametrize("at", ["middle", "checksum", "end"])
def test_a_broken_block_is_an_error_never_zeros(
    write: Write, server: RangeServer, rng: np.random.Generator, at: str
):
    """A bit turned in the stream, in its checksum (RFC 1950, Adler-32), or the stream cut off."""
    path = write("band.tif", rng.integers(1, 3000, (64, 64), dtype=np.uint16))
    with rasterio.open(path) as dataset:
        (block,) = blocks_under(dataset, [Window(0, 0, 64, 64)])
    content = bytearray(path.read_bytes())
    last = block.offset + block.length - 1
    if at == "end":
        content[last - 9 : last + 1] = bytes(10)
    else:
        content[last if at == "checksum" else block.offset + block.length // 2] ^= 16
    path.write_bytes(content)
    with WindowReader(patience=Patience(2, 0.0)) as reader, pytest.raises(UnreadableError):
        reader.read(f"{server.address}/band.tif", [box(0, 0, 5, 5)])


@pytest.mark.parametrize(
    ("dtype", "predictor"), [("uint8", 1), ("uint16", 2), ("int16", 2), ("float32", 3)]
)
def test_inflating_may_end_with_the_last_row_wanted(
    write: Write, rng: np.random.Generator, dtype: str, predictor: int
):
    """The same pixels as rasterio's, at every end; what follows in the stream is not looked at."""
    values = numbers(rng, dtype, (64, 64))
    path = write("band.tif", values, predictor=predictor)
    with rasterio.open(path) as dataset:
        (block,) = blocks_under(dataset, [Window(0, 0, 64, 64)])
        expected = dataset.read(1)
    coding = Coding("DEFLATE", predictor, np.dtype(dtype).newbyteorder("<"), (64, 64))
    raw = path.read_bytes()[block.offset : block.offset + block.length]
    for first, last in [(0, 1), (0, 30), (17, 18), (40, 63), (63, 64), (0, 64)]:
        found = decode_block(raw, coding, 64, slice(first, last), whole=False)
        assert found.tobytes() == expected[first:last].tobytes()
    cut = raw[: len(raw) // 2]
    assert np.array_equal(
        decode_block(cut, coding, 64, slice(0, 20), whole=False), expected[:20], equal_nan=True
    )
    with pytest.raises(BlockError):
        decode_block(cut, coding, 64, slice(0, 60), whole=False)
    with pytest.raises(BlockError):
        decode_block(cut, coding, 64, slice(0, 20))


@pytest.mark.parametrize("sealed", [False, True])
def test_a_checksum_is_compared_unless_the_line_lets_no_bit_turn(
    write: Write,
    server: RangeServer,
    rng: np.random.Generator,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    sealed: bool,
):
    """A stream's end is spoilt beyond the rows wanted: over plain HTTP nobody knows what else is.

    Nothing found broken is kept, so the store needs no such look: what it has was sound.
    """
    path = write("band.tif", rng.integers(1, 3000, (64, 64), dtype=np.uint16))
    with rasterio.open(path) as dataset:
        (block,) = blocks_under(dataset, [Window(0, 0, 64, 64)])
        expected = dataset.read(1)
    content = bytearray(path.read_bytes())
    content[block.offset + block.length - 1] ^= 16
    path.write_bytes(content)
    real = RangeClient._ask
    monkeypatch.setattr(RangeClient, "_ask", lambda *how: (real(*how)[0], sealed))
    store = BlockStore(tmp_path / "store")
    with WindowReader(store, patience=Patience(2, 0.0)) as reader:
        if not sealed:
            with pytest.raises(UnreadableError):
                reader.read(f"{server.address}/band.tif", [box(0, 0, 5, 5)])
            assert store.size().parts == 0
            return
        (found,) = reader.read(f"{server.address}/band.tif", [box(0, 0, 5, 5)])
        assert found is not None
        assert np.array_equal(found.numbers, expected[:5, :5])
        with pytest.raises(UnreadableError):
            reader.read(f"{server.address}/band.tif", [box(60, 60, 4, 4)])


def test_blocks_are_those_of_rasterio(write: Write, rng: np.random.Generator):
    """`DatasetReader.block_windows` tells which meet a window; `block_size`, how long."""
    path = write("band.tif", rng.integers(1, 3000, (150, 170), dtype=np.uint16))
    with rasterio.open(path) as dataset:
        places = dict(dataset.block_windows(1))
        for _ in range(50):
            row, column = (int(rng.integers(0, side - 1)) for side in dataset.shape)
            rows, columns = int(rng.integers(1, 150 - row)), int(rng.integers(1, 170 - column))
            window = Window(column, row, columns, rows)
            met = {
                place
                for place, block in places.items()
                if rasterio.windows.intersect(window, block)
            }
            found = blocks_under(dataset, [window])
            assert {(block.row, block.column) for block in found} == met
        whole = blocks_under(dataset, [Window(0, 0, 170, 150)])
        assert all(
            block.length == dataset.block_size(1, block.row, block.column) for block in whole
        )
    assert sum(block.length for block in whole) < path.stat().st_size


def test_neighbours_are_asked_for_together():
    """By hand: gaps of 0 and 8 bytes are bridged, one of 5000 is not, empty ones are left out."""
    blocks = [Block(100, 50, 0, 0), Block(150, 50, 0, 1), Block(208, 40, 0, 2)]
    blocks += [Block(5248, 10, 1, 0), Block(0, 0, 1, 1)]
    assert list(merged(blocks[::-1])) == [blocks[:3], [blocks[3]]]
    large = [Block(n * 3_000_000, 3_000_000, 0, n) for n in range(1, 4)]
    assert [len(group) for group in merged(large)] == [1, 1, 1]


JPEG_2000 = {"driver": "JP2OpenJPEG", "QUALITY": "100", "REVERSIBLE": "YES", "compress": None}


@pytest.mark.parametrize("name", ["B04.jp2", "B04"])
def test_lossless_jpeg_2000_is_read_right(
    folder: Path, write: Write, server: RangeServer, rng: np.random.Generator, name: str
):
    """Known by its first bytes, whatever its ending."""
    values = 2000 + rng.integers(0, 300, (700, 900), dtype=np.uint16)
    path = write("B04.jp2", values, nodata=None, blockxsize=128, blockysize=128, **JPEG_2000)
    path.rename(folder / name)
    windows = [box(0, 0, 150, 170), box(600, 640, 100, 100)]
    both_ways(folder / name, server, windows)
    with WindowReader() as reader:
        first, second = reader.read(f"{server.address}/{name}", windows)
    assert first is not None
    assert second is not None
    assert np.array_equal(first.numbers, values[:150, :170])
    assert np.array_equal(second.numbers, values[600:, 640:740])


def test_jpeg_2000_that_is_cut_off_is_no_data(
    write: Write, server: RangeServer, rng: np.random.Generator
):
    """Decoders of this format can make an image of half a file; here it is a failed read."""
    values = rng.integers(1, 3000, (300, 300), dtype=np.uint16)
    path = write("B04.jp2", values, nodata=None, **JPEG_2000)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with WindowReader(patience=Patience(2, 0.0)) as reader:
        for place in (str(path), f"{server.address}/B04.jp2"):
            with pytest.raises(UnreadableError) as failure:
                reader.read(place, [box(0, 0, 300, 300)])
            assert "vsi" not in str(failure.value)
