"""The field form as an XLSForm workbook, which phone apps that take this open standard read.

Nothing in it tells a verdict, a map class or why a place is visited: observers who know what is
expected see it. Texts from outside (site ids and names, species) stand in choice labels alone.
There they are cut, put on one line and parted from what an XLSForm would take for a reference
(``${…}``); every cell is stored as text, so that no spreadsheet runs one as a formula. Equal visits
give equal bytes: the workbook bears one fixed day, not that of its writing.

References
----------
XLSForm, https://xlsform.org/en/
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from pathlib import Path

import pandas as pd
from openpyxl import Workbook
from openpyxl.packaging.core import DocumentProperties
from openpyxl.worksheet.worksheet import Worksheet
from openpyxl.xml.functions import tostring

from afterrains.delivery.atomic import write_bytes
from afterrains.field.form_texts import CHOICES, LANGUAGES, TEXTS
from afterrains.field.visit_files import one_line

__all__ = ["species_codes", "write_form"]

_KINDS = ("label", "hint", "constraint_message")
_SURVEY = (
    "type", "name", *(f"{kind}::{language}" for kind in _KINDS for language in LANGUAGES),
    "required", "relevant", "constraint", "appearance", "default", "calculation",
    "parameters",
)  # fmt: skip
_CHOICES = ("list_name", "name", *(f"label::{language}" for language in LANGUAGES), "lat", "lon")
_ITEM = "instance('visit')/root/item[name = ${visit_id}]"
_DAY = datetime(2000, 1, 1)
_REFERENCE = re.compile(r"\$(?=\s*\{)")


def species_codes(names: Iterable[str]) -> dict[str, str]:
    """A code of plain letters for each species name, as the form's export writes it.

    Returns
    -------
    dict
        From code to name, sorted by name; equal names once. `other` is kept for the form.
    """
    codes: dict[str, str] = {}
    for name in sorted({one_line(each) for each in names} - {""}):
        plain = re.sub(r"[^a-z0-9]+", "_", name.casefold()).strip("_") or "species"
        plain = plain if plain[0].isalpha() else f"species_{plain}"
        code, number = plain, 2
        while code in codes or code == "other":
            code, number = f"{plain}_{number}", number + 1
        codes[code] = name
    return codes


def write_form(
    visits: pd.DataFrame,
    names: Mapping[str, str],
    species: Iterable[str],
    *,
    title: str,
    form_id: str,
    version: str,
    plot_radius_m: float,
    folder: Path,
) -> Path:
    """Write `visits_form.xlsx`.

    Parameters
    ----------
    visits : DataFrame
        Rows of visits.csv.
    names : mapping
        Names of the sites by site_id.
    species : iterable of str
        What was sown, offered in the list of species.
    title, form_id, version : str
        Of the form; the id and version are our own slugs.
    plot_radius_m : float
        Told to the observers and returned with every check.
    folder : Path
    """
    book = Workbook()
    book.remove(book.active)
    radius = f"{plot_radius_m:g}"
    _fill(book.create_sheet("survey"), _SURVEY, _survey(radius))
    _fill(book.create_sheet("choices"), _CHOICES, _choices(visits, names, species))
    settings = {
        "form_title": _label(f"Field visits, {title}"),
        "form_id": form_id,
        "version": version,
        "default_language": LANGUAGES[0],
        "instance_name": "${visit_id}",
    }
    _fill(book.create_sheet("settings"), tuple(settings), [settings])
    return write_bytes(folder / "visits_form.xlsx", _bytes(book))


def _bytes(book: Workbook) -> bytes:
    """The workbook's file, the same whenever it is written.

    openpyxl stamps the clock into the properties on saving, and every part of the zip bears its
    hour; both are written anew.
    """
    saved, settled = io.BytesIO(), io.BytesIO()
    book.save(saved)
    properties = DocumentProperties(creator="afterrains", created=_DAY, modified=_DAY)
    with zipfile.ZipFile(saved) as old, zipfile.ZipFile(settled, "w") as new:
        for name in old.namelist():
            part = zipfile.ZipInfo(name, _DAY.timetuple()[:6])
            part.compress_type = zipfile.ZIP_DEFLATED
            of_clock = name == "docProps/core.xml"
            new.writestr(part, tostring(properties.to_tree()) if of_clock else old.read(name))
    return settled.getvalue()


def _label(text: str) -> str:
    """Text from outside that an XLSForm takes for nothing but text."""
    return _REFERENCE.sub("$ ", one_line(text, 60))


def _fill(sheet: Worksheet, columns: Sequence[str], rows: Iterable[Mapping[str, str]]) -> None:
    """Write rows of text; every cell is of the type string, whatever it begins with."""
    for at, values in enumerate([{name: name for name in columns}, *rows], start=1):
        for column, name in enumerate(columns, start=1):
            if text := values.get(name, ""):
                cell = sheet.cell(at, column)
                cell.value = text
                cell.data_type = "s"
                cell.number_format = "@"
                cell.quotePrefix = True
    sheet.freeze_panes = "A2"


def _question(kind: str, name: str, radius: str, **more: str) -> dict[str, str]:
    """One row of the survey, with the texts of its name."""
    row = {"type": kind, "name": name, **more}
    sources = {"label": name, "hint": f"{name}.hint", "constraint_message": f"{name}.fault"}
    for field, key in sources.items():
        for language, text in zip(LANGUAGES, TEXTS.get(key, ("", "")), strict=True):
            row[f"{field}::{language}"] = text.replace("{radius}", radius)
    return row


def _survey(radius: str) -> list[dict[str, str]]:
    must = {"required": "yes"}
    whole = {"constraint": ". >= 0", **must}
    faults = {
        f"constraint_message::{language}": text
        for language, text in zip(LANGUAGES, TEXTS["live.fault"], strict=True)
    }

    def ask(kind: str, name: str, **more: str) -> dict[str, str]:
        return _question(kind, name, radius, **more)

    return [
        ask("select_one yes_no", "consent", **must),
        ask("note", "no_consent", relevant="${consent} = 'no'"),
        ask("select_one visit", "visit_id", appearance="minimal autocomplete", **must),
        ask("date", "surveyed_on", default="today()", constraint=". <= today()", **must),
        ask("begin_group", "visit", relevant="${consent} = 'yes'"),
        ask("note", "safety"),
        {"type": "calculate", "name": "planned_lat", "calculation": f"{_ITEM}/lat"},
        {"type": "calculate", "name": "planned_lon", "calculation": f"{_ITEM}/lon"},
        ask("note", "planned_place"),
        ask("select_one yes_no", "reached", **must),
        ask("select_one not_reached_why", "not_reached_why", relevant="${reached} = 'no'", **must),
        ask("begin_group", "place", relevant="${reached} = 'yes'"),
        ask("geopoint", "gps", **must),
        {"type": "calculate", "name": "plot_radius_m", "calculation": radius},
        ask("decimal", "woody_cover_percent", constraint=". >= 0 and . <= 100", **must),
        ask("select_one seen", "seen", **must),
        ask("select_multiple signs", "signs",
            constraint="not(selected(., 'none') and count-selected(.) > 1)", **must),
        ask("begin_repeat", "seedlings"),
        ask("select_one species", "species", **must),
        ask("text", "species_other", relevant="${species} = 'other'", **must),
        ask("integer", "live", **whole),
        {**ask("integer", "dead", **whole), **faults},
        {"type": "end_repeat", "name": "seedlings"},
        ask("image", "photo", parameters="max-pixels=1600"),
        ask("text", "observer", constraint="regex(., '^[A-Za-z0-9-]{1,12}$')", **must),
        ask("text", "remark"),
        {"type": "end_group", "name": "place"},
        {"type": "end_group", "name": "visit"},
    ]  # fmt: skip


def _choices(
    visits: pd.DataFrame, names: Mapping[str, str], species: Iterable[str]
) -> list[dict[str, str]]:
    rows = [
        _choice(group, name, *texts) for group, each in CHOICES.items() for name, *texts in each
    ]
    for row in visits.to_dict("records"):
        site_id = str(row["site_id"])
        label = " · ".join(
            text
            for text in (str(row["visit_id"]), one_line(site_id, 30), names.get(site_id, ""))
            if text
        )
        place = {"lat": f"{float(row['lat']):.6f}", "lon": f"{float(row['lon']):.6f}"}
        rows.append({**_choice("visit", str(row["visit_id"]), _label(label)), **place})
    for code, name in species_codes(species).items():
        rows.append(_choice("species", code, _label(name)))
    rows.append(_choice("species", "other", "Another species", "Une autre espèce"))
    return rows


def _choice(group: str, name: str, *labels: str) -> dict[str, str]:
    """A choice; the one label of a name stands for every language."""
    texts = labels if len(labels) == len(LANGUAGES) else labels * len(LANGUAGES)
    told = {f"label::{language}": text for language, text in zip(LANGUAGES, texts, strict=True)}
    return {"list_name": group, "name": name, **told}
