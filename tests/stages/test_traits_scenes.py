"""Looks of plants on drawn scenes, at their true stems."""

import numpy as np
import pandas as pd
from fixtures.upper import photo_of, scene

from standcam.measure import measure_on
from standcam.plants.stems import Seen, green_areas
from standcam.plants.traits import LOOKS, TRAITS, traits
from standcam.settings import Settings
from standcam.vegetation.segment import segment


def looks_on(name, change=lambda rgb, made: rgb):
    made = scene(name)
    ground = made.ground_map()
    vegetation = segment(photo_of(change(made.rgb, made)), ground, Settings().vegetation)
    crop = made.truth[(made.truth["kind"] != "weed") & (made.truth["visible"] == 1)]
    places = ground.to_ground(crop[["x_px", "y_px"]].to_numpy(float))
    seen = Seen(np.empty((0, 2)), np.empty(0), np.empty(0), places[:1], np.array([0.8]))
    return traits(places, np.zeros(len(places)), seen, vegetation, ground), places, vegetation, ground, crop


def test_looks_are_those_of_leaves():
    found, places, vegetation, ground, _ = looks_on("easy")
    assert list(found.columns) == list(TRAITS) and len(found) == len(places)
    known = found.dropna()
    assert len(known) > 0.8 * len(found)
    # the same leaves as area_cm2 tells of, except where they reach beyond 10 cm
    area = green_areas(places, vegetation, ground)[known.index]
    assert np.median(np.exp(known["area"]) / area) > 0.85 and (np.exp(known["area"]) <= area * (1 + 1e-9)).all()
    # a seedling's leaf is some mm to some cm wide, and green
    assert known["leaf_width"].between(np.log(0.2), np.log(6)).all()
    assert (known["red"] < 0.05).all() and (known["blue"] < 0.05).all()


def test_a_weed_peak_is_near_where_it_stands():
    found, places, *_ = looks_on("easy")
    assert found["weed_near"][0] == 0.8
    far = np.linalg.norm(places - places[0], axis=1) > 10
    assert far.any() and (found["weed_near"][far] < 0.01).all()


def test_purple_leaves_are_told_from_green_ones():
    def purple(rgb, made):
        second = made.plant_ids == looks_on("easy")[-1].index[1] + 1
        tint = np.where(second[..., None], rgb * np.array([1.25, 0.8, 1.1]), rgb)
        return np.clip(tint, 0, 255).astype(np.uint8)

    before, after = looks_on("easy")[0], looks_on("easy", purple)[0]
    gain = (after["red"] - before["red"]).to_numpy()
    assert gain[1] > 0.2
    assert np.nanmedian(np.abs(np.delete(gain, 1))) < 0.02


def test_bare_ground_has_no_looks():
    _, _, vegetation, ground, _ = looks_on("easy")
    middle = ground.to_ground(ground.middle_px)[0]
    found = traits(middle + np.array([[0.0, 500.0]]), np.zeros(1), Seen.nothing(), vegetation, ground)
    assert found[list(LOOKS)].isna().all().all() and found["weed_near"].tolist() == [0.0]
    assert len(traits(np.empty((0, 2)), np.empty(0), Seen.nothing(), vegetation, ground)) == 0


def test_asking_for_looks_changes_nothing_else():
    made = scene("easy")
    plain, asked = (
        measure_on(photo_of(made.rgb), made.ground_map(), Settings(), looks=looks) for looks in (False, True)
    )
    pd.testing.assert_frame_equal(plain.plants, asked.plants)
    pd.testing.assert_frame_equal(plain.stretches, asked.stretches)
    assert plain.traits is None and len(asked.traits) == len(asked.plants)
    assert (plain.plants["judged"] == "crop").equals(plain.plants["is_crop"])
    assert plain.stretches["weeds"].sum() == (plain.plants["judged"] == "weed").sum()
