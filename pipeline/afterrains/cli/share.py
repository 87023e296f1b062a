"""`afterrains share`: a copy of the results for donors, without the places."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from afterrains.cli.terminal import Json, decimal, out, print_json

__all__ = ["share"]


def share(
    output: Annotated[Path, typer.Argument(help="A programme's output folder.")],
    folder: Annotated[Path, typer.Argument(help="New folder that the copy goes to.")],
    coarse_locations: Annotated[
        bool,
        typer.Option("--coarse-locations", help="Place each site by a coarse cell only."),
    ] = False,
    cell: Annotated[
        float,
        typer.Option(
            parser=decimal(0.0),
            metavar="DEGREES",
            help="Side of a cell in degrees, 0.1 or more.",
        ),
    ] = 0.1,
    as_json: Json = False,
) -> None:
    """Write a copy for donors: tables, layers and page without names and places."""
    from afterrains.delivery.shared_copy import share as write_shared
    from afterrains.errors import Finding, InputError

    if not coarse_locations:
        raise InputError(
            [
                Finding(
                    "error", "share", "", "would hand out where every site lies",
                    "add --coarse-locations; with the consent of those who use the land, hand out "
                    "the output folder itself", "exact-locations",
                )
            ]
        )  # fmt: skip
    page = write_shared(output, folder, cell_degrees=cell)
    if as_json:
        print_json({"folder": str(folder), "page": str(page), "cell_degrees": cell})
        return
    out.print(f"Each site is placed by a cell of {cell:g} degrees; names and rasters stay behind.")
    out.print("Look through site ids and reasons yourself: ids that tell a place are kept.")
    out.print(Text(f"Copy  {folder}"), soft_wrap=True)
    out.print(Text(f"Page  {page}"), soft_wrap=True)
