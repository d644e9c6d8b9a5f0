import cv2
import numpy as np
import pytest
from fixtures.drawn_board import camera, draw

from standcam import flags
from standcam.errors import StickNotFound
from standcam.ground.calibrate import calibrate
from standcam.ground.stick import find_stick, map_from_stick
from standcam.settings import CalibrationSettings


def bar(x0, x1, width=28.0, turn_deg=0.0):
    """Rectangle along a line through the origin, from x0 to x1. [mm]."""
    c, s = np.cos(np.deg2rad(turn_deg)), np.sin(np.deg2rad(turn_deg))
    flat = np.array([[x0, -width / 2], [x1, -width / 2], [x1, width / 2], [x0, width / 2]])
    return flat @ np.array([[c, s], [-s, c]])


def stick(turn_deg=0.0, length=1000.0, dark=100.0, dark_level=0.03):
    half = length / 2
    return [
        (bar(-half, -half + dark, turn_deg=turn_deg), dark_level),
        (bar(half - dark, half, turn_deg=turn_deg), dark_level),
        (bar(-half + dark, half - dark, turn_deg=turn_deg), 0.75),
    ]


def ends_of(view, turn_deg=0.0, length=1000.0):
    return view.project(bar(-length / 2, length / 2, 0.0, turn_deg)[:2])


def end_errors(found, view, turn_deg=0.0):
    true = ends_of(view, turn_deg)
    if np.linalg.norm(found.ends_px[0] - true[0]) > np.linalg.norm(found.ends_px[0] - true[1]):
        true = true[::-1]
    return np.linalg.norm(found.ends_px - true, axis=1)


@pytest.mark.parametrize("turn", [0.0, 33.0, 90.0])
def test_ends_are_found_to_a_part_of_a_pixel(turn):
    view = camera(1500.0, 8.0, 5.0, look_at=(0.0, 0.0))
    found = find_stick(draw(view, [], patches=stick(turn)).rgb, 0.1)
    # polygons are drawn on a grid of thirds of a pixel
    assert end_errors(found, view, turn).max() < 0.6
    assert found.seen == (True, True)


def test_scale_and_camera_from_a_stick_that_runs_away_from_the_camera():
    # tilted along the stick: the unequal spacing of its four marks tells the tilt
    view = camera(1500.0, 20.0, 90.0, look_at=(0.0, 0.0))
    ground = map_from_stick(draw(view, [], patches=stick(90.0)), CalibrationSettings())
    assert ground.camera_cm[2] == pytest.approx(150.0, rel=0.03)
    assert ground.residual_mm < 3
    places = np.array([[0.0, y] for y in (-450.0, -150.0, 150.0, 450.0)])
    seen = ground.to_ground(view.project(places))
    steps = np.linalg.norm(np.diff(seen, axis=0), axis=1)
    assert steps == pytest.approx([30.0, 30.0, 30.0], rel=0.01)
    assert flags.names(ground.flags) == ["scale_flat"]
    assert np.linalg.det(ground.jacobian(np.array([[600.0, 450.0]]))[0]) < 0  # right-handed, as the board's map


def test_shadows_and_leaves_across_the_bar_do_not_cut_it():
    view = camera(1500.0, 8.0, 5.0, look_at=(0.0, 0.0))
    cuts = [(bar(-160, -130, 400.0), 0.05), (bar(90, 105, 400.0), 0.1), (bar(250, 262, 400.0), 0.12)]
    found = find_stick(draw(view, [], patches=[*stick(), *cuts]).rgb, 0.1)
    assert end_errors(found, view).max() < 0.8


def test_an_end_under_a_leaf_is_worked_out_from_the_other():
    view = camera(1500.0, 8.0, 5.0, look_at=(0.0, 0.0))
    photo = draw(view, [], patches=stick())
    leaf = np.zeros(photo.rgb.shape[:2], np.uint8)

    cv2.fillPoly(leaf, [np.round(view.project(bar(455, 540, 60.0))).astype(np.int32)], 1)
    photo.rgb[leaf > 0] = (60, 140, 40)
    found = find_stick(photo.rgb, 0.1)
    assert sorted(found.seen) == [False, True]
    assert end_errors(found, view).max() < 4


def test_auto_takes_the_stick_when_there_is_no_board():
    view = camera(1500.0, 5.0, 0.0, look_at=(0.0, 0.0))
    ground = calibrate(draw(view, [], patches=stick()), CalibrationSettings())
    assert ground.method == "stick"
    assert any(note.startswith("Not board:") for note in ground.notes)
    assert len(ground.hulls_px) == 1


def test_length_and_dark_ends_are_settings():
    view = camera(1500.0, 5.0, 0.0, look_at=(0.0, 0.0))
    photo = draw(view, [], patches=stick(length=800.0, dark=60.0))
    settings = CalibrationSettings(method="stick", stick_length_cm=80.0, stick_dark_ends_cm=6.0)
    ground = calibrate(photo, settings)
    a, b = ground.to_ground(ends_of(view, length=800.0))
    assert np.linalg.norm(a - b) == pytest.approx(80.0, rel=0.005)


@pytest.mark.parametrize(
    "patches",
    [
        [],
        [(bar(-400, 400), 0.75)],  # light all along, as a lath or a hose: no dark ends
        stick(0.0, 1600.0, 160.0),  # runs out of the picture
        [(bar(-200, 200, 300.0), 0.75)],  # a sheet of paper
    ],
    ids=["soil", "lath", "cut off", "paper"],
)
def test_other_pale_things_are_no_stick(patches):
    view = camera(1200.0, 5.0, 0.0, look_at=(0.0, 0.0))
    with pytest.raises(StickNotFound, match=r"drawn\.png"):
        map_from_stick(draw(view, [], patches=patches), CalibrationSettings())
