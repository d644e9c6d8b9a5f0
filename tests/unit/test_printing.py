"""Printed boards: rendered by an independent library, read by OpenCV, measured against their geometry."""

import ctypes
import itertools
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from standcam.errors import BadSettings
from standcam.ground import page as vector
from standcam.ground import printing
from standcam.ground.geometry import BoardGeometry, Marker, default_board, read_board, small_board
from standcam.ground.lens_fit import Pattern

pdfium = pytest.importorskip("pypdfium2")

CALIBRATION = Path(__file__).resolve().parents[2] / "calibration"
DPI = 300
PX_PER_MM = DPI / 25.4  # the inch is 25.4 mm exactly (international yard and pound agreement, 1959)
# ISO 216:2007, table 1 (A series) and ANSI/ASME Y14.1 size A, 8.5 x 11 in. [mm]
SHEETS = {"a4": (210, 297), "a3": (297, 420), "letter": (8.5 * 25.4, 11 * 25.4)}


def render(data: bytes, dpi: float = DPI) -> list[np.ndarray]:
    """Pages in grey. PDF user space is 1/72 inch (ISO 32000-1:2008, 8.3.2.3)."""
    document = pdfium.PdfDocument(data)
    try:
        return [page.render(scale=dpi / 72, grayscale=True).to_numpy().squeeze().copy() for page in document]
    finally:
        document.close()


def read_markers(picture: np.ndarray, dictionary: str) -> dict[int, np.ndarray]:
    """Corners of the markers in mm from the sheet's top left corner. (4, 2)"""
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    family = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary))
    corners, ids, _ = cv2.aruco.ArucoDetector(family, parameters).detectMarkers(picture)
    assert ids is not None
    # the centre of the first pixel lies half a pixel into the sheet
    return {int(i): (c[0] + 0.5) / PX_PER_MM for i, c in zip(ids.ravel(), corners, strict=True)}


def assert_shows(picture: np.ndarray, board: BoardGeometry) -> None:
    """Each marker of the board, none else, with centres and sides to 0.1 mm."""
    found = read_markers(picture, board.dictionary)
    assert sorted(found) == sorted(board.ids)
    drift = np.mean([found[i].mean(0) for i in board.ids], axis=0)
    drift -= np.mean([board.marker(i).centre_mm for i in board.ids], axis=0)
    for i in board.ids:
        marker = board.marker(i)
        np.testing.assert_allclose(found[i].mean(0) - drift, marker.centre_mm, atol=0.1)
        sides = np.hypot(*(np.roll(found[i], -1, axis=0) - found[i]).T)
        np.testing.assert_allclose(sides, marker.side_mm, atol=0.1)
        # corner 0 is the marker's own top left: an upright print has it top left on the sheet
        assert (found[i][0] < found[i].mean(0)).all()


def ruler_lengths(picture: np.ndarray) -> list[float]:
    """Distances between the end marks of all rulers: marks at the ends of lines of at least 99 mm. [mm]"""
    ink = (picture < 128).astype(np.uint8)
    long = cv2.morphologyEx(ink, cv2.MORPH_OPEN, np.ones((1, int(99 * PX_PER_MM)), np.uint8))
    lengths = []
    for x, y, width, _, _ in cv2.connectedComponentsWithStats(long)[2][1:]:
        above = 255 - picture[int(y - 4.4 * PX_PER_MM)].astype(float)  # only the end marks reach up so far
        reach = int(2 * PX_PER_MM)
        ends = []
        for end in (x, x + width - 1):
            window = np.arange(end - reach, end + reach + 1)
            assert above[window].sum() > 0
            ends.append((above[window] * window).sum() / above[window].sum())
        lengths.append((ends[1] - ends[0]) / PX_PER_MM)
    return lengths


def drawn_ruler_lengths(page) -> list[float]:
    """Distances between neighbouring upright strokes of 5 mm, from the drawing itself. [mm]"""
    raw = pdfium.raw
    places = {}
    for item in page.get_objects(filter=[raw.FPDF_PAGEOBJ_PATH]):
        if raw.FPDFPath_CountSegments(item) != 2:
            continue
        matrix, ends = item.get_matrix(), []
        for i in (0, 1):
            x, y = ctypes.c_float(), ctypes.c_float()
            raw.FPDFPathSegment_GetPoint(raw.FPDFPath_GetPathSegment(item, i), x, y)
            ends.append(np.array(matrix.on_point(x.value, y.value)) * 25.4 / 72)
        across, along = np.abs(ends[1] - ends[0])
        if across < 1e-4 and abs(along - 5) < 1e-3:
            places.setdefault(round(float(min(ends[0][1], ends[1][1])), 2), []).append(float(ends[0][0]))
    return [b - a for xs in places.values() for a, b in itertools.pairwise(sorted(xs))]


@pytest.mark.parametrize("paper", SHEETS)
def test_whole_board_prints_at_true_size(paper):
    board = printing.board_for(paper)
    pages = printing.board_pages(board, paper, f"board-{paper}.toml")
    data = vector.pdf(pages, board.name)
    document = pdfium.PdfDocument(data)
    assert len(document) == 1
    size = np.array(document[0].get_size()) * 25.4 / 72
    np.testing.assert_allclose(sorted(size), sorted(SHEETS[paper]), atol=0.01)
    words = " ".join(document[0].get_textpage().get_text_range().split())
    lengths = drawn_ruler_lengths(document[0])
    document.close()
    assert lengths == [pytest.approx(100, abs=1e-3)]
    for said in (
        "Measure this: 100 mm",
        "100 %",
        "TOP",
        f"marker {board.ids[0]}, top left",
        "wrong print scale",
    ):
        assert said in words
    assert "needs no naming" in words
    assert "Not a standard board" not in words
    (picture,) = render(data)
    assert_shows(picture, board)
    assert ruler_lengths(picture) == [pytest.approx(100, abs=0.05)]  # half a pixel: thin lines are snapped


@pytest.mark.parametrize("paper", SHEETS)
def test_no_ink_where_printers_do_not_print(paper):
    """4.2 mm from the edge stay white (a usual printer margin; common practice, no source)."""
    (picture,) = render(vector.pdf(printing.board_pages(printing.board_for(paper), paper), "x"))
    edge = int(4.2 * PX_PER_MM)
    for strip in (picture[:edge], picture[-edge:], picture[:, :edge], picture[:, -edge:]):
        assert strip.min() == 255


@pytest.mark.parametrize("paper", SHEETS)
def test_white_margin_around_markers(paper):
    """At least one module of white on all sides, which the detector needs."""
    board = printing.board_for(paper)
    (picture,) = render(vector.pdf(printing.board_pages(board, paper), "x"))
    for corners in read_markers(picture, board.dictionary).values():
        margin = board.markers[0].side_mm / 6 - 0.2
        low, high = corners.min(0) - margin, corners.max(0) + margin
        x0, y0, x1, y1 = np.round(np.concatenate([low, high]) * PX_PER_MM).astype(int)
        ring = picture[y0:y1, x0:x1].copy()
        inset = int((margin - 0.3) * PX_PER_MM)
        ring[inset:-inset, inset:-inset] = 255
        assert ring.min() == 255


def test_default_board_is_what_a3_prints():
    assert printing.board_for("a3") == default_board()
    assert printing.board_for("A3") == default_board()


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_small_boards_are_built_in(paper):
    """Same markers on both sheets, so that one description serves; the outline is the sheet's own."""
    board = printing.board_for(paper)
    assert printing.is_built_in(board)
    assert (board.markers, board.ids) == (small_board().markers, (4, 5, 6, 7))
    assert (board.height_mm, board.width_mm) == pytest.approx(SHEETS[paper])


@pytest.mark.parametrize(
    ("dictionary", "first_id", "otherwise"),
    [("DICT_4X4_50", 0, "numbers are wrong"), ("DICT_4X4_50", 7, "numbers are wrong"),
     ("DICT_4X4_250", 3, "numbers are wrong"), ("DICT_4X4_50", 8, "numbers are wrong"),
     ("DICT_4X4_50", 40, "it is not seen"),
     ("DICT_6X6_50", 4, "it is not seen")],
)  # fmt: skip
def test_own_boards_say_what_happens_when_they_are_not_named(dictionary, first_id, otherwise):
    board = printing.board_for("a4", dictionary, first_id)
    (page,) = printing.board_pages(board, "a4", "own.toml")
    words = " ".join(item.text for item in page.items if isinstance(item, vector.Text))
    assert f"count with --board own.toml, else {otherwise}" in words
    assert (printing.taken_for(board) is not None) == (otherwise == "numbers are wrong")


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_halves_glued_along_the_seam_are_the_full_board(paper):
    board = default_board()
    data = vector.pdf(printing.board_halves(board, paper), board.name)
    left, right = render(data)
    np.testing.assert_allclose(np.array(left.shape[::-1]) / PX_PER_MM, SHEETS[paper], atol=0.1)
    seam = round((SHEETS[paper][0] - printing.FLAP_MM) * PX_PER_MM)
    cut = round(printing.FLAP_MM * PX_PER_MM)
    glued = np.hstack([left[:, :seam], right[:, cut:]])
    assert_shows(glued, board)
    lengths = ruler_lengths(glued)
    # one ruler on each half, and one across the seam, which here is cut at whole pixels (0.08 mm)
    assert len(lengths) == 3
    assert lengths == pytest.approx([100, 100, 100], abs=0.1)
    # the flap repeats what lies right of the seam, so that marks meet
    flap = left[:, seam : seam + int(4 * PX_PER_MM)]
    under = right[:, cut : cut + int(4 * PX_PER_MM)]
    marks = (flap[:, 10:] < 128).any(1)
    assert marks.any()
    assert (marks == (under[:, 10:] < 128).any(1)).mean() > 0.99


@pytest.mark.parametrize("dictionary", ["DICT_APRILTAG_36h11", "DICT_6X6_250", "DICT_ARUCO_MIP_36h12"])
def test_other_marker_families(dictionary):
    board = printing.board_for("letter", dictionary, first_id=20)
    (picture,) = render(vector.pdf(printing.board_pages(board, "letter"), "x"))
    assert board.ids == (20, 21, 22, 23)
    assert_shows(picture, board)


def test_crowded_board_gets_its_notes_on_a_second_sheet():
    places = [(x, y) for y in (-60.0, 60.0) for x in (-100.0, 0.0, 100.0)]
    board = BoardGeometry("six", "DICT_4X4_50", tuple(Marker(i, place, 40) for i, place in enumerate(places)), 290, 200)
    first, second = render(vector.pdf(printing.board_pages(board, "a4", "six.toml"), "x"))
    assert_shows(first, board)
    assert ruler_lengths(second) == [pytest.approx(100, abs=0.05)]


def test_boards_that_do_not_fit_are_refused():
    with pytest.raises(BadSettings, match=r"needs 375 x 275 mm and does not fit A4.*--tiles"):
        printing.board_pages(default_board(), "a4")
    with pytest.raises(BadSettings, match="fits A3 in one piece"):
        printing.board_halves(default_board(), "a3")
    middle = BoardGeometry("m", "DICT_4X4_50", (Marker(0, (0, 0), 200), Marker(1, (150, 0), 50)), 400, 300)
    with pytest.raises(BadSettings, match="marker 0 lies across"):
        printing.board_halves(middle, "letter")
    wide = BoardGeometry("w", "DICT_4X4_50", (Marker(0, (-300, 0), 50), Marker(1, (300, 0), 50)), 700, 300)
    with pytest.raises(BadSettings, match="Half of the board"):
        printing.board_halves(wide, "a4")
    with pytest.raises(BadSettings, match="'b5' is not known"):
        printing.board_for("b5")
    with pytest.raises(BadSettings, match="holds markers 0 to 49"):
        printing.board_pages(printing.board_for("a3", first_id=48), "a3")


def test_measured_ruler_gives_the_geometry_of_the_print():
    """A sheet printed at 98.6 % has all its lengths at 98.6 %: checked on the sheet so rendered."""
    board = printing.as_printed(default_board(), 98.6)
    assert board.marker(1).centre_mm == pytest.approx((147.9, -98.6))
    assert board.marker(1).side_mm == pytest.approx(49.3)
    data = vector.pdf(printing.board_pages(default_board(), "a3"), "x")
    (picture,) = render(data, DPI * 0.986)
    assert_shows(picture, board)
    assert ruler_lengths(picture) == []  # at 98.6 mm its ruler is too short to be one
    for wrong in (0, 9.86, 3.9, float("nan")):
        with pytest.raises(BadSettings, match="cannot be the board's 100 mm ruler"):
            printing.as_printed(default_board(), wrong)


@pytest.mark.parametrize("kind", ["checkerboard", "charuco"])
@pytest.mark.parametrize("paper", SHEETS)
def test_lens_pattern_is_the_one_opencv_looks_for(kind, paper):
    square = 36.0 if paper == "a3" else 25.0
    pattern = Pattern(kind, 10, 7, square, 0.72 * square)
    (picture,) = render(vector.pdf([printing.pattern_page(pattern, paper)], "x"), 150)
    if kind == "checkerboard":
        found, corners = cv2.findChessboardCornersSB(picture, (9, 6))
        assert found
    else:
        corners, ids, _, _ = cv2.aruco.CharucoDetector(pattern.charuco_board()).detectBoard(picture)
        assert ids.ravel().tolist() == list(range(54))
    grid = corners.reshape(6, 9, 2) / (150 / 25.4)
    np.testing.assert_allclose(np.linalg.norm(np.diff(grid, axis=0), axis=2), square, atol=0.1)
    np.testing.assert_allclose(np.linalg.norm(np.diff(grid, axis=1), axis=2), square, atol=0.1)


def test_lens_pattern_too_large_is_refused():
    with pytest.raises(BadSettings, match="do not fit Letter"):
        printing.pattern_page(Pattern("checkerboard", 12, 9, 25), "letter")


@given(st.integers(1, 9), st.integers(1, 9), st.randoms(use_true_random=False))
def test_outlines_fill_exactly_the_black_cells(rows, columns, random):
    black = np.array([[random.random() < 0.5 for _ in range(columns)] for _ in range(rows)])
    loops = vector.outline_loops(black)
    twice = sum(
        x0 * y1 - x1 * y0 for loop in loops for (x0, y0), (x1, y1) in zip(loop, loop[1:] + loop[:1], strict=True)
    )
    assert twice / 2 == black.sum()  # shoelace formula; holes count negative
    for y, x in np.ndindex(black.shape):
        inside = sum(cv2.pointPolygonTest(np.array(loop, np.float32), (x + 0.5, y + 0.5), False) > 0 for loop in loops)
        assert inside % 2 == black[y, x]


def test_svg_shows_the_same_board():
    board = printing.board_for("a4")
    (page,) = printing.board_pages(board, "a4")
    root = ElementTree.fromstring(vector.svg(page))
    name = "{http://www.w3.org/2000/svg}"
    assert (root.get("width"), root.get("height")) == ("297mm", "210mm")
    assert root.get("viewBox") == "0 0 297 210"
    fine = 4  # OpenCV fills half a pixel too far on all sides
    picture = np.full((fine * round(210 * PX_PER_MM), fine * round(297 * PX_PER_MM)), 255, np.uint8)
    for path in root.iter(f"{name}path"):
        loops = [
            np.array([[float(v) for v in point.split(",")] for point in loop.replace("L", "").split()])
            for loop in path.get("d").replace("M", "").split("Z")
            if loop.strip()
        ]
        cv2.fillPoly(picture, [np.round(loop * PX_PER_MM * fine).astype(np.int32) for loop in loops], 0)
    assert_shows(cv2.resize(picture, None, fx=1 / fine, fy=1 / fine, interpolation=cv2.INTER_AREA), board)
    assert "Measure this: 100 mm" in " ".join(t.text for t in root.iter(f"{name}text"))


def test_same_board_same_bytes():
    pages = [printing.board_pages(printing.board_for("a4"), "a4") for _ in range(2)]
    assert vector.pdf(pages[0], "x") == vector.pdf(pages[1], "x")


@pytest.mark.parametrize("file", sorted(CALIBRATION.glob("board-*.toml")), ids=lambda path: path.stem)
def test_committed_boards_show_what_their_numbers_say(file):
    board = read_board(file)
    pictures = render(file.with_suffix(".pdf").read_bytes())
    if len(pictures) == 2:
        cut = round(printing.FLAP_MM * PX_PER_MM)
        pictures = [np.hstack([pictures[0][:, :-cut], pictures[1][:, cut:]])]
    assert_shows(pictures[0], board)


def test_committed_boards_are_all_there():
    names = {path.stem for path in CALIBRATION.glob("board-*.toml")}
    assert names == {"board-a3", "board-a4", "board-letter", "board-a4-halves", "board-letter-halves"}
    assert all((CALIBRATION / f"{name}.pdf").is_file() for name in names)
