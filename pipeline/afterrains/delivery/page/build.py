"""All of it into one HTML file.

The page holds everything it needs: style, script, drawings and pictures. Its content security
policy forbids every request and every script or style but the two whose digests it names, so that
text from outside could not run even if it got past the escaping. The same folder gives the same
bytes: nothing here asks the clock, and of the manifest neither `times` nor `files` is read (the
latter holds the digest of this page).
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

import jinja2
from markupsafe import Markup

from afterrains.delivery.atomic import atomic_path
from afterrains.delivery.page import gain_bars, site_chart
from afterrains.delivery.page.answers import lay_answers
from afterrains.delivery.page.blocks import SiteKey
from afterrains.delivery.page.break_even import lay_break_even
from afterrains.delivery.page.choices import lay_again, lay_ways
from afterrains.delivery.page.close_ups import CLOSE_WIDTH, CloseUp
from afterrains.delivery.page.compare import lay_comparison
from afterrains.delivery.page.first_screen import first_screen, gain_units
from afterrains.delivery.page.folder import Folder, read_folder
from afterrains.delivery.page.look_panel import LOOK_KINDS
from afterrains.delivery.page.next_step import VERDICTS
from afterrains.delivery.page.palette import SLOPE_COLOURS, css_variables
from afterrains.delivery.page.plates import lay_plates
from afterrains.delivery.page.record import lay_controls, lay_record, meaningful_gain
from afterrains.delivery.page.seasons import SeasonNames
from afterrains.delivery.page.sentences import Sentences
from afterrains.delivery.page.sheets import FIGURE_COLUMNS, Sheet, lay_sheet
from afterrains.delivery.page.sites import SiteRef, refer_to
from afterrains.delivery.page.table import lay_table
from afterrains.delivery.page.texts import LANGUAGES, Texts, load_texts

__all__ = ["build"]

_MANY = 60  # sites, from which on what is out of sight waits


def build(output: Path, language: str | None = None) -> Path:
    """Write the report page from what stands in the output folder.

    Parameters
    ----------
    output : Path
        The output folder (`<output>/<programme id>`) with verdicts.csv, verdict_history.csv,
        seasons.csv, sites.geojson and manifest.json; series.csv, controls.csv, sowing_rain.csv
        and rasters/ where they are there.
    language : str, optional
        One of `texts.LANGUAGES`; the one that the programme named (manifest.json) where left out.

    Returns
    -------
    Path
        `report/index.html` in that folder.

    Raises
    ------
    OutputError
        When a file that the page needs is missing or cannot be what it says, or when the page
        cannot be written.
    """
    folder = read_folder(output)
    path = output / "report" / "index.html"
    with atomic_path(path) as partial, partial.open("w", encoding="utf-8", newline="") as page:
        page.writelines(render(folder, load_texts(language or _language(folder))))
    return path


def render(folder: Folder, texts: Texts) -> Iterator[str]:
    """The page's text piece by piece: that of thousands of sites is never in memory at once."""
    names = SeasonNames(folder.calendar, texts)
    sentences = Sentences(texts, names)
    refs = refer_to(folder.verdicts, folder.choices)
    keys = {
        judged.site_id: SiteKey(
            judged.site_id,
            refs[judged.site_id].number,
            judged.verdict,
            judged.first_sown_on.isoformat() if judged.first_sown_on else "",
        )
        for judged in folder.verdicts
    }
    maps, close_ups, off_plates = lay_plates(folder, keys, names)
    meaningful = meaningful_gain(folder.manifest)
    rows, scales = lay_table(folder.verdicts, refs, meaningful, names, texts)
    units = gain_units(folder.verdicts)
    unit = max(units, default="ndvi")
    controls, control_scale = lay_controls(folder.controls or (), unit, sentences, texts)
    ways, way_scale, single_ways = lay_ways(folder, _currency(folder), texts)
    style, script = _style(texts), _packaged("style", "page.js")
    sheets = _Sheets(folder, refs, close_ups, meaningful, names, sentences, texts)
    shown = _shown(sheets)
    return (
        _environment(texts, names)
        .get_template("page.html.j2")
        .generate(
            style=Markup(style),  # noqa: S704 our own file
            script=Markup(script),  # noqa: S704 our own file
            policy=_policy(style, script),
            first=first_screen(folder, refs, names, texts),
            units=units,
            meaningful=bool(meaningful),
            plates=maps,
            off_plates=[refs[site] for site in off_plates],
            refs=refs,
            rows=rows,
            many=len(rows) > _MANY,
            scales=scales,
            answers=lay_answers(folder, refs, names, texts),
            again=lay_again(folder, refs, sentences, _currency(folder), texts),
            ways=ways,
            way_scale=way_scale,
            single_ways=single_ways,
            even=lay_break_even(folder, _currency(folder), texts),
            comparison=lay_comparison(folder, refs, meaningful, _currency(folder), names, texts),
            sheets=sheets,
            gaps_shown="gaps" in shown,
            balance_shown="balance" in shown,
            looks_shown="looks" in shown,
            look_kinds=LOOK_KINDS,
            disagreeing=[
                ref
                for site_id, ref in refs.items()
                if (seen := (folder.field or {}).get(site_id)) and seen.agreement == "disagree"
            ],
            controls=controls,
            controls_known=folder.controls is not None,
            noted_controls=sum(1 for control in controls if control.odd),
            drawn_controls=sum(each.origin == "drawn" for each in folder.controls or ()),
            control_scale=control_scale,
            record=lay_record(folder, sentences, texts),
            verdicts=VERDICTS,
            slopes=len(SLOPE_COLOURS),
            change_shown=any(
                close.kind == "change" for closes in close_ups.values() for close in closes
            ),
            figure_columns=FIGURE_COLUMNS,
            chart=site_chart,
            bars=gain_bars,
            close_width=CLOSE_WIDTH,
        )
    )


def _currency(folder: Folder) -> str:
    """Its ISO 4217 code; "" where the manifest does not tell."""
    currency = folder.manifest.get("programme", {}).get("currency", "")
    return currency if isinstance(currency, str) else ""


def _language(folder: Folder) -> str:
    """The language that the run was made for; English where the manifest does not tell."""
    named = folder.manifest.get("programme", {}).get("language", "")
    return named if named in LANGUAGES else LANGUAGES[0]


@dataclass(frozen=True)
class _Sheets:
    """One sheet for each sown site, by number, laid out when its turn comes and not kept."""

    folder: Folder
    refs: Mapping[str, SiteRef]
    close_ups: Mapping[str, tuple[CloseUp, ...]]
    meaningful: Mapping[str, float]
    names: SeasonNames
    sentences: Sentences
    texts: Texts

    def __iter__(self) -> Iterator[Sheet]:
        anchors = [self.refs[judged.site_id].anchor for judged in self.folder.verdicts]
        around = zip(["", *anchors][: len(anchors)], [*anchors, ""][1:], strict=True)
        currency = _currency(self.folder)
        for judged, neighbours in zip(self.folder.verdicts, around, strict=True):
            yield lay_sheet(
                judged,
                self.folder,
                self.refs,
                self.close_ups.get(judged.site_id, ()),
                neighbours,
                currency,
                self.meaningful.get(judged.gain_unit),
                self.names,
                self.sentences,
                self.texts,
            )


def _shown(sheets: Iterable[Sheet]) -> set[str]:
    """What the key above the sheets must explain, because some sheet shows it."""
    shown = set()
    for sheet in sheets:
        if sheet.balance:
            shown.add("balance")
        if sheet.chart and sheet.chart.gaps:
            shown.add("gaps")
        if sheet.chart and sheet.chart.looks:
            shown.add("looks")
        if len(shown) == 3:
            break
    return shown


def _environment(texts: Texts, names: SeasonNames) -> jinja2.Environment:
    """Templates that escape everything and stop at anything unknown."""
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("afterrains.delivery.page", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.policies["json.dumps_kwargs"] = {"separators": (",", ":"), "ensure_ascii": False}
    environment.globals.update(t=texts, names=names)
    return environment


def _packaged(*path: str) -> str:
    """A text file of this package, with the line ends that browsers digest."""
    file = resources.files(__package__).joinpath(*path)
    return file.read_text(encoding="utf-8").replace("\r\n", "\n")


def _style(texts: Texts) -> str:
    """The page's style; the heads of the figures' columns in it, written once for all sheets.

    On a phone each cell shows its head before it: as an attribute of every cell it would be told
    tens of thousands of times in a large programme.
    """
    heads = [
        f'.figures td:nth-child({at}){{--head:"{_css_text(texts(f"figures.{name}"))}"}}'
        for at, name in enumerate(FIGURE_COLUMNS, start=2)
    ]
    return "\n".join([css_variables() + _packaged("style", "page.css"), *heads])


def _css_text(text: str) -> str:
    """`text` inside double quotes of a style: all but letters, digits and spaces as escapes."""
    return "".join(each if each.isalnum() or each == " " else f"\\{ord(each):x} " for each in text)


def _policy(style: str, script: str) -> str:
    """Content Security Policy Level 3: nothing is fetched, nothing foreign is run."""
    return (
        "default-src 'none'; img-src data:; "
        f"style-src '{_digest(style)}'; script-src '{_digest(script)}'; "
        "base-uri 'none'; form-action 'none'"
    )


def _digest(text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"sha256-{base64.b64encode(digest).decode('ascii')}"
