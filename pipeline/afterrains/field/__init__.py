"""Field visits: which places to check, the form to check them with, and what comes back."""

from afterrains.field.beside import field_evidence, survival, training_plots
from afterrains.field.check_files import seedlings_beside
from afterrains.field.checks import Checks, read_checks
from afterrains.field.drawing import FEWEST_PLACES, Draw, draw_visits
from afterrains.field.estimates import accuracy_table, area_table
from afterrains.field.form import species_codes, write_form
from afterrains.field.frame import Frame, read_frame
from afterrains.field.pivotal import balanced_draw, local_pivotal
from afterrains.field.travel import Journey, journey
from afterrains.field.visit_files import write_geojson, write_gpx

__all__ = [
    "FEWEST_PLACES",
    "Checks",
    "Draw",
    "Frame",
    "Journey",
    "accuracy_table",
    "area_table",
    "balanced_draw",
    "draw_visits",
    "field_evidence",
    "journey",
    "local_pivotal",
    "read_checks",
    "read_frame",
    "seedlings_beside",
    "species_codes",
    "survival",
    "training_plots",
    "write_form",
    "write_geojson",
    "write_gpx",
]
