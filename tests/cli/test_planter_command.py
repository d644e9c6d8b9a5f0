from __future__ import annotations

import io
import json

import numpy as np
import pytest
from fixtures.planter_rows import S, planter_rows
from PIL import Image
from typer.testing import CliRunner

from standcam.cli.app import app
from standcam.planter.units import UNITS
from standcam.report.csv_tables import read_table


def run(*arguments):
    return CliRunner().invoke(app, [*map(str, arguments)])


def tape_of(gaps, with_unit=True):
    lines = [f"# row_length_cm: {60 * S}", "plot,row,row_unit,position_cm" if with_unit else "plot,row,position_cm"]
    for line in gaps[gaps["from_plant"].notna()].itertuples():
        unit = f"{line.row}," if with_unit else ""
        lines.append(f"{line.plot},{line.row},{unit}{line.from_cm:.2f}")
    return "\n".join(lines) + "\n"


@pytest.fixture(scope="module")
def planted(tmp_path_factory):
    """Results of a tape of eight units, of which unit 6 leaves out one place in four."""
    folder = tmp_path_factory.mktemp("planter")
    gaps, _ = planter_rows(np.random.default_rng(21), rows=2, bad={6: {"skip": 0.25}})
    (folder / "tape.csv").write_text(tape_of(gaps))
    (folder / "plain.csv").write_text(tape_of(gaps, False))
    (folder / "map.csv").write_text("row,row_unit\n" + "".join(f"{r},{r}\n" for r in range(1, 9)))
    for name in ("tape", "plain"):
        result = run("tape", folder / f"{name}.csv", "--out", folder / name, "--nominal-cm", S)
        assert result.exit_code == 0, result.output
    return folder


@pytest.fixture(scope="module")
def diagnosed(planted):
    result = run(
        "planter", planted / "tape", "--out", planted / "out", "--dug", 24, "--seed-found", 5, "--speed-mph", 5.6,
        "--cells", 30, "--units", "us", "--germination-pct", 95,
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    return planted / "out", result.output


def test_the_answer_comes_first(diagnosed):
    _, text = diagnosed
    assert text.startswith("Unit 6: more missing plants than the others")
    order = ["Without a plant:", "Row units", "Missing plants", "Look at, in this order", "What cannot be told", "park"]
    assert [text.index(part) for part in order] == sorted(text.index(part) for part in order)
    assert "Dug: seed in 5 of 24 gaps" in text and "seeds a second" in text and "5.6 mph" in text
    assert "skips of the meter" not in text.split("What cannot be told")[1] and "Evenness of emergence" in text


def test_files(diagnosed):
    out, _ = diagnosed
    names = sorted(p.name for p in out.iterdir())
    assert names == ["checklist.md", "run.json", "spacing.png", "units.csv", "units.png"]
    table = read_table(out, UNITS)
    assert table["row_unit"].iloc[0] == "6" and len(table) == 8 and table["rank"].tolist() == list(range(1, 9))
    record = json.loads((out / "run.json").read_text())
    assert record["command"] == "planter" and record["asked"]["dug"] == 24
    assert record["settings"]["planter"]["cells_per_disc"] == 30
    assert 0.04 < record["fit"]["meter_skip_share"]["value"] < 0.1
    for name in ("spacing.png", "units.png"):
        picture = np.asarray(Image.open(io.BytesIO((out / name).read_bytes())).convert("L"), float)
        assert picture.shape[1] >= 1000 and picture.std() > 15


def test_the_checklist_can_be_taken_along(diagnosed):
    text = (diagnosed[0] / "checklist.md").read_text()
    lines = text.splitlines()
    assert "park" in lines[2] and "operator's manual" in text
    first = next(line for line in lines if line.startswith("1. "))
    assert first == "1. [ ] **The meter of the unit that differs** (meter)"
    assert "Seen: unit 6:" in text and "Tie of sign and cause:" in text and " in)" not in first


def test_without_row_units(planted):
    result = run("planter", planted / "plain", "--out", planted / "pooled")
    assert result.exit_code == 0, result.output
    assert "Row units are not known" in result.output and "Spacing alone cannot tell" in result.output
    assert not (planted / "pooled" / "units.csv").exists() and not (planted / "pooled" / "units.png").exists()


def test_plot_map_gives_row_units(planted):
    result = run("planter", planted / "plain", "--plot-map", planted / "map.csv", "--out", planted / "mapped")
    assert result.exit_code == 0, result.output
    assert result.output.startswith("Unit 6: more missing plants")


def test_refusals(planted, tmp_path):
    alone = run("planter", planted / "tape", "--out", tmp_path / "o", "--dug", 5)
    assert alone.exit_code == 2 and "--seed-found" in alone.stderr
    both = run("planter", planted / "tape", "--out", tmp_path / "o", "--speed-kmh", 8, "--speed-mph", 5)
    assert both.exit_code == 2 and "both given" in both.stderr
    itself = run("planter", planted / "tape", "--out", planted / "tape", "--force")
    assert itself.exit_code == 2 and "results folder itself" in itself.stderr
    nowhere = run("planter", tmp_path / "none", "--out", tmp_path / "o")
    assert nowhere.exit_code == 2 and "holds no results" in nowhere.stderr
    (tmp_path / "few.csv").write_text("position_cm\n3\n20\n36\n")
    run("tape", tmp_path / "few.csv", "--out", tmp_path / "few")
    few = run("planter", tmp_path / "few", "--out", tmp_path / "o")
    assert few.exit_code == 2 and "5 are the least" in few.stderr
    assert not (tmp_path / "o").exists()


def test_not_over_results(planted, diagnosed):
    again = run("planter", planted / "tape", "--out", planted / "out")
    assert again.exit_code == 2 and "already holds results" in again.stderr
