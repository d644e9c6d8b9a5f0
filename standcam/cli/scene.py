"""``standcam scene``: synthetic emergence photos with exact truth."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from standcam.cli import options

if TYPE_CHECKING:
    from standcam.synthetic.recipe import RecipeBook


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command(name="scene", no_args_is_help=True)(scene)


def scene(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder to write to.")],
    recipe: Annotated[
        Path | None,
        typer.Option("--recipe", help="Recipe (TOML) of the scenes; without it, the demonstration set."),
    ] = None,
    seed: Annotated[int | None, typer.Option("--seed", min=0, help="Seed, in place of the recipe's own.")] = None,
    flat: Annotated[
        bool,
        typer.Option("--flat", help="Only photos and truth.csv, straight into DIR: a folder to count."),
    ] = False,
    force: options.Force = False,
) -> None:
    """Make synthetic emergence photos, drone strips and flights whose every stem is known.

    Writes images/, truth/, scenes/ (camera, light, soil) and masks/ (1 crop, 2 weed; plant numbers), and
    truth.csv with all plants; of strips (GeoTIFF) also plots. They show what a method does under known
    conditions; they are no proof that it does so in a field.
    """
    import dataclasses

    from rich.console import Console
    from rich.progress import track

    from standcam.synthetic.demo import whole_demo, write_companions
    from standcam.synthetic.recipe import read_recipe
    from standcam.synthetic.scene import write_scenes

    book = whole_demo() if recipe is None else read_recipe(recipe)
    if seed is not None:
        book = dataclasses.replace(book, seed=seed)
    console = Console(stderr=True)
    bar = iter(track(book.scenes, description="Scenes", console=console, transient=True))
    truth = write_scenes(book, folder, force=force, flat=flat, progress=lambda _: next(bar))
    for _ in bar:
        pass
    if recipe is None:
        write_companions(book, truth, folder)
    crop = truth[(truth.kind != "weed") & (truth.in_image == 1)]
    typer.echo(f"{_made(book)} with {len(crop)} crop plants in {folder}")


def _made(book: RecipeBook) -> str:
    """How many photos, strips and flights a book holds, in words."""
    counts = {kind: sum(scene.kind == kind for scene in book.scenes) for kind in ("photo", "strip", "flight")}
    return ", ".join(f"{n} {kind}{'' if n == 1 else 's'}" for kind, n in counts.items() if n)
