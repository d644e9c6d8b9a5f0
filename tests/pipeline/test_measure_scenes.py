"""From a drawn photo to positions, with the networks that ship, on scenes with exact truth.

Plants count as found within 2 cm along the row, which is less than half of the distance at which two plants
are a double. Networks change with training, so the bounds here are those that any good one holds, not what
one reached.
"""

import cv2
import numpy as np
import pytest
from fixtures.scenes import scene as small_scene
from fixtures.upper import (
    crop_cm,
    nearest_cm,
    photo_of,
    recall,
    scene,
    true_positions,
    turned,
)

from standcam import flags, tables
from standcam.measure import measure_on, measure_photo

NEAR_CM = 2.0
SINGLE = ["easy", "leaning", "upright", "among_weeds"]
"""Scenes of lone plants whose main row is row 0."""


def on_true_map(name):
    made = scene(name)
    return made, measure_on(photo_of(made.rgb, f"{name}.jpg"), made.ground_map())


def crop_positions(measured, row=1):
    crop = measured.plants[(measured.plants["row"] == row) & measured.plants["is_crop"]]
    return crop["position_cm"].to_numpy()


def found_in_truth_cm(made, measured, row=1):
    """Crop of a row as found, by its pixels, in the frame of the truth. (n, 2) [cm]"""
    crop = measured.plants[(measured.plants["row"] == row) & measured.plants["is_crop"]]
    return made.ground_map().to_ground(crop[["x_px", "y_px"]].to_numpy())


def check_tables(measured):
    tables.check(tables.PLANTS, measured.plants)
    tables.check(tables.POSITIONS, measured.positions)
    tables.check(tables.STRETCHES, measured.stretches)


@pytest.mark.parametrize("name", SINGLE)
def test_plants_are_found_where_they_stand(name):
    made, measured = on_true_map(name)
    check_tables(measured)
    row = measured.rows[0]
    assert abs(row.direction[0]) > np.cos(np.deg2rad(2.0))
    assert np.abs(made.row_line(0).offset(row.points(np.array([row.from_cm, row.to_cm])))).max() < 3
    found, true = crop_positions(measured), true_positions(made, row)
    # plants right at the ends may be counted either way
    assert recall(found, true_positions(made, row, clear_cm=1.0), NEAR_CM) >= 0.8
    assert recall(true, found, NEAR_CM) >= 0.75
    # a stem, not the middle of leaves some 10 cm across
    error = nearest_cm(true, found)
    assert np.median(error[error <= NEAR_CM]) < 1.0


def test_the_easy_row_is_counted_nearly_exactly():
    made, measured = on_true_map("easy")
    found = crop_positions(measured)
    assert abs(len(found) - len(true_positions(made, measured.rows[0]))) <= 2
    assert measured.stretches.loc[0, "status"] == "ok"
    assert not measured.rows[0].flags & flags.bit("row_unsure")


def test_doubles_are_mostly_told_apart():
    made, measured = on_true_map("doubles")
    true = true_positions(made, measured.rows[0], clear_cm=1.0)
    found = crop_positions(measured)
    assert recall(found, true, NEAR_CM) >= 0.8
    assert len(found) >= 0.8 * len(true)


def test_neighbour_rows_are_measured_too():
    made, measured = on_true_map("three_rows")
    check_tables(measured)
    assert len(measured.rows) >= 2
    assert abs(float(measured.rows[0].offset([[0, 0]])[0])) < 3
    for n, row in enumerate(measured.rows, start=1):
        offset = float(row.points((row.from_cm + row.to_cm) / 2)[0, 1])
        assert min(abs(offset - y) for y in (-45, 0, 45)) < 3
        assert recall(crop_positions(measured, n), true_positions(made, row, 1.0), NEAR_CM) >= 0.7


def test_weeds_are_not_counted_as_crop():
    made, measured = on_true_map("among_weeds")
    weeds = made.truth[(made.truth.kind == "weed") & (made.truth.visible == 1)]
    weeds = weeds[["x_along_row_mm", "y_across_mm"]].to_numpy(float) / 10
    lone = weeds[nearest_cm(weeds, crop_cm(made)) > 6]
    crop = found_in_truth_cm(made, measured)
    assert len(lone) > 10
    assert recall(crop, lone, NEAR_CM) <= 0.15
    listed = measured.plants[~measured.plants["is_crop"]]
    assert len(listed) >= 3
    assert listed["plant"].is_unique


@pytest.mark.parametrize("name", ["easy", "leaning", "upright"])
def test_the_board_in_the_photo_gives_the_same_places_as_the_true_map(name):
    made = scene(name)
    measured = measure_photo(photo_of(made.rgb, f"{name}.jpg"))
    check_tables(measured)
    assert measured.ground.method == "board"
    found = found_in_truth_cm(made, measured)
    row = measured.stretches.iloc[0]
    ends = made.ground_map().to_ground(
        np.array([[row["from_x_px"], row["from_y_px"]], [row["to_x_px"], row["to_y_px"]]])
    )
    # the stretch in the frame of the truth, where the row runs along x
    low, high = np.sort(ends[:, 0])
    assert row["to_cm"] == pytest.approx(high - low, rel=0.03)
    true = crop_cm(made, 0)
    true = true[(true[:, 0] > low + 1) & (true[:, 0] < high - 1)]
    assert recall(found, true, NEAR_CM * 1.2) >= 0.8
    # gaps as the board measures them, against the true ground under the same pixels
    gaps, true_gaps = np.diff(crop_positions(measured)), np.diff(found[:, 0])
    # the lens is not told, nor whether the board lies quite level: a few percent towards the ends of the row
    assert np.abs(gaps / np.abs(true_gaps) - 1).max() < 0.04


def test_a_photo_without_scale_is_counted_all_the_same():
    # the easy photo with its board painted over by the colour of its soil
    made = scene("easy")
    rgb = made.rgb.copy()
    hull = np.round(made.ground_map().mark_hull_px).astype(np.int32)
    board = cv2.fillPoly(np.zeros(rgb.shape[:2], np.uint8), [hull], 1) > 0
    board = cv2.dilate(board.astype(np.uint8), np.ones((25, 25), np.uint8)) > 0
    soil = rgb[(made.labels == 0) & ~board]
    rgb[board] = soil[np.random.default_rng(1).integers(0, len(soil), board.sum())]
    measured = measure_photo(photo_of(rgb))
    check_tables(measured)
    assert measured.ground.method == "none"
    stretch = measured.stretches.iloc[0]
    assert stretch["status"] == "no_scale"
    assert "no_scale" in stretch["flags"]
    assert measured.plants[["position_cm", "offset_cm", "position_sd_cm", "area_cm2"]].isna().all(axis=None)
    assert len(measured.positions) == 0
    assert stretch["plants"] == measured.plants["is_crop"].sum() >= 0.6 * len(crop_cm(made, 0))


def test_bare_soil_is_an_empty_stand_over_a_measured_length():
    made = small_scene("bare")
    measured = measure_on(photo_of(made.rgb), made.ground_map())
    check_tables(measured)
    stretch = measured.stretches.iloc[0]
    assert (stretch["status"], stretch["plants"]) == ("empty", 0)
    assert {"no_plants", "row_unsure"} <= set(flags.names(flags.parse(stretch["flags"])))
    assert stretch["to_cm"] > 100
    assert len(measured.positions) == 0


def test_bare_soil_without_scale():
    measured = measure_photo(photo_of(small_scene("bare").rgb))
    check_tables(measured)
    assert measured.stretches.loc[0, "status"] == "no_scale"
    assert measured.stretches.loc[0, "plants"] == 0


@pytest.mark.parametrize("quarters", [1, 2, 3])
def test_turning_the_photo_keeps_most_positions(quarters):
    made = scene("easy")
    found = [measure_on(*turned(made, k)) for k in (0, quarters)]
    a, b = (crop_positions(m) for m in found)
    back = found[1].rows[0].length_cm - b
    # the stretch ends where the walk along it does, up to half a centimetre off: less the common shift
    shares = []
    for other in (b, back):
        near = np.abs(a[:, None] - other[None]).argmin(axis=1)
        moved = other[near] - a
        close = np.abs(moved) < NEAR_CM
        shift = np.median(moved[close]) if close.any() else 0.0
        shares.append((np.abs(moved - shift) <= 0.5).mean())
    assert len(a) >= 5
    assert abs(len(a) - len(b)) <= max(2, 0.2 * len(a))
    assert max(shares) >= 0.7


def test_the_same_photo_gives_the_same_numbers():
    made = scene("easy")
    one, two = (measure_on(photo_of(made.rgb), made.ground_map()) for _ in range(2))
    np.testing.assert_array_equal(
        one.plants.select_dtypes("number").to_numpy(), two.plants.select_dtypes("number").to_numpy()
    )


def test_positions_begin_at_the_start_of_the_stretch_and_end_within_it():
    for name in SINGLE:
        made, measured = on_true_map(name)
        row, crop = measured.rows[0], crop_positions(measured)
        assert ((crop >= 0) & (crop <= row.length_cm)).all()
        start = row.points(row.from_cm)
        px = made.ground_map().to_pixels(start)[0]
        np.testing.assert_allclose(measured.stretches.loc[0, ["from_x_px", "from_y_px"]].astype(float), px)
