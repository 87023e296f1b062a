"""`afterrains report`: the page, rebuilt."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from afterrains.cli.terminal import (
    Json,
    out,
    print_json,
)

__all__ = ["Language", "report"]


class Language(StrEnum):
    """Languages of the page."""

    en = "en"
    fr = "fr"


def report(
    output: Annotated[Path, typer.Argument(help="A programme's output folder.")],
    language: Annotated[
        Language | None,
        typer.Option(help="Language of the page; as the programme has it if left out."),
    ] = None,
    as_json: Json = False,
) -> None:
    """Rebuild the page from the tables and rasters."""
    from afterrains.delivery.manifest import refresh_manifest
    from afterrains.delivery.page import build

    page = build(output, language.value if language else None)
    # The manifest holds the page's digest; without this the next run would think it was tampered.
    refresh_manifest(output)
    if as_json:
        print_json({"page": str(page)})
    else:
        out.print(Text(f"The page is in {page}"))
