"""Rain: daily readings, season calendars, how dry it was, and the rain that sown seed got."""

from afterrains.rain.after_sowing import StartRule, clock_starts, sowing_rain
from afterrains.rain.anomalies import season_rain
from afterrains.rain.dieback import measured_dieback
from afterrains.rain.record import RainRecord
from afterrains.rain.reference import reference_years
from afterrains.rain.seasons import (
    ThresholdRule,
    from_calendar,
    from_rain,
    from_threshold,
    site_onsets,
)
from afterrains.rain.sources import check_rain, inspect_rain, read_rain
from afterrains.rain.start_chances import LONG_WAIT_DAYS, start_chances

__all__ = [
    "LONG_WAIT_DAYS",
    "RainRecord",
    "StartRule",
    "ThresholdRule",
    "check_rain",
    "clock_starts",
    "from_calendar",
    "from_rain",
    "from_threshold",
    "inspect_rain",
    "measured_dieback",
    "read_rain",
    "reference_years",
    "season_rain",
    "site_onsets",
    "sowing_rain",
    "start_chances",
]
