"""The planter model against closed forms, and the field table."""

import numpy as np
import pandas as pd
import pytest
from fixtures.scenes import recipe

from standcam.synthetic.camera import place_camera
from standcam.synthetic.field import DOUBLE_MM, FIELD_COLUMNS, lay_field, plant_row
from standcam.synthetic.recipe import PlanterRecipe

SLOTS = 40_000


def gaps_mm(planter, seed=5):
    row = plant_row(planter, 0.0, SLOTS * planter.nominal_spacing_mm, np.random.default_rng(seed))
    return row, np.diff(np.sort(row.x_mm.to_numpy()))


@pytest.mark.parametrize(("p_skip", "p_no_emergence"), [(0.0, 0.05), (0.0, 0.10), (0.06, 0.0), (0.04, 0.08)])
def test_gaps_of_a_perfect_planter_are_geometric(p_skip, p_no_emergence):
    # constant spacing s, independent emergence p: gap = s x Geometric(p), mean s / p, SD s sqrt(1 - p) / p
    # (moments of the geometric distribution); 6.5 in, p = 0.95: 6.842 and 1.530; p = 0.90: 7.222 and 2.284
    s = 165.1
    p = (1 - p_skip) * (1 - p_no_emergence)
    planter = PlanterRecipe(s, 0.0, 0.0, p_skip, 0.0, p_no_emergence, 0.0)
    row, gaps = gaps_mm(planter)
    mean, sd = s / p, s * np.sqrt(1 - p) / p
    assert len(row) == pytest.approx(SLOTS * p, abs=4 * np.sqrt(SLOTS * p * (1 - p)))
    assert gaps.mean() == pytest.approx(mean, abs=4 * sd / np.sqrt(len(gaps)))
    # standard error of a standard deviation: sqrt((kurtosis - 1) / 4n); geometric: kurtosis 9 + p^2 / (1 - p)
    error = np.sqrt((8 + p**2 / (1 - p)) / (4 * len(gaps)))
    assert gaps.std(ddof=1) == pytest.approx(sd, rel=4 * error)
    # shares: no multiple, p singles, 1 - p misses
    assert (gaps <= 0.5 * s).sum() == 0
    assert (gaps <= 1.5 * s).mean() == pytest.approx(p, abs=4 * np.sqrt(p * (1 - p) / len(gaps)))


def test_placement_error_adds_twice_its_variance():
    # variance s^2 (1 - p) / p^2 + 2 sg^2, for independent errors small enough that seeds keep their order
    s, p, sg = 165.1, 0.95, 20.0
    _, gaps = gaps_mm(PlanterRecipe(s, sg, 0.0, 0.0, 0.0, 1 - p, 0.0))
    assert gaps.std(ddof=1) == pytest.approx(np.sqrt(s**2 * (1 - p) / p**2 + 2 * sg**2), rel=0.03)


def test_doubles_and_late_plants_come_at_their_rates():
    planter = PlanterRecipe(200.0, 0.0, 3.0, 0.1, 0.2, 0.0, 0.25)
    row, _ = gaps_mm(planter)
    in_pair = row[row.pair >= 0].groupby("pair").x_mm
    apart = in_pair.max() - in_pair.min()
    slots = (row.pair < 0).sum() + len(apart)
    assert len(apart) / slots == pytest.approx(0.2, abs=0.01)
    assert (in_pair.size() == 2).all()
    assert apart.between(*DOUBLE_MM).all()
    assert apart.mean() == pytest.approx(np.mean(DOUBLE_MM), abs=0.6)
    assert row.late.mean() == pytest.approx(0.25, abs=0.012)
    assert row.off_mm.std() == pytest.approx(3.0, rel=0.03)


def field_of(seed=3, **parts):
    made = recipe(**parts)
    return lay_field(made, place_camera(made.camera), np.random.default_rng(seed))


def test_field_has_rows_at_the_row_width_and_pairs_that_name_their_first_plant():
    field = field_of(planter={"p_double": 0.3}, crop={"row_width_mm": 400.0}, camera={"height_mm": 1800.0})
    assert list(field.columns) == list(FIELD_COLUMNS)
    crop = field[field.kind != "weed"].set_index("plant_id")
    rows = crop.groupby("row_id").y_mm.mean()
    np.testing.assert_allclose(rows.to_numpy(), 400.0 * rows.index.to_numpy(float), atol=6)
    assert 0 in rows.index
    second = crop[crop.is_double_of != ""]
    first = crop.loc[second.is_double_of]
    assert len(second) > 5
    assert (second.row_id.to_numpy() == first.row_id.to_numpy()).all()
    assert pd.Series(second.x_mm.to_numpy() - first.x_mm.to_numpy()).between(*DOUBLE_MM).all()


def test_field_reaches_beyond_the_picture_on_all_sides():
    made = recipe(camera={"tilt_deg": 20.0, "azimuth_deg": 60.0}, crop={"weeds_per_m2": 60.0, "row_width_mm": 300.0})
    camera = place_camera(made.camera)
    field = lay_field(made, camera, np.random.default_rng(1))
    outline = camera.footprint()
    place = field[["x_mm", "y_mm"]].to_numpy()
    assert (place.min(0) < outline.min(0) - 100).all()
    assert (place.max(0) > outline.max(0) + 100).all()


def test_weeds_come_at_their_density():
    field = field_of(crop={"weeds_per_m2": 200.0})
    weeds = field[field.kind == "weed"]
    area = np.prod(np.ptp(weeds[["x_mm", "y_mm"]].to_numpy(), axis=0)) / 1e6
    assert len(weeds) / area == pytest.approx(200, rel=0.1)
    assert weeds.row_id.isna().all()
    assert weeds.leaf_count.isna().all()


def test_late_plants_are_smaller():
    field = field_of(planter={"p_late": 0.5}, crop={"row_width_mm": 150.0, "stage": 3.5})
    stage = field[field.kind != "weed"].groupby("kind").stage.mean()
    assert stage["crop"] - stage["late crop"] == pytest.approx(1.4, abs=0.3)


def test_same_seed_same_field_other_seed_other_field():
    pd.testing.assert_frame_equal(field_of(8), field_of(8))
    assert not field_of(8).x_mm.equals(field_of(9).x_mm)


def test_field_without_any_plant_is_empty_with_all_columns():
    field = field_of(planter={"p_skip": 1.0}, crop={"weeds_per_m2": 0.0})
    assert len(field) == 0
    assert list(field.columns) == list(FIELD_COLUMNS)
