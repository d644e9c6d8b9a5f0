"""Opens every raster of a folder under a memory limit, reads all of it, and says after each what became of it.

``python raster_reader.py FOLDER LIMIT_BYTES``, see telling.py.
"""

import logging
import sys
from pathlib import Path

from telling import tell

from standcam.errors import StandcamError
from standcam.images.raster import open_raster
from standcam.images.raster_read import read_window, tiles
from standcam.settings import RasterSettings

MOST_WINDOWS = 12
"""Of each file: a forged size may ask for a million, all of which are refused or empty."""


def read(path: Path) -> str:
    damaged = ""
    raster = open_raster(path, RasterSettings(tile_px=512))
    windows = tiles(raster)
    for window in windows[:: max(1, len(windows) // MOST_WINDOWS)]:
        try:
            tile = read_window(raster, window)
            assert tile.rgb.shape == (window.height_px, window.width_px, 3)
        except StandcamError as error:
            damaged = str(error)
    return f"damaged: {damaged}" if damaged else "ok"


if __name__ == "__main__":
    logging.disable()
    tell(Path(sys.argv[1]), int(sys.argv[2]), read)
