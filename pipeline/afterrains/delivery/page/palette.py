"""The page's colours: earth and rain, light and dark, one place.

Verdict and series colours are the brown to blue-green diverging scheme of Harrower and Brewer
(2003, ColorBrewer.org: an online tool for selecting colour schemes for maps, Cartographic Journal
40, 27-37, doi:10.1179/000870403235002042; scheme BrBG, class 11), which its authors mark as safe
for colour-blind readers. Rain is a blue of their scheme Blues. In the dark theme the same hues are
taken from the lighter classes. No colour is ever the only sign: verdicts also have a shape, a
pattern and a word, lines also differ in dash and mark.

Text colours keep a contrast of at least 4.5 to 1 on every ground they stand on, marks and lines
3 to 1 (WCAG 2.2, success criteria 1.4.3 and 1.4.11); the tests compute it.
"""

from __future__ import annotations

__all__ = ["DARK", "LIGHT", "ON_PICTURE", "SLOPE_COLOURS", "css_variables"]

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
    "rain": "#3182bd",
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
    "gain": "#5cbcae",
    "loss": "#dfa04e",
    "no-gain": "#c9a27a",
    "grass-only": "#a8c95a",
    "too-early": "#8fbcd6",
    "not-assessable": "#b3aca3",
    "sown": "#80cdc1",
    "control": "#dfa04e",
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
    "#d8b365",
    "#f6e8c3",
    "#f5f5f5",
    "#c7eae5",
    "#5ab4ac",
    "#01665e",
)
"""BrBG, class 7: falling to rising."""


def css_variables() -> str:
    """The colours as CSS custom properties: light, dark by choice or by system, light in print."""

    def block(selector: str, colours: dict[str, str]) -> str:
        body = ";".join(f"--{name}:{value}" for name, value in colours.items())
        return f"{selector}{{{body}}}\n"

    on_picture = {f"on-{name}": value for name, value in ON_PICTURE.items()}
    slopes = {f"slope-{at}": value for at, value in enumerate(SLOPE_COLOURS)}
    return (
        block(":root", LIGHT | on_picture | slopes)
        + block(":root[data-theme=dark]", DARK)
        + "@media (prefers-color-scheme:dark){"
        + block(":root:not([data-theme=light])", DARK)
        + "}\n@media print{"
        + block(":root,:root[data-theme],:root:not([data-theme=light])", LIGHT)
        + "}\n"
    )
