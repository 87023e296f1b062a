"""`afterrains report`: the page, rebuilt."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from afterrains.cli.terminal import (
    Json,
    out,
    print_json,
)

__all__ = ["report"]


def report(
    output: Annotated[Path, typer.Argument(help="A programme's output folder.")],
    as_json: Json = False,
) -> None:
    """Rebuild the page from the tables and rasters."""
    from afterrains.delivery.page import build

    page = build(output)
    if as_json:
        print_json({"page": str(page)})
    else:
        out.print(Text(f"The page is in {page}"))
