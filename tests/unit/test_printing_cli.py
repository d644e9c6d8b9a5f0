"""The command that prints boards, and the committed files it made."""

from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from standcam.cli.app import app
from standcam.ground.geometry import default_board, read_board

CALIBRATION = Path(__file__).resolve().parents[2] / "calibration"
COMMITTED = {
    "board-a3": ["--paper", "a3", "--svg"],
    "board-a4": ["--paper", "a4", "--svg"],
    "board-letter": ["--paper", "letter", "--svg"],
    "board-a4-halves": ["--paper", "a4", "--tiles"],
    "board-letter-halves": ["--paper", "letter", "--tiles"],
}


@pytest.fixture
def call(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return lambda *arguments: CliRunner().invoke(app, ["board", *map(str, arguments)])


@pytest.mark.parametrize("name", COMMITTED)
def test_committed_files_are_what_the_command_writes(call, tmp_path, name):
    pdfium = pytest.importorskip("pypdfium2")
    result = call(*COMMITTED[name])
    assert result.exit_code == 0, result.output
    written = sorted(path.name for path in tmp_path.iterdir())
    assert written == sorted(path.name for path in CALIBRATION.glob(f"{name}.*"))
    for path in tmp_path.iterdir():
        kept = CALIBRATION / path.name
        if path.suffix != ".pdf":
            assert path.read_bytes() == kept.read_bytes()
        elif path.read_bytes() != kept.read_bytes():  # another version of the PDF library writes other bytes
            new, old = pdfium.PdfDocument(path.read_bytes()), pdfium.PdfDocument(kept.read_bytes())
            assert len(new) == len(old)
            for a, b in zip(new, old, strict=True):
                assert np.array_equal(a.render(scale=2).to_numpy(), b.render(scale=2).to_numpy())
            new.close(), old.close()


def test_lens_patterns_are_what_the_command_writes(tmp_path):
    pdfium = pytest.importorskip("pypdfium2")
    for paper in ("a4", "letter", "a3"):
        new = tmp_path / f"lens-pattern-{paper}.pdf"
        result = CliRunner().invoke(app, ["lens", "--print-pattern", str(new), "--paper", paper])
        assert result.exit_code == 0, result.output
        pictures = []
        for path in (new, CALIBRATION / new.name):
            document = pdfium.PdfDocument(path.read_bytes())
            pictures.append(document[0].render(scale=1).to_numpy().copy())
            document.close()
        assert np.array_equal(*pictures)


def test_says_how_to_print_and_to_count(call):
    result = call("--paper", "letter", "--first-id", 40)
    for said in ("100 %", "measure the 100 mm ruler", "--measured-ruler-mm", "--board board-letter.toml"):
        assert said in result.output
    assert "taken for" not in result.output
    for built_in in (["--paper", "a3"], ["--paper", "letter"], ["--paper", "letter", "--tiles"]):
        assert "--board" not in call(*built_in, "--force").output  # they need no naming


def test_warns_of_own_boards_that_pass_for_a_built_in_one(call):
    result = call("--paper", "a4", "--first-id", 0)
    assert result.exit_code == 0
    assert "taken for the built-in field board 400 x 300" in result.output
    assert "--first-id 40" in result.output


def test_never_overwrites_unasked(call, tmp_path):
    assert call("--out", "b.pdf").exit_code == 0
    before = (tmp_path / "b.toml").read_text()
    (tmp_path / "b.pdf").unlink()
    result = call("--paper", "a3", "--out", "b.pdf")
    assert result.exit_code == 2
    assert "b.toml is there already" in result.stderr
    assert "--force" in result.stderr
    assert not (tmp_path / "b.pdf").exists()
    assert (tmp_path / "b.toml").read_text() == before
    assert call("--paper", "a3", "--out", "b.pdf", "--force").exit_code == 0
    assert read_board(tmp_path / "b.toml") == default_board()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["b.pdf", "b.toml"]  # no leavings


def test_measured_ruler_writes_only_the_numbers(call, tmp_path):
    result = call("--paper", "a3", "--measured-ruler-mm", "98.6", "--out", "mine.toml")
    assert result.exit_code == 0, result.output
    assert [p.name for p in tmp_path.iterdir()] == ["mine.toml"]
    board = read_board(tmp_path / "mine.toml")
    assert board.marker(2).centre_mm == pytest.approx((147.9, 98.6))
    assert "--board mine.toml" in result.output
    assert "scaled" not in result.output
    assert "scaled" in call("--paper", "a3", "--measured-ruler-mm", "94").output
    wrong = call("--measured-ruler-mm", "9.86", "--out", "no.toml")
    assert wrong.exit_code == 2
    assert "in millimetres" in wrong.stderr
    assert not (tmp_path / "no.toml").exists()


def test_own_board_and_bad_calls(call, tmp_path):
    assert call("--paper", "a4", "--dictionary", "DICT_APRILTAG_36h11", "--first-id", 7).exit_code == 0
    own = read_board(tmp_path / "board-a4.toml")
    assert own.ids == (7, 8, 9, 10)
    again = call("--board", "board-a4.toml", "--out", "copy.pdf")
    assert again.exit_code == 0
    assert read_board(tmp_path / "copy.toml") == own
    for arguments, said in (
        (["--dictionary", "DICT_9X9_50"], "DICT_9X9_50"),
        (["--paper", "a3", "--tiles"], "Leave out --tiles"),
        (["--board", "missing.toml"], "missing.toml cannot be read"),
        (["--out", "no/such/folder/b.pdf"], "cannot be written"),
    ):
        result = call(*arguments, "--force")
        assert result.exit_code == 2
        assert said in result.stderr
        assert result.stderr.count("\n") == 1
    assert call("--paper", "b5").exit_code == 2
