"""Pages to print: the ground board, whole or in two halves, and the pattern for measuring a lens.

Marker geometry is never scaled to the paper. A sheet too small for a board is refused; the small board and
the two halves are there for such sheets.
"""

from __future__ import annotations

import dataclasses

import cv2
import numpy as np

from standcam.errors import BadSettings
from standcam.ground.geometry import BoardGeometry, Marker, board_label, default_board, known_boards, small_board
from standcam.ground.lens_fit import Pattern
from standcam.ground.page import Area, Page, Stroke, Text, outline_loops, wrap

PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4), "a3": (297.0, 420.0)}
"""Sheets, upright. A4 and A3: ISO 216:2007; Letter: 8.5 x 11 in (ANSI/ASME Y14.1, size A). [mm]"""
PAPER_NAMES = {"a4": "A4", "letter": "Letter", "a3": "A3"}

RULER_MM = 100.0
EDGE_MM = 5.0
"""No ink nearer to the sheet's edge: printers leave 3 to 5 mm white (common practice, no source). [mm]"""
FLAP_MM = 15.0
"""Overlap of the two halves of a board, for glue. [mm]"""


def board_for(paper: str, dictionary: str = "DICT_4X4_50", first_id: int | None = None) -> BoardGeometry:
    """The board printed whole on a sheet: the default board on A3, the small board on A4 and Letter.

    Its ids are the built-in ones, or counted from ``first_id``.

    Raises
    ------
    BadSettings
        Unknown paper or dictionary.
    """
    if _paper(paper) == "a3":
        board = default_board()
    else:
        height, width = PAPERS[paper.lower()]
        name = f"small board, {PAPER_NAMES[paper.lower()]}"
        board = dataclasses.replace(small_board(), name=name, width_mm=width, height_mm=height)
    return redressed(board, dictionary, first_id)


def redressed(board: BoardGeometry, dictionary: str, first_id: int | None = None) -> BoardGeometry:
    """The same board with markers of another family, or with ids counted from ``first_id``."""
    markers = board.markers
    if first_id is not None:
        markers = tuple(dataclasses.replace(m, id=first_id + i) for i, m in enumerate(markers))
    return dataclasses.replace(board, dictionary=dictionary, markers=markers)


def is_built_in(board: BoardGeometry) -> bool:
    """Whether standcam knows the board without being told."""
    return any((board.markers, board.dictionary) == (b.markers, b.dictionary) for b in known_boards())


def taken_for(board: BoardGeometry) -> BoardGeometry | None:
    """The built-in board that another board passes for when its file is not named: they share markers."""
    if is_built_in(board):
        return None
    for known in known_boards():
        # OpenCV's larger families begin with the markers of the smaller ones: 4X4_100 with those of 4X4_50
        alike = board.dictionary.rpartition("_")[0] == known.dictionary.rpartition("_")[0]
        if alike and set(board.ids) & set(known.ids):
            return known
    return None


def first_free_id() -> int:
    """Least marker id that, like all above it, no built-in board carries."""
    return 1 + max(id for board in known_boards() for id in board.ids)


def as_printed(board: BoardGeometry, measured_ruler_mm: float) -> BoardGeometry:
    """The board's true geometry when its 100 mm ruler came out of the printer at another length.

    Raises
    ------
    BadSettings
        The reading cannot be the length of that ruler in millimetres.
    """
    if not 50 <= measured_ruler_mm <= 150:
        raise BadSettings(
            f"A ruler of {measured_ruler_mm:g} mm cannot be the board's 100 mm ruler.",
            "Measure between the middles of its end marks, in millimetres.",
        )
    k = measured_ruler_mm / RULER_MM
    markers = tuple(Marker(m.id, (m.centre_mm[0] * k, m.centre_mm[1] * k), m.side_mm * k) for m in board.markers)
    name = f"{board.name}, printed at {100 * k:.4g} %"
    return BoardGeometry(name, board.dictionary, markers, board.width_mm * k, board.height_mm * k)


def board_pages(board: BoardGeometry, paper: str, file: str = "") -> list[Page]:
    """The whole board on one sheet; a second sheet with ruler and notes where markers leave no room for them.

    Parameters
    ----------
    board : BoardGeometry
        What to print.
    paper : str
        a4, letter or a3.
    file : str
        Name of the board's TOML file, for the notes.

    Raises
    ------
    BadSettings
        The markers and their white margin do not fit the sheet.
    """
    short, long = PAPERS[_paper(paper)]
    ink = _ink(board)
    need = [_span(ink, axis) + 2 * max(_quiet(board), EDGE_MM) for axis in (0, 1)]
    page = _sheet_for(
        np.array(need),
        paper,
        f"The board {board.name!r} needs {need[0]:.0f} x {need[1]:.0f} mm and does not fit",
        "Take larger paper, or --tiles to print it in two halves.",
    )
    middle = (ink[:2] + ink[2:]) / 2
    origin = np.array([page.width_mm, page.height_mm]) / 2 - middle
    _draw_markers(page, board, origin, board.markers)
    _draw_trim_marks(page, board, origin)
    box = _free_box(board)
    if box is not None:
        trial = Page(page.width_mm, page.height_mm)
        if _draw_notes(trial, box + np.tile(origin, 2), _notes(board, paper, file), arrow=True):
            page.add(*trial.items)
            return [page]
    notes = Page(short, long)
    _draw_notes(notes, np.array([25.0, 25.0, short - 25, long - 25]), _notes(board, paper, file))
    return [page, notes]


def board_halves(board: BoardGeometry, paper: str, file: str = "") -> list[Page]:
    """The board in a left and a right half on two upright sheets, to be glued along the middle.

    Raises
    ------
    BadSettings
        The board fits the sheet whole, a half does not fit, or a marker lies across the middle.
    """
    width, height = PAPERS[_paper(paper)]
    name, quiet = PAPER_NAMES[paper.lower()], _quiet(board)
    ink = _ink(board)
    clear = max(quiet, EDGE_MM)
    if (
        max(_span(ink, 0), _span(ink, 1)) + 2 * clear <= height
        and min(_span(ink, 0), _span(ink, 1)) + 2 * clear <= width
    ):
        raise BadSettings(f"The board {board.name!r} fits {name} in one piece.", "Leave out --tiles.")
    across = [m.id for m in board.markers if abs(m.centre_mm[0]) < m.side_mm / 2 + quiet]
    if across:
        raise BadSettings(
            f"The board {board.name!r} cannot be halved: marker {across[0]} lies across its middle.",
            "Take larger paper.",
        )
    reach = max(-ink[0], ink[2])
    if reach + clear > width - FLAP_MM or _span(ink, 1) + 2 * clear > height:
        raise BadSettings(f"Half of the board {board.name!r} does not fit {name}.", "Take larger paper.")
    seam_y = height / 2 - (ink[1] + ink[3]) / 2
    left, right = Page(width, height), Page(width, height)
    for page, sign, x in ((left, -1, width - FLAP_MM), (right, 1, FLAP_MM)):
        origin = np.array([x, seam_y])
        _draw_markers(page, board, origin, [m for m in board.markers if m.centre_mm[0] * sign > 0])
        _draw_seam(page, ink, origin, sign)
        inner = [m.centre_mm[0] * -sign + m.side_mm / 2 for m in board.markers if m.centre_mm[0] * sign > 0]
        edge = -max(inner) - quiet - 2  # distance from the seam to the nearest marker's margin
        box = np.array([-edge, ink[1], -6, ink[3] - 40] if sign < 0 else [6, ink[1], edge, ink[3] - 40])
        notes = _half_notes(board, paper, file) if sign < 0 else [("h", f"Right half of the {board.name}")]
        notes += [("r", "")]
        if not _draw_notes(page, box + np.tile(origin, 2), notes, arrow=True):
            raise BadSettings(
                f"The board {board.name!r} leaves no room for the ruler on half of {name}.",
                "Take larger paper.",
            )
    return [left, right]


def pattern_page(pattern: Pattern, paper: str) -> Page:
    """The checkerboard or ChArUco pattern for measuring a lens, on one sheet.

    Raises
    ------
    BadSettings
        The pattern does not fit the sheet.
    """
    side = pattern.square_mm
    size = np.array([pattern.columns, pattern.rows]) * side
    margin = np.array([EDGE_MM, EDGE_MM + 10])
    page = _sheet_for(
        size + 2 * margin,
        paper,
        f"{pattern.columns} x {pattern.rows} squares of {side:g} mm do not fit",
        "Take larger paper, or fewer or smaller squares.",
    )
    corner = (np.array([page.width_mm, page.height_mm]) - size) / 2
    row, column = np.mgrid[: pattern.rows, : pattern.columns]
    page.add(_area((row + column) % 2 == 0, corner, side))
    if pattern.kind == "charuco":
        board = pattern.charuco_board()
        for id, corners in zip(board.getIds().ravel(), board.getObjPoints(), strict=True):
            top_left = corner + np.asarray(corners, float)[0, :2]
            page.add(_marker(pattern.dictionary, int(id), top_left, pattern.marker_mm))
    sizes = f"{pattern.columns} x {pattern.rows} squares of {side:g} mm"
    if pattern.kind == "charuco":
        sizes += f", markers of {pattern.marker_mm:g} mm, {pattern.dictionary}"
    lines = [
        f"Lens pattern: {pattern.kind}, {sizes}. Its print scale does not matter; its flatness does: "
        "glue it on glass or stiff board.",
        "Take 8 to 15 sharp photos that it nearly fills, each from another side and tilted by 20 to 40 "
        "degrees, also in the corners of the picture.",
    ]
    for i, line in enumerate(lines):
        page.add(Text((corner[0], corner[1] + size[1] + 4.5 + 4 * i), line, 2.6))
    return page


def _sheet_for(need_mm: np.ndarray, paper: str, what: str, remedy: str) -> Page:
    """An empty sheet that holds so much, lying if it can, else upright. (2,) [mm]

    Raises
    ------
    BadSettings
        It holds it neither way: ``what``, and the paper's name.
    """
    short, long = PAPERS[_paper(paper)]
    for size in ((long, short), (short, long)):
        if (np.array(size) >= need_mm).all():
            return Page(*size)
    raise BadSettings(f"{what} {PAPER_NAMES[paper.lower()]}.", remedy)


def _paper(paper: str) -> str:
    if paper.lower() not in PAPERS:
        raise BadSettings(f"Paper {paper!r} is not known.", f"Use {', '.join(PAPERS)}.")
    return paper.lower()


def _dictionary(name: str):
    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name))


def _quiet(board: BoardGeometry) -> float:
    """White kept around markers: one module and a half of the largest marker. [mm]"""
    modules = _dictionary(board.dictionary).markerSize + 2
    return 1.5 * max(m.side_mm for m in board.markers) / modules


def _ink(board: BoardGeometry) -> np.ndarray:
    """Left, top, right and bottom of the markers in the board frame. (4,) [mm]"""
    corners = np.concatenate([board.corners_mm(i) for i in board.ids])
    return np.concatenate([corners.min(0), corners.max(0)])


def _span(ink: np.ndarray, axis: int) -> float:
    return float(ink[2 + axis] - ink[axis])


def _area(black: np.ndarray, top_left: np.ndarray, cell_mm: float) -> Area:
    x, y = (float(v) for v in top_left)
    return Area(tuple(tuple((x + cell_mm * u, y + cell_mm * v) for u, v in loop) for loop in outline_loops(black)))


def _marker(dictionary_name: str, id: int, top_left: np.ndarray, side_mm: float) -> Area:
    dictionary = _dictionary(dictionary_name)
    held = dictionary.bytesList.shape[0]
    if id >= held:
        raise BadSettings(
            f"{dictionary_name} holds markers 0 to {held - 1}; there is no marker {id}.", "Take lower ids."
        )
    modules = dictionary.markerSize + 2
    picture = dictionary.generateImageMarker(id, modules, borderBits=1)
    return _area(picture == 0, top_left, side_mm / modules)


def _draw_markers(page: Page, board: BoardGeometry, origin: np.ndarray, markers) -> None:
    quiet = _quiet(board)
    names = _place_names(board)
    for m in markers:
        centre = origin + m.centre_mm
        page.add(_marker(board.dictionary, m.id, centre - m.side_mm / 2, m.side_mm))
        below = m.centre_mm[1] <= 0
        away = m.side_mm / 2 + quiet + (3.0 if below else 0.5)
        spot = np.add(m.centre_mm, (0, away if below else -away))
        others = (o for o in board.markers if o.id != m.id)
        if all(np.abs(spot - o.centre_mm).max() > o.side_mm / 2 + quiet for o in others):
            where = f", {names[m.id]}" if m.id in names else ""
            x, y = origin + spot
            page.add(Text((float(x), float(y)), f"marker {m.id}{where}", 2.8, "middle"))


def _place_names(board: BoardGeometry) -> dict[int, str]:
    """Words for the markers in the board's four corners."""
    centres = np.array([m.centre_mm for m in board.markers])
    names = {}
    for words, direction in (
        ("top left", (-1, -1)),
        ("top right", (1, -1)),
        ("bottom right", (1, 1)),
        ("bottom left", (-1, 1)),
    ):
        best = int(np.argmax(centres @ direction))
        if (centres[best] * direction > 0).all():
            names[board.ids[best]] = words
    return names


def _draw_trim_marks(page: Page, board: BoardGeometry, origin: np.ndarray) -> None:
    """Ticks where the board's edge lies within the sheet; elsewhere the sheet's own edge serves."""
    (left, top), _, (right, bottom), _ = board.outline_mm() + origin
    start, end = EDGE_MM, EDGE_MM + 6
    far_x, far_y = page.width_mm, page.height_mm
    for x in (left, right):
        if EDGE_MM < x < page.width_mm - EDGE_MM:
            page.add(Stroke((x, start), (x, end)), Stroke((x, far_y - end), (x, far_y - start)))
            inwards = x < page.width_mm / 2
            place = (x + (1.5 if inwards else -1.5), start + 4)
            page.add(Text(place, "cut here", 2.4, "start" if inwards else "end"))
    for y in (top, bottom):
        if EDGE_MM < y < page.height_mm - EDGE_MM:
            page.add(Stroke((start, y), (end, y)), Stroke((far_x - end, y), (far_x - start, y)))


def _free_box(board: BoardGeometry) -> np.ndarray | None:
    """Left, top, right and bottom of the white between the left and the right markers, if there is enough."""
    ink, clear = _ink(board), _quiet(board) + 1
    middle = (ink[0] + ink[2]) / 2
    left = max((m.centre_mm[0] + m.side_mm / 2 for m in board.markers if m.centre_mm[0] < middle), default=middle)
    right = min((m.centre_mm[0] - m.side_mm / 2 for m in board.markers if m.centre_mm[0] >= middle), default=middle)
    box = np.array([left + clear, ink[1], right - clear, ink[3]])
    return box if _span(box, 0) >= RULER_MM + 8 else None


Note = tuple[str, str]
"""Kind of line (h heading, p paragraph, b bold paragraph, r ruler) and its words."""


def _notes(board: BoardGeometry, paper: str, file: str) -> list[Note]:
    notes: list[Note] = [("n", _number(board)), ("h", f"Ground board for standcam: {board.name}"), ("r", "")]
    notes += [("b", "Measure the ruler: a wrong print scale makes every number wrong by as much.")]
    notes += _common_notes(board, f"--paper {paper.lower()}", file)
    return notes + _board_notes(board, file)


def _number(board: BoardGeometry) -> str:
    """Number of a built-in board that is not the first of its kind; else empty."""
    label = board_label(min(board.ids)) if is_built_in(board) else ""
    number = label.rpartition(" ")[2]
    return "" if number == "1" else number


def _half_notes(board: BoardGeometry, paper: str, file: str) -> list[Note]:
    notes: list[Note] = [
        ("n", _number(board)),
        ("h", f"Left half of the {board.name}"),
        ("p", "Cut the right half along its dashed line, lay it on the flap of this sheet so that its cut "
              "edge lies on the dashed line and the short marks meet, and glue it."),
        ("b", "Then measure both rulers, here and across the seam: a wrong print scale makes every "
              "number wrong by as much."),
    ]  # fmt: skip
    return notes + _common_notes(board, f"--paper {paper.lower()} --tiles", file) + _board_notes(board, file)


def _common_notes(board: BoardGeometry, which: str, file: str) -> list[Note]:
    if not is_built_in(board) and file:
        which = f"--board {file}"
    elif _number(board):
        which += f" --number {_number(board)}"
    return [
        ("p", "Print at 100 % (actual size, not fitted to the page). If the ruler is not 100 mm, print "
              "again, or enter what you measured: "
              f"standcam board {which} --measured-ruler-mm 98.6"),
        ("p", "Glue it flat on stiff, lightweight board, "
              f"{board.width_mm:.0f} x {board.height_mm:.0f} mm or more. Matt paper, no gloss, no plastic "
              "sleeve."),
        ("p", "Lay it flat on the soil beside the row, not on clods, straw or plants. The whole board must "
              "be in the photo, with no leaf or shadow over the markers if it can be helped."),
    ]  # fmt: skip


def _board_notes(board: BoardGeometry, file: str) -> list[Note]:
    sides = sorted({m.side_mm for m in board.markers})
    size = f"{sides[0]:.4g} mm" if len(sides) == 1 else f"{sides[0]:.4g} to {sides[-1]:.4g} mm"
    ids = ", ".join(str(i) for i in board.ids)
    facts = f"{board.dictionary}, ids {ids}, side {size}."
    if is_built_in(board):
        return [("p", f"{facts} standcam knows this board by its markers; it needs no naming.")]
    file = file or "the TOML file printed with it"
    otherwise = "it is not seen" if taken_for(board) is None else "numbers are wrong"
    return [("b", f"{facts} Not a standard board: count with --board {file}, else {otherwise}.")]


def _draw_notes(page: Page, box: np.ndarray, notes: list[Note], arrow: bool = False) -> bool:
    """Draw notes into a box, as large as they fit; False when they do not fit at all."""
    left, top, right, bottom = (float(v) for v in box)
    width = min(right - left, 170.0)
    if right - left < RULER_MM + 4:
        return False
    middle = (left + right) / 2
    for size in (4.0, 3.7, 3.4, 3.1, 2.8, 2.5):
        items: list[Area | Stroke | Text] = []
        y = top
        if arrow:
            items += [
                Area((((middle, y), (middle + 5, y + 8), (middle - 5, y + 8)),)),
                Text((middle, y + 14), "TOP", 5.0, "middle", bold=True),
            ]
            y += 20
        for kind, words in notes:
            if kind == "n":
                if words and arrow:
                    # to be read standing: which board of the row this is
                    items.append(Text((middle + 38, y - 5), words, 18.0, "middle", bold=True))
                continue
            if kind == "r":
                items += _ruler((middle - RULER_MM / 2, y + 6))
                y += 19
                continue
            em = size * 1.3 if kind == "h" else size
            bold = kind in "hb"
            for line in wrap(words, width * (0.93 if bold else 1.0), em):
                y += 1.25 * em
                items.append(Text((middle - width / 2, y), line, em, bold=bold))
            y += 0.7 * em
        if y <= bottom:
            page.add(*items)
            return True
    return False


def _ruler(start: tuple[float, float]) -> list[Area | Stroke | Text]:
    x, y = start
    items: list[Area | Stroke | Text] = [Stroke((x, y), (x + RULER_MM, y), 0.3)]
    for i in range(11):
        height = 5.0 if i in (0, 10) else 3.5 if i == 5 else 2.0
        items.append(Stroke((x + 10 * i, y - height), (x + 10 * i, y)))
    words = "Measure this: 100 mm, from the middle of one end mark to the middle of the other"
    return [*items, Text((x + RULER_MM / 2, y + 4.5), words, 2.6, "middle")]


def _draw_seam(page: Page, ink: np.ndarray, origin: np.ndarray, sign: int) -> None:
    """Dashed seam, marks that must meet across it, and a 100 mm ruler across it; the page shows its part."""
    x, y = (float(v) for v in origin)
    top, bottom = EDGE_MM, page.height_mm - EDGE_MM
    page.add(Stroke((x, top), (x, bottom), 0.15, (3.0, 2.0)))
    for v in (ink[1] + 4, ink[1] + 0.35 * _span(ink, 1), ink[1] + 0.65 * _span(ink, 1)):
        page.add(Stroke((x - 5, y + v), (x + 5, y + v)))
    v = y + ink[3] - 18
    far = x + sign * RULER_MM / 2
    page.add(Stroke((far, v), (x - sign * 9, v), 0.3), Stroke((far, v - 5), (far, v)))
    page.add(Text((x + sign * 4, v + 4.5), "across the seam: 100 mm", 2.6, "end" if sign < 0 else "start"))
    words = "flap: glue the right half on here" if sign < 0 else "cut along the dashed line and drop this strip"
    page.add(Text((x - sign * 10 + (0 if sign < 0 else 2.6), page.height_mm / 2), words, 2.8, "middle", turned=True))
