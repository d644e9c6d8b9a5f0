"""Raw frames of a made flight: places, EXIF and lean against optics and map libraries."""

import json
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest
from PIL import Image

from standcam.errors import BadSettings
from standcam.synthetic.flight import make_flight, true_bearing, write_flight
from standcam.synthetic.places import Places
from standcam.synthetic.recipe import RecipeBook, SceneRecipe
from standcam.synthetic.scene import write_scenes
from standcam.synthetic.strip_recipe import FlightRecipe


def recipe(**flight):
    r = SceneRecipe("over", kind="flight").replace(
        "strip", length_mm=9000.0, width_mm=5000.0, row_count=5, heading_deg=6.0
    )
    r = r.replace("crop", weeds_per_m2=1.0, stage=4.0)
    usual = {"frames": 3, "width_px": 400, "height_px": 300, "focal_mm": 33.0, "sway_deg": 0.8, "place_sd_mm": 60.0}
    return r.replace("flight", **(usual | flight))


@pytest.fixture(scope="module")
def flown(tmp_path_factory):
    folder = tmp_path_factory.mktemp("flight")
    r = recipe()
    flight = make_flight(r, r.rng(5))
    write_flight(flight, 5, Places.made(folder, flat=False))
    return folder, flight


def test_frames_truth_and_record_lie_in_the_layout_of_scenes(flown):
    folder, flight = flown
    assert sorted(p.name for p in (folder / "images" / "over").iterdir()) == [
        "over_01.jpg",
        "over_02.jpg",
        "over_03.jpg",
    ]
    record = json.loads((folder / "scenes" / "over.scene.json").read_text())
    assert (record["mode"], record["image"], len(record["frames"])) == ("drone", "over", 3)
    whole = pd.read_csv(folder / "truth" / "over.csv")
    assert whole.plant_id.is_unique and whole.x_px.isna().all()
    frames = pd.concat([pd.read_csv(folder / "truth" / f"over_0{n}.csv") for n in (1, 2, 3)])
    assert set(whole.plant_id) == set(frames[frames.in_image == 1].plant_id)
    # overlapping: more than half of all plants are in two frames or three
    assert (frames[frames.in_image == 1].groupby("plant_id").size() > 1).mean() > 0.5
    assert len(flight.frames) == 3


def test_stems_are_where_the_pinhole_puts_them(flown):
    # independent of the generator: the textbook projection with the recorded camera
    folder, _ = flown
    record = json.loads((folder / "scenes" / "over.scene.json").read_text())
    for cam in record["frames"]:
        truth = pd.read_csv(folder / "truth" / cam["image"].replace(".jpg", ".csv"))
        world = truth[["x_along_row_mm", "y_across_mm", "z_mm"]].to_numpy(float)
        seen = (world - cam["position_mm"]) @ np.array(cam["R_cam_to_world"])
        x = cam["cx_px"] + cam["fx_px"] * seen[:, 0] / -seen[:, 2]
        y = cam["cy_px"] - cam["fy_px"] * seen[:, 1] / -seen[:, 2]
        np.testing.assert_allclose(np.c_[x, y], truth[["x_px", "y_px"]], atol=0.02)


def test_frames_overlap_and_scale_as_optics_says():
    f = recipe(place_sd_mm=0.0, sway_deg=0.0, overlap=0.7)
    # 9 m over 33 mm, pixels of 13.2 mm / 400: 9 mm
    assert f.flight.mm_per_px == pytest.approx(9.0)
    flight = make_flight(f.replace("crop", weeds_per_m2=0.0), f.rng(5))
    places = np.array([frame.place_m for frame in flight.frames])
    np.testing.assert_allclose(np.diff(places[:, 0]), 300 * 0.009 * 0.3, atol=1e-6)
    np.testing.assert_allclose(places[:, 1:], [[4650000 - 2.5, 9.0]] * 3, atol=1e-6)
    first = flight.frames[0].truth
    # flown eastwards, so up is east in the picture and right is south
    px = first[["x_px", "y_px"]].to_numpy(float) - [(400 - 1) / 2, (300 - 1) / 2]
    east, north = first.map_x - places[0, 0], first.map_y - places[0, 1]
    np.testing.assert_allclose(np.c_[-north, -east], px * 0.009, atol=0.0002)


def test_plants_lean_outwards_as_seen_from_a_drone(flown):
    _, flight = flown
    lean = []
    for frame in flight.frames:
        middle = np.array([(400 - 1) / 2, (300 - 1) / 2])
        for n, plant in frame.truth[(frame.truth.visible == 1) & (frame.truth.n_px > 8)].iterrows():
            y, x = np.nonzero(frame.plant_ids == n + 1)
            base = np.array([plant.x_px, plant.y_px])
            out = base - middle
            if len(x) and np.linalg.norm(out) > 100:
                lean.append(((np.c_[x, y].mean(0) - base) @ out) / np.linalg.norm(out))
    lean = np.array(lean)
    # leaves of this stage hover some 60 to 110 mm up, and 100 to 250 px off is 0.1 to 0.25 of the height: 0.7 to 3 px
    assert len(lean) > 60
    assert lean.mean() > 2.5 * lean.std() / np.sqrt(len(lean)) and 0.7 < lean.mean() < 3


def test_exif_tells_place_altitude_lens_and_bearing(flown):
    from pyproj import Transformer

    folder, flight = flown
    to_map = Transformer.from_crs(4326, 32615, always_xy=True)
    for frame in flight.frames:
        with Image.open(folder / "images" / "over" / f"{frame.name}.jpg") as image:
            exif = image.getexif()
            gps, detail = exif.get_ifd(0x8825), exif.get_ifd(0x8769)
            packet = ElementTree.fromstring(image.info["xmp"].decode())
        about = {name.split("}")[-1]: value for name, value in packet[0][0].items()}
        lat, lon = (sum(float(v) / 60**k for k, v in enumerate(gps[tag])) for tag in (2, 4))
        east, north = to_map.transform(-lon if gps[3] == "W" else lon, lat)
        np.testing.assert_allclose([east, north], frame.place_m[:2], atol=0.004)
        assert float(gps[6]) == pytest.approx(240 + frame.place_m[2], abs=0.001)
        assert float(detail[0x920A]) == 33.0
        # 400 px on 1.32 cm
        assert float(detail[0xA20E]) == pytest.approx(400 / 1.32, rel=1e-4)
        assert float(gps[17]) == pytest.approx(90, abs=4)
        assert float(about["RelativeAltitude"]) == pytest.approx(frame.place_m[2], abs=0.001)
        assert float(about["GimbalYawDegree"]) == pytest.approx(float(gps[17]), abs=0.01)
        assert -90 <= float(about["GimbalPitchDegree"]) < -86


def test_true_north_is_not_grid_north():
    # convergence of UTM: atan(tan(longitude off the central meridian) sin(latitude)); Snyder (1987; from memory)
    from pyproj import Transformer

    lon, lat = Transformer.from_crs(32615, 4326, always_xy=True).transform(700_000, 4_650_000)
    convergence = np.rad2deg(np.arctan(np.tan(np.deg2rad(lon + 93)) * np.sin(np.deg2rad(lat))))
    assert true_bearing(32615, 700_000, 4_650_000, 30.0) == pytest.approx(30 + convergence, abs=0.01)
    assert convergence > 1.5


def test_lines_and_the_seed():
    f = recipe(frames=2, rows=2, gps_sd_mm=500.0, width_px=150, height_px=100, focal_mm=100.0)
    a, b = (make_flight(f, f.rng(5)) for _ in range(2))
    assert len(a.frames) == 4
    for one, two in zip(a.frames, b.frames, strict=True):
        np.testing.assert_array_equal(one.rgb, two.rgb)
    off = np.array([np.subtract(x.noted_m[:2], x.place_m[:2]) for x in a.frames])
    assert 0.05 < np.abs(off).max() < 2.5
    # there and back: the second line is flown the other way, 40 % of a frame's width to the left
    east, north = np.array([x.place_m[:2] for x in a.frames]).T
    assert east[0] < east[1] and east[2] > east[3]
    assert north[2] - north[1] == pytest.approx(150 * f.flight.mm_per_px / 1000 * 0.4, abs=0.5)


def test_a_recipe_with_a_flight_is_written_as_one(tmp_path):
    small = recipe(frames=1, width_px=100, height_px=70, focal_mm=100.0, xmp=False)
    write_scenes(RecipeBook(5, (small,)), tmp_path, flat=True)
    made = {p.relative_to(tmp_path).as_posix() for p in tmp_path.rglob("*") if p.is_file()}
    assert made == {"strips/over/over_01.jpg", "strips/truth.csv"}
    with Image.open(tmp_path / "strips" / "over" / "over_01.jpg") as image:
        assert "xmp" not in image.info and image.size == (100, 70)


def test_impossible_flights_are_refused():
    with pytest.raises(BadSettings, match="overlap"):
        FlightRecipe(overlap=1.0)
    with pytest.raises(BadSettings, match="million pixels"):
        far = recipe(frames=150, overlap=0.0, width_px=2000, height_px=2000)
        make_flight(far, far.rng(1))
