"""Reads every picture of a folder under a memory limit and says after each what became of it: one JSON line a file.

``python reader.py FOLDER LIMIT_BYTES [measure]``. A line is written before a file is opened and after, so that the
last line of a reader that died names the file that it died of.
"""

import json
import resource
import sys
import time
from pathlib import Path

from standcam.errors import StandcamError
from standcam.images.photo import read_photo
from standcam.images.quality import quality_flags
from standcam.images.reduce import reduce
from standcam.measure import measure_photo
from standcam.settings import Settings


def main(folder: Path, limit: int, measure: bool) -> None:
    settings = Settings()
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    for path in sorted(folder.iterdir()):
        print(json.dumps({"open": path.name}), flush=True)
        start, shape = time.perf_counter(), None
        try:
            photo = read_photo(path)
            shape = photo.rgb.shape
            if measure:
                quality_flags(reduce(photo.rgb, 1600))
                measure_photo(photo, settings)
            del photo
            said = "ok"
        except StandcamError as error:
            said = f"refused: {error}"
        except BaseException as error:  # what must not happen, and is told by its name
            said = f"fault: {type(error).__name__}: {error}"
        record = {"file": path.name, "said": said, "shape": shape, "seconds": round(time.perf_counter() - start, 3)}
        print(json.dumps(record), flush=True)
    # of this program alone: ru_maxrss starts with that of the one that started it
    status = Path("/proc/self/status").read_text()
    peak = int(next(line.split()[1] for line in status.splitlines() if line.startswith("VmHWM:"))) * 1024
    print(json.dumps({"done": True, "peak_bytes": peak}), flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), "measure" in sys.argv[3:])
