"""Rows of drawn scenes from their true stems, weeds among them."""

import numpy as np
import pytest
from fixtures.upper import crop_cm, scene

from standcam.rows.find import field_of, find_rows, measured_stretch, refit
from standcam.settings import RowSettings

SETTINGS = RowSettings()


def rows_of(made):
    weeds = made.truth[made.truth.kind == "weed"][["x_along_row_mm", "y_across_mm"]].to_numpy(float) / 10
    crop = crop_cm(made)
    points = np.r_[crop, weeds]
    # as a network that is not sure: crop likelier than weeds
    probability = np.r_[np.full(len(crop), 0.7), np.full(len(weeds), 0.25)]
    ground = made.ground_map()
    lines = find_rows(points, probability, field_of(ground, SETTINGS), SETTINGS)[0]
    drawn = []
    for line in lines:
        near = np.abs(line.offset(points)) < 5
        row = refit(line, points[near], probability[near], SETTINGS)
        drawn.append(measured_stretch(row, ground, SETTINGS))
    return drawn


@pytest.mark.parametrize("name", ["easy", "doubles", "leaning", "upright", "three_rows", "among_weeds"])
def test_the_row_is_found_from_true_stems(name):
    made = scene(name)
    row = rows_of(made)[0]
    true = made.row_line(0)
    ends = row.points(np.array([row.from_cm, row.to_cm]))
    # plants stand 4 mm (one standard deviation) about the line: over ten plants the line is good to 3 mm, and
    # a weed or two within reach may draw it
    assert np.abs(true.offset(ends)).max() < 2.0
    assert abs(row.direction[0]) > np.cos(np.deg2rad(1.0))


@pytest.mark.parametrize("name", ["easy", "three_rows", "among_weeds", "upright"])
def test_the_measured_stretch_is_what_the_picture_shows_less_its_edge(name):
    made = scene(name)
    row, true = rows_of(made)[0], made.row_line(0)
    # resolved all along in these: only the margin of 1.5 cm at each end is left out
    assert row.length_cm == pytest.approx(true.length_cm - 2 * SETTINGS.edge_margin_cm, abs=2.0)


def test_all_three_rows_are_found():
    offsets = sorted(float(row.points(row.position([[0, 0]]))[0, 1]) for row in rows_of(scene("three_rows")))
    np.testing.assert_allclose(offsets, [-45, 0, 45], atol=1.0)
