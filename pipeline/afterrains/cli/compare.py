"""`afterrains compare`: what differs between two results, and why."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from afterrains.cli.terminal import Json, out, print_json

__all__ = ["compare"]

Results = Annotated[
    Path,
    typer.Argument(help="A programme's output folder, or a season under its history folder."),
]


def compare(
    earlier: Results,
    later: Results,
    to: Annotated[
        Path, typer.Option(help="Folder that changes.csv is written to; neither of the two.")
    ] = Path(),
    as_json: Json = False,
) -> None:
    """What changed between two results, site by site, and what differs in what they rest on."""
    from afterrains.choices import changes
    from afterrains.delivery.history import read_results
    from afterrains.delivery.table_files import read_csv, write_csv
    from afterrains.delivery.tables import CHANGES
    from afterrains.errors import OutputError

    if to.resolve() in {earlier.resolve(), later.resolve()}:
        raise OutputError(f"{to}: holds the results of a run; name another folder with --to")
    file = write_csv(CHANGES, changes(read_results(earlier), read_results(later)), to)
    rows = read_csv(CHANGES, file)
    if as_json:
        table = rows.astype(object).where(rows.notna(), None)
        print_json({"changes": table.to_dict(orient="records"), "file": str(file)})
        return
    for row in rows.itertuples(index=False):
        style = "bold" if row.verdict_changed else ""
        out.print(Text(f"{row.site_id}  {row.explanation}", style=style), soft_wrap=True)
    changed = int(rows["verdict_changed"].sum())
    out.print(f"{changed} of {len(rows)} verdicts changed. What differs is told, not weighed.")
    out.print(Text(f"Table  {file}"), soft_wrap=True)
