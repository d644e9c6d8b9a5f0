"""Scores of a drawn-up scene: a camera straight above, 10 px to the cm, one row along the picture's x."""

import json

import numpy as np
import pandas as pd
import pytest

from standcam.errors import BadSettings
from standcam.validation.score import score_scene, total
from standcam.validation.truth import TrueScene, read_scenes, undistorted

WIDTH, HEIGHT = 2001, 1001
RECORD = {
    "image": "a.jpg",
    "mode": "hand",
    # 1000 mm up with a focal length of 1000 px: 1 px is 1 mm
    "camera": {
        "position_mm": [0.0, 0.0, 1000.0],
        "fx_px": 1000.0,
        "fy_px": 1000.0,
        "cx_px": 1000.0,
        "cy_px": 500.0,
        "R_cam_to_world": [[1, 0, 0], [0, 1, 0], [0, 0, 1]],
    },
    "distortion": {"k1": 0.0},
    "soil": {"kind": "dry"},
}


def px(along_cm, across_cm=0.0):
    """Pixel of a ground point in the scene above; the picture's y runs against the ground's."""
    return [1000 + 10 * along_cm, 500 - 10 * across_cm]


def plant(name, along_cm, across_cm=0.0, kind="crop", row=0, visible=1, double_of=None):
    x, y = px(along_cm, across_cm)
    return {
        "plant_id": name, "row_id": row, "kind": kind, "x_px": x, "y_px": y, "x_along_row_mm": 10 * along_cm,
        "y_across_mm": 10 * across_cm, "visible": visible, "is_double_of": double_of,
    }  # fmt: skip


PLANTS = [
    plant("p1", -60),
    plant("p2", -40),
    plant("p3", -36, double_of="p2"),
    plant("p4", -20, kind="late crop"),
    plant("p5", 0),
    plant("p6", 20, visible=0),
    plant("p7", 80),
    plant("p8", 0, 76, row=1),
    plant("w1", 30, 5, kind="weed"),
]
STRETCH = np.array([[*px(-65), *px(50)]])


@pytest.fixture
def scene(tmp_path):
    return TrueScene(tmp_path / "a.jpg", RECORD, pd.DataFrame(PLANTS))


def test_pixels_go_to_the_ground(scene):
    assert scene.to_ground([px(0), px(12.5, -3)]) == pytest.approx(np.array([[0, 0], [12.5, -3]]))


def test_counts_that_can_be_worked_out(scene):
    # p1 exact, p2 1.9 cm on, p3 missed, p4 1 cm back, p5 missed; p6 hidden, p7 not measured: excused; a weed
    found = np.array([px(-60), px(-38.1), px(-21), px(20), px(80), px(30, 5)])
    s = score_scene(scene, found, STRETCH)
    assert (s.asked, s.hit, s.false, s.found) == (5, 3, 1, 4)
    assert (s.doubles, s.doubles_hit, s.late, s.late_hit) == (1, 0, 1, 1)
    # p7 is seen in the main row but not measured; p8 stands in another row
    assert (s.main, s.main_covered) == (6, 5)


def test_error_is_signed_and_along_the_row(scene):
    s = score_scene(scene, np.array([px(-59, 1), px(-40.5)]), STRETCH)
    assert sorted(s.error_cm) == pytest.approx([-0.5, 1.0])


def test_both_plants_of_a_double(scene):
    s = score_scene(scene, np.array([px(-40.2), px(-35.5)]), STRETCH)
    assert (s.doubles, s.doubles_hit) == (1, 1)


def test_nothing_found_and_nothing_measured(scene):
    s = score_scene(scene, np.empty((0, 2)), STRETCH)
    assert (s.asked, s.hit, s.false) == (5, 0, 0)
    s = score_scene(scene, np.empty((0, 2)), np.empty((0, 4)))
    assert (s.asked, s.main, s.main_covered) == (0, 6, 0)
    sums = total([s])
    assert sums["covered"] == 0 and np.isnan(sums["recall"]) and np.isnan(sums["stem_error_mm"])


def test_an_open_stretch_measures_nothing(scene):
    assert score_scene(scene, np.empty((0, 2)), np.full((1, 4), np.nan)).asked == 0


def test_sums(scene):
    one = score_scene(scene, np.array([px(-60), px(-38.1), px(-21), px(30, 5)]), STRETCH)  # 3 of 5, 1 false
    two = score_scene(scene, np.array([px(-60), px(-40), px(-36), px(-20), px(0)]), STRETCH)  # all
    sums = total([one, two])
    assert (sums["asked"], sums["hit"], sums["false"]) == (10, 8, 1)
    assert sums["recall"] == pytest.approx(0.8)
    assert sums["precision"] == pytest.approx(8 / 9)
    assert sums["f1"] == pytest.approx(16 / 19)
    # errors 0, 1.9 (or 2.1 to p3's side: p2 is nearer), -1, and five of 0
    assert sums["stem_error_mm"] == pytest.approx(29 / 8)
    assert sums["stem_bias_mm"] == pytest.approx(9 / 8)
    assert sums["count_error_pct"] == pytest.approx(-10)
    assert sums["count_bias"] == pytest.approx(-0.5)
    assert sums["doubles_found"] == pytest.approx(0.5)


def test_nothing_to_sum():
    sums = total([])
    assert sums["photos"] == 0 and np.isnan(sums["f1"])


def test_lens_is_undone():
    true = np.array([[0.0, 0.0], [0.3, -0.2], [-0.6, 0.45]])
    for k1 in (-0.08, 0.0, 0.02):
        seen = true * (1 + k1 * (true**2).sum(axis=1, keepdims=True))
        assert undistorted(seen, k1) == pytest.approx(true, abs=1e-12)


def test_sky_is_nowhere():
    # camera axes right, up, back: looking along the ground's Y, so the upper half of the picture is sky
    level = RECORD | {"camera": RECORD["camera"] | {"R_cam_to_world": [[1, 0, 0], [0, 0, -1], [0, 1, 0]]}}
    scene = TrueScene(None, level, pd.DataFrame(PLANTS))
    ground = scene.to_ground([[1000, 400], [1000, 600]])
    assert np.isnan(ground[0]).all()
    # 100 px down at 1000 px focal length from 100 cm: 1000 cm away
    assert ground[1] == pytest.approx([0, 1000])


def test_the_generators_own_map_agrees(scenes):
    """The camera of a rendered scene, by its JSON, against the camera that rendered it."""
    from standcam.synthetic.scene import scene_record

    for name in ("tilted", "portrait"):
        made = scenes(name)
        scene = TrueScene(None, json.loads(json.dumps(scene_record(made))), made.truth)
        points = np.array([[10.0, 590.0], [300.0, 300.0], [560.0, 420.0]])
        assert scene.to_ground(points) == pytest.approx(made.ground_map().to_ground(points), abs=1e-4)


def test_folders_are_read_and_faults_named(tmp_path):
    with pytest.raises(BadSettings, match="holds no scenes"):
        list(read_scenes(tmp_path))
    for name in ("scenes", "truth", "images"):
        (tmp_path / name).mkdir()
    (tmp_path / "scenes" / "a.scene.json").write_text(json.dumps(RECORD))
    (tmp_path / "scenes" / "strip.scene.json").write_text(json.dumps(RECORD | {"mode": "drone"}))
    with pytest.raises(BadSettings, match=r"a\.scene\.json"):
        list(read_scenes(tmp_path))
    pd.DataFrame(PLANTS).to_csv(tmp_path / "truth" / "a.csv", index=False)
    with pytest.raises(BadSettings, match=r"a\.jpg is missing"):
        list(read_scenes(tmp_path))
    (tmp_path / "images" / "a.jpg").write_bytes(b"x")
    (scene,) = read_scenes(tmp_path)
    assert scene.group("soil.kind") == "dry" and scene.group("") == "all" and scene.group("soil.x.y") == "None"
    assert (scene.plants["is_double_of"] == "p2").sum() == 1
    pd.DataFrame(PLANTS).drop(columns="kind").to_csv(tmp_path / "truth" / "a.csv", index=False)
    with pytest.raises(BadSettings, match="has no kind"):
        list(read_scenes(tmp_path))
