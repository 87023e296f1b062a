"""Tables to files and back; read by csv of the standard library, pandas and pyarrow."""

from __future__ import annotations

import csv
import hashlib
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from afterrains.delivery import cells
from afterrains.delivery.cells import as_given, checked_text
from afterrains.delivery.columns import Column, Table
from afterrains.delivery.table_files import (
    read_csv,
    read_pieces,
    read_tables,
    write_csv,
    write_csv_and_parquet,
    write_parquet,
)
from afterrains.delivery.tables import (
    CONTROLS,
    SOWING_RAIN,
    VERDICT_HISTORY,
    VERDICTS,
    VISITS,
    WHAT_WORKS,
    all_tables,
    seasons_table,
    series_table,
)
from afterrains.errors import OutputError

Filled = Callable[..., pd.DataFrame]

# Names and order of the columns that others build on.
_CONTRACT = {
    "verdicts": "site_id, name, stratum, as_of, first_sown_on, seasons_since_sowing, area_ha, "
    "verdict, reason, outcome, gain, gain_low, gain_high, gain_unit, p_value, q_value, "
    "detectable_gain, answer_by, grass_gain, grass_gain_low, grass_gain_high, controls, "
    "match_balance, before_trend_p, clear_dates, rains_anomaly, cost, cost_per_gained_ha, "
    "gain_shrunken, rain_apart_mm, rain_moved, clock_from, clock_by, "
    "sowings, break_season, late_data, provisional, rule",
    "controls": "site_id, name, stratum, weight_total, used_by, balance, before_trend_p, "
    "woody_percent, own_gain, own_gain_low, own_gain_high, note, origin",
    "balance": "site_id, as_of, quantity, site, controls, standardised_difference, variance_ratio",
    "sowing_rain": "site_id, sown_on, first_effective_rain_on, days_waited, rain_30d_mm, "
    "longest_dry_spell_30d, rains_spi, start, missing_days, method, species, seed_lot",
    "what_works": "factor, level, sites, pooled_gain, low, high, heterogeneity_percent, "
    "cost_per_gained_ha, gain_unit, gained, grass_only, seasons_since_sowing",
    "costs": "factor, level, currency, sites, sowings, sowings_without_cost, sown_ha, cost, "
    "costed_ha, cost_per_sown_ha, undecided_ha, gained_sites, gained_ha, gained_ha_low, "
    "gained_ha_high, counted_sites, cost_per_gained_ha, cost_per_gained_ha_low, "
    "cost_per_gained_ha_high, sites_in_points, cost_per_point_ha, cost_per_point_ha_low, "
    "cost_per_point_ha_high, basis",
    "sow_again": "rank, site_id, name, stratum, as_of, verdict, choice, reason, until, sowings, "
    "good_starts, way_factor, way, expected_gain_if_good, expected_gain_low, "
    "expected_gain_high, gain_unit, sowing_month, chance_good_start_percent, "
    "chance_years, expected_gain, expected_cost, gain_per_cost, assumptions",
    "break_even": "factor, level, currency, years, seedling_cost, seedling_survival_percent, "
    "cost_per_planted_tree, seed_cost, break_even_share_percent, "
    "break_even_survival_percent, cost_per_sown_ha, break_even_trees_per_ha, basis",
    "changes": "site_id, name, from_season, to_season, verdict_before, verdict_now, "
    "verdict_changed, gain_before, gain_low_before, gain_high_before, gain_now, gain_low_now, "
    "gain_high_now, gain_change, gain_unit, causes, late_scenes_seasons, explanation",
    "answer_calendar": "site_id, name, stratum, first_sown_on, as_of, verdict, state, "
    "answered_since, answer_by, seasons_to_wait",
    "outlook": "scope, site_id, pool, sites, controls, seasons_before, seasons_since_sowing, "
    "season, expected_share, detectable_gain, meaningful_gain, seen, gain_unit",
    "outlook_rain": "site_id, month, years, good, broken, none, share_good, median_days_waited",
    "outlook_lots": "site_id, stratum, lot, sow_first, seed",
    "visits": "visit_id, site_id, lon, lat, why, stratum, inclusion_probability",
    "visit_design": "visit_id, draw, part, site_id, role, stratum, lon, lat, "
    "sampling_stratum, verdict, map_class, inclusion_probability, rank",
    "visit_ground": "draw, sampling_stratum, role, stratum, verdict, map_class, map_from, pixels, "
    "area_ha, visits, inclusion_probability, seed",
    "field_checks": "visit_id, draw, part, site_id, outcome, not_reached_why, surveyed_on, "
    "lon, lat, distance_m, at_place, woody_cover_percent, plot_radius_m, seen, signs, observer, "
    "remark",
    "field_seedlings": "visit_id, species, live, dead",
    "accuracy": "draw, class, checks, seen_more, seen_unchanged, seen_less, users_accuracy, "
    "users_low, users_high, producers_accuracy, producers_low, producers_high, "
    "missing_percent, note",
    "area": "draw, role, stratum, class, ground_ha, visits, checks, missing_percent, area_ha, "
    "area_low, area_high, map_area_ha, note",
    "survival": "site_id, species, plots, plots_with, live, dead, live_percent, live_per_ha",
    "training_plots": "plot_id, lon, lat, surveyed_on, woody_cover_percent, source, plot_radius_m, "
    "site_id, observer",
    "field_evidence": "site_id, role, verdict, as_of, visits, checks, seen_more, seen_unchanged, "
    "seen_less, woody_cover_percent, last_surveyed_on, field_says, agreement, note",
    "series": "site_id, date, sensor, scene_id, clear_fraction, pixels, ndvi, nbr",
    "looks": "site_id, date, sensor, scene_id, pixels, clear, leftover, masked, unreadable, "
    "not_covered, unread",
    "seasons": "site_id, role, season, kind, start, end, rain_mm, spi, clear_dates, "
    "clear_fraction, ndvi_median, ndvi_low, ndvi_high, nbr_median, nbr_low, nbr_high, "
    "woody_percent, woody_low, woody_high, control_ndvi_median, control_nbr_median, "
    "control_woody_percent, difference, judged_value, control_judged_value, complete, "
    "enough_dates, spi_class, rain_rank, rain_days, longest_dry_spell_days, green_fraction",
}


def test_columns_keep_their_names_and_order() -> None:
    """Written out here a second time, so that a slip in the definitions shows."""
    _CONTRACT["verdict_history"] = _CONTRACT["verdicts"]
    found = {table.name: ", ".join(table.column_names) for table in all_tables(["ndvi", "nbr"])}
    assert found == _CONTRACT


def test_rfc_4180_layout(tmp_path: Path, filled: Filled) -> None:
    """RFC 4180 section 2: CRLF after every record, the last one too; quotes doubled in quotes."""
    frame = filled(WHAT_WORKS, 1, factor="species", level='Acacia, "red"\nand white', low=np.nan)
    data = write_csv(WHAT_WORKS, frame, tmp_path).read_bytes()
    header = ",".join(WHAT_WORKS.column_names)
    assert data.decode() == (
        f'{header}\r\nspecies,"Acacia, ""red""\nand white",0,0.0000,,0.0000,0.00,0.00,'
        "points,0,0,0.0\r\n"
    )


@pytest.mark.parametrize("table", all_tables(["ndvi", "nbr"]), ids=lambda table: table.name)
def test_every_table_comes_back_as_it_went(tmp_path: Path, filled: Filled, table: Table) -> None:
    """Types and values; numbers as rounded by numpy, p-values as Python prints four digits."""
    frame = filled(table)
    back = read_csv(table, write_csv(table, frame, tmp_path))
    for column in table.columns:
        if column.type == "number":
            whole = frame[column.name].to_numpy()
            expected = (
                np.array([float(format(each, ".4g")) for each in whole])
                if column.unit == "probability"
                else np.round(whole, column.decimals)
            )
            np.testing.assert_array_equal(back[column.name], expected)
        else:
            assert back[column.name].tolist() == frame[column.name].tolist(), column.name
    assert [t.name for t in all_tables([]) if t.name in read_tables(tmp_path)] == [table.name]
    pd.testing.assert_frame_equal(read_tables(tmp_path)[table.name], back)


def test_a_tiny_p_value_is_not_written_as_nought(tmp_path: Path, filled: Filled) -> None:
    """No test gives a p-value of zero (Phipson & Smyth 2010, doi:10.2202/1544-6115.1585)."""
    frame = filled(VERDICTS, 1, p_value=2.34567e-9, q_value=0.0123456)
    line = write_csv(VERDICTS, frame, tmp_path).read_text().splitlines()[1]
    assert ",2.346e-09,0.01235," in line


def test_missing_stays_missing_and_is_never_zero(tmp_path: Path, filled: Filled) -> None:
    """NaN, NaT, None and "" are empty cells, and come back as what their type has for missing."""
    optional = [c.name for c in VERDICTS.columns if not c.required]
    frame = filled(VERDICTS, 1).astype(object)
    frame[optional] = None
    path = write_csv(VERDICTS, frame, tmp_path)
    with path.open(encoding="utf-8", newline="") as opened:
        (row,) = csv.DictReader(opened)
    assert {row[name] for name in optional} == {""}
    back = read_csv(VERDICTS, path)
    assert back["name"].tolist() == [""]
    assert (
        back[[c.name for c in VERDICTS.columns if not c.required and c.type != "string"]]
        .isna()
        .all(axis=None)
    )
    assert str(back["controls"].dtype) == "Int64"
    assert str(back["gain"].dtype) == "float64"
    assert back["first_sown_on"].dtype.kind == "M"


_HOSTILE = [
    '=HYPERLINK("https://example.org?"&A1,"click")',
    "+cmd|' /C calc'!A0",
    "-2+3+cmd",
    "@SUM(1+1)",
    "\t=1+1",
    "\r=1+1",
    "\n=1+1",
    "＝1+1",
    "'=1+1",
    "''-x",
]


@pytest.mark.parametrize("name", _HOSTILE)
def test_no_cell_starts_a_formula(tmp_path: Path, filled: Filled, name: str) -> None:
    """First characters as listed by OWASP, "CSV Injection" (=, +, -, @, tab, line ends).

    https://owasp.org/www-community/attacks/CSV_Injection
    """
    path = write_csv(VERDICTS, filled(VERDICTS, 1, name=name), tmp_path)
    with path.open(encoding="utf-8", newline="") as opened:
        (row,) = csv.DictReader(opened)
    assert row["name"] == f"'{name}"
    assert read_csv(VERDICTS, path)["name"].tolist() == [name]


@pytest.mark.parametrize(
    "name", ["-12", "+3.5", "7", "'t Zand", "O'=x", "a=b", "قطعة ‏أرض", "NA", "null", "1e5", " x "]
)
def test_harmless_words_are_left_alone(tmp_path: Path, filled: Filled, name: str) -> None:
    """Plain numbers, apostrophes, right-to-left marks and words that readers take for missing."""
    path = write_csv(VERDICTS, filled(VERDICTS, 1, name=name), tmp_path)
    with path.open(encoding="utf-8", newline="") as opened:
        (row,) = csv.DictReader(opened)
    assert row["name"] == name
    assert read_csv(VERDICTS, path)["name"].tolist() == [name]


def test_control_characters_and_half_surrogates_are_no_text(tmp_path: Path, filled: Filled) -> None:
    """RFC 4180 allows none of them; UTF-8 cannot hold the last one."""
    name = pd.Series(["a\x00b\x1bc\ud800"], dtype=object)
    path = write_csv(VERDICTS, filled(VERDICTS, 1, name=name), tmp_path)
    assert read_csv(VERDICTS, path)["name"].tolist() == ["a�b�c�"]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.text(st.characters(exclude_categories=["Cs", "Cc"], include_characters="\t\r\n")))
@example('"')
@example("\r\n")
@example(",")
@example("'")
@example("'=")
def test_any_text_comes_back(tmp_path: Path, filled: Filled, text: str) -> None:
    """Whatever a person can type, through the file and back."""
    frame = filled(CONTROLS, 1, name=text, note=text)
    back = read_csv(CONTROLS, write_csv(CONTROLS, frame, tmp_path))
    assert back["name"].tolist() == [text]
    assert back["note"].tolist() == [text]


@given(st.text())
def test_a_cell_is_harmless_whatever_the_text(text: str) -> None:
    """No free-text cell begins as a formula does, unless it is a plain number."""
    table = Table("t", "T", "a row", (Column("x", "string", "text"),))
    (cell,) = checked_text(table, pd.DataFrame({"x": [text]}))["x"]
    assert cell[:1] not in set("=+-@\t\r\n＝＋－＠") or re.fullmatch(r"[+-]\d+([.,]\d+)?", cell)
    assert not as_given(cell).startswith("'") or text.startswith("'")


def test_numbers_are_rounded_alike_everywhere(tmp_path: Path, filled: Filled) -> None:
    """Fixed decimals, no exponent, no minus zero; halves as numpy rounds them."""
    gains = [-0.00001, 1e-9, 123456.78905]
    path = write_csv(VERDICTS, filled(VERDICTS, 3, gain=gains), tmp_path)
    with path.open(encoding="utf-8", newline="") as opened:
        cells = [row["gain"] for row in csv.DictReader(opened)]
    assert cells == ["0.0000", "0.0000", f"{np.round(123456.78905, 4):.4f}"]


def test_rows_in_any_order_are_one_file(tmp_path: Path, filled: Filled) -> None:
    """Workers finish in any order; the bytes do not tell."""
    for table in all_tables(["ndvi"]):
        frame = filled(table)
        shuffled = frame.iloc[[2, 0, 1]][list(reversed(frame.columns))]
        for write in (write_csv, write_parquet):
            first = hashlib.sha256(write(table, frame, tmp_path / "a").read_bytes())
            second = hashlib.sha256(write(table, shuffled, tmp_path / "b").read_bytes())
            assert first.hexdigest() == second.hexdigest(), table.name


def test_seasons_run_in_the_order_of_time(tmp_path: Path, filled: Filled) -> None:
    """By text 2021-dry stands before 2021-rains; by time it follows."""
    table = seasons_table(["ndvi"])
    frame = filled(
        table,
        2,
        site_id="a",
        season=["2021-dry", "2021-rains"],
        start=pd.to_datetime(["2021-11-01", "2021-06-01"]),
    )
    back = read_csv(table, write_csv(table, frame, tmp_path))
    assert back["season"].tolist() == ["2021-rains", "2021-dry"]


@pytest.mark.parametrize(
    ("table", "columns", "told"),
    [
        (VERDICTS, {"verdict": "maybe"}, r"verdicts.verdict: holds \['maybe'\], and may be gain"),
        (VERDICTS, {"as_of": "dry 2021"}, "do not fit"),
        (VERDICTS, {"site_id": ""}, "verdicts.site_id: is missing in 1 rows"),
        (VERDICTS, {"p_value": 1.2}, "above 1"),
        (VERDICTS, {"area_ha": -1.0}, "below 0"),
        (VERDICTS, {"gain": np.inf}, "infinite"),
        (VERDICTS, {"gain": "much"}, "verdicts.gain: holds .* where numbers are meant"),
        (VERDICTS, {"gain": True}, "where numbers are meant"),
        (VERDICTS, {"controls": 2.5}, "a fraction where whole numbers are meant"),
        (VERDICTS, {"name": 7}, "holds integer where text is meant"),
        (VERDICTS, {"first_sown_on": "2021-06-01"}, "where days without a time zone are meant"),
        (VERDICTS, {"first_sown_on": pd.Timestamp("2021-06-01 10:00")}, "a time of day"),
        (VERDICTS, {"first_sown_on": pd.Timestamp("2021-06-01", tz="UTC")}, "without a time zone"),
        (VERDICTS, {"surprise": 1}, "not in the definition: surprise"),
        (SOWING_RAIN, {"start": "middling"}, "may be good, broken, none yet"),
    ],
)
def test_a_frame_that_does_not_fit_is_refused(
    tmp_path: Path, filled: Filled, table: Table, columns: dict[str, Any], told: str
) -> None:
    """Our own mistake: a ValueError, and no file."""
    with pytest.raises(ValueError, match=told):
        write_csv(table, filled(table, 1, **columns), tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_every_misfit_is_told_at_once(tmp_path: Path, filled: Filled) -> None:
    """One look at the message is enough to mend them all."""
    with pytest.raises(ValueError, match=r"verdicts\.verdict(.|\n)*verdicts\.p_value"):
        write_csv(VERDICTS, filled(VERDICTS, 1, verdict="maybe", p_value=-1.0), tmp_path)
    with pytest.raises(ValueError, match=r"missing: gain$"):
        write_csv(VERDICTS, filled(VERDICTS, 1).drop(columns="gain"), tmp_path)


def test_a_key_stands_once(tmp_path: Path, filled: Filled) -> None:
    """Two verdicts for one site and season would leave the reader to choose."""
    frame = filled(VERDICT_HISTORY, 2, site_id="north", as_of="2021-dry")
    with pytest.raises(ValueError, match=r"the same site_id, as_of: \['north', '2021-dry'\]"):
        write_csv(VERDICT_HISTORY, frame, tmp_path)


def test_bounds_hold_for_the_number_as_written(tmp_path: Path, filled: Filled) -> None:
    """A sum of exact pixel parts may be 1 + 2e-16; the cell says 1."""
    table = series_table(["ndvi"])
    path = write_csv(table, filled(table, 1, clear_fraction=1 + 1e-12), tmp_path)
    assert read_csv(table, path)["clear_fraction"].tolist() == [1.0]


def test_an_empty_table_keeps_its_columns_and_types(tmp_path: Path, filled: Filled) -> None:
    """No control, no visit: the header still says what would stand there."""
    frame = filled(VISITS).iloc[:0]
    back = read_csv(VISITS, write_csv(VISITS, frame, tmp_path))
    assert back.empty
    assert back.columns.tolist() == VISITS.column_names
    assert back["lon"].dtype == np.float64
    write_parquet(VISITS, frame, tmp_path)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (None, "cannot be read .* run the programme again"),
        ("", "is no CSV table"),
        ("{header},sites\r\n", "line 1: a column stands twice"),
        ("a,b\r\n1,2\r\n", "line 1: the columns are not those of this table"),
        ("{header}\r\nspecies,x,many,1,1,1,1,1,points,1,1,1\r\n", "column sites: "),
        ("{header}\r\nspecies,x,1,much,1,1,1,1,points,1,1,1\r\n", "column pooled_gain: "),
        ("{header}\r\nspecies,x,,1,1,1,1,1,points,1,1,1\r\n", "column sites: "),
        (
            "{header}\r\nspecies,x,1,1,1,1,1,1,points,1,1,1,1,1,1\r\n",
            "is no CSV table .*Expected 12 columns, got 15",
        ),
        ("{header}\r\nspecies,x,1\r\n", "is no CSV table .*Expected 12 columns, got 3"),
    ],
)
def test_a_table_changed_by_hand_is_told(tmp_path: Path, text: str | None, told: str) -> None:
    """The report command meets files that people have opened and saved."""
    path = tmp_path / "what_works.csv"
    if text is not None:
        path.write_text(text.format(header=",".join(WHAT_WORKS.column_names)), newline="")
    with pytest.raises(OutputError, match=told):
        read_csv(WHAT_WORKS, path)


def test_parquet_holds_the_same_table(tmp_path: Path, filled: Filled) -> None:
    """Read by pyarrow: types, the CSV's rounded numbers, unit and meaning, no apostrophes."""
    table = series_table(["ndvi"])
    frame = filled(table, ndvi=[0.12345678, np.nan, 0.2], scene_id=["=a", "b", "c"])
    rows = pq.read_table(write_parquet(table, frame, tmp_path))
    assert [str(field.type) for field in rows.schema] == [
        "string",
        "date32[day]",
        "string",
        "string",
        "double",
        "double",
        "double",
    ]
    assert rows["ndvi"].to_pylist() == [0.123457, None, 0.2]
    assert rows["scene_id"].to_pylist() == ["=a", "b", "c"]
    assert rows.schema.field("pixels").metadata[b"unit"] == b"pixels"
    csv_rows = read_csv(table, write_csv(table, frame, tmp_path))
    np.testing.assert_array_equal(rows["ndvi"].to_pandas(), csv_rows["ndvi"])


def test_index_names_must_be_names() -> None:
    """They become column names."""
    with pytest.raises(ValueError, match="distinct lower-case names"):
        series_table(["ndvi", "ndvi"])
    with pytest.raises(ValueError, match="distinct lower-case names"):
        seasons_table(["=1"])


def _long(rows: int) -> tuple[Table, pd.DataFrame]:
    """A long series in no order, with text, days and gaps; a file of over 1 MB at 30,000 rows."""
    rng = np.random.default_rng(5)
    table = series_table(["ndvi"])
    frame = pd.DataFrame(
        {
            "site_id": [f"s{n:05d}" for n in rng.permutation(rows)],
            "date": pd.Timestamp("2020-01-01") + pd.to_timedelta(rng.integers(0, 99, rows), "D"),
            "sensor": "sentinel-2",
            "scene_id": [f"=x{n % 7}" for n in range(rows)],
            "clear_fraction": rng.random(rows),
            "pixels": rng.random(rows) * 100,
            "ndvi": np.where(rng.random(rows) < 0.2, np.nan, rng.random(rows)),
        }
    )
    return table, frame[table.column_names]


def test_a_long_table_in_pieces_is_the_table_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The standard is the same table in one piece: the CSV's bytes, the rows of the Parquet."""
    table, frame = _long(1_000)
    whole, parts = tmp_path / "whole", tmp_path / "parts"
    write_csv_and_parquet(table, frame, whole)
    monkeypatch.setattr(cells, "_ROWS_AT_ONCE", 64)
    write_csv_and_parquet(table, frame, parts)
    assert (parts / table.file).read_bytes() == (whole / table.file).read_bytes()
    name = f"{table.name}.parquet"
    assert pq.read_table(parts / name).equals(pq.read_table(whole / name))
    assert pq.ParquetFile(parts / name).num_row_groups == 16


def test_frames_behind_each_other_are_the_table_at_once(tmp_path: Path) -> None:
    """Cut at any rows, one of the frames empty; the standard is the same table in one frame."""
    table, frame = _long(500)
    ordered = frame.sort_values(table.sort_by)
    frames = (ordered.iloc[a:b] for a, b in ((0, 7), (7, 7), (7, 300), (300, 500)))
    write_csv_and_parquet(table, frame, tmp_path / "whole")
    write_csv_and_parquet(table, frames, tmp_path / "parts")
    name = f"{table.name}.parquet"
    whole, parts = (pq.read_table(tmp_path / each / name) for each in ("whole", "parts"))
    assert parts.equals(whole)
    whole, parts = ((tmp_path / each / table.file).read_bytes() for each in ("whole", "parts"))
    assert parts == whole


def test_frames_out_of_order_are_refused(tmp_path: Path) -> None:
    """They would make a file whose order, and whose keys, nobody checked."""
    table, frame = _long(100)
    ordered = frame.sort_values(table.sort_by)
    for frames in ([ordered.iloc[50:], ordered.iloc[:50]], [ordered.iloc[:51], ordered.iloc[50:]]):
        with pytest.raises(ValueError, match="series: rows out of order"):
            write_csv(table, frames, tmp_path)
    assert not list(tmp_path.iterdir())


def test_a_long_table_is_read_in_pieces_as_at_once(tmp_path: Path) -> None:
    """The standard is pandas' own reader; the file is longer than one block of Arrow's reader."""
    table, frame = _long(30_000)
    path = write_csv(table, frame, tmp_path)
    pieces = list(read_pieces(table, path))
    assert len(pieces) > 1
    back = read_csv(table, path)
    pd.testing.assert_frame_equal(pd.concat(pieces, ignore_index=True), back)
    expected = pd.read_csv(path)
    assert back["site_id"].tolist() == expected["site_id"].tolist()
    assert back["scene_id"].map("'{}".format).tolist() == expected["scene_id"].tolist()
    np.testing.assert_array_equal(back["ndvi"], expected["ndvi"])
    np.testing.assert_array_equal(back["date"], pd.to_datetime(expected["date"]))


def test_a_fault_in_a_late_piece_leaves_the_old_files(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rows already written count for nothing: neither file is replaced, nothing stays beside."""
    table, frame = _long(1_000)
    monkeypatch.setattr(cells, "_ROWS_AT_ONCE", 64)
    write_csv_and_parquet(table, frame, tmp_path)
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    last = frame["site_id"] == "s00999"
    beyond = frame.assign(clear_fraction=frame["clear_fraction"].mask(last, 2.0))
    with pytest.raises(ValueError, match=r"series\.clear_fraction: holds 2\.0, above 1"):
        write_csv_and_parquet(table, beyond, tmp_path)
    # The last row of the first piece once more: it comes to stand first in the second.
    edge = frame.sort_values(table.sort_by).iloc[63:64]
    twice = pd.concat([frame, edge], ignore_index=True)
    with pytest.raises(ValueError, match="series: two rows with the same site_id"):
        write_csv_and_parquet(table, twice, tmp_path)
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before
