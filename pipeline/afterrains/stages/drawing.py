"""Rasters of all blocks: which tasks they take, and the tables of cover that come with them."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

import pandas as pd
from distributed import Client

from afterrains.delivery.products import Product
from afterrains.delivery.stac import RasterFile
from afterrains.stages.ledger import Ledger
from afterrains.stages.maps import DrySeason, MapTask, draw
from afterrains.stages.prepare import Prepared
from afterrains.stages.woodywork import CoverTask, draw_cover
from afterrains.stages.workers import in_turn
from afterrains.woody import load

__all__ = ["draw_covers", "draw_maps", "map_tasks"]

Step = Callable[[int, int], None]
"""Told of `done` of `total`."""


def map_tasks(prepared: Prepared) -> list[MapTask]:
    """One for each cell that has a complete dry season."""
    calendar = prepared.calendar.set_index("season")
    dry: dict[str, list[DrySeason]] = {cell.cell_id: [] for cell in prepared.cells}
    for task in prepared.tasks:
        if task.kind == "dry" and calendar.at[task.season, "complete"]:
            row = calendar.loc[task.season]
            season = DrySeason(task.season, row["start"].date(), row["end"].date(), task.key)
            dry[task.cell.cell_id].append(season)
    # The largest first: then no worker is left alone with one at the end.
    cells = sorted(prepared.cells, key=lambda cell: math.prod(cell.geobox.shape), reverse=True)
    return [
        MapTask(cell, tuple(dry[cell.cell_id]), prepared.programme.programme.id)
        for cell in cells
        if dry[cell.cell_id]
    ]


def draw_maps(
    client: Client, tasks: Sequence[MapTask], ledger: Ledger, output: Path, step: Step
) -> list[RasterFile]:
    """Draw the trend, the change and the pictures of each block."""
    rasters: list[RasterFile] = []
    shared = _shared(tasks)
    draw_one = partial(draw, ledger=ledger, output=output)
    for number, drawn in enumerate(in_turn(client, draw_one, tasks), start=1):
        rasters += map(shared, drawn)
        step(number, len(tasks))
    return rasters


def draw_covers(
    client: Client,
    prepared: Prepared,
    model: Path,
    maps: Sequence[MapTask],
    ledger: Ledger,
    output: Path,
    step: Step,
) -> tuple[pd.DataFrame, list[RasterFile]]:
    """Woody cover of all sites and seasons, and the rasters written on the way."""
    first = prepared.register.sowing.groupby("site_id")["sown_on"].min()
    sown = {str(site_id): day.date() for site_id, day in first.items()}
    cores = dict(
        zip(
            prepared.register.sites["site_id"],
            prepared.register.sites["core"].to_wkb(),
            strict=True,
        )
    )
    keys: dict[str, dict[str, str]] = {cell.cell_id: {} for cell in prepared.cells}
    for task in prepared.tasks:
        keys[task.cell.cell_id][task.season] = task.key
    radar: dict[str, dict[str, str]] = {cell.cell_id: {} for cell in prepared.cells}
    for each in prepared.radar if load(model).tracks else ():
        radar[each.cell.cell_id][each.season] = each.key
    tasks = [
        CoverTask(
            cell=each.cell,
            cores={site_id: cores[site_id] for site_id in each.cell.site_ids},
            sown={site_id: sown[site_id] for site_id in each.cell.site_ids if site_id in sown},
            programme_sown_on=min(sown.values(), default=None),
            dry=each.seasons,
            keys=keys[each.cell.cell_id],
            radar=radar[each.cell.cell_id],
            calendar=prepared.calendar,
            model=model,
            programme_id=each.programme_id,
        )
        for each in maps
    ]
    tables: list[pd.DataFrame] = []
    rasters: list[RasterFile] = []
    shared = _shared(tasks)
    draw_one = partial(draw_cover, ledger=ledger, output=output)
    for number, done in enumerate(in_turn(client, draw_one, tasks), start=1):
        tables.append(done.sites)
        rasters += map(shared, done.rasters)
        step(number, len(tasks))
    order = {season: at for at, season in enumerate(prepared.calendar["season"])}
    table = pd.concat(tables, ignore_index=True)
    table = table.sort_values(
        ["site_id", "season"], key=lambda c: c.map(order) if c.name == "season" else c
    )
    return table.reset_index(drop=True), rasters


def _shared(tasks: Sequence[MapTask | CoverTask]) -> Callable[[RasterFile], RasterFile]:
    """What a worker tells of a raster, with the objects that are held here already.

    Each comes with copies of its own: 15 MB of 5,000 sites.
    """
    geoboxes = {task.cell.cell_id: task.cell.geobox for task in tasks}
    products: dict[str, Product] = {}

    def shared(raster: RasterFile) -> RasterFile:
        product = products.setdefault(raster.product.name, raster.product)
        return replace(raster, product=product, geobox=geoboxes[raster.block])

    return shared
