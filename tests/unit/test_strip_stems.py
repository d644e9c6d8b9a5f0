"""Stems of a tile: green shared among stems, whatever the tiles; looks along rows; what a square gives."""

import numpy as np
import pytest

from standcam.images.raster_read import GRID_PX
from standcam.plants.green_cells import GreenCells, green_cells
from standcam.plants.strip_stems import SEAM_CM, TileStems, look_cm_of, look_over_tile, with_areas
from standcam.settings import StripStemSettings
from standcam.vegetation.segment import score_table

GREEN, SOIL = (60, 150, 40), (130, 105, 85)
TABLE = score_table(np.full((60, 60, 3), SOIL, np.uint8))


def stems_at(crop, weed=()):
    crop, weed = np.reshape(crop, (-1, 2)).astype(float), np.reshape(weed, (-1, 2)).astype(float)
    n, m = len(crop), len(weed)
    return TileStems(crop, np.ones(n), np.ones(n), np.zeros(n), weed, np.ones(m), np.zeros(m))


def picture(green: np.ndarray) -> np.ndarray:
    return np.where(green[..., None], np.array(GREEN, np.uint8), np.array(SOIL, np.uint8))


def cells_of(green: np.ndarray, cm_per_px: float = 0.3, corner=(0, 0)) -> GreenCells:
    return green_cells(picture(green), TABLE, cm_per_px, corner_px=corner)


@pytest.mark.parametrize("cm_per_px", [0.3, 0.4, 0.8])
@pytest.mark.parametrize("corner", [(0, 0), (5, 3), (41, 40)])
def test_cells_hold_all_green_once(cm_per_px, corner):
    green = np.random.default_rng(3).random((61, 47)) < 0.2
    cells = cells_of(green, cm_per_px, corner)
    area = cells.areas((0, 0, 47, 61), corner)
    assert cells.hint.sum() == cells.plain.sum() == green.sum()
    # those whose middle lies beyond the border are the neighbour's
    assert 0.9 * green.sum() < area[:, 2].sum() <= green.sum()
    assert ((area[:, :2] - (cells.side - 1) / 2) % cells.side == 0).all()
    for x, y, count in area[:20]:
        x0, y0 = (round(v - (cells.side - 1) / 2) - c for v, c in zip((x, y), corner, strict=True))
        part = green[max(y0, 0) : y0 + cells.side, max(x0, 0) : x0 + cells.side]
        assert part.sum() == count


def test_boxes_side_by_side_share_no_cell():
    cells = cells_of(np.random.default_rng(4).random((60, 60)) < 0.5, 0.4, (1, 2))
    whole = cells.areas((0, 0, 60, 60))
    parts = [cells.areas(box) for box in ((0, 0, 17, 60), (17, 0, 60, 31), (17, 31, 60, 60))]
    both = np.concatenate(parts)
    np.testing.assert_array_equal(both[np.lexsort(both.T)], whole[np.lexsort(whole.T)])


def test_only_ground_that_shows_is_green():
    green = np.ones((40, 40), bool)
    shown = np.zeros((40, 40), bool)
    shown[:20] = True
    assert green_cells(picture(green), TABLE, 0.3, shown=shown).hint.sum() == 800


def test_squares_that_cells_reach_into():
    green = np.zeros((64, 64), bool)
    green[10, 33] = True
    cells = cells_of(green)
    busy = cells.squares(cells.hint > 0, (8, 8, 56, 56), 8)
    # its cell of 4 pixels begins at (32, 8): column 3, row 0 of the squares from (8, 8) on
    assert np.argwhere(busy).tolist() == [[0, 3]]
    assert np.argwhere(cells.squares(cells.hint > 0, (34, 8, 56, 56), 8)).tolist() == [[0, 0]]


def test_green_goes_to_the_nearest_stem_within_reach():
    """As asked of every pixel."""
    rng = np.random.default_rng(4)
    green = rng.random((80, 80)) < 0.1
    stems = stems_at(rng.uniform(0, 80, (6, 2)), rng.uniform(0, 80, (3, 2)))
    found = with_areas(stems, cells_of(green, 1.0).areas((0, 0, 80, 80)), 20.0)
    y, x = np.nonzero(green)
    places = np.concatenate([stems.crop_px, stems.weed_px])
    apart = np.linalg.norm(np.c_[x, y][:, None] - places, axis=2)
    wanted = np.bincount(apart.argmin(axis=1)[apart.min(axis=1) < 20], minlength=9)
    # cells are looked at a hundredth of a pixel aside
    assert np.abs(np.r_[found.crop_area_px, found.weed_area_px] - wanted).max() <= 1
    assert found.crop_area_px.sum() > 50


def test_areas_are_added_to_what_a_stem_has():
    stems = with_areas(stems_at([[1, 1]]), np.array([[1.0, 1.0, 3.0]]), 5.0)
    assert with_areas(stems, np.array([[2.0, 1.0, 4.0], [50.0, 1.0, 9.0]]), 5.0).crop_area_px.tolist() == [7.0]
    assert with_areas(stems, np.empty((0, 3)), 5.0) is stems


def field_of_noise(rows: bool, side: int) -> np.ndarray:
    """Three by two squares with green blobs, in slanting rows or anywhere."""
    rng = np.random.default_rng(6)
    x, y = rng.uniform(20, [3 * side - 20, 2 * side - 20], (900, 2)).T
    if rows:
        y = np.round(y / 180) * 180 + 0.1 * x + rng.normal(0, 4, len(y))
    green = np.zeros((2 * side, 3 * side), bool)
    for px, py in zip(x.astype(int), y.astype(int), strict=True):
        green[max(py - 3, 0) : py + 4, px - 3 : px + 4] = True
    rgb = rng.integers(-15, 16, (*green.shape, 3)) + picture(green)
    return np.clip(rgb, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("rows", [True, False])
def test_a_tile_gives_what_the_whole_gives_of_its_squares(rows):
    """The tile begins anywhere; where no rows show, rectangles about green are looked at."""
    side = GRID_PX
    rgb = field_of_noise(rows, side)
    settings = StripStemSettings(lowest_probability=0.02)
    squares = [(x, y, x + side, y + side) for y in (0, side) for x in (0, side, 2 * side)]
    whole = [look_over_tile(rgb, green_cells(rgb, TABLE, 0.4), settings, squares=[square]) for square in squares]
    left, right, bottom = side - 113, 2 * side + 117, side + 120
    tile = np.ascontiguousarray(rgb[:bottom, left:right])
    own = (side - left, 0, 2 * side - left, side)
    cells = green_cells(tile, TABLE, 0.4, corner_px=(left, 0))
    part = look_over_tile(tile, cells, settings, squares=[own], corner_px=(left, 0))
    assert len(part.crop_px) > 10
    np.testing.assert_array_equal(whole[1].crop_px, part.crop_px + np.array([left, 0]))
    np.testing.assert_array_equal(whole[1].crop_probability, part.crop_probability)
    np.testing.assert_array_equal(whole[1].weed_px, part.weed_px + np.array([left, 0]))
    beyond = SEAM_CM / 0.4 + 0.5
    assert (part.crop_px[:, 0] >= own[0] - beyond).all() and (part.crop_px[:, 0] <= own[2] - 1 + beyond).all()


def test_patches_between_rows_are_weeds_and_leaves_of_the_row_are_not():
    green = np.zeros((1000, 1000), bool)
    for row in (150, 400, 650, 900):
        for x in range(20, 1000, 53):
            green[row - 6 : row + 7, x - 6 : x + 7] = True
    green[600:650, 500:503] = True  # a leaf that hangs over between the rows
    for x, y in ((300, 280), (800, 520)):
        green[y - 4 : y + 5, x - 4 : x + 5] = True
    rgb = picture(green)
    found = look_over_tile(rgb, green_cells(rgb, TABLE, 0.3), StripStemSettings())
    between = (np.abs(found.weed_px[:, 1, None] - (150, 400, 650, 900)) > 40).all(axis=1)
    weeds = found.weed_px[between]
    np.testing.assert_allclose(weeds[np.argsort(weeds[:, 0])], [[300, 280], [800, 520]], atol=0.2)


@pytest.mark.parametrize(("cm_per_px", "look_cm"), [(0.2, 0.36), (0.3, 0.36), (0.33, 0.396), (0.4, 0.43), (0.8, 0.43)])
def test_finer_pictures_are_looked_at_finer_within_what_was_taught(cm_per_px, look_cm):
    assert look_cm_of(cm_per_px, StripStemSettings()) == pytest.approx(look_cm)


def test_bare_ground_has_no_stems():
    rgb = picture(np.zeros((90, 70), bool))
    assert len(look_over_tile(rgb, green_cells(rgb, TABLE, 0.4)).crop_px) == 0
