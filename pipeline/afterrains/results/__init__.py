"""From season values to the tables a programme is told by. Tables in, tables out; no files.

Here the stages meet: the season values of `signals`, the rain of `rain` and the judgement of
`evidence` become the rows of contract section 4, in its names and units.
"""

from afterrains.results.panel import build_panel, judged_table
from afterrains.results.rule import measuring_rule
from afterrains.results.series_rows import HeldSeries, SeriesRows
from afterrains.results.tables import Tables, build_tables
from afterrains.results.unlike import comparable_table

__all__ = [
    "HeldSeries",
    "SeriesRows",
    "Tables",
    "build_panel",
    "build_tables",
    "comparable_table",
    "judged_table",
    "measuring_rule",
]
