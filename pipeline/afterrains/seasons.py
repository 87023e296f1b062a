"""Season calendars from rain or from fixed dates; made in `afterrains.rain.seasons`."""

from afterrains.rain.seasons import ThresholdRule, from_calendar, from_rain, from_threshold

__all__ = ["ThresholdRule", "from_calendar", "from_rain", "from_threshold"]
