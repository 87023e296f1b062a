"""What every settings model shares: frozen, checked whole, no unknown key.

A message raised in a settings model reads after the setting's name and may go on with `; ` and
the mend: "end 2015-01-01 lies before start 2017-01-01; swap them".
"""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict

__all__ = ["Settings", "exactly_one", "one_of"]


class Settings(BaseModel):
    """One table of the programme file."""

    # A mistyped key must stop the run, not fall back on a default without a word.
    model_config = ConfigDict(
        extra="forbid", frozen=True, allow_inf_nan=False, use_attribute_docstrings=True
    )


def one_of(*names: str) -> ConfigDict:
    """The same rule as `exactly_one`, for the JSON Schema."""
    return ConfigDict(json_schema_extra={"oneOf": [{"required": [name]} for name in names]})


def exactly_one(table: BaseModel, *names: str) -> None:
    """Refuse a table that has none, or several, of the settings named."""
    given = [name for name in names if getattr(table, name) is not None]
    if len(given) != 1:
        has, mend = (" and ".join(given), "keep one") if given else ("none", "give one")
        raise ValueError(f"needs exactly one of {', '.join(names)}, and has {has}; {mend}")
