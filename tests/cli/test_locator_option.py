"""``--locator``: another way of finding stems, told in run.json."""

from pathlib import Path

from typer.testing import CliRunner

from standcam import tables
from standcam.cli.app import app
from standcam.plants.locate import LOCATORS
from standcam.report.csv_tables import read_table
from standcam.report.folder import read_results

PHOTO = Path(__file__).resolve().parents[2] / "demo-images" / "slow_1_board.jpg"


def count(out, *words):
    return CliRunner().invoke(app, ["count", str(PHOTO), "--no-marked", "--out", str(out), *words])


def test_the_option_takes_another_way_and_the_record_tells_which(tmp_path):
    for words, name in (((), "learned"), (("--locator", "shape"), "shape")):
        assert count(tmp_path / name, *words).exit_code == 0
        assert read_results(tmp_path / name).run["settings"]["stems"]["locator"] == name
    learned, shape = (read_table(tmp_path / name, tables.PLANTS) for name in ("learned", "shape"))
    assert not learned["x_px"].equals(shape["x_px"])
    # the photo shows a clean row: the two agree on it within a quarter
    assert abs(learned["is_crop"].sum() - shape["is_crop"].sum()) <= 0.25 * learned["is_crop"].sum()


def test_the_survey_file_may_choose_and_the_call_wins(tmp_path):
    survey = tmp_path / "survey.toml"
    survey.write_text('[stems]\nlocator = "shape"\n')
    assert count(tmp_path / "a", "--survey", str(survey)).exit_code == 0
    assert count(tmp_path / "b", "--survey", str(survey), "--locator", "learned").exit_code == 0
    chosen = [read_results(tmp_path / name).run["settings"]["stems"]["locator"] for name in "ab"]
    assert chosen == ["shape", "learned"]


def test_an_unknown_way_is_refused_with_the_known_ones_named(tmp_path):
    result = count(tmp_path / "r", "--locator", "guess")
    assert result.exit_code == 2 and not (tmp_path / "r").exists()
    said = result.output + (result.stderr or "")
    assert all(name in said for name in LOCATORS)
