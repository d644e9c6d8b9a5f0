"""Frames of a made flight, whose plants stand up from the ground, laid on each other."""

import numpy as np
import pytest

from standcam.frames.look import look
from standcam.frames.place import place_frames
from standcam.settings import Settings
from standcam.synthetic.flight import make_flight, write_flight
from standcam.synthetic.places import Places
from standcam.synthetic.recipe import SceneRecipe


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Three frames from 9 m through a long lens, 5 mm a pixel, plants at V4."""
    r = SceneRecipe("over", kind="flight").replace("strip", length_mm=9000.0, width_mm=5000.0, row_count=5)
    r = r.replace("crop", weeds_per_m2=1.0, stage=4.0)
    r = r.replace("flight", frames=3, width_px=600, height_px=400, focal_mm=39.6, sway_deg=0.8, place_sd_mm=80.0,
                  gps_sd_mm=300.0)  # fmt: skip
    folder = tmp_path_factory.mktemp("made")
    flight = make_flight(r, r.rng(5))
    write_flight(flight, 5, Places.made(folder, flat=True))
    return sorted(folder.rglob("over_*.jpg")), flight


def test_stems_lie_in_one_place_in_all_frames(made):
    paths, flight = made
    frames = place_frames([look(path) for path in paths])
    assert len(frames.frames) == 3 and len(frames.seams) >= 2 and frames.problems == ()
    assert frames.residual_mm < 10  # two pixels: leaves are common points too
    places = []
    for frame, true in zip(frames.frames, flight.frames, strict=True):
        inside = true.truth[true.truth.in_image == 1]
        cm = frame.ground.to_ground(inside[["x_px", "y_px"]].to_numpy(float))
        places.append(dict(zip(inside.plant_id, cm, strict=True)))
    apart = [
        places[a][plant] - places[b][plant] for a, b in ((0, 1), (1, 2)) for plant in set(places[a]) & set(places[b])
    ]
    # a tenth of what the finder's plants are off by; a pixel is 5 mm
    assert len(apart) > 30 and 10 * np.sqrt((np.array(apart) ** 2).sum(axis=1).mean()) < 5
    which = np.concatenate([[k] * len(found) for k, found in enumerate(places)])
    finds = np.array([cm for found in places for cm in found.values()])
    plants = np.array([plant for found in places for plant in found])
    kept = frames.count_once(which, finds, tolerance_cm=3.0)
    assert len(plants[kept]) == len(set(plants[kept])) == len(set(plants))


def test_altitude_and_field_give_the_scale(made):
    """By EXIF's altitude less the field's, and not by what the drone notes above its take-off."""
    paths, flight = made
    looks = [look(path) for path in paths]
    settings = Settings().replace("flight", ground_elevation_m=flight.recipe.flight.ground_altitude_m)
    frames = place_frames(looks, settings)
    heights = np.array([frame.height_cm for frame in frames.frames])
    noted = np.array([100 * (k.facts.altitude_m - flight.recipe.flight.ground_altitude_m) for k in looks])
    # frames' own heights are told by the overlaps, their mean by what was noted
    assert heights.mean() == pytest.approx(noted.mean(), rel=0.01)
