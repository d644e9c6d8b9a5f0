"""Measuring a lens profile from photos of a checkerboard or ChArUco pattern.

Plane-based calibration (Zhang 2000, IEEE TPAMI 22:1330-1334) by OpenCV, with square pixels, no skew, no
tangential terms and two radial ones: what :class:`standcam.ground.lens.LensProfile` holds.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import cv2
import numpy as np

from standcam.errors import BadSettings, LensNotMeasured, StandcamError
from standcam.ground.geometry import DICTIONARIES
from standcam.ground.lens import LensProfile
from standcam.images.photo import Photo, read_photo
from standcam.settings import PhotoSettings

LEAST_PHOTOS = 5
LEAST_SPREAD_DEG = 15.0
"""Least angle between the most different tilts of the pattern. Parallel views leave focal length and distance
undetermined (Zhang 2000, section 2.4). [degrees]"""
MOST_FOCAL_SD = 0.01
"""Most standard error of the focal length / focal length. [1]"""
MARKER_SHARE = 0.72
"""Side of a printed ChArUco marker / side of its square. [1]"""
SEARCH_PX = 1800
"""Longer side at which the pattern is searched; its corners are then refined in the whole photo. [px]"""


@dataclass(frozen=True)
class Pattern:
    """A checkerboard or ChArUco pattern. Columns and rows count squares, black and white, not inner corners.

    Raises
    ------
    BadSettings
        Unknown kind or dictionary, or sizes that give no pattern.
    """

    kind: str = "charuco"
    """checkerboard or charuco."""
    columns: int = 10
    rows: int = 7
    square_mm: float = 25.0
    marker_mm: float = MARKER_SHARE * 25.0
    dictionary: str = "DICT_5X5_100"
    """Another family than the ground board's, so that neither is taken for the other."""

    def __post_init__(self) -> None:
        if self.kind not in ("checkerboard", "charuco"):
            raise BadSettings(f"Pattern {self.kind!r} is not known.", "Use checkerboard or charuco.")
        if min(self.columns, self.rows) < 4:
            raise BadSettings(
                f"A pattern of {self.columns} x {self.rows} squares is too coarse.",
                "Count the squares, at least 4 x 4.",
            )
        if not self.square_mm > 0:
            raise BadSettings(f"The pattern's squares measure {self.square_mm:g} mm.", "Give their side.")
        if self.kind == "charuco":
            if not 0 < self.marker_mm < self.square_mm:
                raise BadSettings(
                    f"Markers of {self.marker_mm:g} mm do not fit squares of {self.square_mm:g} mm.",
                    "Measure both: the marker's black square and the checker square around it.",
                )
            if self.dictionary not in DICTIONARIES:
                raise BadSettings(
                    f"Marker dictionary {self.dictionary!r} is not known.",
                    "Use an ArUco or AprilTag family, as DICT_5X5_100.",
                )
            needed = self.columns * self.rows // 2
            held = self._markers().bytesList.shape[0]
            if held < needed:
                raise BadSettings(
                    f"{self.dictionary} holds {held} markers; the pattern needs {needed}.",
                    "Use a larger family or fewer squares.",
                )

    def _markers(self):
        return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, self.dictionary))

    def charuco_board(self):
        """OpenCV's description of the ChArUco pattern, in mm."""
        return cv2.aruco.CharucoBoard((self.columns, self.rows), self.square_mm, self.marker_mm, self._markers())


@dataclass(frozen=True)
class View:
    """Corners of the pattern in one photo, turned to landscape."""

    path: Path
    pattern_mm: np.ndarray
    """Corners on the pattern. (n, 2) [mm]"""
    corners_px: np.ndarray
    """The same corners in the landscape photo. (n, 2) [px]"""
    size_px: tuple[int, int]
    """Width and height, landscape. [px]"""
    camera: str = ""
    focal_length_35mm: float | None = None
    taken: str = ""
    sha256: str = ""


@dataclass(frozen=True)
class Rejected:
    """A photo that was not used, and why."""

    path: Path
    reason: str


@dataclass(frozen=True)
class LensFit:
    """A measured lens profile and how good it is."""

    profile: LensProfile
    size_px: tuple[int, int]
    """Size of the photos, landscape. [px]"""
    focal_sd: float
    """Standard error of the focal length / focal length. [1]"""
    spread_deg: float
    """Angle between the most different tilts of the pattern. [degrees]"""
    reach: float
    """Distance of the outermost corner from the picture's middle / half diagonal. [1]"""
    views: tuple[View, ...]
    residuals_px: tuple[float, ...]
    """Root mean square residual of each view. [px]"""
    rejected: tuple[Rejected, ...]
    notes: tuple[str, ...]
    """Cautions in words."""


def to_landscape(rgb: np.ndarray) -> np.ndarray:
    """Turn an upright portrait picture a quarter anticlockwise; LensProfile.matrix assumes that turn."""
    return rgb if rgb.shape[1] >= rgb.shape[0] else np.ascontiguousarray(np.rot90(rgb))


def find_pattern(photo: Photo, pattern: Pattern) -> View:
    """Corners of the pattern in one photo.

    Raises
    ------
    LensNotMeasured
        The pattern is not seen, or too little of it.
    """
    grey = cv2.cvtColor(to_landscape(photo.rgb), cv2.COLOR_RGB2GRAY)
    height, width = grey.shape
    scale = min(1.0, SEARCH_PX / width)
    small = grey if scale == 1 else cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    fx, fy = small.shape[1] / width, small.shape[0] / height
    search = _find_checkerboard if pattern.kind == "checkerboard" else _find_charuco
    places, corners = search(small, pattern)
    corners = (corners + 0.5) / [fx, fy] - 0.5
    corners = _refine(grey, corners, places, pattern)
    return View(
        path=photo.path,
        pattern_mm=places * pattern.square_mm,
        corners_px=corners,
        size_px=(width, height),
        camera=photo.camera,
        focal_length_35mm=photo.focal_length_35mm,
        taken=photo.taken,
        sha256=photo.sha256,
    )


def _find_checkerboard(grey: np.ndarray, pattern: Pattern) -> tuple[np.ndarray, np.ndarray]:
    """Inner corners in squares from the pattern's corner, and in the picture. (n, 2), (n, 2) [px]"""
    inner = (pattern.columns - 1, pattern.rows - 1)
    quick = cv2.CALIB_CB_NORMALIZE_IMAGE
    for flags in (quick, quick | cv2.CALIB_CB_EXHAUSTIVE | cv2.CALIB_CB_ACCURACY):
        found, corners = cv2.findChessboardCornersSB(grey, inner, flags=flags)
        if found:
            column, row = np.meshgrid(np.arange(1, inner[0] + 1), np.arange(1, inner[1] + 1))
            return np.c_[column.ravel(), row.ravel()].astype(float), corners.reshape(-1, 2).astype(float)
    raise LensNotMeasured(
        f"no checkerboard of {pattern.columns} x {pattern.rows} squares is seen whole.",
        "Count its squares, and get all of it into the photo, sharp and evenly lit.",
    )


def _find_charuco(grey: np.ndarray, pattern: Pattern) -> tuple[np.ndarray, np.ndarray]:
    corners, ids, _, marker_ids = cv2.aruco.CharucoDetector(pattern.charuco_board()).detectBoard(grey)
    if ids is None or not len(ids):
        seen = 0 if marker_ids is None else len(marker_ids)
        raise LensNotMeasured(
            f"no ChArUco pattern is seen ({seen} markers of {pattern.dictionary}).",
            "Check --columns, --rows, --marker-mm and --dictionary against the print.",
        )
    ids = ids.ravel()
    inner = pattern.columns - 1
    places = np.c_[ids % inner + 1, ids // inner + 1].astype(float)
    if len(ids) < 12 or min(len(set(places[:, 0])), len(set(places[:, 1]))) < 3:
        raise LensNotMeasured(
            f"only {len(ids)} corners of the pattern are seen.", "Get more of it into the photo, sharp."
        )
    return places, corners.reshape(-1, 2).astype(float)


def _refine(grey: np.ndarray, corners: np.ndarray, places: np.ndarray, pattern: Pattern) -> np.ndarray:
    """Saddle points of grey near the corners, to a few hundredths of a pixel."""
    # side of the smallest square as seen, from the homography of the pattern, for corners may be missing
    H, _ = cv2.findHomography(places, corners)
    steps = [cv2.perspectiveTransform((places + step)[None], H)[0] - corners for step in ((1, 0), (0, 1))]
    side = min(np.hypot(*step.T).min() for step in steps)
    # the window must not reach the next edge: a marker's, or the neighbouring square's
    free = (1 - pattern.marker_mm / pattern.square_mm) / 2 if pattern.kind == "charuco" else 0.4
    half = int(np.clip(0.9 * free * side, 2, 15))
    ends = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 60, 1e-3)
    start = corners.astype(np.float32).reshape(-1, 1, 2)
    refined = cv2.cornerSubPix(grey, start.copy(), (half, half), (-1, -1), ends)
    moved = np.hypot(*(refined - start).reshape(-1, 2).T)
    # a corner that wanders off was pulled by something else; the detector's own place is the better one
    return np.where((moved <= half)[:, None], refined.reshape(-1, 2), start.reshape(-1, 2)).astype(float)


def collect_views(
    paths: Sequence[str | Path],
    pattern: Pattern,
    settings: PhotoSettings | None = None,
    progress: Callable[[Path], None] | None = None,
) -> tuple[list[View], list[Rejected]]:
    """Find the pattern in each photo; photos that cannot serve come back with the reason.

    Photos of another size, camera or focal length than most are rejected: a profile is of one lens.
    """
    views: list[View] = []
    rejected: list[Rejected] = []
    for path in map(Path, paths):
        try:
            view = find_pattern(read_photo(path, settings), pattern)
            twin = next((v for v in views if v.sha256 == view.sha256), None)
            if twin is not None:
                raise LensNotMeasured(f"the same picture as {twin.path.name}.")
            views.append(view)
        except StandcamError as error:
            rejected.append(Rejected(path, str(error)))
        if progress is not None:
            progress(path)
    if views:
        usual = Counter(_lens_key(v) for v in views).most_common(1)[0][0]
        for view in [v for v in views if _lens_key(v) != usual]:
            views.remove(view)
            rejected.append(Rejected(view.path, f"{_in_words(_lens_key(view))}; most are {_in_words(usual)}."))
    return views, rejected


def _lens_key(view: View) -> tuple:
    focal = view.focal_length_35mm
    return view.size_px, view.camera, None if focal is None else round(focal)


def _in_words(key: tuple) -> str:
    (width, height), camera, focal = key
    parts = [f"{width} x {height} px"]
    parts += [f"focal length {focal} mm (35 mm equivalent)"] if focal is not None else []
    return ", ".join(parts + ([f"camera {camera}"] if camera else []))


def fit_lens(
    views: Sequence[View], rejected: Sequence[Rejected] = (), name: str = "", today: date | None = None
) -> LensFit:
    """Fit focal length, principal point, k1 and k2 to views of a pattern.

    Views that fit far worse than the rest are dropped, one at a time, while five remain.

    Parameters
    ----------
    views : sequence of View
        As from :func:`collect_views`: one lens, one picture size.
    rejected : sequence of Rejected
        Photos already rejected; they are passed on.
    name : str
        Name of the profile; by default the camera's.
    today : date, optional
        Date of the profile where no photo has one.

    Raises
    ------
    LensNotMeasured
        Too few views, too alike views, or a residual too large.
    """
    views, rejected = list(views), list(rejected)
    _check_count(views, rejected)
    width, height = views[0].size_px
    # a phone's photo of a flat print fits to well under a pixel in 3000; more speaks for a bent print
    limit = max(0.5, width / 3000)
    while True:
        K, k1, k2, normals, focal_sd, residuals = _calibrate(views)
        worst = int(np.argmax(residuals))
        odd = residuals[worst] > max(3 * float(np.median(residuals)), limit / 3)
        if len(views) <= LEAST_PHOTOS or not (odd or residuals[worst] > limit):
            break
        rejected.append(
            Rejected(
                views[worst].path,
                f"its corners miss the common lens by {residuals[worst]:.2f} px "
                f"(the others: {np.median(residuals):.2f} px): blurred, bent or misread.",
            )
        )
        del views[worst]
    counts = np.array([len(v.corners_px) for v in views])
    residual = float(np.sqrt((counts * residuals**2).sum() / counts.sum()))
    if residual > limit:
        listed = ", ".join(f"{v.path.name} {r:.2f}" for v, r in zip(views, residuals, strict=True))
        raise LensNotMeasured(
            f"The pattern misses the fitted lens by {residual:.2f} px, above the limit of {limit:.2f} px ({listed}).",
            "Use a flat print, sharp photos, one zoom setting, and check the pattern's rows and columns.",
        )
    spread = _spread_deg(normals)
    if spread < LEAST_SPREAD_DEG or not focal_sd < MOST_FOCAL_SD:
        raise LensNotMeasured(
            f"The {len(views)} photos are too alike to tell the focal length: the pattern's tilts differ by "
            f"{spread:.0f} degrees, focal length known to {100 * focal_sd:.2g} %.",
            "Take photos from all sides, tilted by 20 to 40 degrees, with the pattern filling the picture.",
        )
    profile = LensProfile(
        focal=float(K[0, 0] / width),
        centre=(float((K[0, 2] + 0.5) / width), float((K[1, 2] + 0.5) / height)),
        k1=k1,
        k2=k2,
        name=name or views[0].camera or "lens",
        residual_px=residual,
        date=_newest_day(views) or (today or date.today()).isoformat(),
    )
    middle = np.array([width - 1, height - 1]) / 2
    corner = math.hypot(*np.maximum(K[:2, 2], [width, height] - K[:2, 2])) / K[0, 0]
    if corner >= profile.reach[1]:
        raise LensNotMeasured(
            f"The fitted distortion (k1 {k1:.3f}, k2 {k2:.3f}) folds the picture over in its corners.",
            "Take photos with the pattern in the corners of the picture too.",
        )
    reach = max(float(np.hypot(*(v.corners_px - middle).T).max()) for v in views) / float(np.hypot(*middle))
    return LensFit(
        profile,
        (width, height),
        focal_sd,
        spread,
        reach,
        tuple(views),
        tuple(float(r) for r in residuals),
        tuple(rejected),
        _cautions(profile, views, reach, width, height),
    )


def _check_count(views: Sequence[View], rejected: Sequence[Rejected]) -> None:
    if len(views) < LEAST_PHOTOS:
        total = len(views) + len(rejected)
        raise LensNotMeasured(
            f"The pattern serves in {len(views)} of {total} photos; a profile needs {LEAST_PHOTOS} or more.",
            "Take 8 to 15 sharp photos of it, each tilted another way.",
        )


def _calibrate(views: Sequence[View]) -> tuple[np.ndarray, float, float, np.ndarray, float, np.ndarray]:
    """Camera matrix, k1, k2, normals of the pattern, relative focal error and residual of each view."""
    width, height = views[0].size_px
    plane = [np.c_[v.pattern_mm, np.zeros(len(v.pattern_mm))].astype(np.float32)[:, None] for v in views]
    seen = [v.corners_px.astype(np.float32)[:, None] for v in views]
    flags = cv2.CALIB_USE_INTRINSIC_GUESS | cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K3
    ends = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 200, 1e-10)
    best = None
    for focal in (
        0.75,
        1.5,
        0.4,
    ):  # wide phone lens, twice that, ultra-wide: one of them leads to the minimum
        f = focal * width
        K = np.array([[f, 0, (width - 1) / 2], [0, f, (height - 1) / 2], [0, 0, 1.0]])
        try:
            result = cv2.calibrateCameraExtended(
                plane, seen, (width, height), K, np.zeros(5), flags=flags, criteria=ends
            )
        except cv2.error:
            continue
        if np.isfinite(result[0]) and (best is None or result[0] < best[0]):
            best = result
    if best is None:
        raise LensNotMeasured("No lens fits the photos.", "Take photos from more directions.")
    _, K, distortion, turns, _, sd, _, residuals = best
    k1, k2 = (float(k) for k in distortion.ravel()[:2])
    # with square pixels OpenCV carries the focal length in fy; fx follows it
    focal_sd = float(max(sd.ravel()[:2]) / K[1, 1])
    normals = np.array([cv2.Rodrigues(turn)[0][:, 2] for turn in turns])
    return K, k1, k2, normals, focal_sd if np.isfinite(focal_sd) else float("inf"), residuals.ravel()


def _spread_deg(normals: np.ndarray) -> float:
    """Largest angle between two normals, whichever face they point from. (n, 3) -> [degrees]"""
    cosine = np.clip(np.abs(normals @ normals.T), 0, 1)
    return float(np.degrees(np.arccos(cosine.min())))


def _newest_day(views: Sequence[View]) -> str:
    """Newest Exif day, which is written YYYY:MM:DD. Empty where no view has one."""
    days = []
    for view in views:
        try:
            days.append(date.fromisoformat(view.taken[:10].replace(":", "-")))
        except ValueError:
            continue
    return max(days).isoformat() if days else ""


def _cautions(profile: LensProfile, views: Sequence[View], reach: float, width: int, height: int) -> tuple[str, ...]:
    notes = []
    if reach < 0.7:
        notes.append(
            f"the pattern reached only {100 * reach:.0f} % of the way to the picture's corners: distortion "
            "beyond is extrapolated"
        )
    off = max(abs(profile.centre[0] - 0.5), abs(profile.centre[1] - 0.5))
    if off > 0.05:
        notes.append(f"the principal point lies {100 * off:.0f} % off the picture's middle: were the photos cropped?")
    nominal = views[0].focal_length_35mm
    if nominal is not None:
        # 35 mm equivalents go by the diagonal, 43.27 mm (CIPA DCG-001, from memory); some go by the width
        diagonal = math.hypot(width, height) / width
        either = (nominal * diagonal / math.hypot(36, 24), nominal / 36)
        if not 0.85 * min(either) <= profile.focal <= 1.15 * max(either):
            notes.append(
                f"EXIF gives a focal length of {nominal:g} mm (35 mm equivalent), {either[0]:.2f} of the "
                f"longer side; measured was {profile.focal:.2f}"
            )
    return tuple(notes)
