"""Collection profiles: what a catalogue calls things, and how its numbers are to be read.

A profile is a small YAML file. Those that come with the tool lie in `configs/catalogues/`; a
programme can name a folder of its own (`scenes.profiles`), whose files add to them or, bearing the
same `id`, replace them. Every fault of every file is a `Finding`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from afterrains.errors import Finding, InputError
from afterrains.scenes.bandpass import METHODS
from afterrains.scenes.profile_model import Profile
from afterrains.strict_yaml import KeyPath, read_settings

__all__ = ["Profile", "Profiles", "load_profiles"]


@dataclass(frozen=True)
class Profiles:
    """All profiles of a run, by id; plain and picklable."""

    by_id: Mapping[str, Profile] = field(default_factory=dict)

    def __iter__(self) -> Iterator[Profile]:
        return iter(self.by_id.values())

    def adjusting(self, method: str) -> Profiles:
        """The same, with only the band-pass sets that a way of adjusting uses; see `METHODS`."""
        kept = {}
        for name, profile in self.by_id.items():
            sets = {s: used for s, used in profile.bandpass.items() if used in METHODS[method]}
            kept[name] = profile.model_copy(update={"bandpass": sets})
        return Profiles(kept)

    def of(self, collection: str) -> Profile | None:
        """The profile that serves a collection: by its own id first, else by its list."""
        if collection in self.by_id:
            return self.by_id[collection]
        return next((p for p in self.by_id.values() if collection in p.collections), None)

    def require(self, collections: tuple[str, ...], *, file: str = "programme") -> None:
        """Raise `InputError` for each collection that no profile serves."""
        known = sorted({name for p in self for name in (p.id, *p.collections)})
        findings = [
            Finding(
                "error",
                file,
                "scenes.collections",
                f"no profile serves the collection {name!r}",
                f"use one of {', '.join(known)}, or add a profile in the folder scenes.profiles",
                "unknown-collection",
            )
            for name in collections
            if self.of(name) is None
        ]
        if findings:
            raise InputError(findings)


def load_profiles(folder: Path | None = None) -> Profiles:
    """Read the profiles that come with the tool and those of a folder, which win.

    Parameters
    ----------
    folder : Path, optional
        The programme's own folder of profiles (`*.yaml`, `*.yml`).

    Raises
    ------
    InputError
        With a finding for each fault of each file: unreadable, unknown keys, wrong types or
        values, the same id twice.
    """
    findings: list[Finding] = []
    shipped = _read_folder(_shipped_folder(), findings)
    own = _read_folder(folder, findings) if folder is not None else {}
    if findings:
        raise InputError(findings)
    return Profiles({**shipped, **own})


def _shipped_folder() -> Path:
    """`configs/catalogues`: inside the installed package, or at the top of a checkout."""
    inside = Path(str(resources.files("afterrains"))) / "configs" / "catalogues"
    if inside.is_dir():
        return inside
    checkout = Path(__file__).resolve().parents[3] / "configs" / "catalogues"
    if checkout.is_dir():
        return checkout
    raise FileNotFoundError("the collection profiles are missing from this installation")


def _read_folder(folder: Path, findings: list[Finding]) -> dict[str, Profile]:
    profiles: dict[str, Profile] = {}
    paths = sorted(p for p in folder.iterdir() if p.suffix in (".yaml", ".yml"))
    for path in paths:
        profile = _read_file(path, findings)
        if profile is None:
            continue
        if profile.id in profiles:
            what, mend = f"the id {profile.id!r} stands in another file too", "rename one of them"
            findings.append(Finding("error", path.name, "id", what, mend, "profile-twice"))
        profiles[profile.id] = profile
    return profiles


def _read_file(path: Path, findings: list[Finding]) -> Profile | None:
    """One profile, or None with its faults added to `findings`."""
    try:
        file = read_settings(path, template="a profile in configs/catalogues")
        return Profile.model_validate(file.settings)
    except InputError as error:
        findings += error.findings
    except ValidationError as error:
        for key, what in _faults(error):
            line = _line(file.lines, key)
            where = (f"line {line}, " if line else "") + (".".join(map(str, key)) or "the file")
            mend = "correct the profile"
            findings.append(Finding("error", path.name, where, what, mend, "profile-value"))
    return None


def _faults(error: ValidationError) -> Iterator[tuple[KeyPath, str]]:
    """The key and the words of each fault that the models report."""
    for item in error.errors(include_url=False):
        # The models' own step into a kind of mask is no key of the file.
        key = tuple(
            p
            for p in item["loc"]
            if p not in ("classes", "bits", "values") or item["loc"][0] != "mask"
        )
        value: Any = item.get("input")
        what = item["msg"].removeprefix("Value error, ")
        what = f"{what[:1].lower()}{what[1:]}"
        if not isinstance(value, dict | list) and item["type"] not in ("missing", "value_error"):
            what += f" (found {value!r:.80})"
        yield key, what


def _line(lines: Mapping[KeyPath, int], key: KeyPath) -> int | None:
    """The line of a key, or of the nearest key above it that the file holds."""
    while key and key not in lines:
        key = key[:-1]
    return lines.get(key)
