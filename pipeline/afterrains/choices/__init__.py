"""From verdicts to decisions: costs, where to sow again, break-even, when to ask, what changed.

Tables in, tables out; no files, settings or clock. The rows are those of contract section 4.
"""

from afterrains.choices.break_even import break_even
from afterrains.choices.changes import changes
from afterrains.choices.costs import costs
from afterrains.choices.sow_again import sow_again
from afterrains.choices.when import answer_calendar

__all__ = ["answer_calendar", "break_even", "changes", "costs", "sow_again"]
