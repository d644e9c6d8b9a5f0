"""Geometry of ground boards: which fiducial markers they carry, and where. Described in TOML.

Board frame: millimetres on the printed face, x to the right, y DOWN as printed, origin at the board's middle.
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from standcam.errors import BadSettings
from standcam.files import read_toml

DICTIONARIES = tuple(
    [f"DICT_{n}X{n}_{count}" for n in (4, 5, 6, 7) for count in (50, 100, 250, 1000)]
    + ["DICT_ARUCO_ORIGINAL", "DICT_APRILTAG_16h5", "DICT_APRILTAG_25h9"]
    + ["DICT_APRILTAG_36h10", "DICT_APRILTAG_36h11", "DICT_ARUCO_MIP_36h12"]
)
"""Marker families a board may use, by OpenCV's names."""


_LARGEST_MM = 100_000


@dataclass(frozen=True)
class Marker:
    """One upright fiducial marker on a board."""

    id: int
    centre_mm: tuple[float, float]
    """Centre in the board frame, (x, y). [mm]"""
    side_mm: float
    """Outer side of the black square, without the white margin. [mm]"""


@dataclass(frozen=True)
class BoardGeometry:
    """A flat board with fiducial markers.

    Raises
    ------
    BadSettings
        No marker, an id twice, an unknown dictionary, sizes not above zero, markers that overlap or stick
        out.
    """

    name: str
    dictionary: str
    """OpenCV's name of the marker family, as DICT_4X4_50 or DICT_APRILTAG_36h11."""
    markers: tuple[Marker, ...]
    width_mm: float
    height_mm: float

    def __post_init__(self) -> None:
        """Check the description."""
        where = f"Board {self.name!r}"
        if self.dictionary not in DICTIONARIES:
            raise BadSettings(
                f"{where} names the unknown marker dictionary {self.dictionary!r}.",
                "Use an ArUco or AprilTag family, as DICT_4X4_50 or DICT_APRILTAG_36h11.",
            )
        if not self.markers:
            raise BadSettings(f"{where} has no markers.", "List at least one marker.")
        numbers = [self.width_mm, self.height_mm, *(m.side_mm for m in self.markers)]
        if not all(math.isfinite(n) and n > 0 for n in numbers):
            raise BadSettings(f"{where} has a size that is not above zero.", "Give all sizes in mm.")
        if max(numbers) > _LARGEST_MM or not all(math.isfinite(v) for m in self.markers for v in m.centre_mm):
            raise BadSettings(f"{where} has a size or place that no board has.", "Give all sizes and centres in mm.")
        ids = [m.id for m in self.markers]
        if len(set(ids)) < len(ids) or min(ids) < 0:
            raise BadSettings(f"{where} has marker ids {ids}.", "Each id must be there once, and none below zero.")
        for i, a in enumerate(self.markers):
            (x, y), half = a.centre_mm, a.side_mm / 2
            if abs(x) + half > self.width_mm / 2 + 1e-6 or abs(y) + half > self.height_mm / 2 + 1e-6:
                raise BadSettings(
                    f"{where}: marker {a.id} sticks out of its {self.width_mm:g} x {self.height_mm:g} mm.",
                    "Centres are measured from the board's middle, y down.",
                )
            for b in self.markers[:i]:
                apart = max(abs(x - b.centre_mm[0]), abs(y - b.centre_mm[1]))
                if apart < half + b.side_mm / 2:
                    raise BadSettings(f"{where}: markers {b.id} and {a.id} overlap.", "Check their centres and sides.")

    @property
    def ids(self) -> tuple[int, ...]:
        """Marker ids in the order listed."""
        return tuple(m.id for m in self.markers)

    @property
    def ids_text(self) -> str:
        """Marker ids in words: "ids 4 to 7", or all of them when they are not a run."""
        ids = sorted(self.ids)
        run = len(ids) > 2 and ids[-1] - ids[0] == len(ids) - 1
        words = f"{ids[0]} to {ids[-1]}" if run else ", ".join(map(str, ids))
        return f"id{'s' if len(ids) > 1 else ''} {words}"

    def marker(self, id: int) -> Marker:
        """The marker with this id.

        Raises
        ------
        KeyError
            The board has no such marker.
        """
        for marker in self.markers:
            if marker.id == id:
                return marker
        raise KeyError(id)

    def corners_mm(self, id: int) -> np.ndarray:
        """Corners of a marker: top left, top right, bottom right, bottom left (4, 2) [mm]."""
        marker = self.marker(id)
        half = marker.side_mm / 2
        return np.array(marker.centre_mm) + half * np.array([[-1.0, -1], [1, -1], [1, 1], [-1, 1]])

    def outline_mm(self) -> np.ndarray:
        """Corners of the board, clockwise as printed from the top left (4, 2) [mm]."""
        return np.array([[-1.0, -1], [1, -1], [1, 1], [-1, 1]]) * [self.width_mm / 2, self.height_mm / 2]


def default_board() -> BoardGeometry:
    """Built-in board: markers 0 to 3 clockwise from the top left, on a 300 x 200 mm rectangle."""
    return BoardGeometry("field board 400 x 300", "DICT_4X4_50", _rectangle(300.0, 200.0, 0), 400.0, 300.0)


def small_board() -> BoardGeometry:
    """Built-in board for one A4 or Letter sheet: markers 4 to 7, on a 200 x 130 mm rectangle.

    Its outline is that of both sheets together: the markers do not tell which of the two was printed.
    """
    return BoardGeometry("small board", "DICT_4X4_50", _rectangle(200.0, 130.0, 4), 297.0, 215.9)


def built_in_boards() -> tuple[BoardGeometry, ...]:
    """Boards looked for when no board file is named; no two of them share a marker."""
    return default_board(), small_board()


BOARD_NUMBERS = 5
"""Boards of either size that can be told apart in one row. They take the markers 0 to 39 of the family of 50."""


def numbered(board: BoardGeometry, number: int) -> BoardGeometry:
    """A built-in board with the markers of its number; number 1 is the board itself.

    Raises
    ------
    BadSettings
        There is no such number.
    """
    if not 1 <= number <= BOARD_NUMBERS:
        raise BadSettings(f"There is no board number {number}.", f"Boards are numbered 1 to {BOARD_NUMBERS}.")
    if number == 1:
        return board
    markers = tuple(Marker(m.id + 8 * (number - 1), m.centre_mm, m.side_mm) for m in board.markers)
    name = f"{board.name}, number {number}"
    return BoardGeometry(name, board.dictionary, markers, board.width_mm, board.height_mm)


def numbered_boards() -> tuple[BoardGeometry, ...]:
    """Boards of the numbers from 2 on, which are looked for beside the built-in ones, and taken only when sure."""
    return tuple(numbered(board, n) for n in range(2, BOARD_NUMBERS + 1) for board in built_in_boards())


def known_boards() -> tuple[BoardGeometry, ...]:
    """All boards that counting knows without a board file."""
    return (*built_in_boards(), *numbered_boards())


def board_label(marker: int) -> str:
    """What the board that carries a marker is called: "board 3", "small board 1"; empty if it is no known board's."""
    if not 0 <= marker < 8 * BOARD_NUMBERS:
        return ""
    return f"{'small ' if marker % 8 >= 4 else ''}board {marker // 8 + 1}"


def _rectangle(across_mm: float, down_mm: float, first_id: int) -> tuple[Marker, ...]:
    """Markers of 50 mm in the corners of a rectangle, clockwise from the top left."""
    x, y = across_mm / 2, down_mm / 2
    places = [(-x, -y), (x, -y), (x, y), (-x, y)]
    return tuple(Marker(first_id + i, place, 50.0) for i, place in enumerate(places))


def read_board(path: str | Path) -> BoardGeometry:
    """Geometry of the one board in a TOML file as written by :func:`board_toml`.

    Raises
    ------
    BadSettings
        The file is missing, lacks something, describes no possible board, or more than one.
    """
    boards = read_boards(path)
    if len(boards) > 1:
        raise BadSettings(f"Board file {path} describes {len(boards)} boards.", "Give a file with one [board].")
    return boards[0]


def read_boards(path: str | Path) -> tuple[BoardGeometry, ...]:
    """Geometries of all boards in a TOML file: one table ``[board]``, or several ``[[board]]``.

    Raises
    ------
    BadSettings
        The file is missing, lacks something, or describes no possible board.
    """
    path = Path(path)
    try:
        found = read_toml(path)["board"]
        tables = found if isinstance(found, list) else [found]
        boards = tuple(_board_of(table, f"{path.stem} {n}") for n, table in enumerate(tables, 1))
    except BadSettings as error:
        raise BadSettings(f"Board file {path}: {error.reason}", error.remedy) from None
    except OSError as error:
        raise BadSettings(f"Board file {path} cannot be read: {error.strerror}.", "Check the path.") from None
    except tomllib.TOMLDecodeError as error:
        raise BadSettings(f"Board file {path} is not valid TOML: {error}.", "Correct the place named.") from None
    except KeyError as error:
        raise BadSettings(
            f"Board file {path} lacks {error}.", "Compare it with a file made by `standcam board`."
        ) from None
    except (ValueError, IndexError, TypeError, OverflowError) as error:
        raise BadSettings(
            f"Board file {path} garbles a value: {error}.", "Compare it with a file made by `standcam board`."
        ) from None
    if not boards:
        raise BadSettings(f"Board file {path} describes no board.", "Add a [board] table.")
    return boards


def _board_of(data: dict, name: str) -> BoardGeometry:
    markers = [
        Marker(int(m["id"]), (float(m["centre_mm"][0]), float(m["centre_mm"][1])), float(m["side_mm"]))
        for m in data["marker"]
    ]
    return BoardGeometry(
        name=str(data.get("name", name)),
        dictionary=str(data["dictionary"]),
        markers=tuple(markers),
        width_mm=float(data["width_mm"]),
        height_mm=float(data["height_mm"]),
    )


def board_toml(geometry: BoardGeometry) -> str:
    """TOML text of a board geometry, for :func:`read_board`."""
    quoted = geometry.name.replace("\\", "\\\\").replace('"', '\\"')
    lines = [
        "# Ground board: mm on the printed face, x to the right, y down as printed, origin at the middle.",
        "# side_mm: outer side of a marker's black square. Measure the print and correct the numbers.",
        "[board]",
        f'name = "{quoted}"',
        f'dictionary = "{geometry.dictionary}"',
        f"width_mm = {float(geometry.width_mm)!r}",
        f"height_mm = {float(geometry.height_mm)!r}",
    ]
    for m in geometry.markers:
        x, y = m.centre_mm
        lines += [
            "",
            "[[board.marker]]",
            f"id = {m.id}",
            f"centre_mm = [{float(x)!r}, {float(y)!r}]",
            f"side_mm = {float(m.side_mm)!r}",
        ]
    return "\n".join(lines) + "\n"
