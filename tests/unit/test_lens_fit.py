"""Measuring a lens: views of patterns rendered through a known lens, and the same lens found again."""

from dataclasses import replace
from datetime import date
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from standcam.cli.app import app
from standcam.errors import BadSettings, LensNotMeasured
from standcam.ground.lens import LensProfile, read_lens
from standcam.ground.lens_fit import Pattern, Rejected, View, collect_views, find_pattern, fit_lens
from standcam.images.photo import Photo

W, H = 1200, 900
TRUE = LensProfile(0.74, (0.506, 0.492), -0.09, 0.03)
CHECKER = Pattern("checkerboard", 10, 7, 25.0)
CHARUCO = Pattern("charuco", 10, 7, 25.0, 18.0)
# turns about the pattern's x and y axis and in the picture [degrees], shift of its middle [mm], distance [mm]
POSES = [
    (0, 0, 0, 0, 0, 260),
    (30, 0, 5, 10, 10, 300),
    (-30, 5, -10, -15, 5, 290),
    (0, 32, 0, 20, -10, 300),
    (5, -32, 20, -20, 0, 310),
    (22, 22, -15, 35, 25, 330),
    (-25, -20, 8, -40, -30, 340),
    (15, -25, 90, 10, -20, 420),
    (-15, 15, 0, 130, 100, 450),
    (15, -15, 0, -130, -100, 450),
]


def picture_of(pattern: Pattern) -> np.ndarray:
    """The pattern with a white rim of two squares, 40 px to the square, drawn without the code under test."""
    square = 40
    if pattern.kind == "charuco":
        inner = pattern.charuco_board().generateImage((pattern.columns * square, pattern.rows * square))
    else:
        row, column = np.mgrid[: pattern.rows, : pattern.columns]
        inner = np.kron(((row + column) % 2) * 255, np.ones((square, square))).astype(np.uint8)
    return np.pad(inner, 2 * square, constant_values=255)


def rays(lens: LensProfile, fine: int) -> np.ndarray:
    """Directions of sub-pixels, undistorted by OpenCV. (H * fine, W * fine, 2) [1]"""
    x, y = np.meshgrid((np.arange(W * fine) + 0.5) / fine - 0.5, (np.arange(H * fine) + 0.5) / fine - 0.5)
    K = lens.matrix(W, H)
    ends = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 60, 1e-9)
    points = np.stack([x, y], -1).reshape(-1, 1, 2)
    return cv2.undistortPoints(points, K, np.array([lens.k1, lens.k2, 0, 0]), criteria=ends).reshape(*x.shape, 2)


def placed(pattern: Pattern, pose) -> tuple[np.ndarray, np.ndarray]:
    """Rotation and translation from the pattern to the camera."""
    about_x, about_y, roll, dx, dy, distance = pose
    turn = np.eye(3)
    for axis, angle in (((1, 0, 0), about_x), ((0, 1, 0), about_y), ((0, 0, 1), roll)):
        turn = cv2.Rodrigues(np.radians(angle) * np.array(axis, float))[0] @ turn
    middle = np.array([pattern.columns, pattern.rows]) * pattern.square_mm / 2
    return turn, np.array([dx, dy, distance]) - turn[:, :2] @ middle


def calculated_views(poses, noise_px: float, pattern: Pattern = CHECKER) -> list[View]:
    """Corners by cv2.projectPoints with noise, for tests that need no pixels."""
    places = np.stack(np.meshgrid(np.arange(1, pattern.columns), np.arange(1, pattern.rows)), -1).reshape(-1, 2)
    places = places * pattern.square_mm
    rng = np.random.default_rng(11)
    views = []
    for i, pose in enumerate(poses):
        turn, shift = placed(pattern, pose)
        flat = np.c_[places, np.zeros(len(places))]
        K, distortion = TRUE.matrix(W, H), np.array([TRUE.k1, TRUE.k2, 0, 0])
        corners = cv2.projectPoints(flat, cv2.Rodrigues(turn)[0], shift, K, distortion)[0][:, 0]
        noisy = corners + rng.normal(0, noise_px, corners.shape)
        views.append(View(Path(f"p{i}.png"), places, noisy, (W, H)))
    return views


def view(pattern: Pattern, texture: np.ndarray, directions: np.ndarray, pose) -> np.ndarray:
    """Grey photo of the pattern: shaded, blurred by the pixel, with noise."""
    turn, shift = placed(pattern, pose)
    to_plane = np.linalg.inv(np.c_[turn[:, :2], shift])
    seen = np.concatenate([directions, np.ones((*directions.shape[:2], 1))], 2) @ to_plane.T
    where = seen[..., :2] / seen[..., 2:] / pattern.square_mm * 40 + 80 - 0.5
    fine = cv2.remap(texture, where.astype(np.float32), None, cv2.INTER_LINEAR, borderValue=255)
    grey = cv2.resize(fine.astype(np.float32), (W, H), interpolation=cv2.INTER_AREA)
    noise = np.random.default_rng(abs(hash(pose)) % 2**32).normal(0, 2, (H, W))
    shade = np.linspace(0.7, 1.0, W)
    return (30 + 0.8 * grey * shade + noise).clip(0, 255).astype(np.uint8)


@pytest.fixture(scope="module")
def directions():
    return rays(TRUE, 2)


def photos_of(pattern, directions, poses=POSES) -> list[np.ndarray]:
    texture = picture_of(pattern)
    return [view(pattern, texture, directions, pose) for pose in poses]


@pytest.fixture(scope="module")
def checker_photos(directions):
    return photos_of(CHECKER, directions)


@pytest.fixture(scope="module")
def checker_views(checker_photos):
    return views_of(checker_photos, CHECKER)


@pytest.fixture(scope="module")
def checker_folder(checker_photos, tmp_path_factory):
    folder = tmp_path_factory.mktemp("checker")
    for i, grey in enumerate(checker_photos[2:]):
        Image.fromarray(np.dstack([grey] * 3)).save(folder / f"view{i}.png")
    return folder


def as_photo(grey: np.ndarray, name: str = "p.png", **facts) -> Photo:
    return Photo(Path(name), np.dstack([grey] * 3), sha256=name, **facts)


def views_of(photos, pattern, **facts) -> list[View]:
    return [find_pattern(as_photo(grey, f"p{i}.png", **facts), pattern) for i, grey in enumerate(photos)]


def assert_is_true_lens(fit) -> None:
    p = fit.profile
    assert p.focal == pytest.approx(TRUE.focal, rel=0.005)
    assert p.k1 == pytest.approx(TRUE.k1, abs=0.01)
    np.testing.assert_allclose(p.centre, TRUE.centre, atol=0.003)
    assert p.residual_px < 0.15
    assert fit.focal_sd < 0.002
    # what counts in the end: undistorted points over the whole picture [px]
    grid = np.stack(np.meshgrid(np.linspace(0, W - 1, 13), np.linspace(0, H - 1, 10)), -1).reshape(-1, 2)
    shift = p.undistort(grid, W, H) - grid
    true_shift = TRUE.undistort(grid, W, H) - grid
    assert np.abs(shift - true_shift).max() < 1.5


def test_checkerboard_finds_the_lens_again(checker_views):
    fit = fit_lens(checker_views, today=date(2026, 5, 4))
    assert_is_true_lens(fit)
    assert len(fit.views) == len(POSES)
    assert fit.profile.date == "2026-05-04"
    assert 40 < fit.spread_deg < 80


def test_charuco_finds_the_lens_again_though_cut_off(directions):
    poses = [*POSES[1:], (10, 10, 0, 110, 70, 300), (-10, -10, 0, -110, -70, 300)]
    views = views_of(photos_of(CHARUCO, directions, poses), CHARUCO)
    counts = [len(v.corners_px) for v in views]
    assert max(counts) == 54
    assert min(counts) < 54  # the last two reach out of the picture
    fit = fit_lens(views)
    assert_is_true_lens(fit)
    assert fit.reach > 0.85


def test_corners_lie_where_the_lens_puts_them(checker_photos):
    """Against cv2.projectPoints with the true camera, in a photo larger than the search size."""
    big = cv2.resize(checker_photos[1], None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    small_view = find_pattern(as_photo(checker_photos[1]), CHECKER)
    big_view = find_pattern(as_photo(big), CHECKER)
    np.testing.assert_allclose((big_view.corners_px + 0.5) / 2 - 0.5, small_view.corners_px, atol=0.1)
    K, distortion = TRUE.matrix(W, H), np.array([TRUE.k1, TRUE.k2, 0, 0])
    flat = np.c_[small_view.pattern_mm, np.zeros(len(small_view.pattern_mm))]
    _, turn, shift = cv2.solvePnP(flat, small_view.corners_px, K, distortion)
    seen = cv2.projectPoints(flat, turn, shift, K, distortion)[0][:, 0]
    assert np.sqrt(((seen - small_view.corners_px) ** 2).sum(1).mean()) < 0.1


def test_portrait_and_landscape_together(checker_photos):
    upright = [np.rot90(grey, -1) if i % 2 else grey for i, grey in enumerate(checker_photos[3:])]
    assert upright[1].shape == (W, H)
    assert_is_true_lens(fit_lens(views_of(upright, CHECKER)))


def test_alike_views_do_not_tell_the_focal_length():
    shifts = ((0, 0), (20, 0), (-20, 9), (0, 25), (9, -25))
    same_tilt = [(20, 10, i, dx, dy, 320 + 10 * i) for i, (dx, dy) in enumerate(shifts)]
    with pytest.raises(LensNotMeasured, match=r"too alike.*tilted by 20 to 40 degrees"):
        fit_lens(calculated_views(same_tilt, 0.1))
    from_above = [(0, 0, 20 * i, dx, dy, 300 + 10 * i) for i, (dx, dy) in enumerate(shifts)]
    with pytest.raises(LensNotMeasured, match="too alike"):
        fit_lens(calculated_views(from_above, 0.1))


def test_too_few_photos(checker_views):
    with pytest.raises(LensNotMeasured, match=r"serves in 4 of 5 photos.*5 or more"):
        fit_lens(checker_views[:4], [Rejected(Path("x.jpg"), "blurred")])
    with pytest.raises(LensNotMeasured, match="in 0 of 0 photos"):
        fit_lens([])


def moved(view: View, px: float) -> View:
    jitter = np.random.default_rng(5).normal(0, px, view.corners_px.shape)
    return View(view.path, view.pattern_mm, view.corners_px + jitter, view.size_px)


def test_one_bad_view_is_dropped_and_named(checker_views):
    fit = fit_lens([moved(checker_views[0], 4.0), *checker_views[1:]])
    assert [r.path.name for r in fit.rejected] == ["p0.png"]
    assert "blurred, bent or misread" in fit.rejected[0].reason
    assert_is_true_lens(fit)


def test_large_residual_is_refused():
    with pytest.raises(LensNotMeasured, match=r"above the limit of 0\.50 px.*p[0-9]\.png"):
        fit_lens(calculated_views(POSES, 3.0))


def test_photos_of_another_lens_are_rejected(checker_photos, tmp_path):
    shown = checker_photos[3:]
    for i, grey in enumerate(shown):
        exif = Image.Exif()
        exif[0x0110] = "a camera"
        exif.get_ifd(0x8769)[0xA405] = 52 if i == 2 else 26
        exif.get_ifd(0x8769)[0x9003] = f"2026:05:{10 + i} 08:00:00"
        Image.fromarray(np.dstack([grey] * 3)).save(tmp_path / f"view{i}.jpg", quality=95, exif=exif)
    Image.fromarray(checker_photos[1][:880]).save(tmp_path / "cut.png")
    (tmp_path / "twin.jpg").write_bytes((tmp_path / "view0.jpg").read_bytes())
    (tmp_path / "text.jpg").write_text("no picture")
    Image.new("RGB", (W, H), "green").save(tmp_path / "green.png")
    paths = [
        *sorted(tmp_path.glob("view*.jpg")),
        *(tmp_path / n for n in ("cut.png", "twin.jpg", "text.jpg", "green.png")),
    ]
    views, rejected = collect_views(paths, CHECKER)
    assert len(views) == len(shown) - 1
    reasons = {r.path.name: r.reason for r in rejected}
    assert set(reasons) == {"view2.jpg", "cut.png", "twin.jpg", "text.jpg", "green.png"}
    assert "focal length 52 mm" in reasons["view2.jpg"]
    assert "1200 x 880 px" in reasons["cut.png"]
    assert "same picture as view0.jpg" in reasons["twin.jpg"]
    assert "not a picture" in reasons["text.jpg"]
    assert "no checkerboard of 10 x 7 squares" in reasons["green.png"]
    fit = fit_lens(views, rejected)
    assert_is_true_lens(fit)
    assert (fit.profile.name, fit.profile.date) == ("a camera", "2026-05-16")
    assert fit.notes == ()  # 26 mm by Exif is 26 / 43.27 of the diagonal, 0.75 of the longer side: measured 0.74


def test_cautions_are_said():
    views = [replace(v, focal_length_35mm=52.0) for v in calculated_views(POSES, 0.1)]
    (note,) = fit_lens(views).notes
    assert "EXIF gives a focal length of 52 mm" in note
    (note,) = fit_lens(calculated_views(POSES[:-2], 0.1)).notes
    assert "extrapolated" in note


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"kind": "circles"}, "'circles' is not known"),
        ({"columns": 3}, "at least 4 x 4"),
        ({"square_mm": 0}, "measure 0 mm"),
        ({"marker_mm": 30}, "do not fit squares"),
        ({"dictionary": "DICT_3X3_9"}, "is not known"),
        ({"dictionary": "DICT_5X5_50", "columns": 12, "rows": 10}, "holds 50 markers; the pattern needs 60"),
    ],
)
def test_impossible_patterns(wrong, said):
    with pytest.raises(BadSettings, match=said):
        Pattern(**wrong)


ASKED = ["--pattern", "checkerboard", "--columns", "10", "--rows", "7"]


def test_command_measures_and_names_what_it_left_out(checker_folder, tmp_path):
    out = tmp_path / "mine.toml"
    missing = tmp_path / "missing.jpg"
    call = ["lens", str(checker_folder), str(missing), *ASKED, "--out", str(out), "--name", "my phone"]
    result = CliRunner().invoke(app, call)
    assert result.exit_code == 1, result.output  # one input could not be used
    assert result.stderr.count("not used") == 1
    assert "missing.jpg" in result.stderr
    lens = read_lens(out)
    assert lens.name == "my phone"
    assert lens.focal == pytest.approx(TRUE.focal, rel=0.005)
    assert "8 photos of 1200 x 900 px" in result.stdout
    assert "--lens" in result.stdout
    before = out.read_bytes()
    again = CliRunner().invoke(app, call)
    assert again.exit_code == 2
    assert "already" in again.stderr
    assert out.read_bytes() == before


def test_command_fails_with_reasons_and_writes_nothing(checker_folder, tmp_path):
    out = tmp_path / "lens.toml"
    photos = [str(checker_folder / f"view{i}.png") for i in range(3)]
    result = CliRunner().invoke(app, ["lens", *photos, "--out", str(out)])  # asked for charuco
    assert result.exit_code == 2
    assert result.stderr.count("not used  view") == 3
    assert "0 markers of DICT_5X5_100" in result.stderr
    assert "serves in 0 of 3 photos" in result.stderr
    assert not out.exists()
    nothing = CliRunner().invoke(app, ["lens", "--out", str(out)])
    assert nothing.exit_code == 2
    assert "No photos were given" in nothing.stderr
