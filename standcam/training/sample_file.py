"""Writing samples as they are made: hours of making are not lost with the last minute."""

from __future__ import annotations

import os
import pickle
from collections.abc import Iterable
from pathlib import Path

from standcam.training import CROP

EVERY, SHARE = 10, 0.2
"""The file is written anew after so many samples more, or such a share of what it holds: the time that writing takes
grows with the samples, not with their square."""


def write_samples(out: Path, samples: Iterable[dict]) -> None:
    """Write samples as one pickle, every so many anew, each time whole and then renamed; tells how many at the end."""
    made: list[dict] = []
    due = EVERY
    for sample in samples:
        made.append(sample)
        if len(made) >= due:
            write_whole(out, pickle.dumps(made))
            due = len(made) + max(EVERY, int(SHARE * len(made)))
    write_whole(out, pickle.dumps(made))
    print(f"{len(made)} sheets, {sum(int((s['stems'][:, 2] == CROP).sum()) for s in made)} crop stems")


def write_whole(out: Path, data: bytes) -> None:
    """Write a file beside its place, then move it there: what is there can always be read."""
    part = out.with_name(f".{out.name}.part")
    part.write_bytes(data)
    os.replace(part, out)
