"""Boards in drawn photos with exact truth: what is found, how exactly, and what is said about it."""

import dataclasses

import cv2
import numpy as np
import pytest
from fixtures.drawn_board import HEIGHT, WIDTH, camera, draw, photo_of, placement, true_corners

from standcam import flags
from standcam.errors import BoardNotFound
from standcam.ground import board
from standcam.ground.board import find_boards, map_from_board
from standcam.ground.geometry import (
    BoardGeometry,
    Marker,
    board_toml,
    built_in_boards,
    default_board,
    small_board,
)
from standcam.ground.markers import Greys
from standcam.settings import CalibrationSettings

BOARD = default_board()
VIEW = camera()


def views_of(photo, *geometries):
    return find_boards(Greys(photo.rgb), geometries or (BOARD,))


def corner_errors(view, drawn_by, place=None):
    """Largest error of each corner with full trust. [px]."""
    errors = []
    for id, reading in view.readings.items():
        off = np.linalg.norm(reading.quad - true_corners(drawn_by, view.geometry, id, place), axis=1)
        errors += off[view.weights[id] > 0.9].tolist()
    return np.array(errors)


def box(x, y, w, h):
    return np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]], float)


def ground_errors_cm(ground, drawn_by, reach_mm=600.0):
    """How far ground points lie from their place, over what the picture shows of the plane [cm]."""
    x, y = np.meshgrid(np.linspace(-reach_mm, reach_mm, 13), np.linspace(-reach_mm, reach_mm, 13))
    mm = np.c_[x.ravel(), y.ravel()]
    px = drawn_by.project(mm)
    seen = ((px >= 0) & (px <= [WIDTH - 1, HEIGHT - 1])).all(1)
    return np.linalg.norm(ground.to_ground(px[seen]) - mm[seen] * [0.1, -0.1], axis=1)


@pytest.fixture(scope="module")
def clean():
    return draw(VIEW)


def test_clean_board_is_found_to_a_tenth_of_a_pixel(clean):
    (view,) = views_of(clean)
    assert sorted(view.readings) == [0, 1, 2, 3]
    assert corner_errors(view, VIEW).max() < 0.1
    assert min(r.correlation for r in view.readings.values()) > 0.95


def test_clean_board_gives_the_ground_and_the_camera(clean):
    ground = map_from_board(clean, CalibrationSettings())
    assert ground.flags == 0
    assert ground.residual_mm < 0.1
    # board frame has y down and z into the soil, the ground frame y and z up
    assert ground.camera_cm == pytest.approx(VIEW.centre_mm / [10, -10, -10], abs=0.5)
    assert ground_errors_cm(ground, VIEW).max() < 0.3
    middle = VIEW.project(np.zeros((1, 2)))[0]
    assert ground.mark_px == pytest.approx(middle, abs=0.2)
    assert np.array(ground.mark_hull_px) == pytest.approx(VIEW.project(BOARD.outline_mm()), abs=0.5)
    assert len(ground.marks_px) == 4


def test_ground_frame_is_right_handed(clean):
    ground = map_from_board(clean, CalibrationSettings())
    # right-handed with z up means: seen from above, turning right in the picture (y down) turns the ground
    # clockwise
    assert np.linalg.det(ground.jacobian(np.array([[600.0, 450.0]]))[0]) < 0


@pytest.mark.parametrize("turn", [90.0, 180.0, 233.0])
def test_board_is_found_however_it_lies(turn):
    view = camera(turn_deg=turn, tilt_deg=25.0)
    (found,) = views_of(draw(view))
    assert sorted(found.readings) == [0, 1, 2, 3]
    assert corner_errors(found, view).max() < 0.15


def test_missing_marker_is_not_invented():
    photo = draw(VIEW, patches=[(box(120, 70, 60, 60), 0.8)])
    (view,) = views_of(photo)
    assert sorted(view.readings) == [0, 1, 3]
    ground = map_from_board(photo, CalibrationSettings())
    assert ground.flags == 0
    assert "not seen: 2" in ground.notes[0]
    assert ground_errors_cm(ground, VIEW).max() < 0.5


def test_leaves_across_two_markers_do_not_spoil_the_scale():
    leaves = [
        (np.array([[-190.0, -128], [-184, -132], [-110, -60], [-116, -56]]), 0.25),
        (np.array([[175.0, 60], [182, 66], [128, 140], [120, 136]]), 0.25),
    ]
    photo = draw(VIEW, patches=leaves)
    (view,) = views_of(photo)
    assert sorted(view.readings) == [0, 1, 2, 3]
    assert corner_errors(view, VIEW).max() < 0.3
    assert ground_errors_cm(map_from_board(photo, CalibrationSettings()), VIEW).max() < 0.5


def test_a_hidden_corner_is_told_by_its_edges():
    photo = draw(VIEW, patches=[(box(-182, -132, 14, 14), 0.12)])
    (view,) = views_of(photo)
    assert sorted(view.readings) == [0, 1, 2, 3]
    assert np.linalg.norm(view.readings[0].quad - true_corners(VIEW, BOARD, 0), axis=1).max() < 0.3


def test_half_hidden_board_still_serves():
    # soil thrown over the right half
    photo = draw(VIEW, patches=[(box(60, -180, 260, 360), 0.14)])
    (view,) = views_of(photo)
    assert sorted(view.readings) == [0, 3]
    ground = map_from_board(photo, CalibrationSettings())
    assert flags.names(ground.flags) == ["few_markers"]
    assert any("Only 2 of 4 markers" in note for note in ground.notes)
    assert ground_errors_cm(ground, VIEW).max() < 1.5


def test_one_marker_gives_a_scale_with_a_flag():
    photo = draw(VIEW, patches=[(box(-90, -180, 400, 360), 0.14), (box(-210, 20, 300, 180), 0.14)])
    (view,) = views_of(photo)
    assert sorted(view.readings) == [0]
    ground = map_from_board(photo, CalibrationSettings())
    assert flags.names(ground.flags) == ["few_markers"]
    at = VIEW.project(np.array([[-150.0, -100.0]]))
    true = 0.1 * np.sqrt(abs(np.linalg.det(np.linalg.inv(jacobian_px_per_mm(VIEW, at[0])))))
    assert ground.cm_per_px(at)[0] == pytest.approx(true, rel=0.03)


def jacobian_px_per_mm(view, px):
    mm = np.array([[-150.0, -100.0]])
    steps = np.array([[0.5, 0], [-0.5, 0], [0, 0.5], [0, -0.5]])
    a, b, c, d = view.project(mm + steps)
    return np.c_[a - b, c - d]


def test_blurred_board_is_found():
    photo = draw(VIEW, blur_px=1.8)
    (view,) = views_of(photo)
    assert sorted(view.readings) == [0, 1, 2, 3]
    assert corner_errors(view, VIEW).max() < 0.3


def test_dark_noisy_photo_is_read():
    photo = draw(VIEW, noise=6.0)
    dark = dataclasses.replace(photo, rgb=(photo.rgb * 0.3).astype(np.uint8))
    (view,) = views_of(dark)
    assert len(view.readings) >= 3
    assert corner_errors(view, VIEW).max() < 0.4


def test_shadow_edge_across_the_board_does_not_move_it(clean):
    shade = np.ones((HEIGHT, WIDTH), np.float32)
    cv2.fillPoly(shade, [np.array([[0, 0], [700, 0], [460, 900], [0, 900]], np.int32)], 0.45)
    rgb = (clean.rgb * shade[..., None]).astype(np.uint8)
    (view,) = views_of(photo_of(rgb))
    assert sorted(view.readings) == [0, 1, 2, 3]
    assert corner_errors(view, VIEW).max() < 0.3


def test_apriltags_serve_as_well(tmp_path):
    places = [(-150.0, -100.0), (150.0, -100.0), (150.0, 100.0), (-150.0, 100.0)]
    tags = BoardGeometry(
        "tags", "DICT_APRILTAG_36h11", tuple(Marker(10 + i, p, 80.0) for i, p in enumerate(places)), 400, 300
    )
    path = tmp_path / "tags.toml"
    path.write_text(board_toml(tags), encoding="utf-8")
    photo = draw(VIEW, [(tags, placement())])
    (view,) = views_of(photo, tags)
    assert sorted(view.readings) == [10, 11, 12, 13]
    assert corner_errors(view, VIEW).max() < 0.15
    ground = map_from_board(photo, CalibrationSettings(board=str(path)))
    assert ground_errors_cm(ground, VIEW).max() < 0.3


def small(name, offset):
    places = [(-60.0, -40.0), (60.0, -40.0), (60.0, 40.0), (-60.0, 40.0)]
    return BoardGeometry(
        name, "DICT_4X4_50", tuple(Marker(offset + i, p, 50.0) for i, p in enumerate(places)), 200, 150
    )


def test_two_boards_are_used_together_and_span_the_picture():
    board = small("small", 0)
    places = [placement(-280, 30, 12), placement(290, -60, -40)]
    photo = draw(VIEW, [(board, p) for p in places])
    found = views_of(photo, board)
    assert [len(v.readings) for v in found] == [4, 4]
    # which is first is open: pair them by place
    for view in found:
        errors = [corner_errors(view, VIEW, p).max() for p in places]
        assert min(errors) < 0.2


def test_two_boards_give_a_surer_scale_than_one(tmp_path):
    board = small("small", 0)
    path = tmp_path / "small.toml"
    path.write_text(board_toml(board), encoding="utf-8")
    lens = tmp_path / "lens.toml"
    lens.write_text(f"[lens]\nfocal = {VIEW.K[0, 0] / WIDTH}\ncentre = [0.5, 0.5]\nk1 = 0.0\nk2 = 0.0\n")
    settings = CalibrationSettings(board=str(path), lens=str(lens))
    one = map_from_board(draw(VIEW, [(board, placement(-280, 30, 12))]), settings)
    two = map_from_board(draw(VIEW, [(board, placement(-280, 30, 12)), (board, placement(290, -60, -40))]), settings)
    assert two.flags == 0
    assert len(two.hulls_px) == 2
    assert len(two.marks_px) == 8
    assert two.scale_error_pct_per_m < one.scale_error_pct_per_m
    # a known length far from both: from the first board's middle to the second's
    a, b = two.to_ground(VIEW.project(np.array([[-280.0, 30.0], [290.0, -60.0]])))
    assert np.linalg.norm(a - b) == pytest.approx(np.hypot(57.0, 9.0), rel=0.002)


def test_different_boards_in_one_photo(tmp_path):
    first, second = small("left", 0), small("right", 20)
    path = tmp_path / "both.toml"
    text = "".join(board_toml(b).replace("[board]", "[[board]]") for b in (first, second))
    path.write_text(text, encoding="utf-8")
    photo = draw(VIEW, [(first, placement(-280, 30, 12)), (second, placement(290, -60, -40))])
    ground = map_from_board(photo, CalibrationSettings(board=str(path)))
    assert "'left'" in ground.notes[0]
    assert "'right'" in ground.notes[0]


def test_small_board_is_recognised_unnamed():
    photo = draw(VIEW, [(small_board(), placement(30, -20, 25))])
    ground = map_from_board(photo, CalibrationSettings())
    assert "4 of 4 markers of the board 'small board', ids 4 to 7." in ground.notes[0]
    assert ground.flags == 0
    assert sorted(ground.mark_names) == ["4", "5", "6", "7"]
    ends = ground.to_ground(VIEW.project(np.array([[-250.0, -150.0], [280.0, 170.0]])))
    assert np.linalg.norm(ends[1] - ends[0]) == pytest.approx(np.hypot(53, 32), rel=0.005)


def test_full_and_small_board_in_one_photo_are_both_used():
    far = camera(height_mm=1200.0)
    places = {0: placement(-230, 20, 8), 4: placement(280, -40, -35)}
    photo = draw(far, [(default_board(), places[0]), (small_board(), places[4])])
    views = views_of(photo, *built_in_boards())
    assert sorted(sorted(view.readings) for view in views) == [[0, 1, 2, 3], [4, 5, 6, 7]]
    for view in views:
        assert corner_errors(view, far, places[min(view.readings)]).max() < 0.2
    ground = map_from_board(photo, CalibrationSettings())
    assert ground.flags == 0
    assert "'field board 400 x 300', ids 0 to 3" in ground.notes[0]
    assert "'small board', ids 4 to 7" in ground.notes[0]
    assert (len(ground.marks_px), len(ground.hulls_px)) == (8, 2)
    a, b = ground.to_ground(far.project(np.array([[-230.0, 20.0], [280.0, -40.0]])))
    assert np.linalg.norm(a - b) == pytest.approx(np.hypot(51, 6), rel=0.003)


@pytest.mark.parametrize("stray_id", [2, 6])
def test_a_stray_marker_of_a_built_in_board_is_no_second_board(stray_id):
    stray = BoardGeometry("stray", "DICT_4X4_50", (Marker(stray_id, (0.0, 0.0), 40.0),), 60, 60)
    photo = draw(VIEW, [(BOARD, placement()), (stray, placement(-300, 60, 20))])
    (view,) = views_of(photo, *built_in_boards())
    assert sorted(view.readings) == [0, 1, 2, 3]


def test_a_stray_marker_seen_first_does_not_stay_beside_the_board(monkeypatch):
    """The quick look reads one marker of the board, and a plainer stray one of the other built-in board."""
    stray = BoardGeometry("stray", "DICT_4X4_50", (Marker(6, (0.0, 0.0), 60.0),), 90, 90)
    photo = draw(VIEW, [(BOARD, placement()), (stray, placement(-300, 60, 20))])
    whole = board.read_markers
    monkeypatch.setattr(board, "read_markers", lambda *look: [r for r in whole(*look) if r.id in (1, 6)])
    (view,) = views_of(photo, *built_in_boards())
    assert sorted(view.readings) == [0, 1, 2, 3]


def test_a_board_out_of_the_others_plane_is_flagged(tmp_path):
    board = small("small", 0)
    path = tmp_path / "small.toml"
    path.write_text(board_toml(board), encoding="utf-8")
    photo = draw(VIEW, [(board, placement(-280, 30, 12)), (board, placement(290, -60, -40, rise_deg=22))])
    ground = map_from_board(photo, CalibrationSettings(board=str(path)))
    assert "board_tilted" in flags.names(ground.flags)
    assert any("out of one plane" in note for note in ground.notes)


def test_a_board_that_leans_two_ways_is_flagged_and_a_tilted_camera_is_not():
    steep = draw(camera(tilt_deg=38.0, turn_deg=0.0))
    assert map_from_board(steep, CalibrationSettings()).flags == 0
    propped = draw(camera(tilt_deg=30.0, turn_deg=0.0), [(BOARD, placement(rise_deg=35.0))])
    assert flags.names(map_from_board(propped, CalibrationSettings()).flags) == ["board_tilted"]


def test_stray_markers_of_the_family_do_not_join_the_board():
    # the right ids in wrong places and sizes, as on a second print lying about
    stray = BoardGeometry("stray", "DICT_4X4_50", (Marker(2, (0.0, 0.0), 34.0),), 60, 60)
    other = BoardGeometry("other", "DICT_4X4_50", (Marker(17, (0.0, 0.0), 50.0),), 80, 80)
    photo = draw(
        VIEW,
        [(BOARD, placement()), (stray, placement(-330, 60, 20)), (other, placement(330, 10, 50))],
        patches=[(box(120, 70, 60, 60), 0.8)],
    )
    found = views_of(photo)
    assert len(found) == 1
    assert sorted(found[0].readings) == [0, 1, 3]


def test_another_board_than_described_is_flagged(tmp_path):
    # printed at 300 x 180 mm between centres, described as 300 x 200
    places = [(-150.0, -90.0), (150.0, -90.0), (150.0, 90.0), (-150.0, 90.0)]
    printed = BoardGeometry("p", "DICT_4X4_50", tuple(Marker(i, p, 50.0) for i, p in enumerate(places)), 400, 300)
    ground = map_from_board(draw(VIEW, [(printed, placement())]), CalibrationSettings())
    assert "scale_residual" in flags.names(ground.flags)


def test_bare_soil_raises_board_not_found():
    photo = draw(VIEW, [])
    assert views_of(photo) == []
    with pytest.raises(BoardNotFound, match="'field board 400 x 300'") as error:
        map_from_board(photo, CalibrationSettings())
    assert "drawn.png" in str(error.value)
    assert "flat beside the row" in error.value.remedy


def test_pictures_smaller_than_a_marker_do_no_harm():
    for shape in ((1, 1), (5, 40), (64, 64)):
        assert views_of(photo_of(np.full((*shape, 3), 120, np.uint8))) == []


def test_lens_profile_straightens_the_corners(tmp_path, clean):
    # the clean photo, bent by a known lens: with its profile the ground is as true as before
    lens = tmp_path / "lens.toml"
    focal = VIEW.K[0, 0] / WIDTH
    lens.write_text(f"[lens]\nfocal = {focal}\ncentre = [0.5, 0.5]\nk1 = -0.08\nk2 = 0.0\n")
    from standcam.ground.lens import read_lens

    profile = read_lens(lens)
    x, y = np.meshgrid(np.arange(WIDTH, dtype=float), np.arange(HEIGHT, dtype=float))
    source = profile.undistort(np.c_[x.ravel(), y.ravel()], WIDTH, HEIGHT).astype(np.float32)
    bent = cv2.remap(
        clean.rgb, source[:, 0].reshape(HEIGHT, WIDTH), source[:, 1].reshape(HEIGHT, WIDTH), cv2.INTER_CUBIC
    )
    ground = map_from_board(photo_of(bent), CalibrationSettings(lens=str(lens)))
    mm = np.array([[-300.0, -200.0], [310.0, 180.0]])
    seen = ground.to_ground(profile.distort(VIEW.project(mm), WIDTH, HEIGHT))
    assert seen == pytest.approx(mm * [0.1, -0.1], abs=0.3)
    plain = map_from_board(photo_of(bent), CalibrationSettings())
    off = np.linalg.norm(plain.to_ground(profile.distort(VIEW.project(mm), WIDTH, HEIGHT)) - mm * [0.1, -0.1], axis=1)
    assert off.max() > 0.3


@pytest.mark.parametrize("contrast", [0.5, 0.2, 0.1])
def test_a_board_of_faint_print_is_found_by_a_later_look(clean, contrast):
    """At a tenth of its contrast white lies some 20 levels above black: less than the first look asks for."""
    faint = np.clip(np.round(90 + contrast * (clean.rgb.astype(float) - 90)), 0, 255).astype(np.uint8)
    (view,) = views_of(dataclasses.replace(clean, rgb=faint))
    assert len(view.readings) == 4
    assert corner_errors(view, VIEW).max() < 0.5
