"""Woody cover in the main job: the model at hand, and one task for each cell's dry seasons.

The cells' composites are done by then. A task writes the cell's cover and change rasters and
brings back the cover of its sites; a model is fitted once, before, from the programme's plots.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from afterrains.delivery.products import WOODY_CHANGE, WOODY_PERCENT, Product
from afterrains.delivery.rasters import write_product
from afterrains.delivery.stac import RasterFile
from afterrains.errors import Finding
from afterrains.programme import Programme
from afterrains.scenes import Cell
from afterrains.signals.coverage import polygon_coverage
from afterrains.stages.cell_task import CellTask
from afterrains.stages.cellwork import load_composites
from afterrains.stages.freed import give_back
from afterrains.stages.ledger import Ledger
from afterrains.stages.maps import DrySeason
from afterrains.stages.radarwork import RadarTask
from afterrains.woody import (
    CardFacts,
    WoodyModel,
    cell_seasons,
    load,
    model_digest,
    save,
    seasons_before,
    sowing_days,
    train,
    woody_change,
)

__all__ = [
    "MODEL_FOLDER",
    "CoverResult",
    "CoverTask",
    "card_facts",
    "draw_cover",
    "fit_from_ledger",
    "model_record",
    "settle_model",
    "woody_digest",
]

MODEL_FOLDER = "woody_model"
"""Folder in the output where a model that the run fitted lies with its card."""


@dataclass(frozen=True)
class CoverTask:
    """A cell with all its finished seasons, and the model to apply."""

    cell: Cell
    cores: Mapping[str, bytes]
    """WKB of each site inside its margin, by site_id."""
    sown: Mapping[str, date]
    """First sowing of the sown sites among them."""
    programme_sown_on: date | None
    """First sowing of the programme: from when unsown ground is compared."""
    dry: tuple[DrySeason, ...]
    """Complete dry seasons, oldest first."""
    keys: Mapping[str, str]
    """Ledger key of each finished season."""
    radar: Mapping[str, str]
    """Ledger key of each season's radar; empty where the model uses none."""
    calendar: pd.DataFrame
    model: Path
    programme_id: str


@dataclass(frozen=True)
class CoverResult:
    """What a task brings back."""

    sites: pd.DataFrame
    """Rows of `woody.site_cover` with `season`."""
    rasters: tuple[RasterFile, ...]


def settle_model(
    programme: Programme,
    plots: pd.DataFrame | None,
    tasks: Sequence[CellTask],
    radar: Sequence[RadarTask],
    tracks: Sequence[str],
    calendar: pd.DataFrame,
    ledger: Ledger,
    output: Path,
) -> tuple[Path, tuple[Finding, ...]]:
    """The folder of the programme's model, fitted now to the plots where the programme names some.

    Raises
    ------
    InputError
        If the plots are too few.
    """
    assert programme.woody is not None, "called only where the programme asks for cover"
    if programme.woody.model is not None:
        return programme.woody.model, ()
    assert programme.woody.train is not None, "the settings hold one of model and train"
    assert plots is not None, "the plan holds the plots that the settings name"
    model, findings = fit_from_ledger(plots, tasks, radar, tracks, calendar, ledger)
    save(model, output / MODEL_FOLDER, card_facts(programme, programme.woody.train))
    return output / MODEL_FOLDER, findings


def fit_from_ledger(
    plots: pd.DataFrame,
    tasks: Sequence[CellTask],
    radar: Sequence[RadarTask],
    tracks: Sequence[str],
    calendar: pd.DataFrame,
    ledger: Ledger,
) -> tuple[WoodyModel, tuple[Finding, ...]]:
    """Fit a model to plots from the composites of finished tasks; see `afterrains.woody.train`.

    `radar` are its finished tasks, of the `tracks` that are tried.
    """
    keys = {(task.cell.cell_id, task.season): task.key for task in tasks}
    beside = {(task.cell.cell_id, task.season): task.key for task in radar}
    boxes = {task.cell.cell_id: task.cell.geobox for task in tasks}

    def composites_of(cell_id: str, season: str) -> Mapping[str, NDArray[Any]] | None:
        place = cell_id, season
        return load_with_radar(ledger, keys.get(place), beside.get(place))

    return train(plots, boxes, calendar, composites_of, tracks=tracks)


def load_with_radar(
    ledger: Ledger, key: str | None, radar: str | None
) -> Mapping[str, NDArray[Any]] | None:
    """The composites of a cell's season, those of radar among them where there are any."""
    if key is None:
        return None
    return load_composites(ledger, key) | ({} if radar is None else load_composites(ledger, radar))


def card_facts(programme: Programme, plots_file: Path) -> CardFacts:
    """What the card says of a programme's own model."""
    return CardFacts(
        name=programme.programme.name,
        data_licence="the programme's own",
        sources=(plots_file.name,),
        ground="the programme's sites and what lies around them",
    )


def woody_digest(programme: Programme) -> str:
    """SHA-256 of the model, or of the plots to fit one, that a programme names; "" for neither."""
    if programme.woody is None:
        return ""
    if programme.woody.model is not None:
        return model_digest(programme.woody.model)
    assert programme.woody.train is not None, "the settings hold one of model and train"
    return hashlib.sha256(programme.woody.train.read_bytes()).hexdigest()


def model_record(folder: Path) -> dict[str, Any]:
    """What the manifest says of the model: which one, and from when its plots are.

    A model knows all its plots, and so do the verdicts of seasons before the last of them.
    """
    model = load(folder)
    seasons = sorted(set(model.training["season"]) - {""})
    return {
        "sha256": model_digest(folder),
        "plots": len(model.scores),
        "places": model.error_share.places,
        "plots_of_seasons": [seasons[0], seasons[-1]] if seasons else [],
        "seed": model.seed,
        "radar_tracks": list(model.tracks),
        "settled": "one model for all seasons, earlier ones too: cover of a season is read with "
        "what plots of later seasons taught",
    }


def draw_cover(task: CoverTask, ledger: Ledger, output: Path) -> CoverResult:
    """Predict the cell's cover season by season, write its rasters, sum up its sites.

    Raises
    ------
    InputError
        If the model cannot be read.
    OutputError
        If the disk does not take a raster.
    """
    model = _model(task.model)
    box, block = task.cell.geobox, task.cell.cell_id
    cores = gpd.GeoSeries([shapely.from_wkb(core) for core in task.cores.values()], crs=box.crs)
    coverage = polygon_coverage(box, list(task.cores), cores)
    ends = {dry.season: dry for dry in task.dry}
    rasters: list[RasterFile] = []
    tables: list[pd.DataFrame] = []
    covers: list[NDArray[np.floating]] = []
    shown: list[DrySeason] = []

    def write(product: Product, dry: DrySeason, values: NDArray[Any], method: str) -> None:
        write_product(
            output, product, block, dry.season, values, box,
            programme_id=task.programme_id, method=method,
        )  # fmt: skip
        rasters.append(RasterFile(product, block, dry.season, box, dry.start, dry.end))

    def composites_of(_cell_id: str, season: str) -> Mapping[str, NDArray[Any]] | None:
        return load_with_radar(ledger, task.keys.get(season), task.radar.get(season))

    for told in cell_seasons(model, block, box, coverage, list(ends), task.calendar, composites_of):
        dry = ends[told.season]
        method = "fitted woody-cover model; low and high are the 90 % interval of a pixel"
        write(WOODY_PERCENT, dry, told.prediction.stack(), method)
        tables.append(told.sites)
        covers.append(told.prediction.unclipped)
        shown.append(dry)
    if shown:
        days = sowing_days(
            box,
            [shapely.from_wkb(task.cores[site_id]) for site_id in task.sown],
            list(task.sown.values()),
            task.programme_sown_on,
        )
        last_days = np.array([dry.end for dry in shown], dtype="datetime64[D]")
        change = woody_change(model, np.stack(covers), seasons_before(last_days, days))
        method = (
            "newest 3 seasons less those before sowing; FDR 5 % over pixels, beyond shared error"
        )
        write(WOODY_CHANGE, shown[-1], change.stack(), method)
    sites = pd.concat(tables, ignore_index=True) if tables else pd.DataFrame()
    give_back()
    return CoverResult(sites, tuple(rasters))


@lru_cache(maxsize=2)
def _model(folder: Path) -> WoodyModel:
    """The model, read once in each worker."""
    return load(folder)
