"""Printed sheets before a known camera: the scale read from the photo, and the wrong board file caught."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from standcam import flags
from standcam.ground import page as vector
from standcam.ground import printing
from standcam.ground.calibrate import calibrate
from standcam.ground.geometry import board_toml
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


@pytest.mark.parametrize("paper", printing.PAPERS)
def test_scale_of_a_printed_board(paper, tmp_path):
    board = printing.board_for(paper)
    (sheet,) = printing.board_pages(board, paper)
    photo, px_from_mm = photo_of(sheet, 25)
    file = tmp_path / "board.toml"
    file.write_text(board_toml(board), encoding="utf-8")
    ground = calibrate(photo, CalibrationSettings(method="board", board=None if paper == "a3" else str(file)))
    ends_mm = np.array([[-100.0, -60], [100, 60]])
    ends = ground.to_ground(cv2.perspectiveTransform(ends_mm[None], px_from_mm)[0])
    assert np.hypot(*(ends[1] - ends[0])) == pytest.approx(np.hypot(20, 12), rel=0.001)
    assert flags.names(ground.flags) == []


@pytest.mark.parametrize("tilt_deg", [0, 20, 35])
@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_small_board_taken_for_the_full_one_does_not_pass(paper, tilt_deg):
    """Its scale is wrong by up to a half; that must not look like a good photo."""
    (sheet,) = printing.board_pages(printing.board_for(paper), paper)
    photo, _ = photo_of(sheet, tilt_deg)
    ground = calibrate(photo, CalibrationSettings())
    doubt = flags.bit("scale_residual", "board_tilted", "no_scale")
    assert ground.flags & doubt
