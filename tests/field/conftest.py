"""An invented, finished run with hostile names, and its programme file."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import pytest

from afterrains.jobs import visits as visitwork

sys.path.append(str(Path(__file__).parents[1] / "page"))  # for fake_output

_PROGRAMME = """\
programme: {id: dune-edge, name: "Dune Edge <b> ${name} programme", currency: XOF}
sites: sites.geojson
sowing: sowing.csv
scenes: {catalogue: catalog.json, collections: [sentinel-2-l2a], start: 2016-01-01, end: 2025-12-31}
seasons: {from: calendar, rains: [{name: rains, start: 06-01, end: 10-10}]}
output: out
"""
_SOWING = """\
site_id,sown_on,species
s001,2018-06-01,Vachellia tortilis;Balanites aegyptiaca
s002,2018-06-01,"=HYPERLINK(""http://example.invalid"");${reached};<script>"
"""


@pytest.fixture(scope="session")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An invented output folder, not to be changed: 12 sown sites, 6 controls, two grounds."""
    from fake_output import write_output

    return write_output(tmp_path_factory.mktemp("field") / "out", sown=12, controls=6)


@pytest.fixture
def programme(tmp_path: Path, finished: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The programme file of a finished run; the page, which takes longest, is not rebuilt."""
    monkeypatch.setattr(visitwork, "build", lambda folder: folder)
    shutil.copytree(finished, tmp_path / "out" / "dune-edge")
    (tmp_path / "sowing.csv").write_text(_SOWING, encoding="utf-8")
    for name in ("sites.geojson", "catalog.json"):
        (tmp_path / name).write_text("{}", encoding="utf-8")
    path = tmp_path / "programme.yaml"
    path.write_text(_PROGRAMME, encoding="utf-8")
    return path


@pytest.fixture
def output(programme: Path) -> Path:
    """The output folder of that run."""
    return programme.parent / "out" / "dune-edge"
