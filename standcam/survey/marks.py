"""Plot labels in the picture: ArUco markers and QR codes, read with OpenCV; and sheets of them to print."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2
import numpy as np

from standcam.errors import BadSettings
from standcam.ground.geometry import built_in_boards, read_boards
from standcam.ground.markers import MATCH, Greys, Reading, add_reading, correlation
from standcam.ground.page import Area, Page, Stroke, Text, outline_loops, text_width_mm
from standcam.ground.printing import PAPERS
from standcam.images.photo import read_photo
from standcam.settings import CalibrationSettings, PhotoSettings

LOOK_PX = 2200
"""Longer side of the picture that labels are looked for in: a label of 12 cm seen from standing height is 150 px
wide there. [px]"""
LEAST_QR_PX = 40
"""Smaller codes cannot be read, and smaller finds of none are mostly stones. [px]"""
LEAST_MARKER_PX = 16
"""Smaller markers are not looked for: their cells have two pixels. [px]"""
_WINDOWS_PX = (7, 13, 23)
"""Neighbourhoods that tell black from white: the smallest is for small markers."""
_LIGHT_PX = 36
"""Neighbourhood whose light is taken out: a shadow's edge within a label must not be taken for the label's own. [px]"""
_MOST_CODES = 12
"""Straw and stones make finds that are none, and each takes as long to look at as a code."""
_AROUND = 0.35
"""Of the ground around a code that is cut out with it, in sides."""
JPEG = (".jpg", ".jpeg")


@dataclass(frozen=True)
class LabelsSeen:
    """Labels of one photo."""

    texts: tuple[str, ...] = ()
    """Each text once: the number of a marker, or what a QR code says."""
    unreadable: int = 0
    """Codes that are plainly there and could not be read."""


def label_dictionary(name: str, calibration: CalibrationSettings | None = None) -> cv2.aruco.Dictionary:
    """The marker family of plot labels.

    Raises
    ------
    BadSettings
        OpenCV does not know it, or a ground board carries it.
    """
    value = getattr(cv2.aruco, name, None)
    if not name.startswith("DICT_") or not isinstance(value, int):
        raise BadSettings(f"ties.label_dictionary is {name!r}.", "Use OpenCV's name of a family, such as DICT_5X5_250.")
    boards = built_in_boards()
    if calibration is not None and calibration.board is not None:
        boards = read_boards(calibration.board)
    family = _family(name)
    if any(_family(board.dictionary) == family for board in boards):
        raise BadSettings(
            f"ties.label_dictionary {name} is of the kind that ground boards carry.",
            "Take another for the plot labels: their markers would be taken for the board.",
        )
    return cv2.aruco.getPredefinedDictionary(value)


def _family(name: str) -> str:
    """Families of one cell count share their markers."""
    return name.rsplit("_", 1)[0]


def read_labels(
    path: str | Path, kinds: Sequence[str], dictionary: str, settings: PhotoSettings | None = None
) -> LabelsSeen:
    """Labels that a photo shows.

    Parameters
    ----------
    path : path
    kinds : sequence of str
        aruco, qr.
    dictionary : str
        Family of the markers.
    settings : PhotoSettings, optional
        Size limit.

    Raises
    ------
    UnreadablePhoto
    """
    return labels_in(_small(Path(path), settings), kinds, dictionary)


def labels_in(rgb: np.ndarray, kinds: Sequence[str], dictionary: str) -> LabelsSeen:
    """Labels that a picture shows. (H, W, 3), uint8."""
    if min(rgb.shape[:2]) < 4 * LEAST_MARKER_PX:  # a thumbnail
        return LabelsSeen()
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    evened = _evened(grey)
    texts: list[str] = []
    unreadable = 0
    if "aruco" in kinds:
        read, doubtful = _markers(evened, dictionary)
        large, doubtful_too = _markers(_evened(_reduced(grey)), dictionary)
        texts = [*read, *large]
        unreadable = len({*doubtful, *doubtful_too} - {*texts})
    if "qr" in kinds:
        said, missed = _codes(evened, grey)
        texts += said
        unreadable += missed
    return LabelsSeen(tuple(dict.fromkeys(texts)), unreadable)


def _evened(grey: np.ndarray) -> np.ndarray:
    """A picture by the light around each pixel, so that a shadow's edge across a label is less than black to white."""
    low = cv2.resize(grey, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    light = cv2.resize(cv2.blur(low, (_LIGHT_PX // 4, _LIGHT_PX // 4)), grey.shape[::-1])
    return cv2.divide(grey, np.maximum(light, 8), scale=110)


def _reduced(grey: np.ndarray) -> np.ndarray:
    """A quarter of the size: labels that are large against ``_LIGHT_PX`` are small in it."""
    height, width = (max(n // 4, 1) for n in grey.shape)
    return cv2.resize(grey[: 4 * height, : 4 * width], (width, height), interpolation=cv2.INTER_AREA)


def _markers(grey: np.ndarray, dictionary: str) -> tuple[list[str], list[str]]:
    """Numbers of markers of a family, smaller ones than those of a ground board too; and those that are doubtful."""
    greys = Greys(cv2.cvtColor(grey, cv2.COLOR_GRAY2RGB))
    found: list[Reading] = []
    for detector in _detectors(dictionary):
        corners, ids, _ = detector.detectMarkers(grey)
        for quad, number in zip(corners, [] if ids is None else ids.ravel(), strict=True):
            add_reading(found, Reading(dictionary, int(number), quad[0].astype(float)))
    good = [correlation(greys, reading.quad, dictionary, reading.id) >= MATCH for reading in found]
    texts = [str(reading.id) for reading in found]
    return (
        [text for text, right in zip(texts, good, strict=True) if right],
        [text for text, right in zip(texts, good, strict=True) if not right],
    )


@cache
def _detectors(dictionary: str) -> list[cv2.aruco.ArucoDetector]:
    detectors = []
    for window in _WINDOWS_PX:
        p = cv2.aruco.DetectorParameters()
        p.adaptiveThreshWinSizeMin = p.adaptiveThreshWinSizeMax = window
        p.minMarkerPerimeterRate = LEAST_MARKER_PX * 4 / LOOK_PX
        # cells of a small blurred marker tell their colour in the middle only: with OpenCV's margin of 0.13 half as
        # many markers of 32 px are read
        p.perspectiveRemovePixelPerCell = 8
        p.perspectiveRemoveIgnoredMarginPerCell = 0.25
        detectors.append(cv2.aruco.ArucoDetector(label_dictionary(dictionary), p))
    return detectors


def _codes(evened: np.ndarray, grey: np.ndarray) -> tuple[list[str], int]:
    """Texts of QR codes, and how many codes could not be read."""
    texts: list[str] = []
    missed = 0
    try:
        _, quads = cv2.QRCodeDetectorAruco().detectMulti(evened)
    except cv2.error:  # raised on odd finds
        return [], 0
    for quad in [] if quads is None else quads[:_MOST_CODES]:
        text = _decoded(evened, quad) or _decoded(grey, quad)
        if text:
            texts.append(text)
        elif _like_a_code(quad):
            missed += 1
    return texts, missed


def _decoded(grey: np.ndarray, quad: np.ndarray) -> str:
    """Text of the code at a place, which is cut out and enlarged."""
    if not np.isfinite(quad).all():
        return ""
    side = np.linalg.norm(np.roll(quad, -1, axis=0) - quad, axis=1).max()
    left, top = np.floor(quad.min(0) - _AROUND * side).clip(0, 1e6).astype(int)
    right, bottom = np.ceil(quad.max(0) + _AROUND * side).clip(0, 1e6).astype(int)
    piece = grey[top:bottom, left:right]
    if min(piece.shape) < 10:
        return ""
    for times in (1, 2, 3):
        if times > 1 and times * max(piece.shape) > LOOK_PX:
            break
        large = cv2.resize(piece, None, fx=times, fy=times, interpolation=cv2.INTER_CUBIC) if times > 1 else piece
        for detector in (cv2.QRCodeDetector(), cv2.QRCodeDetectorAruco()):
            try:
                text = detector.detectAndDecode(large)[0].strip()
            except (cv2.error, UnicodeDecodeError):  # on odd finds, and on texts that are no UTF-8
                continue
            if text:
                return str(text)
    return ""


def _like_a_code(quad: np.ndarray) -> bool:
    """Whether four corners are those of a square seen at an angle, and large enough to be one."""
    sides = np.linalg.norm(np.roll(quad, -1, axis=0) - quad, axis=1)
    convex = cv2.isContourConvex(np.round(quad).astype(np.int32))
    return bool(convex and sides.min() >= LEAST_QR_PX and sides.max() <= 2 * sides.min())


def _small(path: Path, settings: PhotoSettings | None) -> np.ndarray:
    """The picture at some 2200 px, JPEGs decoded at a whole fraction of their size, which is several times quicker."""
    from standcam.survey.facts import read_facts

    limit = (settings or PhotoSettings()).max_megapixels
    size = read_facts(path).megapixels if path.suffix.lower() in JPEG else 0.0
    rgb = None
    if 0 < size <= limit:
        ratio = math.sqrt(size * 1e6 * 4 / 3) / LOOK_PX
        flag = {1: cv2.IMREAD_COLOR, 2: cv2.IMREAD_REDUCED_COLOR_2, 4: cv2.IMREAD_REDUCED_COLOR_4}[
            4 if ratio >= 3.4 else 2 if ratio >= 1.7 else 1
        ]
        try:
            rgb = cv2.imdecode(np.fromfile(path, np.uint8), flag)
        except (OSError, cv2.error):
            rgb = None
    if rgb is None:
        rgb = read_photo(path, settings).rgb
    ratio = max(rgb.shape[:2]) / LOOK_PX
    if ratio > 1.2:
        rgb = cv2.resize(rgb, None, fx=1 / ratio, fy=1 / ratio, interpolation=cv2.INTER_AREA)
    return rgb


def label_pages(
    labels: Sequence[tuple[str, str]], kind: str, paper: str = "a4", dictionary: str = "DICT_5X5_250"
) -> list[Page]:
    """Labels to print, two on a sheet, to be cut apart and carried on stakes.

    Parameters
    ----------
    labels : sequence of (text, words)
        What the label says (the number of a marker, the text of a QR code), and words for people beneath.
    kind : str
        aruco or qr.
    paper : str
        a4 or letter.
    dictionary : str
        Family of the markers.

    Raises
    ------
    BadSettings
        Unknown paper, a number that the family lacks, or a text that no code holds.
    """
    if paper not in ("a4", "letter"):
        raise BadSettings(f"Plot labels were asked for on {paper!r}.", "Use a4 or letter.")
    width, height = PAPERS[paper]
    pages: list[Page] = []
    side = 100.0
    for i, (text, words) in enumerate(labels):
        if i % 2 == 0:
            pages.append(Page(width, height))
            pages[-1].add(Stroke((5, height / 2), (width - 5, height / 2), 0.2, (2, 2)))
        page, top = pages[-1], (i % 2) * height / 2
        black = _marker_cells(text, dictionary) if kind == "aruco" else _code_cells(text)
        cell = side / len(black)
        left, upper = (width - side) / 2, top + 13.0
        page.add(
            Area(tuple(tuple((left + cell * u, upper + cell * v) for u, v in loop) for loop in outline_loops(black)))
        )
        size = 9.0
        while size > 3 and text_width_mm(words, size, bold=True) > width - 30:
            size -= 0.5
        page.add(Text((width / 2, upper + side + 12.0), words, size, "middle", bold=True))
        said = f"plot label {text}" if kind == "aruco" else "plot label"
        page.add(Text((width / 2, upper + side + 18.0), f"{said}: gives no scale, is no ground board", 2.8, "middle"))
    return pages


def _marker_cells(text: str, dictionary: str) -> np.ndarray:
    family = label_dictionary(dictionary)
    held = family.bytesList.shape[0]
    if not text.isdecimal() or int(text) >= held:
        raise BadSettings(
            f"Label {text!r} is no marker of {dictionary}: it holds 0 to {held - 1}.",
            "Give plots numbers of that range in the column label of plots.csv, or print QR codes: --kind qr.",
        )
    n = family.markerSize + 2
    return cv2.aruco.generateImageMarker(family, int(text), n) < 128


def _code_cells(text: str) -> np.ndarray:
    parameters = cv2.QRCodeEncoder.Params()
    parameters.correction_level = cv2.QRCODE_ENCODER_CORRECT_LEVEL_M
    try:
        picture = cv2.QRCodeEncoder.create(parameters).encode(text)
    except cv2.error:
        picture = None
    if picture is None or not picture.size or not text:
        raise BadSettings(f"No QR code holds {text!r}.", "Take a shorter text.")
    black = picture < 128
    rows, columns = np.flatnonzero(black.any(1)), np.flatnonzero(black.any(0))
    black = black[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    cell = next(n for n in range(1, len(black)) if not black[n, n])  # the finder pattern's rim is one cell wide
    return black[::cell, ::cell]
