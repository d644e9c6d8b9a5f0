import dataclasses

import numpy as np
import pytest
from fixtures.drawn_board import photo_of

from standcam import flags
from standcam.errors import BadSettings, BoardNotFound, NoScale, StickNotFound
from standcam.ground.calibrate import METHODS, calibrate
from standcam.ground.focal import focal_of
from standcam.ground.lens import LensProfile
from standcam.settings import CalibrationSettings

SOIL = np.random.default_rng(3).integers(60, 110, (300, 400, 1), np.uint8).repeat(3, axis=2)


def soil(focal_35mm=None):
    return photo_of(SOIL, focal_35mm)


def test_auto_without_any_mark_says_why_each_method_did_not_serve():
    ground = calibrate(soil())
    assert ground.method == "none"
    assert not ground.has_scale
    assert flags.names(ground.flags) == ["no_scale", "scale_flat", "no_parallax"]
    for name in ("points", "board", "stick", "height"):
        assert any(note.startswith(f"Not {name}:") for note in ground.notes)


def test_auto_takes_given_points_first():
    ground = calibrate(soil(), CalibrationSettings(points=(10, 20, 210, 20, 50.0), camera_height_cm=140))
    assert ground.method == "points"
    assert ground.cm_per_px(np.array([[300.0, 200.0]])) == pytest.approx([0.25])
    a, b = ground.to_ground(np.array([[10.0, 20.0], [10.0, 220.0]]))
    assert np.linalg.norm(a - b) == pytest.approx(50.0)
    assert b[1] < a[1]  # y points up in the picture: the frame is right-handed


def test_named_methods_raise_their_own_error():
    with pytest.raises(BoardNotFound, match=r"'small board' \(DICT_4X4_50, ids 4 to 7\) is seen in drawn"):
        calibrate(soil(), CalibrationSettings(method="board"))
    with pytest.raises(StickNotFound, match=r"drawn\.png"):
        calibrate(soil(), CalibrationSettings(method="stick"))
    with pytest.raises(NoScale, match="camera height was not given"):
        calibrate(soil(), CalibrationSettings(method="height"))
    with pytest.raises(NoScale, match="No two points"):
        calibrate(soil(), CalibrationSettings(method="points"))
    with pytest.raises(BadSettings, match=r"'sonar'.*auto, points, board"):
        calibrate(soil(), CalibrationSettings(method="sonar"))


@pytest.mark.parametrize(
    ("points", "words"),
    [
        ((10, 20, 10.5, 20, 50), "0.5 pixels"),
        ((10, 20, 210, 20, -5), "-5 cm"),
        ((10, 20, 900, 20, 50), "outside drawn.png"),
        ((10, 20, float("nan"), 20, 50), "five numbers"),
    ],
)
def test_points_that_give_no_scale_are_refused(points, words):
    with pytest.raises(NoScale, match=words):
        calibrate(soil(), CalibrationSettings(method="points", points=points))


def test_scale_from_height_is_height_over_focal_length():
    # photogrammetric scale of a vertical photo: focal length / height (Wolf, Dewitt and Wilkinson, Elements
    # of Photogrammetry, "scale of a vertical photograph"; from memory). By hand: a 4000 x 3000 picture has a
    # diagonal of 5000 px; 26 mm of 43.27 mm is 3004.6 px; 140 cm / 3004.6 px = 0.04660 cm/px.
    photo = photo_of(np.broadcast_to(np.uint8(90), (3000, 4000, 3)), None)
    ground = calibrate(photo, CalibrationSettings(method="height", camera_height_cm=140))
    assert ground.cm_per_px(np.array([[10.0, 10.0]])) == pytest.approx([0.04660], abs=1e-5)
    assert ground.camera_cm == (0, 0, 140)
    assert flags.names(ground.flags) == ["scale_flat"]


def test_focal_length_comes_from_profile_then_setting_then_exif_then_assumption(tmp_path):
    path = tmp_path / "lens.toml"
    path.write_text('[lens]\nfocal = 0.8\ncentre = [0.5, 0.5]\nk1 = -0.03\nk2 = 0.0\nname = "phone"\n')
    diagonal = 500.0
    cases = [
        (CalibrationSettings(lens=str(path), focal_length_35mm=30), 24.0, 0.8 * 400, "'phone'"),
        (CalibrationSettings(focal_length_35mm=30), 24.0, 30 * diagonal / 43.2666, "as set"),
        (CalibrationSettings(), 24.0, 24 * diagonal / 43.2666, "by EXIF"),
        (CalibrationSettings(), None, 26 * diagonal / 43.2666, "assumed"),
    ]
    for settings, exif, focal_px, words in cases:
        focal = focal_of(soil(exif), settings)
        assert focal.K[0, 0] == pytest.approx(focal_px, rel=1e-4)
        assert words in focal.note
    assert isinstance(focal_of(soil(), cases[0][0]).lens, LensProfile)


def test_auto_tries_methods_in_the_order_of_the_register(monkeypatch):
    asked = []

    def refuse(name):
        def method(photo, settings):
            asked.append(name)
            raise NoScale(f"{name} is out.")

        return method

    for name in list(METHODS)[:-1]:
        monkeypatch.setitem(METHODS, name, refuse(name))
    ground = calibrate(soil())
    assert asked == ["points", "board", "stick", "height"]
    assert ground.notes[-4:] == tuple(f"Not {name}: {name} is out." for name in asked)


def test_a_broken_lens_profile_is_not_passed_over_by_auto(tmp_path):
    with pytest.raises(BadSettings, match="cannot be read"):
        calibrate(soil(), dataclasses.replace(CalibrationSettings(), lens=str(tmp_path / "no.toml")))
