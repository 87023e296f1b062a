"""The main job on the small sample programme: whole, repeatable, resumable, honest about losses."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pystac
import pytest
from frictionless import Package
from rio_cogeo.cogeo import cog_validate

from afterrains.errors import OutputError
from afterrains.jobs.run import RunSummary, run_programme
from afterrains.stages.deliver import earlier_state
from afterrains.stages.ledger import Ledger

Digests = Callable[[Path], dict[str, str]]

_CONTRACT_FILES = {
    "verdicts.csv",
    "verdict_history.csv",
    "seasons.csv",
    "series.csv",
    "series.parquet",
    "looks.csv",
    "controls.csv",
    "balance.csv",
    "what_works.csv",
    "sowing_rain.csv",
    "costs.csv",
    "sow_again.csv",
    "answer_calendar.csv",
    "changes.csv",
    "sites.geojson",
    "sites.parquet",
    "report/index.html",
    "catalog.json",
    "datapackage.json",
    "manifest.json",
}


def _afterrains(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "afterrains.cli", *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )


def _ended_a_year_earlier(programme: Path) -> str:
    """Let the scenes of a programme file end a year earlier; returns what it said before."""
    text = programme.read_text(encoding="utf-8")
    [end] = [line for line in text.splitlines() if line.strip().startswith("end:")]
    year = int(end.split(":")[1].strip()[:4])
    programme.write_text(text.replace(end, f"  end: {year - 1}-12-31"), encoding="utf-8")
    return text


def test_every_promised_file_is_there(undisturbed: RunSummary) -> None:
    """The outputs of the contract's section 4 that this version writes."""
    assert undisturbed.exit_status == 0
    written = {
        str(path.relative_to(undisturbed.output)) for path in undisturbed.output.rglob("*.*")
    }
    assert written >= _CONTRACT_FILES
    for product in ("greenness_trend", "dry_greenness", "picture"):
        assert any(f"/{product}_" in name and name.endswith(".tif") for name in written)


def test_tables_pass_frictionless(undisturbed: RunSummary) -> None:
    """The Frictionless library checks types, limits and keys of every table."""
    report = Package(str(undisturbed.output / "datapackage.json")).validate()
    assert report.valid, report.flatten(["title", "rowNumber", "fieldName", "message"])[:10]


def test_rasters_pass_cog_validation(undisturbed: RunSummary) -> None:
    """rio-cogeo's strict check of every GeoTIFF."""
    rasters = sorted(undisturbed.output.glob("rasters/*/*.tif"))
    assert rasters
    for path in rasters:
        valid, errors, warnings = cog_validate(path, strict=True, quiet=True)
        assert valid, (path.name, errors, warnings)


def test_catalogue_links_every_raster(undisturbed: RunSummary) -> None:
    """Pystac walks the catalogue; each asset exists and each raster is an asset."""
    catalog = pystac.Catalog.from_file(str(undisturbed.output / "catalog.json"))
    assets = {
        Path(asset.get_absolute_href() or "").resolve()
        for item in catalog.get_items(recursive=True)
        for asset in item.assets.values()
    }
    assert assets == {path.resolve() for path in undisturbed.output.glob("rasters/*/*.tif")}


def test_manifest_accounts_for_every_scene(undisturbed: RunSummary, small_sample: Path) -> None:
    """Each item of the catalogue is used or refused, once, and no path of the machine is told."""
    text = (undisturbed.output / "manifest.json").read_text(encoding="utf-8")
    manifest = json.loads(text)
    told = [scene["scene_id"] for scene in manifest["scenes_used"] + manifest["scenes_refused"]]
    catalog = pystac.Catalog.from_file(str(small_sample / "scenes" / "catalog.json"))
    assert sorted(told) == sorted(item.id for item in catalog.get_items(recursive=True))
    assert str(small_sample) not in text


def test_second_run_does_nothing_again(undisturbed: RunSummary, small_sample: Path) -> None:
    """Not a file is written, and the same verdicts are told."""
    before = {path: path.stat().st_mtime_ns for path in undisturbed.output.rglob("*.*")}
    again = run_programme(small_sample / "programme.yaml", workers=1)
    assert again.tasks_done == 0
    pd.testing.assert_frame_equal(again.verdicts, undisturbed.verdicts)
    lock = undisturbed.output / ".running.lock"
    after = {path: path.stat().st_mtime_ns for path in undisturbed.output.rglob("*.*")}
    assert {**before, lock: 0} == {**after, lock: 0}


def test_a_killed_run_resumes_to_the_same_bytes(
    programme_copy: Path, undisturbed: RunSummary, digests: Digests
) -> None:
    """SIGKILL of the whole process group in mid-run; the next run keeps what was done."""
    run = subprocess.Popen(
        [sys.executable, "-m", "afterrains.cli", "run", str(programme_copy), "--workers", "1"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    output = programme_copy.parent / "out" / undisturbed.output.name
    store = output / ".store"
    deadline = time.monotonic() + 300  # a machine may be busy
    while len(list(store.glob("*/[0-9a-f]*"))) < 5 and time.monotonic() < deadline:
        time.sleep(0.05)
    os.killpg(run.pid, signal.SIGKILL)
    run.wait()
    done = len(list(store.glob("*/[0-9a-f]*")))
    assert done >= 5
    assert not (output / "manifest.json").exists(), "the run ended before it was killed"
    resumed = run_programme(programme_copy, workers=1)
    assert resumed.tasks_kept >= done
    assert resumed.tasks_done == undisturbed.tasks_done - resumed.tasks_kept
    assert digests(output) == digests(undisturbed.output)


def test_an_unreadable_file_is_reported_and_never_zero(
    programme_copy: Path, undisturbed: RunSummary
) -> None:
    """A scene's swir22 file is cut short: exit status 1, the manifest names it, nbr and nbr2 are
    missing there, every other figure stands; and once the file is back the run mends itself.
    """
    series = pd.read_parquet(undisturbed.output / "series.parquet")
    scene = series.loc[series["clear_fraction"] == 1, "scene_id"].iloc[0]
    [path] = programme_copy.parent.glob(f"scenes/**/{scene}/swir22.tif")
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    hurt = run_programme(programme_copy, workers=1)
    assert hurt.exit_status == 1
    assert {(read[0], read[1]) for read in hurt.unreadable} == {(scene, "swir22")}
    manifest = json.loads((hurt.output / "manifest.json").read_text(encoding="utf-8"))
    assert {read["scene_id"] for read in manifest["unreadable_reads"]} == {scene}
    lost = pd.read_parquet(hurt.output / "series.parquet")
    touched = ["nbr", "nbr2"]  # the indices that need the band
    assert lost.loc[lost["scene_id"] == scene, touched].isna().all(axis=None)
    pd.testing.assert_frame_equal(lost.drop(columns=touched), series.drop(columns=touched))
    others = lost["scene_id"] != scene
    pd.testing.assert_frame_equal(lost.loc[others, touched], series.loc[others, touched])
    path.write_bytes(whole)
    mended = run_programme(programme_copy, workers=1)
    assert mended.exit_status == 0
    assert 0 < mended.tasks_done < mended.tasks_kept


def test_a_new_season_costs_a_season_and_rewrites_nothing(programme_copy: Path) -> None:
    """With the end moved by a year, only cell-seasons of the last season and after are read.

    What verdict_history.csv said stands to the letter; another rule puts it aside, whole.
    """
    text = _ended_a_year_earlier(programme_copy)
    first = run_programme(programme_copy, workers=1)
    then = (first.output / "verdict_history.csv").read_text(encoding="utf-8").splitlines()
    programme_copy.write_text(text, encoding="utf-8")
    second = run_programme(programme_copy, workers=1)
    seasons = pd.read_csv(second.output / "seasons.csv")["season"].nunique()
    assert second.tasks_kept >= first.tasks_done * 0.8
    assert second.tasks_done <= 4 * (first.tasks_done + second.tasks_done) / seasons
    now = (second.output / "verdict_history.csv").read_text(encoding="utf-8").splitlines()
    whole = [line for line in then if "no whole dry season" not in line]
    assert len(whole) > 20
    assert len(now) > len(whole)
    assert set(whole) <= set(now)
    assert "error_rate: 0.05" in text
    stricter = text.replace("error_rate: 0.05", "error_rate: 0.04")
    programme_copy.write_text(stricter, encoding="utf-8")
    third = run_programme(programme_copy, workers=1)
    [aside] = (third.output / "former_histories").iterdir()
    assert aside.read_text(encoding="utf-8").splitlines() == now
    rules = pd.read_csv(third.output / "verdict_history.csv", dtype=str)["rule"].unique()
    assert len(rules) == 1
    assert rules[0] not in aside.name


def test_history_is_not_rewritten_by_a_new_season(
    programme_copy: Path, undisturbed: RunSummary
) -> None:
    """What was known at a season stays as it was judged then, when later seasons come."""
    _ended_a_year_earlier(programme_copy)
    earlier = run_programme(programme_copy, workers=1)
    key = ["site_id", "as_of"]
    then = pd.read_csv(earlier.output / "verdict_history.csv").set_index(key)
    now = pd.read_csv(undisturbed.output / "verdict_history.csv").set_index(key)
    shared = then.index.intersection(now.index)
    assert len(shared) > 20
    columns = ["verdict", "gain", "gain_low", "gain_high", "p_value"]
    pd.testing.assert_frame_equal(then.loc[shared, columns], now.loc[shared, columns])


def test_results_stay_whole_where_a_run_ends_before_it_delivers(
    programme_copy: Path, digests: Digests, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The new season's series are written before the judging, but not over what was delivered."""
    text = _ended_a_year_earlier(programme_copy)
    output = run_programme(programme_copy, workers=1).output
    before = digests(output)
    programme_copy.write_text(text, encoding="utf-8")

    def stopped(*_: object, **__: object) -> None:
        raise OutputError("the disk is full")

    with monkeypatch.context() as patched:
        patched.setattr("afterrains.jobs.run.judge_sites", stopped)
        with pytest.raises(OutputError, match="full"):
            run_programme(programme_copy, workers=1)
    assert before.items() <= digests(output).items()  # maps of the new season are there already
    assert earlier_state(output) is not None
    with monkeypatch.context() as patched:
        patched.setattr("afterrains.jobs.run.remember", stopped)
        with pytest.raises(OutputError, match="full"):
            run_programme(programme_copy, workers=1)
    assert earlier_state(output) is None, "the new results are not those of the earlier run"
    assert digests(output)["series.csv"] != before["series.csv"]


def test_a_large_programme_s_ways_change_no_result(
    programme_copy: Path,
    undisturbed: RunSummary,
    digests: Digests,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Rows by few sites at a time, sites judged one by one, the page in a process of its own.

    The standard is the run that does all at once. The Parquet file has its rows in other groups.
    """
    monkeypatch.setattr("afterrains.stages.site_rows._FEWEST_ROWS", 30)
    monkeypatch.setattr("afterrains.stages.site_rows._MOST_ROWS", 30)
    monkeypatch.setattr("afterrains.evidence.gap_series._SITES_AT_ONCE", 1)
    monkeypatch.setattr("afterrains.evidence.matching._SITES_AT_ONCE", 1)
    monkeypatch.setattr("afterrains.stages.deliver._MANY_SITES", 1)
    output = run_programme(programme_copy, workers=1).output
    found, expected = digests(output), digests(undisturbed.output)
    differ = {name for name in expected if found.get(name) != expected[name]}
    assert differ <= {"series.parquet", "manifest.json"}
    assert found.keys() == expected.keys()
    series = [pd.read_parquet(each / "series.parquet") for each in (output, undisturbed.output)]
    pd.testing.assert_frame_equal(*series)


def test_two_runs_at_once_are_refused(programme_copy: Path) -> None:
    """The second is told at once, in a sentence, with exit status 2."""
    from afterrains.programme import load_programme
    from afterrains.stages.ledger import only_run

    with only_run(load_programme(programme_copy).output_folder):
        second = _afterrains("run", programme_copy)
    assert second.returncode == 2
    assert "another run is working here" in " ".join(second.stderr.split())
    assert "Traceback" not in second.stderr


def test_json_is_the_only_thing_on_standard_output(
    undisturbed: RunSummary, small_sample: Path
) -> None:
    """`--json` of every command parses; progress goes to standard error."""
    ran = _afterrains("run", small_sample / "programme.yaml", "--json")
    assert ran.returncode == 0, ran.stderr
    told = json.loads(ran.stdout)
    assert {row["site_id"] for row in told["verdicts"]} == set(undisturbed.verdicts["site_id"])
    checked = _afterrains("check", small_sample / "programme.yaml", "--json")
    assert checked.returncode == 0
    assert json.loads(checked.stdout)["errors"] == 0


@pytest.mark.parametrize("command", ["run", "check"])
def test_wrong_inputs_end_with_status_2_and_no_traceback(
    programme_copy: Path, command: str
) -> None:
    """Every problem at once, each with its place and mend."""
    text = programme_copy.read_text(encoding="utf-8")
    programme_copy.write_text(text + "colour: blue\n", encoding="utf-8")
    sowing = programme_copy.parent / "sowing.csv"
    sowing.write_text(sowing.read_text(encoding="utf-8") + "nowhere,2020-31-12\n", encoding="utf-8")
    ended = _afterrains(command, programme_copy)
    assert ended.returncode == 2
    assert "colour" in ended.stderr
    assert "Traceback" not in ended.stderr


def test_ledger_keeps_only_whole_work(tmp_path: Path) -> None:
    """Work that fails half-way leaves nothing behind."""
    ledger = Ledger(tmp_path)
    with pytest.raises(RuntimeError, match="half"), ledger.record("ab12") as folder:
        (folder / "part").write_text("x", encoding="utf-8")
        raise RuntimeError("half")
    assert not ledger.has("ab12")
    assert list(tmp_path.rglob("part")) == []
