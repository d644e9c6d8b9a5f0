"""The upper half with stems given in place of the network's: what measuring makes of them is then exact.

Where a stem is seen is patched in as pixels of the photo, so that every ground map and every turn of the
picture sees the same plants.
"""

import dataclasses

import numpy as np
import pandas as pd
import pytest
from fixtures.scenes import scene as small_scene
from fixtures.upper import assert_positions_close, flat, photo_of, scene, soil_picture, turned

from standcam import flags, tables
from standcam.ground.geometry import board_toml, default_board
from standcam.ground.map import GroundMap
from standcam.measure import FAR_ERROR_PCT, measure_on, measure_photo
from standcam.plants.stems import Seen
from standcam.settings import Settings

WIDTH, HEIGHT = 1200, 900
GROUND = flat(0.15, WIDTH, HEIGHT)
"""1.8 x 1.35 m."""
PHOTO = photo_of(soil_picture(WIDTH, HEIGHT), "plot_7.jpg")
PLACES = np.array([-75.0, -61, -44, -30, -14, 3, 17, 31, 47, 60, 78])
"""Along the row, from the picture's middle. [cm]"""


@pytest.fixture
def see(monkeypatch):
    """``see(crop_px, weed_px, probability)``: the stems that the next photos show. (n, 2) [px]"""

    def patch(crop_px=(), weed_px=(), probability=0.9):
        crop_px, weed_px = (np.asarray(p, float).reshape(-1, 2) for p in (crop_px, weed_px))

        def look_over(field_cm, vegetation, ground, view, settings=None):
            n = len(crop_px)
            return Seen(
                ground.to_ground(crop_px),
                np.broadcast_to(probability, n).astype(float),
                np.full(n, 0.2),
                ground.to_ground(weed_px),
                np.full(len(weed_px), 0.8),
            )

        monkeypatch.setattr("standcam.measure.look_over", look_over)

    return patch


def row_px(along_cm, across_cm=0.0, angle_deg=0.0, ground=GROUND) -> np.ndarray:
    """Pixels of plants of a straight row, offset to the left of its direction. (n,) [cm] -> (n, 2)"""
    a = np.deg2rad(angle_deg)
    d, left = np.array([np.cos(a), np.sin(a)]), np.array([-np.sin(a), np.cos(a)])
    return ground.to_pixels(np.asarray(along_cm, float)[:, None] * d + across_cm * left)


def crop_of(measured, row=1) -> pd.DataFrame:
    return measured.plants[(measured.plants["row"] == row) & measured.plants["is_crop"]]


def check(measured):
    """What holds for every measurement."""
    tables.check(tables.PLANTS, measured.plants)
    tables.check(tables.POSITIONS, measured.positions)
    tables.check(tables.STRETCHES, measured.stretches)
    assert list(measured.stretches["row"]) == list(range(1, len(measured.rows) + 1))
    assert measured.plants["plant"].tolist() == list(range(1, len(measured.plants) + 1))
    for n, row in enumerate(measured.rows, start=1):
        crop, stretch = crop_of(measured, n), measured.stretches.iloc[n - 1]
        assert stretch["plants"] == len(crop)
        if measured.ground.has_scale:
            assert crop["position_cm"].between(0, row.length_cm).all()
            assert crop["position_cm"].is_monotonic_increasing
            assert stretch["from_cm"] == 0 and stretch["to_cm"] == row.length_cm
    assert len(measured.positions) == (measured.plants["is_crop"].sum() if measured.ground.has_scale else 0)


def test_a_row_of_plants(see):
    see(row_px(PLACES))
    measured = measure_on(PHOTO, GROUND)
    check(measured)
    crop = crop_of(measured)
    assert len(crop) == len(PLACES)
    # the stretch begins 1.5 cm inside the left edge, 90 cm left of the middle; it is walked in half
    # centimetres
    np.testing.assert_allclose(crop["position_cm"], PLACES + 90 - 1.5, atol=0.6)
    np.testing.assert_allclose(np.diff(crop["position_cm"]), np.diff(PLACES), atol=1e-6)
    np.testing.assert_allclose(crop["offset_cm"], 0, atol=1e-6)
    np.testing.assert_allclose(crop[["x_px", "y_px"]], row_px(PLACES), atol=1e-6)
    np.testing.assert_allclose(crop["position_sd_cm"], 0.2)
    stretch = measured.stretches.iloc[0]
    assert stretch["status"] == "ok" and stretch["flags"] == ""
    np.testing.assert_allclose(
        stretch[["from_x_px", "from_y_px", "to_x_px", "to_y_px"]].astype(float),
        [10, 449.5, 1189, 449.5],
        atol=4,
    )
    assert (measured.photo, measured.plot) == ("plot_7.jpg", "plot_7")
    assert measure_on(PHOTO, GROUND, plot="B12").plants["plot"].unique() == ["B12"]
    assert set(measured.seconds) and all(s >= 0 for s in measured.seconds.values())


@pytest.mark.parametrize("angle_deg", [0, 20, 70, 90, 125, 180, 200, 270])
def test_positions_run_from_left_to_right_or_away_from_the_near_edge(see, angle_deg):
    places = PLACES[2:-2]
    see(row_px(places, angle_deg=angle_deg))
    measured = measure_on(PHOTO, GROUND)
    check(measured)
    crop = crop_of(measured)
    gaps, true = np.diff(crop["position_cm"]), np.diff(places)
    dx, dy = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))  # y up, on the ground
    level = abs(dx) >= abs(dy)
    x, y = crop["x_px"].to_numpy(), crop["y_px"].to_numpy()
    assert (np.diff(x) > 0).all() if level else (np.diff(y) < 0).all()
    forward = dx > 0 if level else dy > 0
    # the first guess of the direction keeps a little weight when the row is drawn: a ten-thousandth of a millimetre
    np.testing.assert_allclose(gaps, true if forward else true[::-1], atol=1e-5)


@pytest.mark.parametrize("quarters", [1, 2, 3])
@pytest.mark.parametrize("name", ["easy", "three_rows"])
def test_turning_the_photo_keeps_positions_up_to_reversal(see, monkeypatch, name, quarters):
    made = scene(name)
    stems = made.truth[(made.truth.kind != "weed") & (made.truth.visible == 1)][["x_along_row_mm", "y_across_mm"]]
    cm = stems.to_numpy() / 10
    found = []
    for k in (0, quarters):
        photo, ground = turned(made, k)
        see(ground.to_pixels(cm))
        measured = measure_on(photo, ground)
        check(measured)
        found.append(measured)
    one, other = found
    assert len(one.rows) == len(other.rows)
    for n in range(1, len(one.rows) + 1):
        a, b = (crop_of(m, n)["position_cm"].to_numpy() for m in found)
        length = one.rows[n - 1].length_cm
        assert other.rows[n - 1].length_cm == pytest.approx(length, abs=1)
        back = other.rows[n - 1].length_cm - b[::-1]
        # ends are walked in half centimetres, hence a shift as a whole; gaps are the same
        assert len(a) == len(b)
        same = b if np.abs(a - b).max() < np.abs(a - back).max() else back
        np.testing.assert_allclose(a, same, atol=1.0)
        np.testing.assert_allclose(np.diff(a), np.diff(same), atol=1e-3)


def test_half_the_scale_halves_positions(see):
    see(row_px(PLACES))
    whole, half = measure_on(PHOTO, GROUND), measure_on(PHOTO, flat(0.075, WIDTH, HEIGHT))
    np.testing.assert_allclose(
        np.diff(crop_of(half)["position_cm"]), np.diff(crop_of(whole)["position_cm"]) / 2, atol=1e-6
    )


def test_a_board_described_half_as_large_halves_positions(see, tmp_path):
    made = small_scene("board")
    stems = made.truth[(made.truth.kind != "weed") & (made.truth.visible == 1) & (made.truth.row_id == 0)]
    see(stems[["x_px", "y_px"]])
    board = default_board()
    halved = dataclasses.replace(
        board,
        width_mm=board.width_mm / 2,
        height_mm=board.height_mm / 2,
        markers=tuple(
            dataclasses.replace(m, centre_mm=tuple(v / 2 for v in m.centre_mm), side_mm=m.side_mm / 2)
            for m in board.markers
        ),
    )
    file = tmp_path / "half.toml"
    file.write_text(board_toml(halved), encoding="utf-8")
    found = [
        crop_of(measure_photo(photo_of(made.rgb), settings))["position_cm"].to_numpy()
        for settings in (Settings(), Settings().replace("calibration", board=str(file)))
    ]
    assert min(map(len, found)) > 7
    true = np.diff(np.sort(stems["x_along_row_mm"].to_numpy() / 10))
    # the margin left out at the edge of the picture is twice as many pixels when the scale is half
    assert within(np.diff(found[0]), true, atol_cm=0.3)
    assert within(np.diff(found[1]) * 2, np.diff(found[0]), atol_cm=0.02)


def within(part: np.ndarray, whole: np.ndarray, atol_cm: float) -> bool:
    """Whether ``part`` is a run of ``whole``."""
    starts = range(len(whole) - len(part) + 1)
    return any(np.allclose(whole[k : k + len(part)], part, rtol=0, atol=atol_cm) for k in starts)


def test_weeds_are_listed_and_not_counted(see):
    weeds = row_px([-50.0, 0.0, 40.0], 25.0)
    beside_crop = row_px([PLACES[4] + 0.5], 0.5)
    see(row_px(PLACES), np.r_[weeds, beside_crop])
    measured = measure_on(PHOTO, GROUND)
    check(measured)
    weed = measured.plants[~measured.plants["is_crop"]]
    # one that stands where a crop plant was found is that crop plant
    assert_positions_close(weed[["x_px", "y_px"]].to_numpy(), weeds, 1e-6)
    np.testing.assert_allclose(weed["offset_cm"], -25, atol=0.1)
    np.testing.assert_allclose(weed["crop_probability"], 0.2)
    assert weed["position_sd_cm"].isna().all()
    assert measured.stretches.loc[0, "plants"] == len(PLACES)
    assert weed["plant"].min() > crop_of(measured)["plant"].max()


def test_doubtful_stems_are_listed_and_not_counted(see):
    probability = np.full(len(PLACES), 0.9)
    probability[[3, 7]] = 0.1
    see(row_px(PLACES), probability=probability)
    measured = measure_on(PHOTO, GROUND)
    check(measured)
    assert measured.stretches.loc[0, "plants"] == len(PLACES) - 2
    assert len(measured.plants) == len(PLACES)


def test_a_row_of_finds_that_may_not_be_plants_is_flagged_and_one_such_find_is_not(see):
    bit = flags.bit("finds_unsure")

    def flagged(places, probability):
        see(row_px(places), probability=probability)
        return bool(flags.parse(measure_on(PHOTO, GROUND).stretches.loc[0, "flags"]) & bit)

    assert not flagged(PLACES, 0.97)
    assert flagged(PLACES, 0.5)
    one = np.full(len(PLACES), 0.97)
    one[4] = 0.4
    assert not flagged(PLACES, one)
    assert not flagged(PLACES[4:5], 0.2)


def test_doubles_are_told_and_lone_plants_not(see):
    places = np.sort(np.r_[PLACES, PLACES[5] + 3.0])
    see(row_px(places))
    crop = crop_of(measure_on(PHOTO, GROUND))
    split = crop["flags"].str.contains("split").to_numpy()
    np.testing.assert_array_equal(np.flatnonzero(split), [5, 6])


def test_weak_plants_and_plants_at_the_edge_are_flagged(see):
    rgb = soil_picture(WIDTH, HEIGHT)
    px = row_px(PLACES)
    for x, y in px[1:]:
        rgb[round(y) - 8 : round(y) + 8, round(x) - 8 : round(x) + 8] = (70, 130, 50)  # 2.4 cm across
    near_edge = GROUND.to_ground([[12.0, 449.5]])[:, 0]  # 1.8 cm from the edge, inside the stretch
    see(np.r_[px, row_px(near_edge)])
    crop = crop_of(measure_on(photo_of(rgb), GROUND))
    words = crop["flags"].tolist()
    assert "at_edge" in words[0] and not any("at_edge" in w for w in words[1:])
    # the first true plant was drawn without leaves, as was the one at the edge
    assert [("weak" in w) for w in words] == [True, True] + [False] * 10
    np.testing.assert_allclose(crop["area_cm2"].iloc[2:], 16**2 * 0.15**2, rtol=0.2)


def test_plants_outside_the_stretch_are_left_out(see):
    # at the very edge a plant is cut: neither it nor its absence counts
    places = np.r_[-89.8, PLACES, 89.5]
    see(row_px(places))
    measured = measure_on(PHOTO, GROUND)
    check(measured)
    assert len(crop_of(measured)) == len(PLACES)


# rows


def test_the_row_nearest_to_the_middle_is_the_first_then_its_neighbours(see):
    see(np.concatenate([row_px(PLACES, y, 10) for y in (-52, 8, 45)]))
    measured = measure_on(PHOTO, GROUND)
    check(measured)
    assert len(measured.rows) == 3
    away = [abs(float(row.offset([[0, 0]])[0])) for row in measured.rows]
    np.testing.assert_allclose(away, [8, 45, 52], atol=0.6)
    turn = [abs(np.dot(row.direction, measured.rows[0].direction)) for row in measured.rows]
    assert min(turn) > np.cos(np.deg2rad(2))


def test_a_dense_corner_of_a_neighbour_is_not_the_row_the_photo_was_taken_of(see):
    # 35 degrees across the picture: 2.2 m of row through its middle, 0.7 m of its neighbour in the corner
    row = row_px(np.arange(-84, 85, 14), angle_deg=35)
    corner = GROUND.to_ground([[90.0, 90.0]])[0]
    a = np.deg2rad(35)
    along, across = corner @ [np.cos(a), np.sin(a)], corner @ [-np.sin(a), np.cos(a)]
    neighbour = row_px(along + np.arange(-21, 22, 7), across - 10, angle_deg=35)
    see(np.r_[row, neighbour], probability=np.r_[np.full(len(row), 0.5), np.full(len(neighbour), 0.95)])
    measured = measure_on(PHOTO, GROUND)
    check(measured)
    assert abs(float(measured.rows[0].offset([[0, 0]])[0])) < 1
    assert measured.stretches.loc[0, "plants"] == len(row)


def test_of_two_directions_the_one_with_surer_stems_is_the_planters(see):
    crop, weeds = row_px(PLACES[1:-1:2], angle_deg=15), row_px(PLACES[2:-2], angle_deg=80)
    see(np.r_[crop, weeds], probability=np.r_[np.full(len(crop), 0.95), np.full(len(weeds), 0.12)])
    measured = measure_on(PHOTO, GROUND)
    turn = np.rad2deg(np.arctan2(measured.rows[0].direction[1], measured.rows[0].direction[0]))
    assert turn == pytest.approx(15, abs=1.5)


def test_two_plants_make_an_unsure_row(see):
    see(row_px(PLACES[[3, 8]]))
    measured = measure_on(PHOTO, GROUND)
    check(measured)
    assert measured.stretches.loc[0, "plants"] == 2
    assert "row_unsure" in measured.stretches.loc[0, "flags"]


def test_scatter_about_the_line_is_told(see):
    rng = np.random.default_rng(5)
    for scatter in (0.0, 1.0):
        off = rng.normal(0, scatter, len(PLACES)) if scatter else np.zeros(len(PLACES))
        see(np.concatenate([row_px([x], y) for x, y in zip(PLACES, off, strict=True)]))
        measured = measure_on(PHOTO, GROUND)
        assert measured.rows[0].sd_cm == pytest.approx(scatter, abs=0.5)
        assert len(crop_of(measured)) == len(PLACES)


# nothing there


def test_bare_ground_is_a_measured_empty_stand(see):
    see()
    measured = measure_on(PHOTO, GROUND)
    check(measured)
    stretch = measured.stretches.iloc[0]
    assert (stretch["status"], stretch["plants"], len(measured.plants)) == ("empty", 0, 0)
    assert stretch["to_cm"] == pytest.approx(180 - 3, abs=1.5)
    assert set(flags.names(flags.parse(stretch["flags"]))) == {"row_unsure", "no_plants"}
    assert any("empty stand" in note for note in measured.notes)


def test_weeds_alone_are_no_stand(see):
    see(weed_px=row_px(PLACES, 20))
    measured = measure_on(PHOTO, GROUND)
    check(measured)
    assert measured.stretches.loc[0, "status"] == "empty"
    assert len(measured.plants) == len(PLACES) and not measured.plants["is_crop"].any()


def test_doubtful_stems_alone_are_no_stand_and_do_not_choose_the_row(see):
    see(row_px(PLACES[3:7], 20, angle_deg=50), probability=0.12)
    measured = measure_on(PHOTO, GROUND)
    check(measured)
    assert measured.flags & flags.bit("no_plants")
    assert measured.stretches.loc[0, "to_cm"] == pytest.approx(180 - 3, abs=1.5)
    assert not measured.plants["is_crop"].any()


def test_ground_too_coarse_for_stems_is_no_empty_stand(see):
    see(row_px(PLACES))
    measured = measure_on(PHOTO, flat(0.5, WIDTH, HEIGHT))
    check(measured)
    assert measured.stretches.loc[0, "status"] == "no_row"
    assert any("2.2 mm" in note and "closer" in note for note in measured.notes)


# scale


def test_without_scale_plants_are_counted_and_centimetres_left_empty(see):
    see(row_px(PLACES), row_px([0.0], 20))
    ground = dataclasses.replace(GROUND, method="none", flags=flags.bit("no_scale"))
    measured = measure_on(PHOTO, ground)
    check(measured)
    assert measured.plants[["position_cm", "offset_cm", "position_sd_cm", "area_cm2"]].isna().all(axis=None)
    stretch = measured.stretches.iloc[0]
    assert stretch["plants"] == len(PLACES)
    assert stretch["status"] == "no_scale" and "no_scale" in stretch["flags"]
    assert np.isnan([stretch["from_cm"], stretch["to_cm"]]).all()
    assert np.isfinite(stretch[["from_x_px", "to_x_px"]].astype(float)).all()
    assert len(measured.positions) == 0


def test_far_from_the_mark_is_flagged_by_expected_error(see):
    see(row_px(PLACES))
    assert 1.6 < FAR_ERROR_PCT < 4.8
    marked = dataclasses.replace(GROUND, mark_px=(100.0, 450.0))
    for error, far in ((1.0, False), (3.0, True), (float("nan"), False)):
        # 1.6 m to the far end: 1.6 % and 4.8 %
        measured = measure_on(PHOTO, dataclasses.replace(marked, scale_error_pct_per_m=error))
        assert ("far_from_scale" in measured.stretches.loc[0, "flags"]) is far


def test_flags_of_photo_and_ground_reach_the_rows(see):
    see(row_px(PLACES))
    photo = dataclasses.replace(PHOTO, flags=flags.bit("converted"))
    measured = measure_on(photo, dataclasses.replace(GROUND, flags=flags.bit("scale_flat"), notes=("A note.",)))
    assert {"converted", "scale_flat"} <= set(flags.names(flags.parse(measured.stretches.loc[0, "flags"])))
    assert measured.notes[0] == "A note."


# odd pictures, with the network at work


@pytest.mark.parametrize(("width", "height"), [(1, 1), (3, 200), (64, 64), (257, 31)])
def test_tiny_pictures(width, height):
    photo = photo_of(soil_picture(width, height))
    for measured in (measure_photo(photo), measure_on(photo, flat(0.15, width, height))):
        check(measured)
        assert measured.stretches["plants"].sum() == measured.plants["is_crop"].sum()


@pytest.mark.parametrize("colour", [(0, 0, 0), (255, 255, 255), (120, 100, 80), (60, 160, 50)])
def test_pictures_of_one_colour(colour):
    measured = measure_on(photo_of(np.full((300, 400, 3), colour, np.uint8)), flat(0.2, 400, 300))
    check(measured)
    assert np.isfinite(measured.stretches["to_cm"]).all()


@pytest.mark.parametrize("cm_per_px", [1e-6, 1e-3, 0.22, 1.0, 1e4])
def test_any_scale_can_be_survived(cm_per_px):
    check(measure_on(photo_of(soil_picture(400, 300)), flat(cm_per_px, 400, 300)))


@pytest.mark.parametrize("horizon_px", [-20.5, 40.0, 149.5, 299.0])
def test_a_horizon_anywhere_can_be_survived(horizon_px):
    # ground = (x, 60) / (y - horizon): 149.5 runs through the very middle of the picture
    H = np.array([[0.5, 0, -100], [0, 0, 60.0], [0, 0.02, -0.02 * horizon_px]])
    check(measure_on(photo_of(soil_picture(400, 300)), GroundMap(H, 400, 300, "truth")))
