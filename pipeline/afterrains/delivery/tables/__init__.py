"""What every table of the results holds: the one definition behind files, dictionary and package.

`table_files` writes and reads by these definitions, `dictionary` renders them for people,
`datapackage` for machines. A name, its order or its meaning is changed here and nowhere else.
"""

from collections.abc import Sequence

from afterrains.delivery.columns import Table
from afterrains.delivery.tables.choices import (
    ANSWER_CALENDAR,
    BREAK_EVEN,
    CHANGES,
    COSTS,
    SOW_AGAIN,
)
from afterrains.delivery.tables.field import FIELD_TABLES, VISITS
from afterrains.delivery.tables.judged import BALANCE, CONTROLS, VERDICT_HISTORY, VERDICTS
from afterrains.delivery.tables.measured import LOOKS, seasons_table, series_table
from afterrains.delivery.tables.outlook import OUTLOOK, OUTLOOK_LOTS, OUTLOOK_RAIN
from afterrains.delivery.tables.shared import ANY_INDEX
from afterrains.delivery.tables.sowings import SOWING_RAIN, WHAT_WORKS

__all__ = [
    "ANSWER_CALENDAR",
    "ANY_INDEX",
    "BALANCE",
    "BREAK_EVEN",
    "CHANGES",
    "CONTROLS",
    "COSTS",
    "FIELD_TABLES",
    "LOOKS",
    "OUTLOOK",
    "OUTLOOK_LOTS",
    "OUTLOOK_RAIN",
    "SOWING_RAIN",
    "SOW_AGAIN",
    "VERDICTS",
    "VERDICT_HISTORY",
    "VISITS",
    "WHAT_WORKS",
    "all_tables",
    "seasons_table",
    "series_table",
]


def all_tables(indices: Sequence[str]) -> tuple[Table, ...]:
    """Every table of the results, in the order of the contract, for the indices of a run."""
    return (
        VERDICTS,
        VERDICT_HISTORY,
        seasons_table(indices),
        series_table(indices),
        LOOKS,
        CONTROLS,
        BALANCE,
        SOWING_RAIN,
        WHAT_WORKS,
        COSTS,
        SOW_AGAIN,
        BREAK_EVEN,
        CHANGES,
        ANSWER_CALENDAR,
        *FIELD_TABLES,
        OUTLOOK,
        OUTLOOK_RAIN,
        OUTLOOK_LOTS,
    )
