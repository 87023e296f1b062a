"""Season calendars from rain or from fixed dates; made in `afterrains.rain.seasons`."""

from afterrains.rain.seasons import from_calendar, from_rain

__all__ = ["from_calendar", "from_rain"]
