"""Scenes from open catalogues: searched, told apart, read in small windows, masked."""

from afterrains.scenes.catalogue import search
from afterrains.scenes.cells import Cell, block_boxes, lattice_origin, lay_cells
from afterrains.scenes.duplicates import overpasses
from afterrains.scenes.failures import Patience
from afterrains.scenes.footprints import Footprints
from afterrains.scenes.model import (
    BANDS,
    BandAsset,
    Observation,
    Overpass,
    PixelGrid,
    Refusal,
    Scene,
    SearchResult,
)
from afterrains.scenes.profiles import Profile, Profiles, load_profiles
from afterrains.scenes.read import read_overpass, read_overpasses
from afterrains.scenes.reader import WindowReader
from afterrains.scenes.store import BlockStore, StoreSize

__all__ = [
    "BANDS",
    "BandAsset",
    "BlockStore",
    "Cell",
    "Footprints",
    "Observation",
    "Overpass",
    "Patience",
    "PixelGrid",
    "Profile",
    "Profiles",
    "Refusal",
    "Scene",
    "SearchResult",
    "StoreSize",
    "WindowReader",
    "block_boxes",
    "lattice_origin",
    "lay_cells",
    "load_profiles",
    "overpasses",
    "read_overpass",
    "read_overpasses",
    "search",
]
