"""Printed sheets before a known camera: the board recognised, its scale read from the photo."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from standcam import flags
from standcam.errors import BoardNotFound
from standcam.ground import page as vector
from standcam.ground import printing
from standcam.ground.calibrate import calibrate
from standcam.ground.geometry import board_toml, built_in_boards, default_board, small_board
from standcam.images.photo import Photo
from standcam.settings import CalibrationSettings

pdfium = pytest.importorskip("pypdfium2")

W, H, FOCAL_35MM = 2000, 1500, 26.0
DPI = 150


def photo_of(sheet: vector.Page, tilt_deg: float) -> tuple[Photo, np.ndarray]:
    """The sheet from 1.4 m, turned and off the middle; and the true map from board mm to pixels."""
    document = pdfium.PdfDocument(vector.pdf([sheet], "x"))
    picture = document[0].render(scale=DPI / 72, grayscale=True).to_numpy().squeeze().copy()
    document.close()
    height, width = picture.shape
    # 35 mm equivalent goes by the diagonal of the 36 x 24 mm frame (CIPA DCG-001, from memory)
    f = FOCAL_35MM / np.hypot(36, 24) * np.hypot(W, H)
    K = np.array([[f, 0, (W - 1) / 2], [0, f, (H - 1) / 2], [0, 0, 1]])
    turn = cv2.Rodrigues(np.array([np.radians(tilt_deg), 0, 0]))[0] @ cv2.Rodrigues(np.array([0, 0, 0.3]))[0]
    px_from_mm = K @ np.c_[turn[:, :2], [150, 100, 1400]]
    mm = 25.4 / DPI
    mm_from_sheet = np.array([[mm, 0, (0.5 - width / 2) * mm], [0, mm, (0.5 - height / 2) * mm], [0, 0, 1]])
    soil = np.full((H, W), 110, np.uint8)
    grey = cv2.warpPerspective(
        cv2.GaussianBlur(picture, (0, 0), 2.5), px_from_mm @ mm_from_sheet, (W, H), soil, cv2.INTER_AREA,
        cv2.BORDER_TRANSPARENT,
    )  # fmt: skip
    return Photo(Path("p.jpg"), np.dstack([grey] * 3), "x", focal_length_35mm=FOCAL_35MM), px_from_mm


def length_error(photo: Photo, px_from_mm: np.ndarray, settings: CalibrationSettings) -> float:
    """Relative error of a known length on the sheet."""
    ends_mm = np.array([[-100.0, -60], [100, 60]])
    ends = calibrate(photo, settings).to_ground(cv2.perspectiveTransform(ends_mm[None], px_from_mm)[0])
    return float(np.hypot(*(ends[1] - ends[0])) / np.hypot(20, 12) - 1)


@pytest.mark.parametrize("tilt_deg", [0, 25, 35])
@pytest.mark.parametrize("paper", printing.PAPERS)
def test_scale_of_a_printed_board_that_nobody_named(paper, tilt_deg):
    (sheet,) = printing.board_pages(printing.board_for(paper), paper)
    photo, px_from_mm = photo_of(sheet, tilt_deg)
    assert length_error(photo, px_from_mm, CalibrationSettings()) == pytest.approx(0, abs=0.001)
    ground = calibrate(photo, CalibrationSettings())
    seen = "'field board 400 x 300', ids 0 to 3" if paper == "a3" else "'small board', ids 4 to 7"
    assert ground.notes[0] == f"Scale from 4 of 4 markers of the board {seen}."
    assert flags.names(ground.flags) == []


@pytest.mark.parametrize("board", built_in_boards(), ids=lambda board: board.name)
def test_board_file_replaces_the_built_in_boards(board, tmp_path):
    """The small board before the camera: seen with its own file, not with that of the full board."""
    (sheet,) = printing.board_pages(small_board(), "a4")
    photo, px_from_mm = photo_of(sheet, 25)
    file = tmp_path / "board.toml"
    file.write_text(board_toml(board), encoding="utf-8")
    settings = CalibrationSettings(method="board", board=str(file))
    if board == default_board():
        with pytest.raises(BoardNotFound, match="ids 0 to 3"):
            calibrate(photo, settings)
    else:
        assert length_error(photo, px_from_mm, settings) == pytest.approx(0, abs=0.001)


def test_sheet_printed_small_needs_its_file(tmp_path):
    """At 90 % the built-in description reads lengths 11 % too long; nothing in a photo can show that."""
    board = printing.as_printed(small_board(), 90.0)
    (sheet,) = printing.board_pages(board, "a4")
    photo, px_from_mm = photo_of(sheet, 25)
    file = tmp_path / "board.toml"
    file.write_text(board_toml(board), encoding="utf-8")
    assert length_error(photo, px_from_mm, CalibrationSettings()) == pytest.approx(1 / 0.9 - 1, abs=0.002)
    assert length_error(photo, px_from_mm, CalibrationSettings(board=str(file))) == pytest.approx(0, abs=0.001)
