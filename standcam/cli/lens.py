"""``standcam lens``: a lens profile from photos of a pattern; the pattern to print."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from standcam.cli.board import Paper

if TYPE_CHECKING:
    from standcam.ground.lens_fit import LensFit, Rejected


class Kind(StrEnum):
    """Patterns for measuring a lens."""

    charuco = "charuco"
    checkerboard = "checkerboard"


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command(name="lens", no_args_is_help=True)(lens)


def lens(
    photos: Annotated[
        list[Path] | None,
        typer.Argument(metavar="PHOTO_OR_FOLDER...", help="Five or more photos of the pattern, 8 to 15 are better."),
    ] = None,
    out: Annotated[Path, typer.Option("--out", help="Lens profile to write (TOML).")] = Path("lens.toml"),
    name: Annotated[str, typer.Option("--name", help="Name of the profile. [default: the camera's]")] = "",
    pattern: Annotated[
        Kind,
        typer.Option("--pattern", help="charuco may be cut off by the picture's edge; checkerboard may not."),
    ] = Kind.charuco,
    columns: Annotated[int, typer.Option("--columns", help="Squares across, black and white.")] = 10,
    rows: Annotated[int, typer.Option("--rows", help="Squares down, black and white.")] = 7,
    square_mm: Annotated[
        float | None, typer.Option("--square-mm", help="Side of a square. [default: 25; 36 printed on a3]")
    ] = None,
    marker_mm: Annotated[
        float | None, typer.Option("--marker-mm", help="Side of a charuco marker. [default: 0.72 x square]")
    ] = None,
    dictionary: Annotated[
        str, typer.Option("--dictionary", help="Family of the charuco markers, by OpenCV's name.")
    ] = "DICT_5X5_100",
    print_pattern: Annotated[
        Path | None, typer.Option("--print-pattern", help="Write the pattern to this PDF, to be printed.")
    ] = None,
    paper: Annotated[Paper, typer.Option("--paper", help="Sheet for the pattern.", case_sensitive=False)] = Paper.a4,
    force: Annotated[bool, typer.Option("--force", help="Replace files that are there already.")] = False,
) -> None:
    """Measure a lens profile: focal length and distortion, from photos of a checkerboard or ChArUco pattern.

    Only the pattern's proportions matter, not its print scale. It must be flat, and all photos of one lens at
    one zoom setting.
    """
    from standcam.cli.files import write_files
    from standcam.errors import BadSettings
    from standcam.ground.lens_fit import MARKER_SHARE, Pattern

    square = square_mm or (36.0 if print_pattern is not None and paper is Paper.a3 else 25.0)
    shape = Pattern(pattern.value, columns, rows, square, marker_mm or MARKER_SHARE * square, dictionary)
    if print_pattern is not None:
        from standcam.ground.page import pdf
        from standcam.ground.printing import pattern_page

        if photos:
            raise BadSettings("--print-pattern and photos were both given.", "Print first, then measure.")
        target = print_pattern if print_pattern.suffix.lower() == ".pdf" else print_pattern.with_suffix(".pdf")
        write_files({target: pdf([pattern_page(shape, paper.value)], "standcam lens pattern")}, force)
        typer.echo(f"{target}: print it, glue it on glass or stiff board, then: standcam lens PHOTOS --out lens.toml")
        return
    if not photos:
        raise BadSettings("No photos were given.", "Name 8 to 15 photos of the pattern, or a folder of them.")
    if out.exists() and not force:
        write_files({out: ""})  # refuses before the work, not after it

    from standcam.batch.inputs import find_inputs
    from standcam.ground.lens import lens_toml
    from standcam.ground.lens_fit import Rejected, collect_views, fit_lens

    inputs, problems = find_inputs(photos)
    missing = [Rejected(Path(p.path), f"{p.reason} {p.remedy}".strip()) for p in problems]
    with _progress(len(inputs)) as step:
        views, rejected = collect_views([i.path for i in inputs], shape, progress=step)
    rejected = missing + rejected
    try:
        fit = fit_lens(views, rejected, name)
        rejected = list(fit.rejected)
        write_files({out: lens_toml(fit.profile, _comments(fit))}, force)
    finally:
        _say_rejected(rejected)  # said also when the fit fails: they are mostly why
    _say_fit(fit, out)
    if rejected:
        raise typer.Exit(1)


@contextmanager
def _progress(total: int) -> Iterator[Callable[[Path], None] | None]:
    if not sys.stderr.isatty():
        yield None
        return
    with typer.progressbar(length=total, label="Looking for the pattern", file=sys.stderr) as bar:
        yield lambda _: bar.update(1)


def _comments(fit: LensFit) -> list[str]:
    width, height = fit.size_px
    return [
        "Lens profile measured by `standcam lens`. It serves every photo of this lens at the same zoom.",
        f"{len(fit.views)} photos of {width} x {height} px; pattern tilts up to {fit.spread_deg:.0f} degrees "
        f"apart; focal length known to {100 * fit.focal_sd:.2g} %.",
        *(f"Caution: {note}." for note in fit.notes),
    ]


def _say_rejected(rejected: list[Rejected]) -> None:
    for photo in rejected:
        text = photo.reason if photo.reason.startswith(photo.path.name) else f"{photo.path.name}: {photo.reason}"
        typer.echo(f"not used  {' '.join(text.split())}", err=True)


def _say_fit(fit: LensFit, out: Path) -> None:
    p = fit.profile
    width, height = fit.size_px
    for view, residual in zip(fit.views, fit.residuals_px, strict=True):
        typer.echo(f"used      {view.path.name}: {len(view.corners_px)} corners, residual {residual:.2f} px")
    typer.echo(f"{out}: {p.name}, {p.date}, {len(fit.views)} photos of {width} x {height} px")
    typer.echo(
        f"  focal length {p.focal:.4f} of the longer side (+- {100 * fit.focal_sd:.2g} %), "
        f"centre {p.centre[0]:.4f}, {p.centre[1]:.4f}"
    )
    typer.echo(f"  k1 {p.k1:+.4f}, k2 {p.k2:+.4f}, residual {p.residual_px:.2f} px")
    for note in fit.notes:
        typer.echo(f"  caution: {note}")
    typer.echo(f"Count with:  standcam count PHOTOS --lens {out}")
