"""``standcam count`` from the call to the folder."""

import io
import json
import os
import shutil

import numpy as np
import pandas as pd
import pytest
from fixtures.measured import measured, photo
from PIL import Image
from rich.console import Console
from typer.testing import CliRunner

from standcam import tables
from standcam.cli.app import app
from standcam.report import overall_words, results, screen
from standcam.settings import Settings, SpacingSettings
from standcam.spacing.spacings import Spacings
from standcam.summarise import summarise

runner = CliRunner()


@pytest.fixture(autouse=True)
def measuring(monkeypatch):
    """Each readable photo shows the same seven plants: the tests are about what is around measuring."""
    seen = []

    def measure(photo, settings=None, plot=None, looks=False):
        seen.append(settings)
        return measured(photo, plot=plot, method="none" if "noscale" in photo.path.name else "board")

    monkeypatch.setattr("standcam.batch.run.measure_photo", measure)
    return seen


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """Two good photos and three bad files in ``in``; the working folder is the one above."""
    monkeypatch.chdir(tmp_path)
    for n, name in enumerate(("a.png", "b.jpg")):
        write(tmp_path / "in" / name, n)
    data = (tmp_path / "in" / "b.jpg").read_bytes()
    (tmp_path / "in" / "cut.jpg").write_bytes(data[: len(data) // 2])
    (tmp_path / "in" / "empty.jpg").write_bytes(b"")
    (tmp_path / "in" / "text.png").write_text("no picture")
    return tmp_path


def write(path, seed=0):
    path.parent.mkdir(exist_ok=True)
    Image.fromarray(np.random.default_rng(seed).integers(60, 120, (80, 160, 3), dtype=np.uint8)).save(path)
    return path


def count(*arguments):
    return runner.invoke(app, ["count", *map(str, arguments)])


def test_good_and_bad_photos_in_one_folder(folder):
    result = count("in", "--out", "out", "--row-width-cm", 75)
    assert result.exit_code == 1, result.output
    out = folder / "out"
    pages = ["report.html", "results.xlsx"]
    assert sorted(p.name for p in out.iterdir()) == sorted(
        [*results.TABLES, *pages, "run.json", "marked", ".standcam-work"]
    )
    assert sorted(p.name for p in (out / "marked").iterdir()) == ["a.png.jpg", "b.jpg"]
    problems = pd.read_csv(out / "problems.csv")
    assert list(problems["path"]) == ["in/cut.jpg", "in/empty.jpg", "in/text.png"]
    assert problems.notna().all().all()
    rows = pd.read_csv(out / "rows.csv")
    assert list(rows["photo"]) == ["a.png", "b.jpg"] and (rows["plants"] == 7).all()
    assert rows.loc[0, "plants_per_ha"] == pytest.approx(84848.5)
    plants = pd.read_csv(out / "plants.csv")
    assert plants["is_crop"].dtype == bool and plants["is_crop"].sum() == 14
    run = json.loads((out / "run.json").read_text())
    assert [i["photo"] for i in run["inputs"]] == ["a.png", "b.jpg"]
    assert all(len(i["sha256"]) == 64 for i in run["inputs"])
    for text in ("cut short", "0 bytes", "not a picture", "Results are in out", "3 inputs", "costly"):
        assert text in result.stdout
    assert result.stderr == ""


def test_all_good_is_exit_code_0_and_the_default_folder_is_results(folder):
    result = count("in/a.png", "in/b.jpg")
    assert result.exit_code == 0 and (folder / "results" / "rows.csv").is_file()
    assert len(pd.read_csv(folder / "results" / "problems.csv")) == 0


def test_a_second_run_needs_force(folder):
    assert count("in/a.png", "--out", "out").exit_code == 0
    before = (folder / "out" / "run.json").read_bytes()
    result = count("in/b.jpg", "--out", "out")
    assert result.exit_code == 2
    assert "out already holds results" in result.stderr and "--force" in result.stderr
    assert (folder / "out" / "run.json").read_bytes() == before
    assert count("in/b.jpg", "--out", "out", "--force").exit_code == 0
    assert list(pd.read_csv(folder / "out" / "rows.csv")["photo"]) == ["b.jpg"]
    assert [p.name for p in (folder / "out" / "marked").iterdir()] == ["b.jpg"]


def test_existing_results_are_noticed_before_any_work(folder, measuring):
    count("in/a.png", "--out", "out")
    measuring.clear()
    count("in/a.png", "--out", "out")
    assert measuring == []


def test_when_nothing_can_be_used_earlier_results_stay(folder):
    count("in/a.png", "--out", "out")
    before = (folder / "out" / "run.json").read_bytes()
    result = count("in/text.png", "--out", "out", "--force")
    assert result.exit_code == 2 and "left as they are" in result.stderr
    assert (folder / "out" / "run.json").read_bytes() == before


def test_when_nothing_can_be_used_the_reasons_are_written(folder):
    result = count("in/text.png", "in/empty.jpg", "--out", "out")
    assert result.exit_code == 2
    assert len(pd.read_csv(folder / "out" / "problems.csv")) == 2
    assert result.stderr.count("\n") == 3 and "No photo could be used" in result.stderr


def test_many_bad_inputs_do_not_flood_the_screen(folder):
    for n in range(30):
        (folder / "in" / f"bad{n}.jpg").write_text("no picture")
    result = count("in", "--out", "out")
    assert "and 21 more, see problems.csv" in result.stdout
    assert len(pd.read_csv(folder / "out" / "problems.csv")) == 33
    result = count(*(f"in/bad{n}.jpg" for n in range(30)), "--out", "out2")
    assert result.exit_code == 2 and "and 18 more" in result.stderr and result.stderr.count("\n") == 14


@pytest.mark.parametrize("given, words", [("nowhere", "does not exist"), ("void", "holds no photo")])
def test_an_empty_or_missing_folder_writes_nothing(folder, given, words):
    (folder / "void").mkdir()
    result = count(given, "--out", "out")
    assert result.exit_code == 2 and words in result.stderr
    assert not (folder / "out").exists()


def test_us_units_on_the_screen_and_si_in_the_tables(folder):
    result = count("in/a.png", "--units", "us", "--row-width-cm", 76.2, "--out", "out")
    assert result.exit_code == 0
    for text in ("gap in", "/acre", "3.6 ft", "6.1 in"):
        assert text in result.stdout
    assert " cm" not in result.stdout.replace("--nominal-cm", "")
    si = count("in/a.png", "--row-width-cm", 76.2, "--out", "out2")
    assert "gap cm" in si.stdout
    assert (folder / "out" / "rows.csv").read_text() == (folder / "out2" / "rows.csv").read_text()


def test_a_survey_in_the_folder_is_used_and_said(folder, measuring):
    (folder / "in" / "survey.toml").write_text("[spacing]\nrow_width_cm = 50.0\nnominal_spacing_cm = 15.0\n")
    result = count("in", "--out", "out")
    assert "in/survey.toml" in result.stdout
    assert measuring[0].spacing.row_width_cm == 50
    assert "survey.toml" in " ".join(json.loads((folder / "out" / "run.json").read_text())["notes"])
    # an option goes before the survey
    count("in", "--out", "out", "--force", "--row-width-cm", 60)
    spacing = json.loads((folder / "out" / "run.json").read_text())["settings"]["spacing"]
    assert spacing["row_width_cm"] == 60 and spacing["nominal_spacing_cm"] == 15


def test_options_reach_the_settings(folder, measuring):
    result = count(
        "in/a.png", "--scale", "points", "--points", "1,2,301.5,2,50", "--stick-cm", 80,
        "--camera-height-cm", 150, "--nominal-cm", 14, "--seeding-rate-ha", 80000,
        "--board", "b.toml", "--lens", "l.toml", "--no-marked",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    c = measuring[0].calibration
    assert (c.method, c.points, c.stick_length_cm, c.camera_height_cm) == (
        "points",
        (1, 2, 301.5, 2, 50),
        80,
        150,
    )
    assert (c.board, c.lens) == ("b.toml", "l.toml")
    assert measuring[0].spacing.seeding_rate_per_ha == 80000
    assert not (folder / "results" / "marked").exists()


@pytest.mark.parametrize(
    "options",
    [
        ("--points", "1,2,3"),
        ("--points", "1,2,1,2,50"),
        ("--points", "1,2,3,4,nan"),
        ("--row-width-cm", "0"),
        ("--nominal-cm", "-3"),
        ("--nominal-cm", "nan"),
        ("--stick-cm", "-1"),
        ("--camera-height-cm", "inf"),
        ("--survey", "nowhere.toml"),
    ],
)
def test_options_that_make_no_sense(folder, options):
    result = count("in/a.png", *options)
    assert result.exit_code == 2
    assert result.stderr.count("\n") == 1 and result.stderr.startswith("standcam: ")
    assert not (folder / "results").exists()


def test_given_points_hold_for_one_photo_only(folder):
    result = count("in/a.png", "in/b.jpg", "--points", "1,2,3,4,50")
    assert result.exit_code == 2 and "one photo" in result.stderr


def test_a_run_may_write_into_the_folder_of_its_photos_and_run_again(folder):
    assert count("in", "--out", "in").exit_code == 1
    assert count("in", "--out", "in", "--force").exit_code == 1
    assert len(pd.read_csv(folder / "in" / "rows.csv")) == 2


def test_odd_names_are_safe_on_screen_and_in_tables(folder):
    shutil.copy(folder / "in" / "a.png", folder / "=1+[red]é \x1b[31m.png")
    result = count("=1+[red]é \x1b[31m.png", "--out", "out")
    assert result.exit_code == 0
    assert "\x1b" not in result.stdout and "=1+[red]é" in result.stdout
    assert "./=1+[red]é" in (folder / "out" / "plants.csv").read_text(encoding="utf-8")
    assert json.loads((folder / "out" / "run.json").read_text(encoding="utf-8"))["inputs"][0]["photo"][0] == "="


@pytest.mark.skipif(os.name != "posix", reason="names that are no Unicode")
def test_a_name_that_is_no_unicode(folder):
    shutil.copy(folder / "in" / "a.png", os.fsdecode(b"caf\xe9.png"))
    result = count(os.fsdecode(b"caf\xe9.png"), "--out", "out")
    assert result.exit_code == 0 and "caf\\udce9.png" in result.stdout


def test_photos_without_scale_say_so(folder):
    write(folder / "in2" / "noscale.png")
    write(folder / "in2" / "a.png")
    result = count("in2")
    assert "board in 1 photo" in result.stdout and "none in 1 photo" in result.stdout
    assert "nothing in the photo gives a ground scale" in result.stdout


@pytest.mark.parametrize("width", [80, 60, 30, 200])
def test_the_table_keeps_to_the_width_of_the_terminal(width):
    m = measured(photo(path="a_rather_long_name_of_a_photo_from_a_phone_20250514_103100.jpg"))
    settings = Settings().replace("spacing", nominal_spacing_cm=15.0, row_width_cm=75.0)
    s = summarise(m.positions, m.stretches, settings.spacing)
    text = io.StringIO()
    console = Console(file=text, width=width)
    screen.show(s.rows, s.gaps, tables.empty(tables.PROBLEMS), settings, "out", scale_methods=["board"], to=console)
    lines = text.getvalue().splitlines()
    assert max(map(len, lines)) <= width
    assert "84 800" in text.getvalue() and "15.5" in text.getvalue()


def test_screen_totals_weigh_rows_by_their_length():
    """By hand: 7 plants on 110 cm and none on 110 cm, 75 cm apart: 7 / (2.2 x 0.75) x 1e4 = 42,424 / ha."""
    full, bare = measured(photo(path="a.jpg")), measured(photo(path="b.jpg"), ())
    s = summarise(full.positions, pd.concat([full.stretches, bare.stretches]), SpacingSettings(15.0, row_width_cm=75.0))
    text = overall_words.totals(s.rows, Spacings.of(s.rows, s.gaps), "si")
    assert text.startswith("All: 2 photos, 2 rows; 7 plants on 2.20 m of row; mean gap 15.5 cm; CV 55 %")
    assert "42 400/ha" in text
    assert "doubles 17 %, singles 67 %, skips 17 %" in text


def test_letters_for_sentences_do_not_run_out():
    assert [screen._letter(n) for n in (0, 25, 26, 27, 701, 702)] == ["a", "z", "aa", "ab", "zz", "aaa"]


def test_no_colour_when_piped_or_unwanted(monkeypatch):
    class Terminal(io.StringIO):
        def isatty(self):
            return True

    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setenv("TERM", "xterm")
    terminal, pipe = Terminal(), io.StringIO()
    for stream in (terminal, pipe):
        screen.console(stream).print("[red]a[/red]")
        assert stream.getvalue() == "a\n"
