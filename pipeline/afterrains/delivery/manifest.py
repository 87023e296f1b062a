"""`manifest.json`: what a result was made from, so that every figure can be traced back.

Everything in it but the one key `times` is the same for two equal runs. Secrets never get in:
addresses lose their user names, query strings and fragments, which is where catalogues put
signatures; a path on this machine is cut to its file name, and the scene's id finds it again.
"""

from __future__ import annotations

import csv
import hashlib
import json
import os
import platform
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path, PurePath
from typing import Any

import pyarrow.parquet as pq
import pyproj
import rasterio
import shapely

from afterrains.delivery.atomic import write_json
from afterrains.delivery.redaction import place_of, told, without_secrets
from afterrains.errors import OutputError
from afterrains.packed import Packed
from afterrains.programme import Programme
from afterrains.scenes.model import Refusal, Scene

__all__ = ["LIBRARIES", "refresh_manifest", "scenes_told", "write_manifest"]

NAME = "manifest.json"

LIBRARIES = (
    "afterrains", "dask", "distributed", "exactextract", "geopandas", "numba",
    "numpy", "odc-geo", "pandas", "pyarrow", "pydantic", "pyogrio", "pyproj", "pystac",
    "pystac-client", "rasterio", "scipy", "shapely", "statsmodels", "xarray",
)  # fmt: skip
"""Packages whose version may move a figure."""


def write_manifest(
    folder: Path,
    *,
    programme: Programme,
    scenes_used: Sequence[Packed],
    refused: Iterable[Refusal],
    unreadable: Iterable[tuple[str, str, str]],
    specification: Mapping[str, Any],
    times: Mapping[str, Any],
    seeds: Mapping[str, int],
    seasons: Mapping[str, Any] | None = None,
    model_digest: str | None = None,
    looks: Mapping[str, Any] | None = None,
    inputs: Mapping[str, Any] | None = None,
    leave_out: Iterable[str] = (),
) -> Path:
    """Write the manifest, last of all: it holds the digest of every other file.

    Parameters
    ----------
    folder : Path
        The output folder, with every result in it.
    programme : Programme
        Its id, name and digest are told.
    scenes_used : sequence of Packed
        Of `scenes_told`.
    refused : iterable of Refusal
        Every scene that the catalogue offered is in one of the two. Any order; a scene that is
        named twice is told once.
    unreadable : iterable of (scene_id, band, reason)
        Reads that failed for good, one tuple a read; counted by scene, band and reason.
    specification : mapping
        The judging rule as it was fixed; told with its SHA-256.
    times : mapping of datetimes, texts or numbers
        When what was done, and what is kept of remote files on this disk; the only part that
        differs between equal runs.
    seasons : mapping, optional
        How the seasons were found: the rule, its reference years and, under `rain`, the
        `cautions` of the rain record.
    seeds : mapping of int
        Seeds of all randomness.
    model_digest : str, optional
        SHA-256 of the woody-cover model; None where none was used.
    looks : mapping, optional
        What became of the looks; see `look_counts`.
    inputs : mapping, optional
        Digests of all that the figures rest on, by which two results are compared.
    leave_out : iterable of str
        Paths below `folder` (files or folders) that are no results, such as a working store.
        Names that begin with a dot are always left out.

    Returns
    -------
    Path
        `folder/manifest.json`.

    Raises
    ------
    OutputError
        When the disk does not take the file.
    """
    return write_json(
        folder / NAME,
        {
            "programme": {
                "id": programme.programme.id,
                "name": programme.programme.name,
                "currency": programme.programme.currency,
                "language": getattr(programme.programme, "language", "en"),
                "sha256": programme.digest,
            },
            "versions": _versions(),
            "specification": _specification(specification),
            "model_sha256": model_digest,
            "inputs": None if inputs is None else _plain(inputs),
            "seeds": dict(sorted(seeds.items())),
            "seasons": dict(sorted((seasons or {}).items())),
            "scenes_used": list(scenes_used),
            "scenes_refused": _distinct(_refusal(refusal) for refusal in refused),
            "unreadable_reads": _unreadable(unreadable),
            "looks": _plain(looks or {}),
            "files": _files(folder, {PurePath(name) for name in leave_out}),
            "times": {key: _plain(value) for key, value in sorted(times.items())},
        },
    )


def scenes_told(scenes: Iterable[Scene]) -> tuple[Packed, ...]:
    """What is told of the scenes used; any order, and a scene that is named twice is told once."""
    return tuple(_distinct(_scene(scene) for scene in scenes))


def refresh_manifest(folder: Path, *, leave_out: Iterable[str] = ()) -> Path:
    """Tell anew which files stand in the folder, after one was rebuilt; all else stays.

    Raises
    ------
    OutputError
        When there is no manifest that can be read, or the disk does not take the new one.
    """
    path = folder / NAME
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        if not isinstance(content, dict):
            raise ValueError("it is no JSON object")
    except (OSError, ValueError) as error:
        raise OutputError(
            f"{path}: cannot be read ({error}); run the programme again, which rewrites it"
        ) from error
    return write_json(
        path, {**content, "files": _files(folder, {PurePath(name) for name in leave_out})}
    )


def _versions() -> dict[str, str]:
    """Our own version, the libraries' and the native ones beneath them."""
    found = {"python": platform.python_version()}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not installed"
    found["gdal"] = rasterio.__gdal_version__
    found["proj"] = pyproj.proj_version_str
    found["geos"] = shapely.geos_version_string
    return dict(sorted(found.items()))


def _specification(specification: Mapping[str, Any]) -> dict[str, Any]:
    """The rule itself and the digest of its canonical JSON."""
    content = _plain(specification)
    canonical = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return {"sha256": hashlib.sha256(canonical.encode()).hexdigest(), "content": content}


def _plain(value: Any) -> Any:
    """Values that JSON has; what it has not is told as text."""
    if isinstance(value, Mapping):
        return {str(key): _plain(each) for key, each in sorted(value.items(), key=_key_text)}
    if isinstance(value, list | tuple):
        return [_plain(each) for each in value]
    if isinstance(value, set | frozenset):
        return sorted((_plain(each) for each in value), key=str)
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, str):
        return without_secrets(value)
    if value is None or isinstance(value, bool | int):
        return value
    if hasattr(value, "item"):  # A numpy number.
        return _plain(value.item())
    if isinstance(value, float):
        return value if abs(value) < float("inf") else str(value)
    return str(value)


def _key_text(pair: tuple[Any, Any]) -> str:
    return str(pair[0])


def _scene(scene: Scene) -> dict[str, Any]:
    return {
        "scene_id": scene.scene_id,
        "collection": scene.collection,
        "sensor": scene.sensor,
        "acquired": scene.acquired.isoformat(),
        "tile": scene.tile,
        "processed": None if scene.processed is None else scene.processed.isoformat(),
        "baseline": scene.baseline,
        "cloud_percent": scene.cloud_percent,
        "files": {band: place_of(scene.bands[band].href) for band in sorted(scene.bands)},
    }


def _refusal(refusal: Refusal) -> dict[str, Any]:
    return {
        "scene_id": refusal.scene_id,
        "collection": refusal.collection,
        "acquired": None if refusal.acquired is None else refusal.acquired.isoformat(),
        "reason": refusal.reason,
        "detail": told(refusal.detail),
    }


def _distinct(entries: Iterable[dict[str, Any]]) -> list[Packed]:
    """Each entry once, by time and id, whatever order the workers gave."""
    found = {(each["acquired"] or "", each["scene_id"], Packed.of(each).text) for each in entries}
    return [Packed(text) for _, _, text in sorted(found)]


def _unreadable(reads: Iterable[tuple[str, str, str]]) -> list[dict[str, Any]]:
    counts = Counter((scene, band, told(reason)) for scene, band, reason in reads)
    return [
        {"scene_id": scene, "band": band, "reason": reason, "reads": counts[scene, band, reason]}
        for scene, band, reason in sorted(counts)
    ]


def _files(folder: Path, left_out: set[PurePath]) -> list[dict[str, Any]]:
    """Path, size, SHA-256 and, for tables, rows of every result, sorted by path."""
    found: list[dict[str, Any]] = []
    for where, folders, names in os.walk(folder):
        here = Path(where)
        folders[:] = [
            name
            for name in folders
            if not name.startswith(".") and (here / name).relative_to(folder) not in left_out
        ]
        for name in names:
            path = here / name
            inside = path.relative_to(folder)
            if name.startswith(".") or inside in left_out or inside == PurePath(NAME):
                continue
            found.append(_file(path, inside.as_posix()))
    return sorted(found, key=lambda entry: str(entry["path"]))


def _file(path: Path, inside: str) -> dict[str, Any]:
    with path.open("rb") as opened:
        digest = hashlib.file_digest(opened, "sha256").hexdigest()
    entry: dict[str, Any] = {"path": inside, "bytes": path.stat().st_size, "sha256": digest}
    rows = _rows(path)
    return entry if rows is None else {**entry, "rows": rows}


def _rows(path: Path) -> int | None:
    """Rows of a table without its header; None for what is no table."""
    if path.suffix == ".csv":
        with path.open(encoding="utf-8", newline="") as opened:
            return max(sum(1 for _ in csv.reader(opened)) - 1, 0)
    if path.suffix == ".parquet":
        return int(pq.read_metadata(path).num_rows)
    return None
