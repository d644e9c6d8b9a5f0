"""A sheet laid several ways: what is said of it comes back to where it was, and the mean knows no left and right."""

import cv2
import numpy as np
import pytest
from typer.testing import CliRunner

from standcam.cli.app import app
from standcam.plants.heat import Heat, look
from standcam.plants.sheet import Frame, Sheet
from standcam.plants.turned import TURNS, laid, laid_back, mean_of
from standcam.settings import StemSettings


def seedlings(seed: int = 3) -> Sheet:
    """Grey-brown ground with some crossed green leaves, seen from one side."""
    rng = np.random.default_rng(seed)
    rgb = np.clip(rng.normal((120, 95, 70), 8, (160, 192, 3)), 0, 255).astype(np.uint8)
    for x, y in ((60, 50), (66, 58), (120, 100)):
        for angle in rng.uniform(0, 2 * np.pi, 3):
            end = (int(x + 26 * np.cos(angle)), int(y + 26 * np.sin(angle)))
            cv2.line(rgb, (x, y), end, (90, 160, 60), 5)
    y, x = np.mgrid[:160, :192]
    lean = np.stack([x / 700 - 0.3, y / 700 + 0.1], axis=-1).astype(np.float32)
    return Sheet(Frame((0.0, 0.0), (1.0, 0.0), 0.15, 192, 160), rgb, lean, np.ones((160, 192), bool))


def mirrored(sheet: Sheet) -> Sheet:
    lean = sheet.lean[:, ::-1] * np.float32([-1, 1])
    return Sheet(sheet.frame, sheet.rgb[:, ::-1].copy(), np.ascontiguousarray(lean), sheet.seen[:, ::-1].copy())


@pytest.mark.parametrize("turn", range(TURNS))
def test_what_is_laid_another_way_comes_back(turn):
    rng = np.random.default_rng(turn)
    rgb, lean = rng.normal(size=(24, 40, 3)), rng.normal(size=(2, 12, 20)).astype(np.float32)
    turned, leaning = laid(rgb, lean, turn)
    assert turned.shape == ((40, 24, 3) if turn & 4 else (24, 40, 3))
    assert leaning.shape == ((2, 20, 12) if turn & 4 else (2, 12, 20))
    cells = turned[::2, ::2].transpose(2, 0, 1)
    # an output's ways turn as lean does
    back = laid_back(np.concatenate([cells[:2], leaning, cells[2:]]).astype(np.float32), turn)
    np.testing.assert_array_equal(back[2:4], lean)
    first = rgb[turn >> 1 & 1 :: 2, turn & 1 :: 2].transpose(2, 0, 1).astype(np.float32)
    np.testing.assert_array_equal(back[[0, 1, 4]], first)


def test_ways_to_stems_turn_with_the_picture():
    rgb = np.zeros((8, 12, 3), np.float32)
    rgb[2, 9] = 1.0  # a stem; from every cell the way leads there
    grid_y, grid_x = np.mgrid[:8, :12]
    for turn in range(TURNS):
        picture = laid(rgb, np.zeros((2, 8, 12), np.float32), turn)[0][..., 0]
        y, x_ = np.argwhere(picture == 1)[0]
        gy, gx = np.mgrid[: picture.shape[0], : picture.shape[1]]
        said = np.stack([picture, 0 * picture, x_ - gx, y - gy, 0 * picture]).astype(np.float32)
        back = laid_back(said, turn)
        np.testing.assert_array_equal(back[0], rgb[..., 0])
        np.testing.assert_array_equal(back[2], 9 - grid_x)
        np.testing.assert_array_equal(back[3], 2 - grid_y)


def test_the_mean_is_of_probabilities():
    a, b = np.zeros((5, 1, 1), np.float32), np.zeros((5, 1, 1), np.float32)
    a[0], b[0], a[2], b[2] = 4.0, -4.0, 1.0, 2.0
    mean = mean_of([a, b])
    np.testing.assert_allclose(mean[:, 0, 0], [0, 0, 1.5, 0, 0], atol=1e-6)  # 0.982 and 0.018: one half


def test_with_all_turns_left_and_right_are_alike():
    network, sheet = StemSettings().network, seedlings()
    one, other = (look(s, network, TURNS).out for s in (sheet, mirrored(sheet)))
    back = laid_back(other, 1)
    probability = [1 / (1 + np.exp(-out[0])) for out in (one, back)]
    np.testing.assert_allclose(*probability, atol=2e-4)
    single = [
        1 / (1 + np.exp(-laid_back(look(s, network).out, turn)[0])) for s, turn in ((sheet, 0), (mirrored(sheet), 1))
    ]
    assert np.abs(single[0] - single[1]).max() > 0.01  # a single look is not
    assert isinstance(look(sheet, network, 3), Heat)


def test_only_one_to_eight(tmp_path):
    assert CliRunner().invoke(app, ["count", str(tmp_path), "--turns", "9"]).exit_code == 2
