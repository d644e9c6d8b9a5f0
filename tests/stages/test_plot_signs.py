"""Plot signs in the field are read: tilted, blurred, partly in shadow, small, as poor JPEGs, on soils of all kinds."""

from pathlib import Path

import cv2
import numpy as np
import pytest
from fixtures.plot_signs import MARKERS, Sign, label_cells, with_sign

from standcam.images.photo import read_photo
from standcam.survey.marks import labels_in, read_labels

DEMO = sorted((Path(__file__).parents[2] / "demo-images").glob("*.jpg"))
BOTH = ("aruco", "qr")


@pytest.fixture(scope="module")
def grounds():
    return [read_photo(path).rgb for path in DEMO]


def reading(grounds, path, signs, seed):
    """How many signs are read, and what else is."""
    rng = np.random.default_rng(seed)
    right, wrong = 0, []
    for k, sign in enumerate(signs):
        path.write_bytes(with_sign(grounds[k % len(grounds)], sign, rng))
        seen = read_labels(path, BOTH, MARKERS)
        right += sign.text in seen.texts
        wrong += [text for text in seen.texts if text != sign.text]
    return right, wrong


# One of eight may be missed: of 32 pictures each, larger sets read 95 to 100 % at these sizes (table in README.md).
@pytest.mark.parametrize(
    ("kind", "side_px", "shade", "least"),
    [("aruco", 40, 0.3, 7), ("aruco", 40, 0.15, 7), ("aruco", 200, 0.15, 7), ("qr", 140, 0.3, 7)],
)
def test_signs_in_the_field(grounds, tmp_path, kind, side_px, shade, least):
    texts = [str(17 + 31 * k) if kind == "aruco" else f"north-{101 + k}" for k in range(8)]
    signs = [Sign(kind, text, side_px, shade=shade) for text in texts]
    right, wrong = reading(grounds, tmp_path / "a.jpg", signs, seed=3)
    assert right >= least and wrong == []


def test_pictures_without_a_sign_say_nothing(grounds):
    # ground boards carry markers of another family
    for rgb in grounds:
        seen = labels_in(rgb, BOTH, MARKERS)
        assert seen.texts == () and seen.unreadable == 0


def test_a_marker_of_another_family_is_no_label(grounds):
    other = cv2.aruco.generateImageMarker(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_250), 17, 160)
    rgb = grounds[0].copy()
    rgb[300:600, 300:600] = 230
    rgb[370:530, 370:530] = other[..., None]
    assert labels_in(rgb, BOTH, MARKERS).texts == ()


@pytest.mark.parametrize("shape", [(1, 1), (3, 200), (24, 32), (63, 64), (64, 64), (65, 300)])
def test_small_pictures_do_no_harm(shape):
    rgb = np.random.default_rng(1).integers(0, 255, (*shape, 3), dtype=np.uint8)
    assert labels_in(rgb, BOTH, MARKERS).texts == ()


def test_the_drawn_code_is_what_a_second_reader_reads():
    # outside check of the drawing: OpenCV's plain reader, on the cells alone
    cells = cv2.resize(label_cells("qr", "north-101"), None, fx=8, fy=8, interpolation=cv2.INTER_NEAREST)
    framed = cv2.copyMakeBorder(cells, 40, 40, 40, 40, cv2.BORDER_CONSTANT, value=255)
    assert cv2.QRCodeDetector().detectAndDecode(framed)[0] == "north-101"
