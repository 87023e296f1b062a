"""Write the sample programme "Dune Edge": tables, truth, scenes and their catalogue."""

from __future__ import annotations

import json
import multiprocessing
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from afterrains.errors import OutputError
from afterrains.sample.district import GROUNDS, SIZES, sites
from afterrains.sample.ground import GroundModel
from afterrains.sample.overpasses import Overpass, overpasses
from afterrains.sample.products import write_product
from afterrains.sample.radar_scenes import RADAR_COLLECTION, RadarPass, radar_passes
from afterrains.sample.stac import (
    COLLECTION,
    SAMPLE_MARK,
    write_catalogue,
)
from afterrains.sample.tables import (
    write_plots,
    write_programme,
    write_rain,
    write_sites,
    write_sowing,
    write_truth,
)
from afterrains.sample.weather import make_weather

__all__ = ["SamplePaths", "is_written", "write_sample", "write_small_files"]

Size = Literal["full", "small"]

# Raise it when the same seed would give other files than before.
_EDITION = 3
_RADAR_EDITION = 1


@dataclass(frozen=True)
class SamplePaths:
    """Where the sample's files are. `truth` is a folder that no reader of the programme needs."""

    folder: Path
    programme: Path
    sites: Path
    sowing: Path
    rain: Path
    plots: Path
    truth: Path
    catalogue: Path


def write_sample(
    folder: Path,
    *,
    seed: int = 1,
    progress: Callable[[int, int], None] | None = None,
    workers: int = 2,
    size: Size = "full",
    radar: bool = False,
) -> SamplePaths:
    """Write the invented sample programme and its scenes.

    The result depends on `seed`, `size` and `radar` alone, not on `workers`. The root catalogue is
    written last: where it stands, the scenes are whole. Files of an earlier sample are overwritten,
    but a programme file that differs is kept as `programme.earlier.yaml`.

    Parameters
    ----------
    folder : Path
        Made if need be.
    seed : int
        Not negative. At 1 and "full" the small files equal those kept in `sample_scenes/`.
    progress : callable, optional
        Called as `progress(products written, products in all)`.
    workers : int
        Processes that draw scenes; 1 stays in this process. More are started afresh ("spawn"), so
        a script that calls this needs the usual `if __name__ == "__main__":`, and one that is
        piped into Python can only use 1.
    size : "full" or "small"
        "small" has the same files and kinds of sites on less ground, with fewer years and dates,
        and its programme file names no woody-cover model.
    radar : bool
        Write radar scenes too, and name them in the programme file; all else stays as it is.

    Returns
    -------
    SamplePaths

    Raises
    ------
    OutputError
        If the folder holds another programme's file, or cannot be written.
    ValueError
        If an argument is out of range.
    """
    if seed < 0 or workers < 1 or size not in SIZES:
        raise ValueError(
            f"seed {seed}, workers {workers}, size {size!r}: seed must be 0 or more, workers 1 or "
            f"more, size one of {', '.join(SIZES)}"
        )
    paths = _paths(Path(folder))
    optical = overpasses(size, seed)
    passes = radar_passes(size) if radar else ()
    products: tuple[Overpass | RadarPass, ...] = (*optical, *passes)
    try:
        _prepare(paths)
        grounds = _grounds(size, seed)
        _write_tables(paths, grounds, size, seed, radar=radar)
        target = paths.catalogue.parent
        for name in (COLLECTION, RADAR_COLLECTION)[: 1 + radar]:
            (target / name).mkdir(parents=True, exist_ok=True)
        for done, _ in enumerate(_written(products, target, size, seed, workers, grounds), start=1):
            if progress is not None:
                progress(done, len(products))
        write_catalogue(
            paths.catalogue.parent,
            [each.item_id for each in optical],
            (optical[0].acquired, optical[-1].acquired),
            _mark(size, seed, radar),
            (RADAR_COLLECTION, [each.item_id for each in passes]) if radar else None,
        )
    except OSError as error:
        raise OutputError(
            f"{paths.folder} cannot be written ({error.strerror or error}); name another folder or "
            "make room on its disk"
        ) from error
    return paths


def write_small_files(folder: Path, *, seed: int = 1, size: Size = "full") -> SamplePaths:
    """Write everything but the scenes: the programme file, the tables and the truth."""
    paths = _paths(Path(folder))
    _prepare(paths)
    _write_tables(paths, _grounds(size, seed), size, seed, radar=False)
    return paths


def is_written(folder: Path, *, seed: int = 1, size: Size = "full", radar: bool = False) -> bool:
    """Whether the folder holds this sample, whole: its root catalogue says so and comes last."""
    paths = _paths(Path(folder))
    small = (paths.programme, paths.sites, paths.sowing, paths.rain, paths.plots)
    if not all(path.is_file() for path in small):
        return False
    try:
        root = json.loads(paths.catalogue.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    if not isinstance(root, dict) or root.get(SAMPLE_MARK) != _mark(size, seed, radar):
        return False
    target = paths.catalogue.parent
    items = [(COLLECTION, each.item_id) for each in overpasses(size, seed)]
    items += [(RADAR_COLLECTION, each.item_id) for each in (radar_passes(size) if radar else ())]
    return all((target / name / item / f"{item}.json").is_file() for name, item in items)


def _mark(size: str, seed: int, radar: bool) -> dict[str, str | int]:
    mark: dict[str, str | int] = {"size": size, "seed": seed, "edition": _EDITION}
    return mark | {"radar": _RADAR_EDITION} if radar else mark


def _write_tables(
    paths: SamplePaths, grounds: dict[str, GroundModel], size: str, seed: int, *, radar: bool
) -> None:
    all_sites = sites(size, seed)
    write_programme(paths.programme, size, (COLLECTION, RADAR_COLLECTION)[: 1 + radar])
    write_sites(paths.sites, all_sites)
    write_sowing(paths.sowing, all_sites)
    write_rain(paths.rain, make_weather(seed, SIZES[size].last_year))
    write_plots(paths.plots, grounds, size, seed)
    write_truth(paths.truth, all_sites, grounds, size)


def _paths(folder: Path) -> SamplePaths:
    return SamplePaths(
        folder=folder,
        programme=folder / "programme.yaml",
        sites=folder / "sites.geojson",
        sowing=folder / "sowing.csv",
        rain=folder / "rain.csv",
        plots=folder / "plots.csv",
        truth=folder / "truth",
        catalogue=folder / "scenes" / "catalog.json",
    )


def _prepare(paths: SamplePaths) -> None:
    """Make the folders; take away an old root catalogue so that half a sample is never read."""
    if paths.programme.exists() and "id: dune-edge\n" not in paths.programme.read_text(
        encoding="utf-8", errors="replace"
    ):
        raise OutputError(
            f"{paths.programme} is another programme's file; name a new or empty folder for the "
            "sample"
        )
    paths.truth.mkdir(parents=True, exist_ok=True)
    paths.catalogue.unlink(missing_ok=True)


def _grounds(size: str, seed: int) -> dict[str, GroundModel]:
    weather = make_weather(seed, SIZES[size].last_year)
    return {name: GroundModel(name, size, seed, weather) for name in GROUNDS}


def _written(
    products: tuple[Overpass | RadarPass, ...],
    folder: Path,
    size: str,
    seed: int,
    workers: int,
    grounds: dict[str, GroundModel],
) -> Iterator[str]:
    """Write every product, in this process or in several, and give their names as they are done."""
    if workers == 1:
        for product in products:
            yield write_product(product, folder, seed, grounds)
        return
    pool = ProcessPoolExecutor(
        max_workers=workers,
        mp_context=multiprocessing.get_context("spawn"),
        initializer=_start_worker,
        initargs=(size, seed),
    )
    with pool:
        yield from pool.map(
            _write_in_worker,
            products,
            [folder] * len(products),
            [seed] * len(products),
            chunksize=4,
        )


# A worker draws its grounds once; they are too large to be sent with every product.
_worker_grounds: dict[str, GroundModel] = {}


def _start_worker(size: str, seed: int) -> None:
    _worker_grounds.update(_grounds(size, seed))


def _write_in_worker(product: Overpass | RadarPass, folder: Path, seed: int) -> str:
    return write_product(product, folder, seed, _worker_grounds)
