"""The ground that the files of these tests cover."""

from __future__ import annotations

from affine import Affine
from odc.geo.geobox import GeoBox

LEFT, TOP, CRS = 500_000.0, 1_600_000.0, "EPSG:32631"


def box(row: int, column: int, rows: int, columns: int) -> GeoBox:
    """A window of whole 10 m pixels of the files' grid."""
    corner = Affine(10, 0, LEFT + 10 * column, 0, -10, TOP - 10 * row)
    return GeoBox((rows, columns), corner, CRS)
