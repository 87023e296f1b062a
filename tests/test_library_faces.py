"""The package as a library: each stage under the name that the contract promises (section 6)."""

from __future__ import annotations

import importlib

import pytest

import afterrains


@pytest.mark.parametrize(
    ("module", "name"),
    [
        ("indices", "ndvi"),
        ("seasons", "from_rain"),
        ("contrast", "judge"),
        ("outlook", "detectable_gain"),
        ("trend", "robust_slope"),
        ("woody", "fit"),
        ("woody", "predict"),
    ],
)
def test_each_stage_is_a_plain_function(module: str, name: str) -> None:
    """Both ways of reaching it: as an attribute of the package, and by import."""
    by_attribute = getattr(getattr(afterrains, module), name)
    by_import = getattr(importlib.import_module(f"afterrains.{module}"), name)
    assert by_attribute is by_import
    assert callable(by_attribute)


def test_an_unknown_name_is_an_attribute_error() -> None:
    """As for any module."""
    with pytest.raises(AttributeError, match="no attribute 'magic'"):
        _ = afterrains.magic
