"""The card of a model: what it is for, where it holds, how wrong it is, what it is not for.

The headings follow Mitchell et al. (2019), Model cards for model reporting,
doi:10.1145/3287560.3287596. Text that came from elsewhere (names, sources, licences) is kept to
one line and cannot begin a heading, a link or HTML.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from afterrains.woody.features import FEATURES
from afterrains.woody.model import ENOUGH_PLOTS, LEVEL, WoodyModel
from afterrains.woody.report import ModelErrors
from afterrains.woody.validation import Scores

__all__ = ["CardFacts", "write_card"]


@dataclass(frozen=True)
class CardFacts:
    """What the maker of a model tells of it."""

    name: str
    data_licence: str
    sources: tuple[str, ...] = ()
    ground: str = ""
    """Which ground the plots stand for."""
    exclusions: tuple[str, ...] = ()
    real_ground: bool = True
    """False for a model of invented ground, which must not be used on any other."""


_STRETCH = (
    "The stretch undoes what least squares shrinks. It adds a little to the error of single plots, "
    "takes off bias where cover is low, and gives gains of sites their size."
)


def write_card(model: WoodyModel, errors: ModelErrors, facts: CardFacts) -> str:
    """The card as Markdown; the same for the same model."""
    sections = [
        f"# Woody-cover model: {_plain(facts.name)}",
        _warning(facts),
        "## Intended use",
        "Share of the ground under woody crowns (percent) of a 10 m pixel in a dry season, to be "
        "averaged over sites. It compares seasons and sites; it names no species.",
        "## Trained on",
        _trained_on(model, facts),
        "## Error on places held out",
        _error_table(errors),
        _interval_line(model, errors),
        _grass_line(model),
        "## Beside simpler models (same plots, same places held out)",
        _baselines(model, errors),
        _STRETCH,
        *_radar(model),
        "## More plots, less error",
        "\n".join(f"- {each.plots} plots: {each.rmse:.2f} points" for each in errors.learning),
        "## Features and their weight",
        "\n".join(_feature(name, weight) for name, weight in errors.importance.items()),
        "## Not to be used for",
        _exclusions(model, facts),
        "## Data licence",
        _plain(facts.data_licence),
        "",
    ]
    return "\n\n".join(part for part in sections if part).rstrip() + "\n"


def _warning(facts: CardFacts) -> str:
    if facts.real_ground:
        return ""
    return (
        "**This model was trained on invented ground. It must not be used on real ground**: its "
        "numbers there would mean nothing. A programme trains its own model from its own plots."
    )


def _trained_on(model: WoodyModel, facts: CardFacts) -> str:
    table = model.training
    seasons = sorted(set(table["season"]) - {""})
    lines = [
        f"- {len(table)} plots in {model.error_share.places} places"
        + (f", seasons {seasons[0]} to {seasons[-1]}" if seasons else ""),
        f"- cover from {model.cover_range[0]:.0f} to {model.cover_range[1]:.0f} percent; "
        f"{int((table['cover'] < 10).sum())} plots below 10 percent",
        f"- plots of {model.plot_area_m2:.0f} m² on average",
    ]
    if facts.ground:
        lines.append(f"- ground: {_plain(facts.ground)}")
    if facts.sources:
        lines.append(f"- sources: {', '.join(_plain(each) for each in facts.sources)}")
    if model.few_plots:
        lines.append(f"- **few plots**: below {ENOUGH_PLOTS}, errors are themselves uncertain")
    return "\n".join(lines)


def _error_table(errors: ModelErrors) -> str:
    rows = ["| cover seen, percent | plots | RMSE, points | bias, points |", "|---|---|---|---|"]
    for each in errors.by_class:
        rows.append(_row(f"{each.low:.0f} to {each.high:.0f}", each.scores))
    rows.append(_row("all, places held out", errors.places_out))
    if errors.years_out is not None:
        rows.append(_row("all, seasons held out", errors.years_out))
    return "\n".join(rows)


def _row(label: str, scores: Scores) -> str:
    return f"| {label} | {scores.n} | {_number(scores.rmse)} | {_number(scores.bias, '+')} |"


def _number(value: float, sign: str = "") -> str:
    return "–" if math.isnan(value) else f"{value:{sign}.2f}"


def _interval_line(model: WoodyModel, errors: ModelErrors) -> str:
    by_place, pooled = (f"{100 * share:.1f}" for share in (errors.coverage, errors.coverage_pooled))
    inside = (
        f"{pooled} percent of held-out plots lay inside, {by_place} percent when each place counts "
        "alike"
    )
    return (
        f"Intervals of {100 * LEVEL:.0f} percent come from ranks of held-out errors (hierarchical "
        f"conformal); {inside}. The error of a plot is {model.scale.floor:.1f} points plus "
        f"{100 * model.scale.slope:.1f} percent of its cover, the observer's own error included. "
        f"Bias below 10 percent cover: {_number(errors.low_cover.bias, '+')} points."
    )


def _grass_line(model: WoodyModel) -> str:
    reach = 1.96 * model.grass_bias(10.0)
    return (
        "Grass: ground that was rested and grew grassier may be read as more crowns than it has. "
        f"Between one place and another this model errs by {reach:.1f} points either way (95 "
        "percent, at 10 percent cover). Where a site's dead grass or rains flush rose against "
        "control this is added to the interval of its gain, and its gain has to clear it."
    )


def _form(model: WoodyModel) -> str:
    """What the model is made of."""
    count = model.core.forest.root.size
    made = f"line and {count} trees" if count else "line without trees, which took off no error"
    return f"{made}, stretched by {1 / model.stretch.slope:.2f}"


def _baselines(model: WoodyModel, errors: ModelErrors) -> str:
    lines = [f"- this model ({_form(model)}): {errors.places_out.rmse:.2f} points"]
    return "\n".join(
        [*lines, *(f"- {n}: {s.rmse:.2f} points" for n, s in errors.baselines.items())]
    )


def _radar(model: WoodyModel) -> tuple[str, ...]:
    """Heading and words on radar; nothing where no radar was at hand."""
    trial = model.radar
    if trial is None:
        return ()
    tracks = " and ".join(_plain(track) for track in trial.tracks)
    if math.isnan(trial.rmse_with):
        return "## Radar", f"Not tried with {tracks}: {_plain(trial.why)}."
    told = (
        f"Tried with {tracks} on {trial.plots} plots, places held out: "
        f"{trial.rmse_without:.2f} points without, {trial.rmse_with:.2f} with. "
        f"{'**Kept**' if trial.kept else '**Left out**'}: {_plain(trial.why)}."
    )
    if trial.kept:
        told += (
            " The model gives no value where or when this track has too few dates, and none to "
            "ground seen by other tracks alone: sites there fall back on dry-season greenness."
        )
    return "## Radar", told


def _feature(name: str, weight: float) -> str:
    what = FEATURES[name].what if name in FEATURES else ""
    if what and FEATURES[name].unit != "1":
        what += f" ({FEATURES[name].unit})"
    return f"- `{_plain(name)}` {weight:.2f}" + (f": {what}" if what else "")


def _exclusions(model: WoodyModel, facts: CardFacts) -> str:
    lines = [
        "ground outside its domain (band 4 of the map, dissimilarity index above "
        f"{model.domain.threshold:.3f}): sites there fall back on dry-season greenness",
        "species, stem counts, seedlings below crown size, biomass or carbon",
        "areas by counting pixels: areas come from a probability sample of checks",
        "single pixels: intervals hold for ground of a plot's size",
        "leafless woody plants, evergreen crops and reeds, which it has not been shown",
        *(_plain(each) for each in facts.exclusions),
    ]
    return "\n".join(f"- {line}" for line in lines)


def _plain(text: str) -> str:
    """One line without marks that Markdown or HTML would act on."""
    return re.sub(r"[<>\[\]()`*#|\\]", "", " ".join(text.split()))[:300]
