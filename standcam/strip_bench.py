"""What a mosaic costs: ``standcam strip`` on growing pieces of one, against merely reading the same pixels.

Every figure comes from a whole run of the program in a process of its own, start and files included, one after the
other on one machine: reading alone first, then the command with one process held to one thread, then with all cores.
Modules are compiled by a run that is not timed, as installing compiles them.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from standcam.batch_bench import BenchFailed, aligned, environment, started

SHARES = (0.25, 0.5, 1.0)
"""Shares of the mosaic that are timed: time should grow in a straight line with area."""
BLOCK_PX, QUALITY = 512, 85
LOOK_S = 0.2
"""Memory and processor time of running processes are looked at so often. [s]"""
_READ = """
import sys, time, rasterio
from rasterio.windows import Window
with rasterio.Env(GDAL_CACHEMAX=64 << 20, GDAL_NUM_THREADS=1), rasterio.open(sys.argv[1]) as file:
    wide, high = (max(1, 2048 // block) * block for block in file.block_shapes[0][::-1])
    wide, high = min(wide, 4096), min(high, 4096)
    since, used = time.perf_counter(), time.process_time()
    for y in range(0, file.height, high):
        for x in range(0, file.width, wide):
            file.read(window=Window(x, y, min(wide, file.width - x), min(high, file.height - y)))
    print(time.perf_counter() - since, time.process_time() - used)
"""


def demo_mosaic() -> Path:
    """The demonstration strip; made once (half a minute) and kept with the temporary files."""
    from standcam.synthetic.demo import strip_recipe, strip_text

    book = strip_recipe()
    kept = hashlib.sha256(strip_text().encode()).hexdigest()[:16]
    path = Path(tempfile.gettempdir()) / f"standcam-strip-{kept}.tif"
    if not path.is_file():
        from standcam.synthetic.strip import make_strip
        from standcam.synthetic.strip_files import write_geotiff

        recipe = book.scenes[0]
        handle, made = tempfile.mkstemp(prefix="standcam-", suffix=".tif", dir=path.parent)
        os.close(handle)
        try:
            write_geotiff(Path(made), make_strip(recipe, recipe.rng(book.seed)))
            os.replace(made, path)
        finally:
            Path(made).unlink(missing_ok=True)
    return path


def mosaic_of(source: str | Path, out: str | Path, width_px: int, height_px: int) -> Path:
    """A GeoTIFF of so many pixels from another: a piece of it, or the whole of it mirrored over and over.

    Rows run on across mirrors, so that a repeated strip is a field of straight rows. Blocks are 512 px and JPEG where
    the source's are JPEG, else as the source has them; 8 bits.
    """
    import numpy as np
    import rasterio
    from rasterio.windows import Window

    out = Path(out)
    with rasterio.open(source) as file:
        h, w = file.height, file.width
        profile = file.profile | {"width": width_px, "height": height_px, "tiled": True}
        profile |= {"blockxsize": BLOCK_PX, "blockysize": BLOCK_PX, "bigtiff": "if_safer"}
        if str(profile.get("compress", "")).lower() == "jpeg":
            profile |= {"photometric": "ycbcr", "jpeg_quality": QUALITY, "interleave": "pixel"}
        repeated = width_px > w or height_px > h
        whole = file.read() if repeated else None
        with rasterio.open(out, "w", **profile) as made:
            for y in range(0, height_px, BLOCK_PX):
                high = min(BLOCK_PX, height_px - y)
                for x in range(0, width_px, 8 * BLOCK_PX):
                    wide = min(8 * BLOCK_PX, width_px - x)
                    window = Window(x, y, wide, high)
                    if whole is None:
                        piece = file.read(window=window)
                    else:
                        piece = whole[:, _mirrored(np.arange(y, y + high), h)][
                            :, :, _mirrored(np.arange(x, x + wide), w)
                        ]
                    made.write(piece, window=window)
    return out


def _mirrored(at: Any, length: int) -> Any:
    import numpy as np

    at = at % (2 * length)
    return np.where(at < length, at, 2 * length - 1 - at)


def run(
    ortho: str | Path,
    megapixels: float | None = None,
    workers: int | None = None,
    repeats: int = 1,
    shares: Sequence[float] = SHARES,
    on_step: Callable[[str], None] | None = None,
) -> pd.DataFrame:
    """Time a mosaic.

    Parameters
    ----------
    ortho : path
    megapixels : float, optional
        The mosaic is repeated, mirrored, to so many. Without it, it is timed as it is. [Mpx]
    workers : int, optional
        Processes to hold against one; all cores by default.
    repeats : int
        Rounds, each with all runs one after the other; medians are given.
    shares : sequence of float
        Of the mosaic's lines.
    on_step : callable, optional
        Told in words what is timed next.

    Returns
    -------
    DataFrame
        One line a piece and number of processes: ``megapixels``, ``processes``, ``seconds`` of the whole command,
        ``mpx_per_s``, ``read_mpx_per_s`` (rasterio alone, window by window along the blocks, one thread, start not
        included), ``share_of_reading`` (asked: a third), ``cpu_s`` and ``read_cpu_s`` of processor, which other work on
        the machine moves less, ``share_of_reading_by_cpu`` by these, as if one core did all, ``largest_mb`` of one
        process and ``sum_mb`` of all at once (pages that processes share counted once where the system tells).

    Raises
    ------
    BenchFailed
        A run ended with an error.
    """
    import rasterio

    from standcam.batch.pool import cores

    workers = cores() if workers is None else workers
    tell = on_step or (lambda _: None)
    lines: list[dict[str, Any]] = []
    with tempfile.TemporaryDirectory(prefix="standcam-") as temporary:
        work = Path(temporary)
        with rasterio.open(ortho) as file:
            width, height = file.width, file.height
        if megapixels is not None:
            width = height = max(BLOCK_PX, round((megapixels * 1e6) ** 0.5))
        pieces = []
        for share in shares:
            lower = max(1, round(height * share))
            tell(f"making {width * lower / 1e6:.0f} megapixels")
            as_is = megapixels is None and share == 1.0
            path = Path(ortho) if as_is else mosaic_of(ortho, work / f"piece_{share:g}.tif", width, lower)
            pieces.append((path, width * lower / 1e6))
        tell("a run that is not timed")
        measured_run(min(pieces, key=lambda piece: piece[1])[0], work, workers)
        for n in range(repeats):
            for path, mpx in pieces:
                tell(f"round {n + 1} of {repeats}: reading {mpx:.0f} megapixels")
                read_s, read_cpu_s = _reading(path)
                for processes in dict.fromkeys((1, workers)):
                    tell(f"round {n + 1} of {repeats}: {mpx:.0f} megapixels, {processes} processes")
                    line = {"megapixels": mpx, "processes": processes, "read_s": read_s, "read_cpu_s": read_cpu_s}
                    lines.append(line | measured_run(path, work, processes))
    table = pd.DataFrame(lines).groupby(["megapixels", "processes"], as_index=False).median()
    table["mpx_per_s"] = table["megapixels"] / table["seconds"]
    table["read_mpx_per_s"] = table["megapixels"] / table.pop("read_s")
    table["share_of_reading"] = table["mpx_per_s"] / table["read_mpx_per_s"]
    table["share_of_reading_by_cpu"] = table["read_cpu_s"] / table["cpu_s"]
    return table


def _reading(path: Path) -> tuple[float, float]:
    """Seconds, and of these of processor, to read a file window by window with one thread."""
    done = subprocess.run(
        [sys.executable, "-c", _READ, str(path)], capture_output=True, text=True, env=environment(True)
    )
    if done.returncode:
        raise BenchFailed(f"{path.name} was not read: {(done.stderr.strip().splitlines() or ['?'])[-1]}", "Check it.")
    seconds, used = done.stdout.split()
    return float(seconds), float(used)


def measured_run(ortho: Path, work: Path, processes: int) -> dict[str, float]:
    """One run of the command: seconds, processor time, and peaks of memory.

    Parameters
    ----------
    ortho : Path
    work : Path
        Folder for the results, which go at once, and for compiled modules, which stay.
    processes : int

    Raises
    ------
    BenchFailed
        It ended with an error.
    """
    out = work / "out"
    shutil.rmtree(out, ignore_errors=True)
    words = ["strip", str(ortho), "--out", str(out), "--workers", str(processes), "--no-report"]
    since = time.perf_counter()
    with started(words, work, processes == 1, f"on {ortho.name}", "Run it by hand first.", session=True) as program:
        watch = Watch(program.pid)
        program.wait()
        seconds = time.perf_counter() - since
        watch.end()
    shutil.rmtree(out, ignore_errors=True)
    return {"seconds": seconds, "cpu_s": watch.cpu_s, "largest_mb": watch.largest_mb, "sum_mb": watch.sum_mb}


class Watch:
    """Looks at a program and at all processes that it started, while it runs: those of its session. Linux."""

    def __init__(self, session: int) -> None:
        """Begin to look at the session of that number."""
        self.session = session
        self.largest_mb = self.sum_mb = float("nan")
        self._cpu: dict[int, float] = {}
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._go, daemon=True)
        self._thread.start()

    @property
    def cpu_s(self) -> float:
        """Seconds of processor of all of them, as last seen."""
        return sum(self._cpu.values()) if self._cpu else float("nan")

    def end(self) -> None:
        """Look no more."""
        self._over.set()
        self._thread.join()

    def _go(self) -> None:
        if not Path("/proc/self/stat").exists():
            return
        tick = os.sysconf("SC_CLK_TCK")
        while not self._over.is_set():
            sizes = []
            for entry in Path("/proc").iterdir():
                if not entry.name.isdigit():
                    continue
                try:
                    told = (entry / "stat").read_text().rpartition(")")[2].split()
                    if int(told[3]) != self.session:
                        continue
                    self._cpu[int(entry.name)] = (int(told[11]) + int(told[12])) / tick
                    sizes.append(_sizes_mb(entry))
                except (OSError, ValueError, IndexError):  # ended meanwhile
                    continue
            if sizes:
                own, shared_out = zip(*sizes, strict=True)
                self.largest_mb = max(max(own), -1.0 if self.largest_mb != self.largest_mb else self.largest_mb)
                self.sum_mb = max(sum(shared_out), -1.0 if self.sum_mb != self.sum_mb else self.sum_mb)
            self._over.wait(LOOK_S)


def _sizes_mb(process: Path) -> tuple[float, float]:
    """Memory of a process, and the same with shared pages counted in part."""
    own = 0.0
    for line in (process / "status").read_text().splitlines():
        if line.startswith("VmHWM:"):
            own = int(line.split()[1]) / 1024
    for line in (process / "smaps_rollup").read_text().splitlines():
        if line.startswith("Pss:"):
            return own, int(line.split()[1]) / 1024
    return own, own


def table_lines(table: pd.DataFrame) -> list[str]:
    """The figures as text."""
    head = (
        "Mpx",
        "processes",
        "seconds",
        "Mpx/s",
        "reading Mpx/s",
        "of reading",
        "cpu s",
        "of reading",
        "largest MB",
        "all MB",
    )
    cells = [
        (
            f"{r.megapixels:.0f}",
            f"{r.processes:.0f}",
            f"{r.seconds:.1f}",
            f"{r.mpx_per_s:.1f}",
            f"{r.read_mpx_per_s:.0f}",
            f"{r.share_of_reading:.3f}",
            f"{r.cpu_s:.1f}",
            f"{r.share_of_reading_by_cpu:.3f}",
            f"{r.largest_mb:.0f}",
            f"{r.sum_mb:.0f}",
        )
        for r in table.itertuples()
    ]
    lines = aligned(head, cells)
    for processes, part in table.groupby("processes"):
        if len(part) > 1:
            first, last = part.iloc[0], part.iloc[-1]
            more = (last["seconds"] - first["seconds"]) / (last["megapixels"] - first["megapixels"])
            named = f"{processes} {'process' if processes == 1 else 'processes'}"
            rest = first["seconds"] - more * first["megapixels"]
            lines.append(f"{named}: one more megapixel takes {1000 * more:.0f} ms; start and end {rest:.1f} s")
    return lines
