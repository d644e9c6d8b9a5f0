"""``standcam board``: the ground board to print, and its geometry."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from standcam.ground.geometry import BoardGeometry
    from standcam.ground.page import Page


class Paper(StrEnum):
    """Sheets of paper."""

    a4 = "a4"
    letter = "letter"
    a3 = "a3"


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command(name="board")(board)


def board(
    paper: Annotated[Paper, typer.Option("--paper", help="Sheet to print on.", case_sensitive=False)] = Paper.a4,
    out: Annotated[
        Path | None,
        typer.Option("--out", help="PDF to write; the geometry goes beside it as .toml. [default: board-PAPER.pdf]"),
    ] = None,
    tiles: Annotated[
        bool,
        typer.Option("--tiles", help="The full 400 x 300 mm board in two halves, to be glued, on a4 or letter."),
    ] = False,
    board: Annotated[
        Path | None, typer.Option("--board", help="Print this board geometry (TOML) and not a built-in one.")
    ] = None,
    number: Annotated[
        int | None,
        typer.Option(
            "--number", min=1, max=5, help="Number of the board, where several lie along one row. [default: 1]"
        ),
    ] = None,
    dictionary: Annotated[
        str | None,
        typer.Option("--dictionary", help="Marker family by OpenCV's name. [default: DICT_4X4_50]"),
    ] = None,
    first_id: Annotated[
        int | None,
        typer.Option("--first-id", min=0, help="Id of the first marker. [default: 0; the small board 4]"),
    ] = None,
    measured_ruler_mm: Annotated[
        float | None,
        typer.Option(
            "--measured-ruler-mm",
            help="Length of the printed 100 mm ruler: writes the geometry of that print, and no PDF.",
        ),
    ] = None,
    svg: Annotated[bool, typer.Option("--svg", help="Write the pages as SVG too.")] = False,
    force: Annotated[bool, typer.Option("--force", help="Replace files that are there already.")] = False,
) -> None:
    """Make a ground board to print at true size (PDF), and its geometry (TOML).

    The full board fits A3. A4 and Letter get a small board, or with --tiles the full one in two halves.
    Both are built in: counting tells them apart by their markers.
    """
    from standcam.cli.files import write_files
    from standcam.ground.geometry import board_toml

    if number is not None and (board is not None or dictionary is not None or first_id is not None):
        from standcam.errors import BadSettings

        raise BadSettings(
            "--number names a built-in board, and --board, --dictionary or --first-id one of your own.",
            "Give one or the other.",
        )
    stem = board.stem if board else f"board-{paper.value}{'-halves' if tiles else ''}"
    if number is not None and number > 1:
        stem += f"-{number}"
    if measured_ruler_mm is not None:
        from standcam.ground.printing import as_printed

        target = _with_suffix(out or Path(f"{stem}-measured"), ".toml")
        printed = as_printed(_geometry(paper, board, dictionary, first_id, tiles, number), measured_ruler_mm)
        write_files({target: board_toml(printed)}, force)
        typer.echo(f"{target}: the board as printed at {measured_ruler_mm:.4g} %.")
        if abs(measured_ruler_mm - 100) > 3:
            typer.echo("The print was scaled. It can be used, but one printed at 100 % leaves less to go wrong.")
        typer.echo(f"Count with:  standcam count PHOTOS --board {target}")
        return

    from standcam.ground.page import pdf

    target = _with_suffix(out or Path(stem), ".pdf")
    numbers = target.with_suffix(".toml")
    geometry = _geometry(paper, board, dictionary, first_id, tiles, number)
    pages = _pages(geometry, paper, numbers.name, tiles)
    files: dict[Path, bytes | str] = {target: pdf(pages, geometry.name), numbers: board_toml(geometry)}
    if svg:
        from standcam.ground.page import svg as as_svg

        for i, page in enumerate(pages):
            end = f"-{i + 1}" if len(pages) > 1 else ""
            files[target.with_name(f"{target.stem}{end}.svg")] = as_svg(page)
    write_files(files, force)
    _say_how(geometry, files, numbers, paper, tiles, number)


def _geometry(
    paper: Paper,
    board: Path | None,
    dictionary: str | None,
    first_id: int | None,
    tiles: bool,
    number: int | None = None,
) -> BoardGeometry:
    from standcam.ground.geometry import default_board, numbered, read_board
    from standcam.ground.printing import board_for, redressed

    if board is not None:
        geometry = read_board(board)
    else:
        geometry = numbered(default_board() if tiles else board_for(paper.value), number or 1)
    if dictionary is None and first_id is None:
        return geometry
    return redressed(geometry, dictionary or geometry.dictionary, first_id)


def _pages(geometry: BoardGeometry, paper: Paper, file: str, tiles: bool) -> list[Page]:
    from standcam.ground.printing import board_halves, board_pages

    return (board_halves if tiles else board_pages)(geometry, paper.value, file)


def _say_how(
    geometry: BoardGeometry,
    files: dict[Path, bytes | str],
    numbers: Path,
    paper: Paper,
    tiles: bool,
    number: int | None,
) -> None:
    from standcam.ground.printing import first_free_id, is_built_in, taken_for

    typer.echo(f"{geometry.name}: {', '.join(str(path) for path in files)}")
    typer.echo("Print at 100 % (actual size) on matt paper, measure the 100 mm ruler, glue flat on stiff board.")
    typer.echo("A wrong print scale makes every number wrong. Ruler not 100 mm? Print again, or:")
    which = (
        f"--paper {paper.value}{' --tiles' if tiles else ''}{f' --number {number}' if number else ''}"
        if is_built_in(geometry)
        else f"--board {numbers}"
    )
    typer.echo(f"  standcam board {which} --measured-ruler-mm 98.6   (what you measured)")
    if is_built_in(geometry):
        return
    typer.echo(f"Count with:  standcam count PHOTOS --board {numbers}")
    known = taken_for(geometry)
    if known is not None:
        typer.echo(
            f"Without --board it is taken for the built-in {known.name}, which carries the same markers, and "
            f"numbers are wrong. Ids from {first_free_id()} on rule that out: --first-id {first_free_id()}."
        )


def _with_suffix(path: Path, suffix: str) -> Path:
    return path if path.suffix.lower() == suffix else path.with_suffix(suffix)
