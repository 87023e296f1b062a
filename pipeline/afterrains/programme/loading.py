"""Reading the programme file, once and whole: every fault of it is told at once."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path
from typing import Any, Literal, TypeVar

from pydantic import BaseModel, ValidationError

from afterrains.errors import Finding, InputError
from afterrains.programme.faults import settings_findings, where_is
from afterrains.programme.fields import is_address
from afterrains.programme.ground import RainSeasons
from afterrains.programme.settings import Programme
from afterrains.strict_yaml import KeyPath, read_settings

__all__ = ["load_programme", "programme_schema"]

_TEMPLATE = "configs/programme.yaml"
_Kind = Literal["file", "folder", "either"]
_NAMED_FILES: tuple[tuple[KeyPath, _Kind], ...] = (
    (("sites",), "either"),
    (("sowing",), "file"),
    (("rain", "table"), "file"),
    (("rain", "grid"), "either"),
    (("scenes", "catalogue"), "file"),
    (("scenes", "profiles"), "folder"),
    (("woody", "model"), "either"),
    (("woody", "train"), "file"),
)
_TableT = TypeVar("_TableT", bound=BaseModel)


def programme_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of the programme file."""
    schema = Programme.model_json_schema(by_alias=True)
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["title"] = "afterrains programme file"
    return schema


def load_programme(path: Path, *, leave_out: Collection[str] = ()) -> Programme:
    """Read and check a programme file.

    Parameters
    ----------
    path : Path
        The YAML file.
    leave_out : collection of str
        Top-level keys that are not looked at: a job that makes what they name must not need it.

    Returns
    -------
    Programme
        Frozen settings with absolute paths.

    Raises
    ------
    InputError
        With one finding for each fault: unreadable YAML, unknown keys, wrong types, values out of
        range, files that are not there.
    """
    file = read_settings(path, template=_TEMPLATE)
    settings = {key: value for key, value in file.settings.items() if key not in leave_out}
    findings: list[Finding] = []
    programme = None
    try:
        programme = Programme.model_validate(settings)
    except ValidationError as error:
        findings += settings_findings(path.name, error, file.lines)
    folder = path.resolve().parent
    findings += _file_findings(path.name, folder, settings, file.lines)
    if programme is None:
        raise InputError(findings)
    if programme.rain is None and isinstance(programme.seasons, RainSeasons):
        what = "is missing, and seasons are to be found from rain"
        mend = "add a rain source, or set seasons: {from: calendar, rains: […]}"
        findings.append(Finding("error", path.name, "rain", what, mend, "no-rain-for-seasons"))
    if findings:
        raise InputError(findings)
    digest = hashlib.sha256(programme.model_dump_json(by_alias=True).encode()).hexdigest()
    programme = _resolved(programme, folder)
    programme._digest = digest
    return programme


def _absolute(folder: Path, path: Path | str) -> Path:
    return folder / Path(path).expanduser()


def _resolved(programme: Programme, folder: Path) -> Programme:
    """The same programme with every relative path made absolute from the file's folder."""

    def with_paths(table: _TableT, *names: str) -> _TableT:
        given = {name: getattr(table, name) for name in names}
        return table.model_copy(
            update={name: path and _absolute(folder, path) for name, path in given.items()}
        )

    scenes = with_paths(programme.scenes, "profiles")
    if not is_address(scenes.catalogue):
        scenes = scenes.model_copy(update={"catalogue": str(_absolute(folder, scenes.catalogue))})
    return with_paths(programme, "sites", "sowing", "output").model_copy(
        update={
            "scenes": scenes,
            "rain": programme.rain and with_paths(programme.rain, "table", "grid"),
            "woody": programme.woody and with_paths(programme.woody, "model", "train"),
        }
    )


def _file_findings(
    file: str, folder: Path, settings: Mapping[Any, Any], lines: Mapping[KeyPath, int]
) -> Iterator[Finding]:
    """A finding for each file or folder that the settings name and that is not there.

    Looks at the settings as written, so that files are checked even where other settings are wrong;
    what is not a path at all is the models' business.
    """
    for keys, kind in (*_NAMED_FILES, (("output",), "folder")):
        text = _text_at(settings, keys)
        if text is None or is_address(text):
            continue
        try:
            named = _absolute(folder, text)
            there, is_file, is_folder = named.exists(), named.is_file(), named.is_dir()
        except (OSError, ValueError, RuntimeError) as error:
            what = f"{text[:60]!r} cannot be looked up ({getattr(error, 'strerror', error)})"
            mend, code = "correct the path", "unusable-path"
        else:
            if not there and keys == ("output",):
                continue  # is made when it is needed
            if not there:
                what = f"there is no {'folder' if kind == 'folder' else 'file'} {named}"
                mend, code = "correct the path or put it there", "missing-file"
            elif kind == "file" and not is_file:
                what, code = f"{named} is a folder, not a file", "not-a-file"
                mend = "name the file inside it"
            elif kind == "folder" and not is_folder:
                what, code = f"{named} is a file, not a folder", "not-a-folder"
                mend = "name a folder"
            else:
                continue
        yield Finding("error", file, where_is(keys, lines), what, mend, code)


def _text_at(settings: Mapping[Any, Any], keys: KeyPath) -> str | None:
    value: Any = settings
    for key in keys:
        value = value.get(key) if isinstance(value, dict) else None
    return value if isinstance(value, str) and value.strip() and "\0" not in value else None
