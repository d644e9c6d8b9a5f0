"""Opens every raster of a folder under a memory limit, reads all of it, and says after each what became of it.

``python raster_reader.py FOLDER LIMIT_BYTES``. As in reader.py, one JSON line before a file and one after.
"""

import json
import logging
import resource
import sys
import time
from pathlib import Path

from standcam.errors import StandcamError
from standcam.images.raster import open_raster
from standcam.images.raster_read import read_window, tiles
from standcam.settings import RasterSettings

MOST_WINDOWS = 12
"""Of each file: a forged size may ask for a million, all of which are refused or empty."""


def main(folder: Path, limit: int) -> None:
    logging.disable()
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    for path in sorted(folder.iterdir()):
        print(json.dumps({"open": path.name}), flush=True)
        start, damaged = time.perf_counter(), ""
        try:
            raster = open_raster(path, RasterSettings(tile_px=512))
            windows = tiles(raster)
            for window in windows[:: max(1, len(windows) // MOST_WINDOWS)]:
                try:
                    tile = read_window(raster, window)
                    assert tile.rgb.shape == (window.height_px, window.width_px, 3)
                except StandcamError as error:
                    damaged = str(error)
            said = f"damaged: {damaged}" if damaged else "ok"
        except StandcamError as error:
            said = f"refused: {error}"
        except BaseException as error:  # what must not happen, and is told by its name
            import traceback

            where = traceback.extract_tb(error.__traceback__)[-1]
            said = f"fault: {type(error).__name__}: {error} ({where.filename}:{where.lineno})"
        print(
            json.dumps({"file": path.name, "said": said, "seconds": round(time.perf_counter() - start, 3)}), flush=True
        )
    # of this program alone: ru_maxrss starts with that of the one that started it
    status = Path("/proc/self/status").read_text()
    peak = int(next(line.split()[1] for line in status.splitlines() if line.startswith("VmHWM:"))) * 1024
    print(json.dumps({"done": True, "peak_bytes": peak}), flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
