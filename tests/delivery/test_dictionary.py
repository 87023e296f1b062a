"""The data dictionary in the repository is the one that the definitions give."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from afterrains.delivery.dictionary import PLACE, data_dictionary
from afterrains.delivery.products import PRODUCTS
from afterrains.delivery.tables import all_tables

_ROOT = Path(__file__).resolve().parents[2]


def test_the_dictionary_is_in_step() -> None:
    """When this fails, run `python -m afterrains.delivery.dictionary`."""
    assert (_ROOT / PLACE).read_text(encoding="utf-8") == data_dictionary()


def test_it_names_every_column_and_band() -> None:
    """Counted from the definitions, not from the page."""
    page = data_dictionary()
    for table in all_tables(()):
        assert f"## {table.file}" in page
        assert all(f"`{name}`" in page for name in table.column_names)
    for product in PRODUCTS.values():
        assert all(f" | {band.name} | " in page for band in product.bands)


def test_the_command_writes_it(tmp_path: Path) -> None:
    """As the page itself says."""
    target = tmp_path / "dictionary.md"
    subprocess.run(
        [sys.executable, "-m", "afterrains.delivery.dictionary", str(target)], check=True
    )
    assert target.read_text(encoding="utf-8") == data_dictionary()
