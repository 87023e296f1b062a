"""Tables of plots: what good rows give; the faults are in tests/bad_inputs."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from afterrains.errors import InputError
from afterrains.register import check_plots, read_plots

_TODAY = date(2026, 3, 1)
_HEADER = "plot_id,lon,lat,surveyed_on,woody_cover_percent,source"


def _write(folder: Path, text: str) -> Path:
    path = folder / "plots.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_good_rows_are_read_in_their_order(tmp_path: Path) -> None:
    path = _write(
        tmp_path,
        f"{_HEADER},observer,plot_radius_m,site_id\n"
        "b,-1.99,14.0,2024-03-05,0,field,team a,15,north\n"
        "a,-1.98,14.0,2024-03-06,100,picture,,,\n",
    )
    plots = read_plots(path, today=_TODAY)
    assert check_plots(path, today=_TODAY) == []
    assert plots.plot_id.tolist() == ["b", "a"]
    assert plots.woody_cover_percent.tolist() == [0.0, 100.0]
    assert plots.surveyed_on.dtype == np.dtype("datetime64[ns]")
    assert plots.plot_radius_m.tolist()[0] == 15.0
    assert np.isnan(plots.plot_radius_m[1])
    assert plots.site_id.tolist() == ["north", ""]


def test_a_plot_may_be_surveyed_again_where_it_lies(tmp_path: Path) -> None:
    path = _write(
        tmp_path,
        f"{_HEADER}\na,-1.99,14.0,2024-03-05,5,field\na,-1.99002,14.00002,2025-03-05,7,field\n",
    )
    assert check_plots(path, today=_TODAY) == []


def test_every_fault_is_raised_at_once(tmp_path: Path) -> None:
    path = _write(tmp_path, f"{_HEADER}\n,x,95,2024-02-30,-1,\n")
    with pytest.raises(InputError) as raised:
        read_plots(path, today=_TODAY)
    assert len(raised.value.findings) == 6


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(body=st.text(st.sampled_from('pq,;"\n.-01259é \t'), max_size=80))
def test_no_rows_raise_anything_but_input_error(tmp_path: Path, body: str) -> None:
    path = _write(tmp_path, f"{_HEADER}\n{body}")
    try:
        plots = read_plots(path, today=_TODAY)
    except InputError as error:
        assert error.findings
    else:
        assert plots.woody_cover_percent.between(0, 100).all()
