"""``standcam review``: correct finds by hand on a page in the browser."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from standcam.cli import options


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command(name="review", no_args_is_help=True)(review)


def review(
    results: Annotated[Path, typer.Argument(metavar="RESULTS", help="Folder that standcam count wrote.")],
    who: Annotated[
        str | None, typer.Option("--who", help="Name to stand in the edits. [default: the user of this computer]")
    ] = None,
    photos: Annotated[
        Path | None, typer.Option("--photos", help="Folder of the photos, if they are no longer where they were.")
    ] = None,
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="Port; 0 takes a free one.")] = 0,
    browser: Annotated[bool, typer.Option("--browser/--no-browser", help="Open the page in the browser.")] = True,
    units: options.UnitsOption = None,
) -> None:
    """Correct finds by hand: add, remove, move, crop or weed, on a page in the browser, doubtful photos first.

    The page is for this computer only and ends with Ctrl-C. Edits go into edits.jsonl in the results folder, and never
    over what was found; reports and all later commands take them, unless told --raw.
    """
    import webbrowser

    from standcam.errors import BadSettings
    from standcam.review.desk import Desk
    from standcam.review.server import ReviewServer

    if photos is not None and not photos.is_dir():
        raise BadSettings(f"--photos {photos} is no folder.", "Name the folder that holds the photos.")
    desk = Desk(results, _name(who), photos, None if units is None else units.value)
    try:
        server = ReviewServer(desk, port)
    except OSError as error:
        raise BadSettings(f"Port {port} cannot be had: {error.strerror or error}.", "Leave --port out.") from None
    n = len(desk.pictures)
    typer.echo(f"{'1 photo' if n == 1 else f'{n} photos'} to look at, the doubtful ones first:")
    typer.echo(server.url)
    typer.echo("For this computer only. The address holds the key to the page: give it to nobody. Ctrl-C ends.")
    for note in desk.log.read().notes:
        typer.echo(note)
    if browser:
        webbrowser.open(server.url)
    try:
        server.serve_forever(poll_interval=0.2)
    except KeyboardInterrupt:
        pass
    finally:
        server.server_close()
    told = desk.sentences()
    typer.echo("")
    for sentence in told or ("Nothing was edited.",):
        typer.echo(sentence)
    if told:
        typer.echo(f"Edits are in {desk.log.path}. The report with them:  standcam report {results}")


def _name(who: str | None) -> str:
    import getpass

    if who and who.strip():
        return who.strip()[:100]
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "unknown"
