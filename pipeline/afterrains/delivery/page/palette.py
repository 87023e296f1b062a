"""The page's colours: earth and rain, light and dark, one place.

Gain and loss, sown and control, and the trend classes are the brown to blue-green diverging scheme
of Harrower and Brewer (2003, ColorBrewer.org: an online tool for selecting colour schemes for maps,
Cartographic Journal 40, 27-37, doi:10.1179/000870403235002042; scheme BrBG, 11 classes), which its
authors mark as safe for colour-blind readers. Rain is their scheme Blues (9 classes). The dark
theme takes the lighter classes. Paper, ink and the other verdicts are our own. No colour is ever
the only sign: verdicts also have a shape, a pattern and a word, lines also differ in dash and mark.

Text colours keep a contrast of at least 4.5 to 1 on every ground they stand on, marks and lines
3 to 1 (WCAG 2.2, success criteria 1.4.3 and 1.4.11); the tests compute it.
"""

from __future__ import annotations

from afterrains.delivery.products import WOODY_CHANGE

__all__ = ["CHANGE_COLOURS", "DARK", "LIGHT", "ON_PICTURE", "SLOPE_COLOURS", "css_variables"]

LIGHT: dict[str, str] = {
    "paper": "#faf6ee",
    "sheet": "#fffdf8",
    "tint": "#f1eadc",
    "ink": "#2a251f",
    "quiet": "#665b4e",
    "rule": "#d8cdb9",
    "edge": "#8b7c66",
    "link": "#01574f",
    "focus": "#8c510a",
    "gain": "#01665e",
    "loss": "#8c510a",
    "no-gain": "#6b4a2b",
    "grass-only": "#4f7300",
    "too-early": "#35617a",
    "not-assessable": "#6a6560",
    "sown": "#01665e",
    "control": "#8c510a",
    "rain": "#2171b5",
}

DARK: dict[str, str] = {
    "paper": "#1b1814",
    "sheet": "#221e19",
    "tint": "#2c2720",
    "ink": "#efe7d9",
    "quiet": "#b9ac99",
    "rule": "#463e33",
    "edge": "#8f8270",
    "link": "#80cdc1",
    "focus": "#dfc27d",
    "gain": "#80cdc1",
    "loss": "#dfc27d",
    "no-gain": "#c9a27a",
    "grass-only": "#a8c95a",
    "too-early": "#8fbcd6",
    "not-assessable": "#b3aca3",
    "sown": "#80cdc1",
    "control": "#dfc27d",
    "rain": "#6baed6",
}

ON_PICTURE: dict[str, str] = {
    "gain": "#80cdc1",
    "loss": "#bf812d",
    "no-gain": "#dfc27d",
    "grass-only": "#b8dc5a",
    "too-early": "#9ecae1",
    "not-assessable": "#f5f5f5",
}
"""Verdict colours over a picture of the ground: light classes, always inside a dark line."""

SLOPE_COLOURS: tuple[str, ...] = (
    "#8c510a",
    "#dfc27d",
    "#f6e8c3",
    "#f5f5f5",
    "#c7eae5",
    "#80cdc1",
    "#01665e",
)
"""Seven of the classes of BrBG: falling to rising."""


CHANGE_COLOURS: dict[str, str] = {
    each.name: "#{:02x}{:02x}{:02x}".format(*each.colour) for each in WOODY_CHANGE.bands[2].classes
}
"""Classes of woody change, as the raster has them."""


def css_variables() -> str:
    """The colours as CSS custom properties: light, dark by choice or by system, light in print."""

    def block(selector: str, colours: dict[str, str]) -> str:
        body = ";".join(f"--{name}:{value}" for name, value in colours.items())
        return f"{selector}{{{body}}}\n"

    on_picture = {f"on-{name}": value for name, value in ON_PICTURE.items()}
    changes = {f"change-{name}": value for name, value in CHANGE_COLOURS.items()}
    slopes = {f"slope-{at}": value for at, value in enumerate(SLOPE_COLOURS)}
    return (
        block(":root", LIGHT | on_picture | slopes | changes)
        + block(":root[data-theme=dark]", DARK)
        + "@media (prefers-color-scheme:dark){"
        + block(":root:not([data-theme=light])", DARK)
        + "}\n@media print{"
        + block(":root,:root[data-theme],:root:not([data-theme=light])", LIGHT)
        + "}\n"
    )
