"""``standcam agree``, from the shell's side."""

import json
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from standcam import tables
from standcam.cli.app import app
from standcam.report.csv_tables import read_table
from standcam.validation.agree_tables import AGREE, CLASSES, LIMITS, PAIRS

DEMO = Path(__file__).resolve().parents[2] / "demo-images"
NORTH = [12, 29, 44, 61, 83, 94, 112, 129, 145, 149, 178, 195, 214, 226]
SOUTH = [8, 26, 55, 70, 85, 103, 117, 136, 171, 186, 205, 223]
EVEN = list(range(5, 240, 16))


def run(*arguments):
    return CliRunner().invoke(app, list(map(str, arguments)))


def results(name, **rows):
    """A results folder of tape rows; the command takes any two."""
    lines = [f"{plot},1,{place},240" for plot, places in rows.items() for place in places]
    Path(f"{name}.csv").write_text("plot,row,position_cm,row_length_cm\n" + "\n".join(lines) + "\n")
    made = run("tape", f"{name}.csv", "--out", name, "--nominal-cm", "16")
    assert made.exit_code == 0, made.output
    return name


@pytest.fixture
def desk(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def two(desk):
    """Photos that missed 61 and added 160 in the north, read from another zero; the south read backwards."""
    seen = sorted([*(p + 2.5 for p in NORTH if p != 61), 162.5])
    return results("seen", north=seen, south=sorted(240 - p for p in SOUTH)), results("tape", north=NORTH, south=SOUTH)


def test_the_answer_comes_first(two):
    done = run("agree", *two, "--out", "out")
    assert done.exit_code == 0, done.output
    first = done.stdout.splitlines()[0]
    assert first.startswith("Photo found 25 of 26 plants (96 %, 81 to 99 %), 1 extra; positions agree to 0 mm; ")
    for heading in ("Missed and extra plants", "Doubles and skips", "Limits of agreement", "What this cannot tell"):
        assert heading in done.stdout
    assert "missed seen.csv plot north row 1: at 61.0 cm of the tape (its plant 4)" in done.stdout
    assert "extra  seen.csv plot north row 1: plant 10, at 160.0 cm of the tape" in done.stdout
    assert "bias ± 1.96 SD" in done.stdout
    assert done.stdout.index("Cautions") > done.stdout.index("What this cannot tell")


def test_the_folder(two):
    run("agree", *two, "--out", "out")
    agree, pairs = read_table("out", AGREE), read_table("out", PAIRS)
    assert agree["status"].tolist() == ["ok", "ok"] and agree["reversed"].tolist() == [False, True]
    assert agree["offset_cm"].tolist() == pytest.approx([-2.5, 240], abs=0.02)
    assert pairs["kind"].value_counts().to_dict() == {"paired": 25, "missed": 1, "extra": 1}
    assert len(read_table("out", LIMITS)) == 6 and len(read_table("out", CLASSES)) == 6
    assert Path("out/agree.png").read_bytes().startswith(b"\x89PNG")
    record = json.loads(Path("out/run.json").read_text())
    assert record["command"] == "agree" and record["alignment"]["same_zero"] is False
    assert record["agreement"]["recall"][0] == pytest.approx(25 / 26)
    assert [entry["path"] for entry in record["inputs"]] == list(two)
    assert set(record["files"]) == {"agree.csv", "pairs.csv", "limits.csv", "classes.csv", "agree.png", "run.json"}


def test_american_units(two):
    done = run("agree", *two, "--out", "out", "--units", "us")
    assert "positions agree to 0.00 in" in done.stdout
    assert "at 24.0 in of the tape" in done.stdout and "Mean gap, in" in done.stdout
    # files stay in centimetres
    assert "tape_cm" in read_table("out", PAIRS)


def test_results_are_not_overwritten(two):
    assert run("agree", *two, "--out", "out").exit_code == 0
    before = Path("out/agree.csv").read_bytes()
    again = run("agree", *two, "--out", "out")
    assert again.exit_code == 2 and "already holds results" in again.stderr
    assert run("agree", *two, "--out", two[0]).exit_code == 2 and Path(two[0], "plants.csv").exists()
    assert run("agree", *two, "--out", "out", "--force").exit_code == 0
    assert Path("out/agree.csv").read_bytes() == before


def test_an_even_row_is_not_claimed(desk):
    seen, tape = results("seen", a=EVEN[2:10], b=NORTH), results("tape", a=EVEN, b=NORTH)
    done = run("agree", seen, tape, "--out", "out")
    assert done.exit_code == 1
    assert "Photo found 14 of 14 plants" in done.stdout
    assert "photo reads lengths right." in done.stdout.splitlines()[0]
    assert "Not compared: seen.csv plot a row 1 with tape.csv row 1: " in done.stdout and "fits" in done.stdout
    assert "An evenly spaced row fits itself shifted" in done.stdout
    assert "may flatter it" in done.stdout
    assert sorted(read_table("out", AGREE)["status"]) == ["ambiguous", "ok"]


def test_a_known_zero_settles_it(desk):
    seen, tape = results("seen", a=EVEN[:9] + EVEN[10:]), results("tape", a=EVEN)
    assert run("agree", seen, tape, "--out", "out").exit_code == 1
    done = run("agree", seen, tape, "--out", "out", "--force", "--same-zero")
    assert done.exit_code == 0 and "Photo found 14 of 15 plants" in done.stdout
    assert "off as a whole" not in done.stdout


def test_a_photo_that_found_nothing_at_a_known_zero(desk):
    Path("seen.csv").write_text("plot,row,position_cm,row_length_cm\na,1,,240\n")
    assert run("tape", "seen.csv", "--out", "seen").exit_code == 0
    done = run("agree", "seen", results("tape", a=NORTH), "--out", "out", "--same-zero")
    assert done.exit_code == 0, done.output
    assert done.stdout.startswith("Photo found 0 of 14 plants (0 %, 0 to 22 %), 0 extra.")
    assert "precision unknown" in done.stdout and "nan" not in done.stdout


def test_nothing_claimed_is_written_with_its_reason(desk):
    seen, tape = results("seen", a=EVEN[2:10]), results("tape", a=EVEN)
    done = run("agree", seen, tape, "--out", "out")
    assert done.exit_code == 1
    assert done.stdout.startswith("No row could be compared plant by plant. Plants per m: 3.33 by photo and 6.25 by")
    assert "Equal counts may hide" in done.stdout
    assert "fits" in read_table("out", AGREE).loc[0, "reason"]
    assert Path("out/agree.png").exists()


def test_a_tape_of_counts_compares_counts(desk):
    seen = results("seen", a=NORTH, b=SOUTH)
    Path("counts.csv").write_text("plot,row,count,row_length_cm\na,1,13,240\nb,1,12,240\n")
    assert run("tape", "counts.csv", "--out", "counts").exit_code == 0
    done = run("agree", seen, "counts", "--out", "out")
    assert done.exit_code == 1
    assert "Plants per m: 5.42 by photo and 5.21 by tape over 2 rows." in done.stdout
    assert "the tape gives a count and no positions" in done.stdout


def test_rows_without_a_counterpart_are_told(desk):
    seen, tape = results("seen", a=NORTH, b=SOUTH), results("tape", a=NORTH, c=SOUTH)
    done = run("agree", seen, tape, "--out", "out")
    assert done.exit_code == 0
    assert "No counterpart for 1 row of the photo results: seen.csv, plot b, row 1." in done.stdout
    assert "No counterpart for 1 row of the tape results: tape.csv, plot c, row 1." in done.stdout


def test_a_pairs_file_ties_them(desk):
    seen, tape = results("seen", a=NORTH, b=SOUTH), results("tape", x=NORTH, y=SOUTH)
    lost = run("agree", seen, tape, "--out", "out")
    assert lost.exit_code == 2 and "give --pairs" in lost.stderr and not Path("out").exists()
    Path("pairs.csv").write_text("plot,tape_plot\na,x\nb,y\n")
    tied = run("agree", seen, tape, "--out", "out", "--pairs", "pairs.csv")
    assert tied.exit_code == 0 and "Photo found 26 of 26 plants" in tied.stdout
    Path("pairs.csv").write_text("plot,tape_plot\na,z\n")
    wrong = run("agree", seen, tape, "--out", "out2", "--pairs", "pairs.csv")
    assert wrong.exit_code == 2 and "line 2 fits no row of the tape results" in wrong.stderr


def test_mixed_up_rows_do_not_agree(desk):
    seen, tape = results("seen", a=NORTH), results("tape", a=SOUTH)
    done = run("agree", seen, tape, "--out", "out")
    assert done.exit_code == 1 and "No row could be compared plant by plant" in done.stdout


def test_a_scale_error_is_named_with_what_follows(desk):
    seen = results("seen", a=[round(0.98 * p, 2) for p in NORTH])
    done = run("agree", seen, results("tape", a=NORTH), "--out", "out")
    assert "photo reads 2.0 % short (2.0 to 2.0 %)" in done.stdout.splitlines()[0]
    assert "2.0 % too short, plants per area 2.0 % too many" in done.stdout


def test_a_large_scale_error_asks_for_a_wider_search(desk):
    seen, tape = results("seen", a=[round(0.96 * p, 2) for p in NORTH]), results("tape", a=NORTH)
    done = run("agree", seen, tape, "--out", "out")
    assert "widen --max-scale-pct" in done.stdout
    wide = run("agree", seen, tape, "--out", "wide", "--max-scale-pct", "8")
    assert "photo reads 4.0 % short" in wide.stdout and "widen" not in wide.stdout


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--tolerance-cm", "0"], "--tolerance-cm is 0"),
        (["--max-scale-pct", "99"], "0 to 30 %"),
        (["--pairs", "none.csv"], "none.csv cannot be read"),
    ],
)
def test_wrong_calls(two, options, message):
    done = run("agree", *two, "--out", "out", *options)
    assert done.exit_code == 2 and message in done.stderr and not Path("out").exists()


def test_folders_without_results(two):
    Path("empty").mkdir()
    done = run("agree", "empty", two[1], "--out", "out")
    assert done.exit_code == 2 and "empty holds no results" in done.stderr


def test_demonstration_photos_against_their_tapes(desk):
    for name in ("slow_1_board", "fast_1_tilt"):
        shutil.copy(DEMO / f"{name}.jpg", desk)
    counted = run("count", "slow_1_board.jpg", "fast_1_tilt.jpg", "--out", "results", "--nominal-cm", "16.5")
    assert counted.exit_code == 0, counted.output
    tapes = [DEMO / f"tape_{name}.csv" for name in ("slow_1_board", "fast_1_tilt")]
    assert run("tape", *tapes, "--out", "tape").exit_code == 0
    done = run("agree", "results", "tape", "--out", "out")
    assert done.exit_code == 0, done.output
    agree = read_table("out", AGREE)
    assert agree["tape_plants"].sum() == 21 and agree["hit"].sum() >= 20 and agree["extra"].sum() <= 1
    # stems to 0.5 cm, reading to 0.3 cm; the tape's peg stands about 2 cm before the photo's edge
    assert (agree["rms_error_cm"] < 0.8).all() and agree["offset_cm"].between(1, 4).all()
    assert agree["scale_pct"].abs().max() < 1.5
    assert len(read_table("results", tables.ROWS)) == 3 and "row 2" in done.stdout  # the neighbour has no tape
