"""Units of rain."""

from __future__ import annotations

import pytest

from afterrains.rain.units import RainUnit, parse_unit


@pytest.mark.parametrize(
    ("text", "to_mm", "rate"),
    [
        # One kilogram of water on a square metre is one millimetre; a day has 86,400 seconds.
        ("mm/day", 1, True),
        ("mm d-1", 1, True),
        ("mm day^-1", 1, True),
        ("mm day**-1", 1, True),
        ("MM/D", 1, True),
        ("mm per day", 1, True),
        ("millimeters/day", 1, True),
        ("kg m-2 s-1", 86_400, True),
        ("kg/m^2/s", 86_400, True),
        ("kg m**-2 s**-1", 86_400, True),
        ("kg.m-2.s-1", 86_400, True),
        ("kg m-2 d-1", 1, True),
        ("mm s-1", 86_400, True),
        ("mm/hr", 24, True),
        ("m s-1", 86_400_000, True),
        ("m/day", 1000, True),
        ("mm", 1, False),
        ("millimetre", 1, False),
        ("kg m-2", 1, False),
        ("kg/m2", 1, False),
        ("m", 1000, False),
        ("m of water equivalent", 1000, False),
        ("cm", 10, False),
        ("mm/pentad", 1, False),
        ("mm pentad-1", 1, False),
        ("mm/step", 1, False),
    ],
)
def test_units_by_hand(text, to_mm, rate):
    assert parse_unit(text) == RainUnit(to_mm, rate)


@pytest.mark.parametrize(
    "text",
    "|K|1|%|mm2|kg m-3|kg|mm/month|mm day|m2 s-1|kg mm-2|mm m|mm/day/day|inch|kg2 m-2|"
    "days since 1981-01-01".split("|"),
)
def test_other_units_are_not_guessed(text):
    assert parse_unit(text) is None


@pytest.mark.parametrize("text", ["mm/day", "kg m-2 s-1", "m s-1", "mm", "m", "kg m-2"])
def test_units_agree_with_xclim(text):
    """Conversion to mm/day (or mm) by pint, with xclim's rule that 1 kg m-2 is 1 mm of water."""
    from xclim.core.units import convert_units_to

    unit = parse_unit(text)
    target = "mm/day" if unit.rate else "mm"
    theirs = convert_units_to(f"1 {text}", target, context="hydro")
    assert unit.to_mm == pytest.approx(theirs, rel=1e-12)
