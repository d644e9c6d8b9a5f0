"""A board that lies aslant on the soil, in whole photos: rows that run together give it away."""

import pytest
from fixtures.scenes import made
from fixtures.upper import RECIPES, photo_of

from standcam import flags
from standcam.measure import measure_photo
from standcam.settings import Settings
from standcam.summarise import summarise


def measured(lean_deg):
    """Three rows and a board, its lower edge across the rows and its far end lifted."""
    recipe = RECIPES["three_rows"]
    recipe = recipe.replace("target", tilt_deg=lean_deg, angle_deg=88.0, y_mm=-225.0, x_mm=-60.0)
    scene = made(recipe.replace("crop", row_width_mm=600.0, weeds_per_m2=2.0))
    found = measure_photo(photo_of(scene.rgb), Settings())
    assert found.ground.method == "board" and len(found.rows) >= 2
    return found


def test_rows_tell_of_a_board_that_leans_by_twelve_degrees():
    found = measured(12.0)
    assert "board_tilted" in flags.names(found.flags)
    assert [note for note in found.notes if "as if the board leaned by" in note]
    rows = summarise(found.positions, found.stretches).rows
    assert (rows["trust"] == "poor").all() and rows["trust_reasons"].str.contains("board does not lie flat").all()


@pytest.mark.parametrize("lean_deg", [0.0, 2.0])
def test_a_board_on_the_soil_is_not_said_to_lean(lean_deg):
    assert "board_tilted" not in flags.names(measured(lean_deg).flags)
