"""`afterrains sample`: the invented programme and its scenes."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from afterrains.cli.terminal import (
    Bars,
    Json,
    out,
    print_json,
)

__all__ = ["sample"]


def sample(
    folder: Annotated[Path, typer.Argument(help="Where the sample programme is written.")],
    seed: Annotated[int, typer.Option(help="Another seed gives another invented district.")] = 1,
    if_missing: Annotated[
        bool, typer.Option("--if-missing", help="Do nothing where the scenes are there already.")
    ] = False,
    radar: Annotated[bool, typer.Option("--radar", help="Write radar scenes too.")] = False,
    as_json: Json = False,
) -> None:
    """Write the invented sample programme and its scenes."""
    from afterrains.sample import is_written, write_sample

    programme = folder / "programme.yaml"
    if if_missing and is_written(folder, seed=seed, radar=radar):
        written = False
    else:
        written = True
        with Bars() as bars:
            bars.say(f"Writing the sample programme (seed {seed}) to {folder}")
            write_sample(
                folder,
                seed=seed,
                radar=radar,
                progress=lambda done, total: bars.step("scenes", done, total),
            )
    if as_json:
        print_json({"programme": str(programme), "written": written})
    else:
        state = "is written" if written else "is there already"
        out.print(Text(f"The sample programme {state}: {programme}"))
