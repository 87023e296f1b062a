"""Rain: daily readings, season calendars, how dry it was, and the rain that sown seed got."""

from afterrains.rain.after_sowing import clock_starts, sowing_rain
from afterrains.rain.anomalies import season_rain
from afterrains.rain.record import RainRecord
from afterrains.rain.seasons import from_calendar, from_rain
from afterrains.rain.sources import check_rain, inspect_rain, read_rain

__all__ = [
    "RainRecord",
    "check_rain",
    "clock_starts",
    "from_calendar",
    "from_rain",
    "inspect_rain",
    "read_rain",
    "season_rain",
    "sowing_rain",
]
