import numpy as np
import pytest
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from standcam import flags
from standcam.errors import BadSettings, NoScale
from standcam.ground.control import map_from_control, read_control_points
from standcam.ground.flight import map_from_flight
from standcam.ground.overhead import Pose, overhead_map, to_ground, to_rays
from standcam.images.frame_facts import FrameFacts, read_frame_facts, xmp_numbers
from standcam.images.photo import Photo, read_photo
from standcam.settings import CalibrationSettings, FlightSettings

XMP = """<?xpacket begin=""?><x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF><rdf:Description
 any-maker:AbsoluteAltitude="+251.20" any-maker:RelativeAltitude="+9.10" any-maker:GimbalRollDegree="+0.00"
 any-maker:GimbalYawDegree="-90.00" any-maker:GimbalPitchDegree="-88.00" any-maker:FlightYawDegree="+12.00"
/></rdf:RDF></x:xmpmeta>"""


def write(path, xmp="", gps=(), orientation=1, **detail):
    image = Image.fromarray(np.random.default_rng(0).integers(60, 200, (200, 300, 3)).astype(np.uint8))
    exif = image.getexif()
    exif[0x0112] = orientation
    exif.get_ifd(0x8769).update({int(tag[1:], 16): value for tag, value in detail.items()})
    exif.get_ifd(0x8825).update(dict(gps))
    image.save(path, quality=90, exif=exif, **({"xmp": xmp.encode()} if xmp else {}))
    return path


PLACE = {1: "N", 2: (48.0, 6.0, 0.0), 3: "E", 4: (12.0, 18.0, 0.0), 5: b"\x00", 6: IFDRational(249000, 1000)}
SENSOR = {"x920A": IFDRational(880, 100), "xA405": 24, "xA20E": IFDRational(300_000, 1320), "xA210": 3}


def blank(width=300, height=200):
    return Photo("a.jpg", np.zeros((height, width, 3), np.uint8), "")


def test_facts_by_exif_and_xmp(tmp_path):
    facts = read_frame_facts(write(tmp_path / "a.jpg", XMP, PLACE, **SENSOR))
    assert (facts.width_px, facts.height_px) == (300, 200)
    assert facts.latitude == pytest.approx(48.1) and facts.longitude == pytest.approx(12.3)
    assert (facts.altitude_m, facts.relative_m, facts.pitch_deg) == (249.0, 9.1, -88.0)
    assert facts.yaw_deg == 270.0 and facts.off_nadir_deg == pytest.approx(2.0)
    # 300 px on 13.2 mm: 8.8 mm are 200 px
    assert facts.focal_35mm == 24 and facts.focal_px == pytest.approx(200.0)


def test_facts_without_anything(tmp_path):
    facts = read_frame_facts(write(tmp_path / "a.jpg"))
    assert facts == FrameFacts(300, 200)
    assert read_frame_facts(tmp_path / "none.jpg") == FrameFacts()
    (tmp_path / "b.jpg").write_bytes(b"\xff\xd8\xff\xe1\xff\xff" + XMP.encode())
    assert read_frame_facts(tmp_path / "b.jpg") == FrameFacts()


@pytest.mark.parametrize(("orientation", "yaw"), [(1, 30), (3, 210), (6, 300), (8, 120)])
def test_bearing_is_that_of_the_upright_picture(tmp_path, orientation, yaw):
    path = write(tmp_path / "a.jpg", gps={16: "T", 17: IFDRational(30, 1)}, orientation=orientation)
    assert read_frame_facts(path).yaw_deg == yaw


@pytest.mark.parametrize(
    "text",
    [
        'x:RelativeAltitude="+9.1"',
        "<a.b:RelativeAltitude>9.1</a.b:RelativeAltitude>",
        "m:FooRelativeAltitude = '9.10 '",
    ],
)
def test_xmp_by_ends_of_names(text):
    assert xmp_numbers(text.encode()) == {"RelativeAltitude": 9.1}


@pytest.mark.parametrize("text", ['RelativeAltitude="high"', "RelativeAltitude", 'x:RelativeAltitudeError="3"', ""])
def test_xmp_that_tells_nothing(text):
    assert xmp_numbers(text.encode()) == {}


def test_xmp_of_any_length_is_quick():
    import time

    begin = time.perf_counter()
    xmp_numbers((b"a" * 50 + b":") * 20_000 + b"x" * 100_000)
    assert time.perf_counter() - begin < 2


def test_poses_and_maps_agree():
    pose = Pose(120.0, -40.0, 900.0, 0.7, 0.05, -0.03)
    K = np.array([[2000.0, 0, 1499.5], [0, 2000.0, 999.5], [0, 0, 1]])
    ground = overhead_map(pose, K, 3000, 2000, "flight", None)
    px = np.array([[0, 0], [2999, 0], [1499.5, 999.5], [100, 1900]])
    rays = np.c_[(px - K[:2, 2]) / 2000, np.ones(4)]
    poses = np.tile(pose.array, (4, 1))
    cm = to_ground(poses, rays)
    assert ground.to_ground(px) == pytest.approx(cm)
    assert to_rays(poses, cm) == pytest.approx(rays[:, :2])
    assert ground.to_pixels(cm) == pytest.approx(px)


def test_bearings_and_tilts():
    K = np.array([[2000.0, 0, 1499.5], [0, 2000.0, 999.5], [0, 0, 1]])
    # upper edge to the east: what is up in the picture lies east
    east = overhead_map(Pose(0, 0, 900, np.pi / 2), K, 3000, 2000, "flight", None)
    assert east.to_ground([[1499.5, -0.5 + 0.5]])[0] == pytest.approx([900 * 999.5 / 2000, 0], abs=1e-6)
    # looking 10 degrees towards the lower edge: the middle shows ground behind, 900 tan 10 away
    down = overhead_map(Pose(0, 0, 900, 0, np.deg2rad(10)), K, 3000, 2000, "flight", None)
    assert down.to_ground([[1499.5, 999.5]])[0] == pytest.approx([0, -900 * np.tan(np.deg2rad(10))])
    right = overhead_map(Pose(0, 0, 900, 0, 0, np.deg2rad(10)), K, 3000, 2000, "flight", None)
    assert right.to_ground([[1499.5, 999.5]])[0] == pytest.approx([900 * np.tan(np.deg2rad(10)), 0], abs=1e-9)


def test_scale_by_height_and_sensor(tmp_path):
    photo = read_photo(write(tmp_path / "a.jpg", XMP.replace("-88.00", "-90.00"), PLACE, **SENSOR))
    ground = map_from_flight(photo, CalibrationSettings())
    # 9.1 m over 200 px of focal length
    assert ground.cm_per_px(ground.middle_px)[0] == pytest.approx(910 / 200)
    assert ground.method == "flight" and ground.flags == flags.bit("by_altitude") and ground.camera_cm == (0, 0, 910)
    # the upper edge looks west: up is towards negative x
    assert ground.to_ground([[149.5, 0]])[0] == pytest.approx([-99.5 * 4.55, 0], abs=1e-6)
    field = map_from_flight(photo, CalibrationSettings(), FlightSettings(ground_elevation_m=240.0))
    assert field.camera_cm[2] == pytest.approx(900) and any("240.0" in note for note in field.notes)
    given = map_from_flight(photo, CalibrationSettings(camera_height_cm=1000.0))
    assert given.camera_cm[2] == 1000 and not given.flags


def test_tilt_by_the_mount_is_allowed_for(tmp_path):
    def facts(pitch):
        return FrameFacts(300, 200, relative_m=9.0, focal_px=200.0, focal_35mm=24.0, pitch_deg=pitch, yaw_deg=0.0)

    ahead = map_from_flight(blank(), CalibrationSettings(), facts=facts(-85.0))
    assert ahead.flags & flags.bit("off_nadir")
    # 5 degrees forward: the middle shows ground 9 m x tan 5 ahead, which is up in the picture
    assert ahead.to_ground(ahead.middle_px)[0] == pytest.approx([0, 900 * np.tan(np.deg2rad(5))])
    assert ahead.foot_of([[100.0, 50.0]], 0.0)[0] == pytest.approx([100, 50])
    with pytest.raises(NoScale, match="20 degrees off straight down"):
        map_from_flight(blank(), CalibrationSettings(), facts=facts(-70.0))
    with pytest.raises(NoScale, match="180 degrees"):
        map_from_flight(blank(), CalibrationSettings(), facts=facts(0.0))


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        (FrameFacts(300, 200, focal_px=200.0), "height of flight is not known"),
        (FrameFacts(300, 200, relative_m=9.0), "tells no focal length"),
        (FrameFacts(300, 200, relative_m=0.2, focal_px=200.0), "comes out as 0.2 m"),
    ],
)
def test_refusals(facts, words):
    with pytest.raises(NoScale, match=words):
        map_from_flight(blank(), CalibrationSettings(), facts=facts)


def test_focal_lengths_that_contradict_each_other():
    facts = FrameFacts(300, 200, relative_m=9.0, focal_35mm=48.0, focal_px=200.0)
    ground = map_from_flight(blank(), CalibrationSettings(), facts=facts)
    # 48 mm of the diagonal of 43.27 mm (36 x 24 mm)
    assert ground.cm_per_px(ground.middle_px)[0] == pytest.approx(
        900 / (48 * np.hypot(300, 200) / np.hypot(36, 24)), rel=1e-6
    )
    assert any("tell otherwise" in note for note in ground.notes)


def control_file(path, rows):
    path.write_text("frame,x_px,y_px,easting_m,northing_m\n" + "\n".join(",".join(map(str, row)) for row in rows))
    return path


def seen_points(n, noise_px=0.0, seed=0):
    """A frame with a known pose over points on the map."""
    rng = np.random.default_rng(seed)
    K = np.array([[2000.0, 0, 1499.5], [0, 2000.0, 999.5], [0, 0, 1]])
    ground = overhead_map(Pose(300, 200, 900, 0.4, 0.04, -0.02), K, 3000, 2000, "flight", None)
    px = np.column_stack([rng.uniform(50, 2950, n), rng.uniform(50, 1950, n)])
    px[:4] = [[50, 60], [2900, 100], [150, 1900], [2800, 1850]][: min(n, 4)]
    m = ground.to_ground(px) / 100 + [500_000, 5_000_000]
    return ground, px + rng.normal(0, noise_px, px.shape), m


def test_control_points_give_back_the_map(tmp_path):
    ground, px, m = seen_points(8)
    path = control_file(tmp_path / "c.csv", [("a.jpg", *p, *q) for p, q in zip(px.tolist(), m.tolist(), strict=True)])
    found = map_from_control("a.jpg", 3000, 2000, read_control_points(path), (500_000, 5_000_000))
    grid = np.stack(np.meshgrid(np.linspace(0, 2999, 7), np.linspace(0, 1999, 5)), axis=2).reshape(-1, 2)
    assert found.to_ground(grid) == pytest.approx(ground.to_ground(grid), abs=1e-3)
    assert found.residual_mm < 0.01 and found.method == "control"


def test_residual_of_control_points_is_honest(tmp_path):
    """Over many frames it is the error of the points: 1 px of 4.5 mm on either axis is 6.4 mm."""
    told = []
    for seed in range(60):
        _, px, m = seen_points(8, noise_px=1.0, seed=seed)
        path = control_file(tmp_path / "c.csv", [("a", *p, *q) for p, q in zip(px.tolist(), m.tolist(), strict=True)])
        told.append(map_from_control("a.jpg", 3000, 2000, read_control_points(path), (500_000, 5_000_000)).residual_mm)
    assert np.sqrt(np.mean(np.square(told))) == pytest.approx(4.5 * 2**0.5, rel=0.1)


def test_few_control_points(tmp_path):
    _, px, m = seen_points(4)

    def found(n):
        rows = [("a.jpg", *p, *q) for p, q in zip(px[:n].tolist(), m[:n].tolist(), strict=True)]
        return map_from_control(
            "a.jpg", 3000, 2000, read_control_points(control_file(tmp_path / "c.csv", rows)), (500_000, 5_000_000)
        )

    assert np.isnan(found(4).residual_mm) and any("cannot tell" in note for note in found(4).notes)
    two = found(2)
    assert two.flags & flags.bit("scale_flat") and np.isnan(two.residual_mm)
    assert two.to_ground(px[:2]) / 100 + [500_000, 5_000_000] == pytest.approx(m[:2], abs=1e-6)
    with pytest.raises(NoScale, match="has 1 control points"):
        found(1)


def test_points_on_a_line(tmp_path):
    rows = [("a.jpg", 100 * k, 50 * k, 5e5 + k, 5e6 - 0.5 * k) for k in range(6)]
    with pytest.raises(NoScale, match="on one line"):
        map_from_control("a.jpg", 3000, 2000, read_control_points(control_file(tmp_path / "c.csv", rows)), (5e5, 5e6))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("frame,x_px,y_px,easting_m\na,1,2,3\n", "lacks or repeats northing_m"),
        ("frame,x_px,y_px,easting_m,northing_m\na,1,2,3,x\n", "line 2 lacks a name or number"),
        ("frame,x_px,y_px,easting_m,northing_m\na,1,2,nan,4\n", "line 2"),
        ("frame,x_px,y_px,easting_m,northing_m\n", "has no point"),
    ],
)
def test_files_of_control_points_that_make_no_sense(tmp_path, text, words):
    (tmp_path / "c.csv").write_text(text)
    with pytest.raises(BadSettings, match=words):
        read_control_points(tmp_path / "c.csv")
