"""From peaks to the stems of a row; sheets over fields; green areas. No network."""

import dataclasses

import numpy as np
import pytest
from fixtures.upper import assert_positions_close, flat
from hypothesis import given
from hypothesis import strategies as st

from standcam.ground.map import GroundMap
from standcam.plants.heat import GRANULE_PX, SHEET_CM
from standcam.plants.stems import Seen, Stems, frame_over, green_areas, rival_reach, stems_along
from standcam.rows.find import field_of
from standcam.rows.line import RowLine
from standcam.settings import RowSettings, StemSettings
from standcam.vegetation.segment import Vegetation

ROW = RowLine((0.0, 0.0), (1.0, 0.0), from_cm=-50.0, to_cm=50.0)
SETTINGS = StemSettings()


def seen(crop_cm, probability=0.8, sd_cm=0.3, calibration=SETTINGS.calibration) -> Seen:
    crop = np.asarray(crop_cm, float).reshape(-1, 2)
    n = len(crop)
    p = np.broadcast_to(probability, n).astype(float)
    return Seen(crop, p, np.full(n, sd_cm), np.empty((0, 2)), np.empty(0), calibration)


def test_stems_of_a_row_come_in_its_order_with_their_places():
    stems = stems_along(ROW, seen([[30, 1], [-20, -1], [5, 0], [0, 20]]), SETTINGS)
    np.testing.assert_allclose(stems.position_cm, [-20, 5, 30])
    np.testing.assert_allclose(stems.offset_cm, [1, 0, -1])
    np.testing.assert_allclose(stems.points_cm, [[-20, -1], [5, 0], [30, 1]])
    assert len(stems) == 3 and (stems.position_sd_cm == 0.3).all()


def test_standing_on_the_line_speaks_for_crop_and_off_it_against():
    stems = stems_along(ROW, seen([[0, 0], [10, 5.5]], 0.5, calibration=(0.0, 1.0, 0.0, 0.0)), SETTINGS)
    on, off = stems.probability
    assert on > 0.5 > off
    # within a bounded factor of the odds either way
    assert on / (1 - on) <= SETTINGS.row_odds * (1 + 1e-9)
    assert off / (1 - off) >= (1 - 1e-9) / SETTINGS.row_odds


def test_a_peak_beside_a_hotter_one_loses_and_two_hot_ones_stay_two():
    def probabilities(*places):
        along, heat = zip(*places, strict=True)
        return stems_along(ROW, seen([[x, 0] for x in along], np.array(heat)), SETTINGS).probability

    alone = probabilities((0, 0.3))[0]
    beside_hotter = probabilities((0, 0.3), (3, 0.8))[0]
    far_from_hotter = probabilities((0, 0.3), (40, 0.8))[0]
    assert beside_hotter < 0.5 < alone
    assert far_from_hotter == pytest.approx(alone, abs=0.01)
    assert (probabilities((0, 0.75), (3, 0.8)) > 0.5).all()


@given(st.lists(st.tuples(st.floats(-40, 40), st.floats(-8, 8), st.floats(0.0, 1.0)), max_size=12))
def test_stems_are_some_of_those_seen(places):
    crop = np.array([(x, y) for x, y, _ in places]).reshape(-1, 2)
    stems = stems_along(ROW, seen(crop, np.array([p for *_, p in places])), SETTINGS)
    assert (np.abs(stems.offset_cm) <= SETTINGS.off_row_cm).all()
    assert (np.diff(stems.position_cm) >= 0).all()
    assert ((stems.probability >= SETTINGS.lowest_probability) & (stems.probability <= 1)).all()
    assert {tuple(p) for p in stems.points_cm} <= {tuple(p) for p in crop}


def test_nothing_seen_no_stems():
    stems = stems_along(ROW, Seen.nothing(), SETTINGS)
    assert len(stems) == len(Stems.none()) == 0
    assert stems.points_cm.shape == (0, 2)


def test_stems_placed_along_the_row_turned_round():
    stems = stems_along(ROW, seen([[30, 1], [-20, -1], [5, 0]]), SETTINGS)
    back = stems.at(np.arange(3)[::-1], ROW.turned_round())
    np.testing.assert_allclose(back.position_cm, [-30, -5, 20])
    np.testing.assert_allclose(back.offset_cm, [1, 0, -1])
    assert_positions_close(back.points_cm, stems.points_cm, 1e-12)
    np.testing.assert_array_equal(stems.at(stems.position_cm > 0, ROW).position_cm, [5, 30])


# the sheet over the field


def sheet_over(ground: GroundMap, settings: StemSettings = SETTINGS):
    field = field_of(ground, RowSettings())
    return frame_over(field.points_cm, ground, settings), field.points_cm


@pytest.mark.parametrize("size", [(1200, 900), (900, 1200), (100, 80)])
def test_the_sheet_covers_the_field_and_little_more(size):
    frame, field = sheet_over(flat(0.15, *size))
    at = frame.to_sheet(field)
    assert (at >= -1e-6).all() and (at <= [frame.width_px, frame.height_px]).all()
    for px, side in zip((frame.width_px, frame.height_px), size, strict=True):
        assert px % GRANULE_PX == 0
        assert px * SHEET_CM <= side * 0.15 + GRANULE_PX * SHEET_CM


def test_the_sheet_is_turned_with_the_picture():
    a = 0.5
    turn = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]])
    ground = flat(0.15, 1200, 900)
    frame, _ = sheet_over(dataclasses.replace(ground, ground_from_px=turn @ ground.ground_from_px))
    upright, _ = sheet_over(ground)
    np.testing.assert_allclose(frame.axis, (np.cos(a), np.sin(a)), atol=1e-9)
    assert (frame.width_px, frame.height_px) == (upright.width_px, upright.height_px)


def test_a_wrong_scale_cannot_make_the_sheet_enormous():
    # 40 m across at just resolvable pixels
    ground = flat(0.21, 20_000, 12_000)
    frame, field = sheet_over(ground)
    longest = SETTINGS.widest_look_cm / SHEET_CM + GRANULE_PX
    assert max(frame.width_px, frame.height_px) <= longest
    # about the field's middle
    middle = frame.to_ground([[(frame.width_px - 1) / 2, (frame.height_px - 1) / 2]])[0]
    np.testing.assert_allclose(middle, (field.min(0) + field.max(0)) / 2, atol=2 * GRANULE_PX * SHEET_CM)
    small, _ = sheet_over(ground, StemSettings(widest_look_cm=100.0))
    assert small.width_px <= 100 / SHEET_CM + GRANULE_PX


def test_one_place_of_ground_still_has_a_sheet():
    frame = frame_over(np.array([[3.0, 4.0]]), flat(0.15, 80, 60), SETTINGS)
    assert (frame.width_px, frame.height_px) == (GRANULE_PX, GRANULE_PX)
    horizon = GroundMap(np.array([[1, 0, 0], [0, 1, 0], [0, 1, -29.5]], float), 80, 60, "truth")
    assert np.isfinite(frame_over(np.array([[3.0, 4.0]]), horizon, SETTINGS).axis).all()


# green areas


def vegetation(mask: np.ndarray, factor: int = 1) -> Vegetation:
    return Vegetation(np.zeros(mask.shape, np.uint8), np.zeros((*mask.shape, 3), np.uint8), mask, factor)


@pytest.mark.parametrize("factor", [1, 2])
def test_green_is_shared_out_to_the_nearest_stem(factor):
    ground = flat(0.1, 400, 200)
    mask = np.zeros((200 // factor, 400 // factor), bool)
    mask[80 // factor : 120 // factor, 100 // factor : 140 // factor] = True  # 4 x 4 cm about (119.5, 99.5)
    mask[80 // factor : 100 // factor, 260 // factor : 280 // factor] = True  # 2 x 2 cm
    stems = ground.to_ground(np.array([[119.5, 99.5], [270, 110.0]]))
    np.testing.assert_allclose(green_areas(stems, vegetation(mask, factor), ground), [16, 4], rtol=1e-6)
    # out of reach
    far = green_areas(stems[:1], vegetation(mask, factor), ground, reach_cm=5.0)
    np.testing.assert_allclose(far, [16], rtol=1e-6)


def test_green_areas_of_nothing():
    ground = flat(0.1, 40, 20)
    assert green_areas(np.empty((0, 2)), vegetation(np.ones((20, 40), bool)), ground).shape == (0,)
    for mask in (np.zeros((20, 40), bool), np.zeros((2, 3), bool)):
        np.testing.assert_array_equal(green_areas(np.zeros((2, 2)), vegetation(mask), ground), [0, 0])


@pytest.mark.parametrize(("gap", "reach"), [(4.0, 2.0), (6.0, 3.0), (16.0, 4.0)])
def test_rivals_reach_less_far_where_plants_are_sown_closely(gap, reach):
    position = np.arange(8) * gap
    assert rival_reach(position, np.full(8, 0.9), StemSettings(), 0.5) == pytest.approx(reach)
    assert rival_reach(position, np.full(8, 0.2), StemSettings(), 0.5) == StemSettings().closeness_cm
    assert rival_reach(position, np.full(8, 0.9), StemSettings(), np.inf) == StemSettings().closeness_cm
    assert rival_reach(position[:3], np.full(3, 0.9), StemSettings(), 0.5) == StemSettings().closeness_cm
