"""A model on disk: plain arrays and text, nothing that could run on loading.

    <folder>/model.npz    arrays, read with allow_pickle=False
    <folder>/recipe.json  names, numbers, method, digest
    <folder>/card.md      what people read

The digest in the recipe is SHA-256 over the rest of the recipe, the arrays and the card: it tells
a broken or altered folder, and names the model in the manifest. Whoever can alter the folder can
make a new digest too, so it proves no origin. The trees are checked before they are followed.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import re
import tempfile
import zipfile
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from afterrains.errors import Finding, InputError, OutputError
from afterrains.woody.applicability import Domain
from afterrains.woody.card import CardFacts, write_card
from afterrains.woody.features import FEATURES
from afterrains.woody.line import ErrorScale, Line
from afterrains.woody.model import Core, RadarTrial, Stretch, WoodyModel
from afterrains.woody.report import ModelErrors, describe
from afterrains.woody.trees import Forest, require_sound
from afterrains.woody.validation import ErrorShare

__all__ = ["FORMAT", "load", "model_digest", "save"]

FORMAT = "afterrains woody model 2"
_ARRAYS = "model.npz"
_RECIPE = "recipe.json"
_CARD = "card.md"
_LARGEST_BYTES = 64 * 1024 * 1024
_FOREST = ("feature", "threshold", "left", "right", "value", "root")
_LINE = ("centre", "spread", "coefficient")
_DOMAIN = ("centre", "factor", "points")
_TEXTS = ("plot_id", "season")
_TRACK = r"(ascending|descending)(-\d{1,3})?"
_NUMBERS = ("cover", "held_out", "place", "fold")


def save(
    model: WoodyModel, folder: Path, facts: CardFacts, *, errors: ModelErrors | None = None
) -> str:
    """Write a model with its card; equal models give equal bytes.

    Parameters
    ----------
    model : WoodyModel
    folder : Path
        Made if need be; an older model in it is replaced.
    facts : CardFacts
        What only the maker knows: where the plots come from, their licence, exclusions.
    errors : ModelErrors, optional
        As `describe` gives them; measured here if not given.

    Returns
    -------
    str
        The model's digest.

    Raises
    ------
    OutputError
        If the folder cannot be written.
    """
    measured = describe(model) if errors is None else errors
    buffer = io.BytesIO()
    np.savez_compressed(buffer, allow_pickle=False, **_to_arrays(model))
    arrays = buffer.getvalue()
    card = write_card(model, measured, facts)
    recipe = _to_recipe(model, facts)
    digest = _digest(recipe, arrays, card.encode())
    text = json.dumps(recipe | {"digest": digest}, indent=1, ensure_ascii=False) + "\n"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        # The recipe last: until it is there, no reader takes the folder for a model.
        _place(folder / _ARRAYS, arrays)
        _place(folder / _CARD, card.encode())
        _place(folder / _RECIPE, text.encode())
    except OSError as error:
        raise OutputError(
            f"{folder}: the model cannot be written ({error.strerror or error}); choose another "
            "folder or make room"
        ) from error
    return digest


def load(folder: Path) -> WoodyModel:
    """Read a model; nothing in the folder is run.

    Raises
    ------
    InputError
        If a file is missing, is not what it should be, or has been altered since it was written.
    """
    files = {name: _read(folder, name) for name in (_RECIPE, _ARRAYS, _CARD)}
    try:
        recipe = json.loads(files[_RECIPE])
        if not isinstance(recipe, dict) or recipe.get("format") != FORMAT:
            raise ValueError(f"is no {FORMAT!r}")
        digest = recipe.pop("digest", "")
        if digest != _digest(recipe, files[_ARRAYS], files[_CARD]):
            raise ValueError("does not agree with its digest: a file was changed or is damaged")
        return _from(recipe, _arrays(files[_ARRAYS]))
    except (ValueError, KeyError, TypeError, EOFError, OSError, zipfile.BadZipFile) as error:
        told = f"lacks {error}" if isinstance(error, KeyError) else str(error)
        raise _refused(folder, told) from error


def model_digest(folder: Path) -> str:
    """The digest of a model that `load` accepts, for the manifest."""
    load(folder)
    return str(json.loads(_read(folder, _RECIPE))["digest"])


def _to_arrays(model: WoodyModel) -> dict[str, NDArray[Any]]:
    line, forest, domain = model.core.line, model.core.forest, model.domain
    table = model.training
    return (
        {f"line_{name}": getattr(line, name) for name in _LINE}
        | {f"trees_{name}": getattr(forest, name) for name in _FOREST}
        | {f"domain_{name}": getattr(domain, name) for name in _DOMAIN}
        | {"scores": model.scores, "fold_lines": model.fold_lines}
        | {"training_features": table[list(model.features)].to_numpy()}
        | {f"training_{name}": table[name].to_numpy() for name in _NUMBERS}
        | {f"training_{name}": table[name].to_numpy(np.str_) for name in _TEXTS}
    )


def _to_recipe(model: WoodyModel, facts: CardFacts) -> dict[str, Any]:
    share = model.error_share
    return {
        "format": FORMAT,
        "features": [_told_feature(name) for name in model.features],
        "method": "weighted line within seasons, randomised trees on its residuals where they "
        "earn it, stretched",
        "seed": model.seed,
        "line_intercept": model.core.line.intercept,
        "stretch": asdict(model.stretch),
        "scale": {"floor": model.scale.floor, "slope": model.scale.slope},
        "error_share": asdict(share),
        "grass_bias": {"se_points_at_10_percent": round(model.grass_bias(10.0), 4)},
        "domain": {
            "mean_distance": model.domain.mean_distance,
            "threshold": model.domain.threshold,
        },
        "plot_area_m2": model.plot_area_m2,
        "cover_range": list(model.cover_range),
        "name": facts.name,
        "data_licence": facts.data_licence,
        "real_ground": facts.real_ground,
    } | ({} if model.radar is None else {"radar": _told_radar(model.radar)})


def _told_feature(name: str) -> dict[str, Any]:
    feature = FEATURES.get(name)
    if feature is None:
        return {"name": name}
    told = {"name": name, "what": feature.what, "inputs": list(feature.inputs)}
    return told if feature.unit == "1" else told | {"unit": feature.unit}


def _told_radar(trial: RadarTrial) -> dict[str, Any]:
    """JSON has no "not a number"."""
    told = asdict(trial) | {"tracks": list(trial.tracks)}
    return {name: None if value != value else value for name, value in told.items()}


def _radar_from(told: dict[str, Any] | None) -> RadarTrial | None:
    if told is None:
        return None
    without, with_it = (
        float("nan") if told[name] is None else float(told[name])
        for name in ("rmse_without", "rmse_with")
    )
    tracks = tuple(str(track) for track in told["tracks"])
    if not all(re.fullmatch(_TRACK, track) for track in tracks):
        raise ValueError("names a track of radar that is none")
    return RadarTrial(
        tracks, int(told["plots"]), without, with_it, bool(told["kept"]), str(told["why"])
    )


def _from(recipe: dict[str, Any], arrays: dict[str, NDArray[Any]]) -> WoodyModel:
    names = tuple(str(feature["name"]) for feature in recipe["features"])
    count = len(names)
    centre, spread, coefficient = (_numbers(arrays[f"line_{name}"], (count,)) for name in _LINE)
    line = Line(centre, spread, coefficient, float(recipe["line_intercept"]))
    forest = Forest(
        feature=np.ascontiguousarray(arrays["trees_feature"], np.int32),
        threshold=np.ascontiguousarray(arrays["trees_threshold"], np.float64),
        left=np.ascontiguousarray(arrays["trees_left"], np.int32),
        right=np.ascontiguousarray(arrays["trees_right"], np.int32),
        value=np.ascontiguousarray(arrays["trees_value"], np.float64),
        root=np.ascontiguousarray(arrays["trees_root"], np.int32),
    )
    require_sound(forest, count)
    points = np.ascontiguousarray(arrays["domain_points"], np.float32)
    if points.ndim != 2 or points.shape[1] != count or not np.isfinite(points).all():
        raise ValueError("its domain does not fit its features")
    domain = Domain(
        _numbers(arrays["domain_centre"], (count,)),
        _numbers(arrays["domain_factor"], (count,)),
        points,
        float(recipe["domain"]["mean_distance"]),
        float(recipe["domain"]["threshold"]),
    )
    plots = len(points)
    values = _numbers(arrays["training_features"], (plots, count))
    table = {name: arrays[f"training_{name}"] for name in (*_TEXTS, *_NUMBERS)}
    order = ("plot_id", "cover", "held_out", "place", "fold", "season")
    share = recipe["error_share"]
    low, high = (float(bound) for bound in recipe["cover_range"])
    return WoodyModel(
        features=names,
        core=Core(line, forest),
        stretch=Stretch(float(recipe["stretch"]["offset"]), float(recipe["stretch"]["slope"])),
        scale=ErrorScale(float(recipe["scale"]["floor"]), float(recipe["scale"]["slope"])),
        scores=_numbers(arrays["scores"], (plots,)),
        error_share=ErrorShare(
            float(share["place"]),
            float(share["season"]),
            float(share["plot"]),
            int(share["places"]),
            int(share["seasons"]),
            int(share["plots"]),
        ),
        domain=domain,
        plot_area_m2=float(recipe["plot_area_m2"]),
        cover_range=(low, high),
        fold_lines=_numbers(arrays["fold_lines"], (len(arrays["fold_lines"]), 1 + count)),
        seed=int(recipe["seed"]),
        training=pd.DataFrame(
            {name: table[name] for name in order}
            | {name: values[:, at] for at, name in enumerate(names)}
        ),
        radar=_radar_from(recipe.get("radar")),
    )


def _numbers(array: NDArray[Any], shape: tuple[int, ...]) -> NDArray[np.float64]:
    values = np.ascontiguousarray(array, np.float64)
    if values.shape != shape or not np.isfinite(values).all():
        raise ValueError("holds an array of the wrong shape, or numbers that are not finite")
    return values


def _arrays(content: bytes) -> dict[str, NDArray[Any]]:
    with zipfile.ZipFile(io.BytesIO(content)) as packed:
        if sum(each.file_size for each in packed.infolist()) > _LARGEST_BYTES:
            raise ValueError("unpacks to far more than a model needs")
    with np.load(io.BytesIO(content), allow_pickle=False) as stored:
        return {name: stored[name] for name in stored.files}


def _digest(recipe: dict[str, Any], arrays: bytes, card: bytes) -> str:
    plain = json.dumps(recipe, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    parts = (plain.encode(), arrays, card)
    return hashlib.sha256(b"".join(hashlib.sha256(part).digest() for part in parts)).hexdigest()


def _read(folder: Path, name: str) -> bytes:
    try:
        path = folder / name
        if path.stat().st_size > _LARGEST_BYTES:
            raise _refused(folder, f"{name} is far larger than a model needs")
        return path.read_bytes()
    except OSError as error:
        raise _refused(folder, f"{name} cannot be read ({error.strerror or error})") from error


def _refused(folder: Path, what: str) -> InputError:
    mend = "take a fresh copy of the model's folder, or train it again"
    return InputError([Finding("error", folder.name, "", what, mend, "woody-model-refused")])


def _place(path: Path, content: bytes) -> None:
    """Write beside the file and rename, so that no half file is ever seen."""
    handle, draft = tempfile.mkstemp(dir=path.parent, prefix=".draft-")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        os.chmod(draft, 0o644)
        os.replace(draft, path)
    except OSError:
        Path(draft).unlink(missing_ok=True)
        raise
