"""Made strips: what the pixels show lies where the truth has it, at every resolution."""

from functools import cache

import numpy as np
import pytest

from standcam.synthetic.recipe import SceneRecipe
from standcam.synthetic.strip import make_strip

PARTS = {
    "maize": {"crop": {"stage": 3.2, "weeds_per_m2": 4.0}},
    "soybean": {
        "crop": {"species": "soybean", "stage": 2.4, "weeds_per_m2": 4.0},
        "planter": {"nominal_spacing_mm": 110.0},
    },
}


@cache
def strip(crop, mm, **extra):
    r = SceneRecipe(crop, kind="strip")
    for part, values in PARTS[crop].items():
        r = r.replace(part, **values)
    r = r.replace("capture", noise=0.003, blur_px=0.5)
    r = r.replace("strip", mm_per_px=mm, length_mm=2800.0, width_mm=2000.0, row_count=3, heading_deg=5.0, **extra)
    return make_strip(r, r.rng(21))


def greenness(rgb):
    x = rgb.astype(float)
    return 2 * x[..., 1] - x[..., 0] - x[..., 2]


@pytest.mark.parametrize("crop", ["maize", "soybean"])
@pytest.mark.parametrize("mm", [2.0, 5.0, 8.0])
def test_masks_lie_about_the_true_bases(crop, mm):
    s = strip(crop, mm)
    seen = s.truth[(s.truth.visible == 1) & (s.truth.kind != "weed") & (s.truth.n_px * mm**2 > 400)]
    assert len(seen) > 25
    off = []
    for n, plant in seen.iterrows():
        y, x = np.nonzero(s.plant_ids == n + 1)
        if not len(x):
            continue
        away = np.hypot(x - plant.x_px, y - plant.y_px) * mm
        # all of a plant is within the length of its longest leaf; some of it at the stem, unless a leaf covers that
        assert away.max() < 330
        off.append([away.min(), (x.mean() - plant.x_px) * mm, (y.mean() - plant.y_px) * mm])
    off = np.array(off)
    assert len(off) > 0.95 * len(seen)
    assert np.median(off[:, 0]) < max(6.0, 0.75 * mm)
    # plants look every way, and an ortho camera leans none: on average they lie about their base.
    # Their middles scatter by some 30 mm, so the mean of n has an SD of 30 / sqrt(n)
    assert np.abs(off[:, 1:].mean(0)).max() < 4 * 30 / np.sqrt(len(off))


@pytest.mark.parametrize("mm", [2.0, 5.0])
def test_the_mask_is_green_and_the_rest_is_not(mm):
    s = strip("maize", mm)
    green = greenness(s.rgb)
    assert np.median(green[s.labels > 0]) > np.percentile(green[s.labels == 0], 98)


def test_green_lies_at_the_stem_rather_than_anywhere_else():
    """The picture, shifted against the truth, fits best unshifted: pixels are neither half a pixel nor a pixel off."""
    s = strip("soybean", 4.0)
    green = greenness(s.rgb)
    plant = s.labels > 0
    score = {(dx, dy): (np.roll(green, (-dy, -dx), (0, 1))[plant]).mean() for dx in range(-2, 3) for dy in range(-2, 3)}
    assert max(score, key=score.get) == (0, 0)


def test_area_does_not_hang_on_the_resolution():
    fine, coarse = strip("maize", 2.0), strip("maize", 8.0)
    both = fine.truth.merge(coarse.truth, on="plant_id", suffixes=("", "_c"))
    both = both[(both.in_image == 1) & (both.n_px * 4 > 300)]
    assert len(both) > 25
    area, area_c = both.n_px * 4, both.n_px_c * 64
    # filled edges reach half a sample over each leaf: 0.5 mm at 2 mm, 0.7 mm at 8 mm a pixel, of leaves 10 mm wide
    assert np.median(area_c / area) == pytest.approx(1, abs=0.08)
    np.testing.assert_allclose(both.x_along_row_mm, both.x_along_row_mm_c)


def test_seams_leave_the_truth_where_it_was():
    s, seams = strip("maize", 5.0), strip("maize", 5.0, frame_mm=900.0, seam_shift_mm=20.0, seam_gain=0.05)
    assert (s.truth[["x_px", "map_x"]].to_numpy() == seams.truth[["x_px", "map_x"]].to_numpy()).all()
    assert np.abs(s.rgb.astype(int) - seams.rgb).mean() > 1
