"""A run of photos tells that its rows do not lie as was said."""

from dataclasses import replace

import cv2
import pytest
from fixtures.scenes import made
from fixtures.upper import RECIPES

from standcam.batch.inputs import find_inputs
from standcam.batch.run import count_photos
from standcam.settings import Settings


@pytest.fixture(scope="module")
def photos(tmp_path_factory):
    """Three photos of three rows, 45 cm apart."""
    folder = tmp_path_factory.mktemp("apart")
    for k in range(3):
        recipe = replace(RECIPES["three_rows"], name=f"three_{k}").replace("camera", aim_x_mm=20.0 * k)
        cv2.imwrite(str(folder / f"{k}.png"), made(recipe).rgb[..., ::-1])
    return folder


@pytest.mark.parametrize(("given_cm", "noted"), [(45.0, False), (48.5, True), (None, False)])
def test_rows_beside_the_width_that_was_given(photos, tmp_path, given_cm, noted):
    settings = Settings().replace("spacing", row_width_cm=given_cm).replace("output", marked=False)
    inputs, problems = find_inputs([photos], tmp_path / "out")
    batch = count_photos(inputs, settings, problems)
    assert not batch.problem_list and len(batch.measurements) == 3
    assert sum(len(record["row_distances_cm"]) for record in batch.inputs) >= 5
    said = [note for note in batch.notes if "Rows lie" in note]
    assert len(said) == noted and all("48.5 cm" in note for note in said)
