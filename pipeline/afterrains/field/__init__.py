"""Field visits: which places to check, the form to check them with, and what comes back."""

from afterrains.field.drawing import FEWEST_PLACES, Draw, draw_visits
from afterrains.field.form import species_codes, write_form
from afterrains.field.frame import Frame, read_frame
from afterrains.field.pivotal import balanced_draw, local_pivotal
from afterrains.field.travel import Journey, journey
from afterrains.field.visit_files import write_geojson, write_gpx

__all__ = [
    "FEWEST_PLACES",
    "Draw",
    "Frame",
    "Journey",
    "balanced_draw",
    "draw_visits",
    "journey",
    "local_pivotal",
    "read_frame",
    "species_codes",
    "write_form",
    "write_geojson",
    "write_gpx",
]
