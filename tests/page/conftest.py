"""The invented output folder, its page, and a browser that may not reach anything."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from fake_output import write_output

from afterrains.delivery.page import build

_CHROMIUM = ("chromium", "chromium-browser", "google-chrome")
_VOID = {"meta", "link", "input", "br", "img", "hr"}


@pytest.fixture(scope="session")
def output(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An output folder with hostile names, two blocks and every verdict; do not change it."""
    return write_output(tmp_path_factory.mktemp("page") / "out")


@pytest.fixture(scope="session")
def page(output: Path) -> Path:
    """The page of that folder."""
    return build(output)


@pytest.fixture(scope="session")
def small_output(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three blocks, a site of each verdict, every table; for what takes long on a large one."""
    folder = tmp_path_factory.mktemp("small") / "out"
    return write_output(folder, sown=6, controls=6, blocks=3, choices=True)


@pytest.fixture(scope="session")
def small_page(small_output: Path) -> Path:
    """The page of that folder."""
    return build(small_output)


@pytest.fixture(scope="session")
def small_french_page(small_output: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same in French."""
    copy = tmp_path_factory.mktemp("petit") / "out"
    shutil.copytree(small_output, copy)
    return build(copy, "fr")


@dataclass
class Parsed(HTMLParser):
    """What a browser would make of the page, by the standard library's parser."""

    tags: list[tuple[str, dict[str, str]]] = field(default_factory=list)
    text: list[str] = field(default_factory=list)
    inside: dict[str, list[str]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self._open: list[str] = []
        self._data = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note the tag; what follows is inside it, and no text where it is data for the script."""
        self.tags.append((tag, {name: value or "" for name, value in attrs}))
        self._data = (tag, ("type", "application/json") in attrs) == ("script", True)
        if tag not in _VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note a tag that closes itself."""
        self.tags.append((tag, {name: value or "" for name, value in attrs}))

    def handle_endtag(self, tag: str) -> None:
        """Leave the tag."""
        self._data = False
        while self._open and self._open.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        """Note the text and what it stands in."""
        where = "data" if self._data else self._open[-1] if self._open else ""
        self.inside.setdefault(where, []).append(data)
        if where not in ("script", "style", "data"):
            self.text.append(data)


@pytest.fixture(scope="session")
def parse() -> Callable[[Path], Parsed]:
    def _parse(page: Path) -> Parsed:
        parsed = Parsed()
        parsed.feed(page.read_text(encoding="utf-8"))
        return parsed

    return _parse


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """Headless Chromium; skipped where there is none, except in continuous integration."""
    path = next((found for name in _CHROMIUM if (found := shutil.which(name))), None)
    if path is None:
        message = f"no Chromium ({', '.join(_CHROMIUM)}) is installed"
        if os.environ.get("CI", "").lower() == "true":
            pytest.fail(message)
        pytest.skip(message)
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=path,
            args=[
                "--no-sandbox",
                "--disable-gpu",
                "--disable-background-networking",
                "--disable-component-update",
                "--no-first-run",
            ],
        )
        yield browser
        browser.close()


@dataclass
class Tab:
    """A tab that keeps what it was asked for and what it complained of."""

    page: Any
    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)


@pytest.fixture
def open_tab(chromium: Any) -> Iterator[Callable[..., Tab]]:
    """Open a file offline: `open_tab(path, width=…, scripts=…, scheme=…)`."""
    contexts = []

    def _open(path: Path, *, width: int = 1280, scripts: bool = True, scheme: str = "light") -> Tab:
        context = chromium.new_context(
            offline=True,
            viewport={"width": width, "height": 800},
            java_script_enabled=scripts,
            color_scheme=scheme,
            reduced_motion="reduce",
        )
        contexts.append(context)
        tab = Tab(context.new_page())
        tab.page.on("request", lambda request: tab.requests.append(request.url))
        tab.page.on("console", lambda message: tab.complaints.append(message.text))
        tab.page.on("pageerror", lambda error: tab.complaints.append(str(error)))
        tab.page.goto(path.as_uri())
        return tab

    yield _open
    for context in contexts:
        context.close()
