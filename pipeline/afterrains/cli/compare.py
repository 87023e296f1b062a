"""`afterrains compare`: what differs between two results, and why."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.text import Text

from afterrains.cli.terminal import Json, out, print_json

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["compare", "told"]

_SHOWN_STEPS = 3

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
    replace: Annotated[
        bool, typer.Option("--replace", help="Write over another comparison there.")
    ] = False,
    as_json: Json = False,
) -> None:
    """What changed between two results, site by site, and what differs in what they rest on."""
    from afterrains.choices import changes
    from afterrains.delivery.history import read_results
    from afterrains.delivery.table_files import read_csv, write_csv
    from afterrains.delivery.tables import CHANGES
    from afterrains.errors import OutputError

    # A run's own changes.csv tells of the season before, and is kept: it is never written over.
    if (to / "manifest.json").exists() or to.resolve() in {earlier.resolve(), later.resolve()}:
        raise OutputError(f"{to}: holds the results of a run; name another folder with --to")
    there = to / CHANGES.file
    if there.exists() and not replace:
        raise OutputError(
            f"{there}: is there already; give another folder with --to, "
            "or --replace to write over it"
        )
    file = write_csv(CHANGES, changes(read_results(earlier), read_results(later)), to)
    rows = read_csv(CHANGES, file)
    if as_json:
        table = rows.astype(object).where(rows.notna(), None)
        print_json({"changes": table.to_dict(orient="records"), "file": str(file)})
        return
    for line in told(rows):
        out.print(Text(line), soft_wrap=True)
    out.print(Text(f"Table  {file}"), soft_wrap=True)


def told(rows: pd.DataFrame) -> Iterator[str]:
    """What a manager asks of changes.csv, line by line: the sites that changed, then the rest.

    A line for each site would bury the few that changed; those that did not are counted, and the
    one whose gain moved most is named. The table has them all.
    """
    from afterrains.choices.changes import CAUSES
    from afterrains.delivery.page.texts import one_line, plain

    both = rows[(rows["from_season"] != "") & (rows["to_season"] != "")]
    causes = [set(each.split("; ")) for each in both["causes"]]
    shared = set.intersection(*causes) if causes else set()
    everywhere = [each for each in CAUSES if each in shared]
    changed = rows[rows["verdict_changed"]]
    steps = sorted(set(zip(both["from_season"], both["to_season"], strict=True)))
    for was, now in steps[:_SHOWN_STEPS]:
        yield f"From {was} to {now}" if was != now else f"Both as of {now}"
    if everywhere:
        yield f"At every site differs: {', '.join(everywhere)}. What differs is told, not weighed."
    elif not (rows["causes"] != "").any():
        yield "Both rest on the same sites, sowings, rain, scenes, settings and method."
    yield f"{len(changed)} of {len(rows)} verdicts changed"
    for row in changed.sort_values("site_id").to_dict("records"):
        name = f" ({one_line(plain(row['name']))})" if row["name"] else ""
        yield f"  {row['site_id']}{name}  {row['explanation']}"
    rest = rows[~rows["verdict_changed"]]
    counts = ", ".join(
        f"{many} {name}" for name, many in rest["verdict_now"].value_counts().items()
    )
    if counts:
        yield f"Unchanged: {counts}"
    moved = rest["gain_change"].abs()
    if moved.max() > 0:
        [most] = rest.loc[[moved.idxmax()]].to_dict("records")
        then = f"{most['gain_before']:.3g} became {most['gain_now']:.3g} {most['gain_unit']}"
        yield (
            f"  their gains moved by {moved.median():.3g} in the middle, "
            f"most at {most['site_id']}: {then}"
        )
    elif moved.notna().any():
        yield "  and all their gains stand"
    told_twice = both[["gain_before", "gain_now"]].notna().all(axis=1)
    apart = int((told_twice & both["gain_change"].isna()).sum())
    if apart:
        yield f"Gains of {apart} sites are in another unit now: no difference can be told"
