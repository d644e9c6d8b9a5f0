"""The README is true: its commands run, its tables follow the registers, its two first commands are CI's."""

import re
import shlex
import shutil
import subprocess
import tomllib
from pathlib import Path

import numpy as np
import pytest
from fixtures.emerging import made, write
from fixtures.scenes import recipe
from typer.testing import CliRunner

from standcam import benchmark, flags, tables
from standcam.cli.app import app
from standcam.report.csv_tables import read_table
from standcam.settings import Settings
from standcam.settings_file import read_settings
from standcam.spacing.tape import read_tape
from standcam.strips.grid import grid_plots, read_grid
from standcam.units import spacing_cm

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEMO = ROOT / "demo-images"
BLOCKS = re.findall(r"^```(\w+)\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)
SHELL = [text.strip().splitlines() for language, text in BLOCKS if language == "sh"]
TWO, OTHERS = SHELL[:2], [line for block in SHELL[2:] for line in block]
PREFIX = "python3 -m venv .venv && .venv/bin/pip install"


def block(language, holding=""):
    (text,) = [text for found, text in BLOCKS if found == language and holding in text]
    return text


def flags_table():
    lines = [
        f"| `{flag.name}` | {flag.meaning} | {flag.doubt if flag.doubt != 'none' else ''} |" for flag in flags.REGISTER
    ]
    return "\n".join(["| flag | meaning | trust |", "| --- | --- | --- |", *lines])


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    """A working folder with the inputs that the README's commands name, made small."""
    desk = tmp_path_factory.mktemp("desk")
    for name in ("demo-images", "my-photos", "stick-photos", "day1"):
        (desk / name).mkdir()
    shutil.copytree(DEMO / "strips", desk / "demo-images" / "strips")
    for path in DEMO.glob("*.csv"):
        shutil.copy(path, desk / "demo-images")
    lines = (DEMO / "tape_trial.csv").read_text().splitlines(keepends=True)
    two_units = [line for line in lines if line[0] != "M" or line.split(",")[2] in ("4", "5")]
    (desk / "demo-images" / "tape_trial.csv").write_text("".join(two_units))
    shutil.copy(DEMO / "slow_1_board.jpg", desk / "my-photos")
    shutil.copy(DEMO / "slow_1_board.jpg", desk / "photo.jpg")
    shutil.copy(DEMO / "slow_1_board.jpg", desk / "day1")
    shutil.copy(DEMO / "slow_2_stick.jpg", desk / "stick-photos")
    (desk / "my-labels.csv").write_text("photo,x_px,y_px,label\nslow_1_board.jpg,400,300,weed\n")
    for visit in made(days=(6, 9, 13), sections=1, boards=True, length_cm=300.0).visits:
        write(desk / f"{visit.day:%B-%d}".lower(), [visit])
    small = '[[scene]]\nname = "small"\n[scene.camera]\nwidth_px = 400\nheight_px = 300\n'
    (desk / "demo-images" / "recipe.toml").write_text(f"seed = 1\n{small}")
    return desk


@pytest.fixture
def at_desk(desk, monkeypatch):
    monkeypatch.chdir(desk)
    monkeypatch.setattr("tempfile.gettempdir", lambda: str(desk))
    monkeypatch.setattr(benchmark, "SPEED_RECIPE", recipe("speed"))
    return desk


def test_the_two_first_commands_install_count_and_test():
    assert [len(block) for block in TWO] == [1, 1]
    assert TWO[0][0] == f"{PREFIX} . && .venv/bin/standcam count demo-images --out results"
    assert TWO[1][0] == f"{PREFIX} '.[test]' && .venv/bin/pytest"
    assert README.index(TWO[1][0]) < README.index("## ")


def test_ci_runs_these_two_and_no_others():
    script = (ROOT / ".ci" / "run").read_text()
    assert "set -euo pipefail" in script and "pip install" not in script
    # its own way of finding them, on this README
    (awk,) = re.findall(r"awk '(.*?)' README.md \| head -n 2", script)
    out = subprocess.run(["awk", awk, ROOT / "README.md"], capture_output=True, text=True, check=True).stdout
    assert out.splitlines()[:2] == [TWO[0][0], TWO[1][0]]


def test_the_main_job_on_the_demonstration_photos(tmp_path, monkeypatch):
    monkeypatch.chdir(ROOT)
    line = TWO[0][0].split(".venv/bin/standcam ")[1].replace("--out results", f"--out {tmp_path / 'results'}")
    result = CliRunner().invoke(app, shlex.split(line))
    assert result.exit_code == 0, result.output
    rows = read_table(tmp_path / "results", tables.ROWS)
    photos = {path.name for path in DEMO.glob("*.jpg")}
    assert set(rows["photo"]) == photos == {p.name for p in (tmp_path / "results" / "marked").iterdir()}
    assert (rows["plants"] > 0).all() and np.isfinite(rows["mean_gap_cm"]).all()


@pytest.mark.parametrize(
    "line", [line for line in OTHERS if line.split()[1] != "review"]
)  # that one serves until Ctrl-C
def test_every_other_command(line, at_desk):
    program, *words = shlex.split(line)
    assert program == "standcam"
    result = CliRunner().invoke(app, words)
    assert result.exit_code == 0, result.output
    if "--out" in words:
        assert any((at_desk / words[words.index("--out") + 1]).iterdir())


def test_all_commands_are_shown():
    from standcam.cli.app import COMMANDS

    assert {line.split()[1] for line in OTHERS} == set(COMMANDS)


def test_survey_file(tmp_path):
    path = tmp_path / "survey.toml"
    path.write_text(block("toml", "[spacing]"))
    settings = read_settings(path)
    assert settings.spacing.nominal_spacing_cm == 16.5 and settings.spacing.row_width_cm == 76
    # the rate named beside it is the same spacing to the printed digits
    assert spacing_cm(79700, 76) == pytest.approx(16.5, abs=0.05)
    assert set(tomllib.loads(block("toml", "[spacing]"))) == {"spacing", "calibration", "output"}


def test_grid_file(tmp_path):
    path = tmp_path / "grid.toml"
    path.write_text(block("toml", "plot_length_m"))
    plots = grid_plots(read_grid(path), "")
    assert len(plots.names) == 60 and plots.names[:2] == ("101", "102")
    assert plots.polygons[0].area == pytest.approx(6.0 * 4 * 0.75)


def test_tape_file(tmp_path):
    path = tmp_path / "tape.csv"
    path.write_text(block("csv"))
    positions, stretches = read_tape(path)
    assert positions["position_cm"].tolist() == [4.5, 22.0]
    assert (stretches["to_cm"] - stretches["from_cm"]).tolist() == [600]


def test_python(at_desk, capsys):
    exec(compile(block("python"), "README", "exec"), {})
    assert "photo.jpg" in capsys.readouterr().out


def test_flags_follow_the_register():
    (shown,) = re.findall(r"<!-- flags -->\n(.*?)\n<!-- /flags -->", README, re.DOTALL)
    assert shown == flags_table(), "put the output of flags_table() between the marks in the README"


def test_columns_and_units_follow_the_register():
    rows = re.search(r"\| column of `rows.csv` .*?\n\n", README, re.DOTALL).group()
    shown = {name: unit.strip() for name, unit in re.findall(r"^\| `(\w+)` \|([^|]*)\|", rows, re.MULTILINE)}
    assert len(shown) > 10
    units = {c.name: c.unit for c in tables.ROWS.columns}
    assert {name: units[name] for name in shown} == shown


def test_limits_are_those_of_the_settings():
    s = Settings()
    for words in (
        f"covers more than {s.rows.coarsest_mm_per_px:g} mm of soil",
        f"Stems nearer than {s.stems.apart_cm:g} cm are one",
        f"Rows nearer than {s.rows.apart_cm:g} cm are one",
        f"about {s.calibration.assumed_focal_length_35mm:g} mm equivalent",
    ):
        assert words in README
    assert s.rows.most_rows == 5 and "At most five rows" in README


def test_what_a_phone_sees():
    """Lengths that the README says: 12 megapixels, 26 mm (CIPA DC-008: by the diagonal of 24 x 36 mm)."""
    focal_px = 26 / np.hypot(24, 36) * np.hypot(4000, 3000)
    assert 4000 / focal_px * 1.4 == pytest.approx(1.8, abs=0.1)
    limit_mm = Settings().rows.coarsest_mm_per_px
    assert focal_px * limit_mm / 1000 == pytest.approx(6.6, abs=0.05)
    assert focal_px * limit_mm / 1000 * 1600 / 4000 == pytest.approx(2.6, abs=0.05)


def test_the_guide_for_developers_names_what_is_there():
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    places = re.findall(r"`([\w/]+(?:/|\.(?:py|md|toml)))`", guide)
    assert len(places) > 30
    # a folder without files is in no checkout, and kinds of tests are described before there is one
    for place in {p for p in places if not p.startswith("tests/") or "." in p}:
        homes = (
            ROOT,
            ROOT / "standcam",
            *(
                ROOT / "standcam" / p
                for p in ("plants", "ground", "batch", "stand", "rows", "strips", "report", "synthetic")
            ),
        )
        assert any((home / place).exists() for home in homes), place


def test_links_lead_somewhere():
    anchors = {
        re.sub(r"[^\w -]", "", h).strip().lower().replace(" ", "-") for h in re.findall(r"^#+ (.*)$", README, re.M)
    }
    for target in re.findall(r"\]\(([^)]+)\)", README):
        if target.startswith("#"):
            assert target[1:] in anchors
        else:
            assert (ROOT / target).exists(), target
