"""Results read back as they were written, their design, and folders of the commands that work on them."""

import json
import os
import shutil
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd
import pytest
from typer.testing import CliRunner

from standcam import tables
from standcam.cli.app import app
from standcam.errors import BadResults, PlotMapMismatch, ResultsExist, UnwritableResults
from standcam.report.csv_tables import csv_text
from standcam.report.folder import read_results, with_design, write_folder
from standcam.report.results import write_results
from standcam.report.run_file import run_record
from standcam.settings import Settings
from standcam.tables import BadTable

TAPE = """plot,row,position_cm,row_length_cm,treatment,block,speed_kmh,leaf_stage
north,1,5,60,-N,01,8,2
north,1,21.5,60,-N,01,8,3
north,1,38,60,-N,01,8,2
south,1,6,60,+N,02,,2
south,1,44,60,+N,02,,2
"""


@pytest.fixture
def desk(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return tmp_path


def taped(text=TAPE, out="r", *options):
    Path("t.csv").write_text(text)
    done = CliRunner().invoke(app, ["tape", "t.csv", "--out", out, *options])
    assert done.exit_code == 0, done.output
    return Path(out)


def change_run(folder, change):
    run = json.loads((folder / "run.json").read_text())
    change(run)
    (folder / "run.json").write_text(json.dumps(run))


# ---- reading back


def test_a_tape_run_comes_back(desk):
    read = read_results(taped(TAPE, "r", "--nominal-cm", "16.5", "--row-width-cm", "75", "--units", "us"))
    assert read.rows["plot"].tolist() == ["north", "south"] and read.rows["plants"].tolist() == [3, 2]
    assert read.plants["position_cm"].tolist() == [5, 21.5, 38, 6, 44]
    assert read.gaps["kind"].tolist() == ["open", "single", "single", "open", "open", "skip_1", "open"]
    assert len(read.plots) == 2
    assert read.settings.spacing.nominal_spacing_cm == 16.5 and read.settings.output.units == "us"
    assert read.run["command"] == "tape" and read.folder == Path("r")


def test_a_count_run_comes_back(desk):
    demo = Path(__file__).resolve().parents[2] / "demo-images" / "slow_1_board.jpg"
    shutil.copy(demo, "a.jpg")
    done = CliRunner().invoke(app, ["count", "a.jpg", "--out", "r", "--nominal-cm", "16.5", "--no-marked"])
    assert done.exit_code == 0, done.output
    read = read_results("r")
    assert read.run["command"] == "count" and read.settings.output.marked is False
    assert read.rows.loc[0, "plants"] == read.plants["is_crop"].sum() > 5
    assert read.plants["x_px"].notna().all() and read.plants["position_sd_cm"].notna().any()
    # what was not asked for is still its default
    assert read.settings.stems == Settings().stems


def test_further_columns_come_back_as_they_were_written(desk):
    read = read_results(taped())
    # "-N" is disarmed for spreadsheets in the file, and whole again here; "01" is no 1
    assert "'-N" in Path("r/plants.csv").read_text()
    assert read.plants["treatment"].tolist() == ["-N"] * 3 + ["+N"] * 2
    assert read.plants["block"].tolist() == ["01"] * 3 + ["02"] * 2
    # numbers are numbers, also with some missing
    assert read.plants["speed_kmh"].tolist()[:3] == [8, 8, 8] and read.plants["speed_kmh"].isna().sum() == 2
    assert read.plants["leaf_stage"].tolist() == [2, 3, 2, 2, 2]


def test_results_of_an_older_program_take_the_defaults_of_newer_settings(desk):
    folder = taped()

    def older(run):
        del run["settings"]["statistics"], run["settings"]["planter"]
        del run["settings"]["spacing"]["near_nominal_cm"]

    change_run(folder, older)
    assert read_results(folder).settings == Settings()


def test_results_of_a_newer_program_are_told(desk):
    folder = taped()
    change_run(folder, lambda run: run["settings"]["spacing"].update(moon_phase=3))
    with pytest.raises(BadResults, match="moon_phase"):
        read_results(folder)


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", "3", "null", "{}", '{"settings": null}', '{"settings": 5}', '{"settings": {"spacing": 1}}'],
)
def test_a_damaged_run_record(desk, text):
    folder = taped()
    (folder / "run.json").write_text(text)
    with pytest.raises(BadResults, match=r"r holds no results .* Name the folder"):
        read_results(folder)


def test_a_run_record_in_another_encoding(desk):
    folder = taped()
    (folder / "run.json").write_bytes(b"\xff\xfe{")
    with pytest.raises(BadResults):
        read_results(folder)


def test_impossible_settings(desk):
    folder = taped()
    change_run(folder, lambda run: run["settings"]["spacing"].update(row_width_cm=-3))
    with pytest.raises(BadResults, match="row_width_cm"):
        read_results(folder)


@pytest.mark.parametrize("folder", ["none", "t.csv", "empty"])
def test_no_results_at_all(desk, folder):
    taped()
    Path("empty").mkdir()
    with pytest.raises(BadResults, match=f"{folder} holds no results"):
        read_results(folder)


@pytest.mark.parametrize("name", ["plants.csv", "gaps.csv", "rows.csv", "plots.csv"])
def test_a_missing_table(desk, name):
    folder = taped()
    (folder / name).unlink()
    with pytest.raises(BadTable, match=f"{name} is missing"):
        read_results(folder)


def test_a_damaged_table(desk):
    folder = taped()
    text = (folder / "plants.csv").read_text()
    (folder / "plants.csv").write_text(text.replace("21.5", "a lot"))
    with pytest.raises(BadTable, match="position_cm"):
        read_results(folder)


def test_the_folder_of_another_command_is_no_input(desk):
    write_folder("other", {"plan.csv": "a\n"}, run_record("plan", Settings(), [], datetime.now(UTC)))
    with pytest.raises(BadTable, match=r"plants\.csv is missing"):
        read_results("other")


# ---- design


def design(folder, plot_map=None):
    read = read_results(folder)
    rows, notes = with_design(read.rows, read.plants, plot_map)
    assert list(rows[tables.ROWS.names].columns) == tables.ROWS.names  # what was measured is still there
    pd.testing.assert_frame_equal(rows[tables.ROWS.names], read.rows[tables.ROWS.names])
    return rows, notes


def test_design_from_the_tapes_columns(desk):
    rows, notes = design(taped())
    assert rows["treatment"].tolist() == ["-N", "+N"] and rows["block"].tolist() == ["01", "02"]
    assert rows["speed_kmh"][0] == 8 and pd.isna(rows["speed_kmh"][1])
    assert "leaf_stage" not in rows  # differs from plant to plant
    assert notes == []


def test_a_treatment_that_differs_within_a_row_is_told(desk):
    rows, notes = design(taped(TAPE.replace("38,60,-N", "38,60,N-")))
    assert rows["treatment"].tolist() == ["", "+N"]
    assert len(notes) == 1 and "Column treatment differs within t.csv, plot north, row 1" in notes[0]


def test_design_from_a_plot_map_goes_before_the_tapes(desk):
    Path("map.csv").write_text("plot,treatment,row_unit\nnorth,deep,7\nwest,deep,8\n")
    rows, notes = design(taped(), "map.csv")
    assert rows["treatment"].tolist() == ["deep", ""] and rows["row_unit"].tolist() == ["7", ""]
    assert ["not in the plot map" in notes[0], "fit no row: plot west" in notes[1]] == [True, True]


def test_no_design_is_no_mistake(desk):
    rows, notes = design(taped("position_cm\n5\n20\n"))
    assert notes == [] and not {"treatment", "block", "row_unit"} & set(rows)


def test_a_plot_map_that_cannot_be_read(desk):
    read = read_results(taped())
    with pytest.raises(PlotMapMismatch, match=r"nowhere\.csv cannot be read"):
        with_design(read.rows, read.plants, "nowhere.csv")


def test_a_row_without_plants_keeps_its_place(desk):
    read = read_results(taped())
    rows, _ = with_design(
        pd.concat([read.rows, read.rows.assign(plot="bare")], ignore_index=True)[tables.ROWS.names],
        read.plants,
        None,
    )
    assert rows["plot"].tolist() == ["north", "south", "bare", "bare"]
    assert rows["treatment"].fillna("").tolist() == ["-N", "+N", "", ""]


# ---- writing


def record():
    return run_record("plan", Settings(), [], datetime.now(UTC))


def test_a_folder_is_written_whole(desk):
    table = tables.Table("plan", (tables.Column("n", "int64", "", "rows"),))
    out = write_folder("deep/out", {"plan.csv": csv_text(table, pd.DataFrame({"n": [3]})), "plan.png": b"x"}, record())
    assert sorted(p.name for p in out.iterdir()) == ["plan.csv", "plan.png", "run.json"]
    assert json.loads((out / "run.json").read_text())["files"] == ["plan.csv", "plan.png", "run.json"]


def test_never_over_results_unasked(desk):
    folder = taped()
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    with pytest.raises(ResultsExist, match="already holds results"):
        write_folder(folder, {"plan.csv": "n\n"}, record())
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == before


def test_asked_for_it_replaces_results_and_leaves_what_is_not_standcams(desk):
    write_folder("out", {"plan.csv": "1\n", "old.png": b"x"}, record())
    Path("out/notes.txt").write_text("mine")
    write_folder("out", {"plan.csv": "2\n"}, record(), force=True)
    assert sorted(os.listdir("out")) == ["notes.txt", "plan.csv", "run.json"]
    assert Path("out/plan.csv").read_text() == "2\n"


def test_a_file_in_the_way(desk):
    Path("out").write_text("mine")
    with pytest.raises(UnwritableResults, match="is a file"):
        write_folder("out", {"plan.csv": "1\n"}, record(), force=True)
    assert Path("out").read_text() == "mine"


@pytest.mark.parametrize("there_before", [False, True])
def test_an_error_on_the_way_leaves_all_as_it_was(desk, monkeypatch, there_before):
    if there_before:
        write_folder("out", {"plan.csv": "1\n"}, record())

    def full(path, content):
        if path.name == "b.csv":
            raise OSError(28, "No space left on device")
        path.write_text(content)

    monkeypatch.setattr("standcam.report.results._write", full)
    with pytest.raises(UnwritableResults, match="space"):
        write_folder("out", {"a.csv": "1\n", "b.csv": "2\n"}, record(), force=True)
    assert sorted(os.listdir(".")) == (["out"] if there_before else [])
    if there_before:
        assert sorted(os.listdir("out")) == ["plan.csv", "run.json"]


def test_a_run_record_that_cannot_be_written_leaves_nothing(desk):
    class Stubborn:
        def __str__(self):
            raise RuntimeError("no words")

    with pytest.raises(RuntimeError):
        write_folder("deep/out", {"a.csv": "1\n"}, {"x": Stubborn()})
    assert os.listdir(".") == []


SLOW = """
import signal, sys, time
from standcam.report import folder, results
signal.signal(signal.SIGINT, signal.default_int_handler)  # shells have background jobs ignore it
write = results._write
def slow(path, content):
    write(path, content)
    print("half", flush=True)
    time.sleep(60)
results._write = slow
folder.write_folder("out", {"a.csv": "1", "b.csv": "2"}, {"n": 1})
"""


@pytest.mark.skipif(os.name == "nt", reason="signals")
@pytest.mark.parametrize("signal_name", ["SIGINT", "SIGKILL"])
def test_a_killed_run_leaves_no_results(desk, signal_name):
    import signal

    root = Path(__file__).resolve().parents[2]
    child = subprocess.Popen(
        [sys.executable, "-c", SLOW], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=os.environ | {
            "PYTHONPATH": str(root)
        },
    )  # fmt: skip
    assert child.stdout.readline() == b"half\n"
    child.send_signal(getattr(signal, signal_name))
    child.wait(20)
    child.stdout.close()
    assert not Path("out").exists()
    if signal_name == "SIGINT":  # nothing at all is left where Python could still tidy up
        assert os.listdir(".") == []
    # and a hidden rest does not hinder the next run
    write_folder("out", {"a.csv": "1"}, {"n": 1})
    assert sorted(os.listdir("out")) == ["a.csv", "run.json"]


def test_two_runs_at_once_do_not_mix(desk):
    from standcam.report.results import ResultsWriter

    with ResultsWriter("out") as late:
        write_folder("out", {"a.csv": "first"}, {"n": 1})
        with pytest.raises(ResultsExist):
            late.finish_files({"a.csv": "second"}, {"n": 2})
    assert Path("out/a.csv").read_text() == "first" and os.listdir(".") == ["out"]


def test_results_of_a_count_and_their_overwriting(desk):
    made = {name: tables.empty(table) for name, table in (
        ("plants", tables.PLANTS), ("gaps", tables.GAPS), ("rows", tables.ROWS), ("plots", tables.PLOTS),
        ("problems", tables.PROBLEMS),
    )}  # fmt: skip
    write_results("r", **made, run=run_record("count", Settings(), [], datetime.now(UTC)))
    read = read_results("r")
    assert len(read.rows) == len(read.plants) == 0
    assert with_design(read.rows, read.plants, None)[1] == []
