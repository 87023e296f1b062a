"""The register as a whole: sites and sowing read, compared, and every problem told at once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path

import geopandas as gpd
import pandas as pd
from pyproj import CRS

from afterrains.errors import Finding, InputError
from afterrains.programme import Programme
from afterrains.register.findings import FindingList, counted, first_few, has_errors
from afterrains.register.layout import lay_out
from afterrains.register.overlaps import tell_overlaps
from afterrains.register.plots import check_plots
from afterrains.register.sites import SiteTable, read_sites
from afterrains.register.sowing import read_sowing

__all__ = ["Register", "check_inputs", "read_register"]

_FEWEST_SEASONS_BEFORE = 2
_DAYS_A_YEAR = 365.25
_FEW_CONTROLS = 5
_REACH = {2: 20.0, 3: 6.5, 4: 4.8}
"""Smallest gain of one site that is seen in four cases of five, by number of controls, in standard
deviations between controls: the power of t = (x - mean) / (s sqrt(1 + 1/J)) with J - 1 degrees of
freedom, two-sided at 0.05 (noncentral t)."""


@dataclass(frozen=True)
class Register:
    """Sites and sowings, checked.

    Attributes
    ----------
    sites : GeoDataFrame
        Sorted by site_id, in the analysis CRS: site_id, role ("sown" or "control"), name and
        stratum ("" when missing), area_ha (geodesic, of the whole polygon), core (the polygon
        after the inner margin, may be empty), geometry (valid polygons).
    sowing : DataFrame
        Sorted by site_id and sown_on (datetime64): site_id, sown_on, method, species, seed_lot
        ("" when missing), seed_kg_per_ha and cost (NaN when missing).
    crs : CRS
        The analysis CRS, projected, in metres.
    drawn : mapping
        Of controls that no file lists but that were drawn: their id, and the nearest sown site's.
    """

    sites: gpd.GeoDataFrame
    sowing: pd.DataFrame
    crs: CRS
    drawn: Mapping[str, str] = field(default_factory=dict)


def read_register(programme: Programme) -> Register:
    """Read the sites and the sowing table.

    Raises
    ------
    InputError
        With every error and warning, where there is at least one error.
    """
    register, findings = _gather(programme, _today())
    if register is None or has_errors(findings):
        raise InputError(findings)
    return register


def check_inputs(programme: Programme, path: Path, *, today: date | None = None) -> list[Finding]:
    """Find every problem of the sites and the sowing table, alone and with the settings.

    Parameters
    ----------
    programme : Programme
        Checked settings.
    path : Path
        The programme file they came from; named in findings about it.
    today : date, optional
        The day on which dates are judged to lie ahead; the current UTC day if not given.

    Returns
    -------
    list of Finding
        Empty when all is well. Plots that a woody model is to be trained on are checked too; the
        rain source and the scenes are not.
    """
    register, findings = _gather(programme, today or _today())
    found = FindingList(path.name)
    found.extend(findings)
    if register is not None:
        _tell_time_before(programme, register, found)
        _tell_costs(programme, register, found)
    _tell_growth(programme, found)
    if programme.woody and programme.woody.train:
        found.extend(check_plots(programme.woody.train, today=today))
    return found.all()


def _today() -> date:
    return datetime.now(UTC).date()


def _gather(programme: Programme, today: date) -> tuple[Register | None, list[Finding]]:
    """The register as far as it can be read, and all findings about its two files."""
    in_sites, in_sowing = FindingList(programme.sites.name), FindingList(programme.sowing.name)
    sites = read_sites(programme.sites, in_sites)
    laid = None
    if sites is not None and len(sites.frame):
        laid = lay_out(sites.frame, programme.grid, in_sites)
        if laid is not None:
            tell_overlaps(laid, in_sites)
    if sites is not None:
        _tell_roles(sites, programme, in_sites)
    sowing = read_sowing(
        programme.sowing, sites, in_sowing, scenes_end=programme.scenes.end, today=today
    )
    findings = in_sites.all() + in_sowing.all()
    if laid is None or sowing is None:
        return None, findings
    return Register(laid.drop(columns="feature"), sowing, CRS(laid.crs)), findings


def _tell_roles(sites: SiteTable, programme: Programme, found: FindingList) -> None:
    """Without sown sites there is nothing to judge, and with few controls little can be seen."""
    # A role that is wrong was meant to be one of the two.
    controls = sites.roles.count("control") + sites.roles.count("")
    if "sown" not in sites.roles and "" not in sites.roles:
        mend = "give the sown ground the role sown"
        found.error("", "has no sown site", mend, "sites-none-sown")
    if programme.controls.choose == "sampled":
        return
    mend = "add comparable unsown ground with the role control, or set controls.choose: sampled"
    if controls == 0:
        what = "has no control site, so no sown site can be judged"
        found.warning("", what, mend, "sites-no-control")
    elif controls < _FEW_CONTROLS:
        reach = "nothing can be told from chance"
        if controls in _REACH:
            reach = (
                f"a single site's gain is then seen only when it is about {_REACH[controls]:g} "
                "times as large as controls differ by chance; with 10 controls, 3.3 times"
            )
        what = f"has only {counted(controls, 'control')}, and {reach}"
        found.warning("", what, mend, "sites-few-controls")


def _tell_time_before(programme: Programme, register: Register, found: FindingList) -> None:
    """Scenes must begin early enough before the first sowing for a comparison with before."""
    first_sown = register.sowing.groupby("site_id")["sown_on"].min()
    years = (first_sown - pd.Timestamp(programme.scenes.start)).dt.days / _DAYS_A_YEAR
    late = years[
        (years < _FEWEST_SEASONS_BEFORE) & (first_sown <= pd.Timestamp(programme.scenes.end))
    ]
    if late.empty:
        return
    earliest = first_sown[late.index].min().date()
    what = (
        f"{programme.scenes.start} leaves fewer than {_FEWEST_SEASONS_BEFORE} years, and so hardly "
        f"{_FEWEST_SEASONS_BEFORE} dry seasons, before the first sowing of "
        f"{counted(len(late), 'site')} ({first_few(late.index)}; the earliest on {earliest}), "
        "which cannot be compared with before and may stay not-assessable"
    )
    mend = "start earlier; Landsat (landsat-c2-l2) reaches back to 1982"
    found.warning("scenes.start", what, mend, "scenes-start-late")


def _tell_costs(programme: Programme, register: Register, found: FindingList) -> None:
    if programme.programme.currency == "XXX" and register.sowing["cost"].notna().any():
        what = f"is not set, and {programme.sowing.name} has costs"
        mend = "set the ISO 4217 code of the costs, such as XOF"
        found.warning("programme.currency", what, mend, "cost-without-currency")


def _tell_growth(programme: Programme, found: FindingList) -> None:
    """A gain that is only full after the last judged season is looked for before it is there."""
    growth, judged = programme.evidence.growth, programme.evidence.judged_seasons
    if growth.full_after_seasons > judged:
        what = f"{growth.full_after_seasons:g} lies beyond the {judged} judged seasons"
        mend = "judge more seasons, or expect full growth sooner"
        found.warning("evidence.growth.full_after_seasons", what, mend, "growth-beyond-judged")
