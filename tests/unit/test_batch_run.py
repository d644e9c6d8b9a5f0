"""A run over several photos: every failure a row, nothing lost, nothing stops the rest."""

import cv2
import numpy as np
import pytest
from fixtures.listener import Listener
from fixtures.measured import measured
from PIL import Image

from standcam import flags, tables
from standcam.batch import run
from standcam.batch.inputs import Problem, find_inputs
from standcam.errors import NoScale, UnwritableResults
from standcam.report import overlay
from standcam.report.results import ResultsWriter
from standcam.settings import Settings

SETTINGS = Settings().replace("spacing", nominal_spacing_cm=15.0, row_width_cm=75.0)


def write(path, seed=0):
    path.parent.mkdir(parents=True, exist_ok=True)
    rgb = np.random.default_rng(seed).integers(60, 120, (40, 80, 3), dtype=np.uint8)
    Image.fromarray(rgb).save(path)
    return path


@pytest.fixture
def measuring(monkeypatch):
    """Photos measure as seven plants, unless their names say otherwise."""

    def measure(photo, settings=None, plot=None, looks=False):
        name = photo.path.name
        if "noscale" in name:
            return measured(photo, plot=plot, method="none")
        if "fails" in name:
            raise NoScale("The board is a picture of a board.", "Take a real one.")
        if "crashes" in name:
            raise ZeroDivisionError("a line\nand another")
        if "memory" in name:
            raise MemoryError
        if "stop" in name:
            raise KeyboardInterrupt
        return measured(photo, () if "bare" in name else (8.0, 23.0, 38.0, 41.0, 56.0, 86.0, 101.0), plot=plot)

    monkeypatch.setattr(run, "measure_photo", measure)


def count(folder, writer=None, **options):
    inputs, problems = find_inputs([folder])
    return run.count_photos(inputs, SETTINGS, problems, writer, **options)


def test_numbers_of_one_photo(tmp_path, measuring):
    """By hand: gaps 15 15 3 15 30 15; doubles 1/6, singles 4/6, skips 1/6; 7 plants on 1.1 m x 0.75 m."""
    write(tmp_path / "a.png")
    batch = count(tmp_path)
    row = batch.rows.iloc[0]
    assert row[["photo", "plot", "plants", "status"]].tolist() == ["a.png", "a", 7, "ok"]
    assert row.mean_gap_cm == pytest.approx(93 / 6)
    assert (row.multiples_pct, row.misses_pct) == pytest.approx((100 / 6, 100 / 6))
    assert row.plants_per_ha == pytest.approx(7 / (1.1 * 0.75) * 1e4)
    for name, table in (("plants", tables.PLANTS), ("gaps", tables.GAPS), ("rows", tables.ROWS),
                        ("plots", tables.PLOTS), ("problems", tables.PROBLEMS)):  # fmt: skip
        tables.check(table, batch.tables[name])
    assert len(batch.plants) == 8 and batch.plants["is_crop"].sum() == 7


def test_bad_inputs_are_rows_and_stop_nothing(tmp_path, measuring):
    for name in ("a.png", "b_fails.png", "c_crashes.png", "d_memory.png", "z.png"):
        write(tmp_path / name)
    (tmp_path / "e.jpg").write_bytes(b"")
    batch = count(tmp_path)
    assert list(batch.rows["photo"]) == ["a.png", "z.png"]
    problems = batch.problems.set_index(batch.problems["path"].str.rsplit("/", n=1).str[-1])
    assert list(problems.index) == ["b_fails.png", "c_crashes.png", "d_memory.png", "e.jpg"]
    assert problems.loc["b_fails.png", "reason"] == "The board is a picture of a board."
    assert problems.loc["b_fails.png", "remedy"] == "Take a real one."
    assert "ZeroDivisionError: a line." in problems.loc["c_crashes.png", "reason"]
    assert "report" in problems.loc["c_crashes.png", "remedy"]
    assert "memory" in problems.loc["d_memory.png", "reason"]
    assert "empty" in problems.loc["e.jpg", "reason"]
    assert not batch.problems["reason"].str.contains("\n").any()


def test_an_empty_stand_is_a_result(tmp_path, measuring):
    write(tmp_path / "bare.png")
    batch = count(tmp_path)
    assert batch.rows.loc[0, ["plants", "plants_per_ha", "status"]].tolist() == [0, 0.0, "empty"]
    assert len(batch.problems) == 0


def test_a_photo_without_scale_keeps_its_count(tmp_path, measuring):
    write(tmp_path / "noscale.png")
    batch = count(tmp_path)
    row = batch.rows.iloc[0]
    assert (row.plants, row.status) == (7, "no_scale")
    assert np.isnan(row.row_length_cm) and np.isnan(row.mean_gap_cm) and np.isnan(row.plants_per_ha)
    assert flags.parse(row["flags"]) & flags.bit("no_scale")


def test_photos_of_one_name_stay_apart_in_all_tables(tmp_path, measuring):
    write(tmp_path / "north" / "1.png", seed=1)
    write(tmp_path / "south" / "1.png", seed=2)
    with ResultsWriter(tmp_path / "out") as writer:
        batch = count(tmp_path, writer)
        writer.finish(**batch.tables, run={})
    for name in ("plants", "gaps", "rows"):
        assert list(batch.tables[name]["photo"].unique()) == ["north/1.png", "south/1.png"]
    assert list(batch.plots["plot"]) == ["north/1", "south/1"]
    assert [record["marked"] for record in batch.inputs] == ["north__1.png.jpg", "south__1.png.jpg"]
    assert all((tmp_path / "out" / "marked" / r["marked"]).stat().st_size > 1000 for r in batch.inputs)
    assert batch.notes == ()


def test_a_copied_photo_is_noticed(tmp_path, measuring):
    write(tmp_path / "a.png", seed=1)
    write(tmp_path / "b.png", seed=1)
    assert count(tmp_path).notes == ("b.png is the same picture as a.png: its plants are counted twice.",)


def test_nothing_at_all_gives_empty_tables(measuring):
    batch = run.count_photos([], SETTINGS, [Problem("x", "x does not exist.", "Check the path.")])
    assert [len(frame) for frame in batch.tables.values()] == [0, 0, 0, 0, 1]
    assert len(batch.measurements) == 0


def test_blur_is_told_to_the_measurement(tmp_path, monkeypatch):
    rgb = np.random.default_rng(0).integers(0, 255, (300, 400, 3), dtype=np.uint8)
    Image.fromarray(cv2.GaussianBlur(rgb, (0, 0), 6)).save(tmp_path / "blurred.png")
    Image.fromarray(rgb).save(tmp_path / "sharp.png")
    seen = {}
    monkeypatch.setattr(
        run,
        "measure_photo",
        lambda p, *_, plot, looks: seen.update({plot: flags.names(p.flags)}) or measured(p, plot=plot),
    )
    count(tmp_path)
    assert seen == {"blurred": ["blurred"], "sharp": []}


def test_each_input_is_told_of_once(tmp_path, measuring):
    for name in ("a.png", "b_fails.png"):
        write(tmp_path / name)
    told = []
    listener = Listener(lambda counted: told.append((counted.input.photo, counted.problem is None)))
    count(tmp_path, progress=listener)
    assert told == [("a.png", True), ("b_fails.png", False)]
    assert listener.begun == [("Counting", 2)]


def test_drawing_is_a_stage_of_its_own(tmp_path, measuring):
    for name in ("a.png", "b_fails.png", "c.png"):
        write(tmp_path / name)
    told = []
    listener = Listener(told.append)
    with ResultsWriter(tmp_path / "out") as writer:
        count(tmp_path, writer, progress=listener)
    assert listener.begun == [("Counting", 3), ("Drawing", 2)]
    assert told[3:] == ["a.png", "c.png"]


def test_a_marked_photo_that_cannot_be_drawn_costs_no_numbers(tmp_path, measuring, monkeypatch):
    write(tmp_path / "a.png")
    monkeypatch.setattr(overlay, "mark_view", lambda *_: 1 / 0)
    with ResultsWriter(tmp_path / "out") as writer:
        batch = count(tmp_path, writer)
    assert len(batch.rows) == 1 and "could not be drawn" in batch.notes[0]


def test_a_full_disk_ends_the_run_with_its_name(tmp_path, measuring, monkeypatch):
    write(tmp_path / "a.png")
    with ResultsWriter(tmp_path / "out") as writer:

        def full(*_):
            raise UnwritableResults("Results cannot be written: no space.", "Free some.")

        monkeypatch.setattr(writer, "put_aside", full)
        with pytest.raises(UnwritableResults):
            count(tmp_path, writer)


def test_stopping_leaves_nothing_behind(tmp_path, measuring):
    write(tmp_path / "in" / "a.png")
    write(tmp_path / "in" / "stop.png")
    with pytest.raises(KeyboardInterrupt), ResultsWriter(tmp_path / "out") as writer:
        count(tmp_path / "in", writer)
    assert [p.name for p in tmp_path.iterdir()] == ["in"]


def test_no_marked_photos_when_not_wanted(tmp_path, measuring):
    write(tmp_path / "a.png")
    inputs, _ = find_inputs([tmp_path])
    with ResultsWriter(tmp_path / "out") as writer:
        batch = run.count_photos(inputs, SETTINGS.replace("output", marked=False), (), writer)
        writer.finish(**batch.tables, run={})
    assert not (tmp_path / "out" / "marked").exists()
