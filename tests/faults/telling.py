"""Files of a folder read one after the other in a process of its own, under a memory limit: both sides of it.

The process writes one JSON line before a file is opened and one after, so that the last line of a reader that died
names the file that it died of.
"""

import json
import os
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def tell(folder, limit, read):
    """Read all files by ``read``, which gives ``ok`` or what is wrong, and say what became of each."""
    import resource

    from standcam.errors import StandcamError

    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    for path in sorted(folder.iterdir()):
        print(json.dumps({"open": path.name}), flush=True)
        start = time.perf_counter()
        try:
            said = read(path)
        except StandcamError as error:
            said = f"refused: {error}"
        except BaseException as error:  # what must not happen, and is told by its name
            import traceback

            where = traceback.extract_tb(error.__traceback__)[-1]
            said = f"fault: {type(error).__name__}: {error} ({where.filename}:{where.lineno})"
        record = {"file": path.name, "said": said, "seconds": round(time.perf_counter() - start, 3)}
        print(json.dumps(record), flush=True)
    # of this program alone: ru_maxrss starts with that of the one that started it
    status = Path("/proc/self/status").read_text()
    peak = int(next(line.split()[1] for line in status.splitlines() if line.startswith("VmHWM:"))) * 1024
    print(json.dumps({"done": True, "peak_bytes": peak}), flush=True)


def call(*arguments, timeout=500, limit=None):
    """Python with these arguments, on one thread, under a memory limit where one is given."""
    import resource

    return subprocess.run(
        [sys.executable, *map(str, arguments)],
        capture_output=True,
        text=True,
        errors="replace",
        timeout=timeout,
        env=os.environ | {"PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
        preexec_fn=(lambda: resource.setrlimit(resource.RLIMIT_AS, (limit, limit))) if limit else None,
    )


def told(done):
    """What a reader said of each file, and its highest memory."""
    lines = [json.loads(line) for line in done.stdout.splitlines() if line.startswith("{")]
    assert done.returncode == 0, f"died at {lines[-1] if lines else '?'}: {done.stderr[-500:]}"
    assert lines[-1]["done"]
    return [line for line in lines if "file" in line], lines[-1]["peak_bytes"]


def judge(records, seconds=10):
    """No fault of ours, none slow (the slowest took some 0.2 s on a slow core), and each refusal names its file."""
    assert [r for r in records if r["said"].startswith("fault")] == []
    assert [r for r in records if r["seconds"] > seconds] == []
    for record in records:
        if record["said"] != "ok":
            assert record["file"] in record["said"] and "\n" not in record["said"], record
