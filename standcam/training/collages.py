"""Copies of sample sheets with pasted plants: ``python -m standcam.training.collages SAMPLES.pkl... --out OUT.pkl``."""

from __future__ import annotations

import argparse
import pickle
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from string import ascii_letters

import cv2
import numpy as np

from standcam.training.paste import pasted
from standcam.training.sample_file import write_samples


def collage(job: tuple[dict, list[int], dict | None]) -> dict:
    """One copy of a sample, in the same form: what (sample, seed, donor) gives is the same wherever it is made."""
    sample, seed, donor = job
    bgr, numbers, stems = pasted(sample, np.random.default_rng(seed), donor)
    return sample | {
        "jpeg": cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, 92])[1].tobytes(),
        "numbers": cv2.imencode(".png", numbers.astype(np.uint16))[1].tobytes(),
        "stems": stems,
    }


def collages(samples: list[dict], each: int, seed: int, workers: int) -> Iterator[dict]:
    """``each`` copies of every sample that is a photo; every second has plants of another photo of the like crop."""
    photos = [(k, s) for k, s in enumerate(samples) if not s["made"]]
    rng = np.random.default_rng(seed)
    jobs: list[tuple[dict, list[int], dict | None]] = []
    for k, sample in photos:
        alike = [s for j, s in photos if j != k and crop_of(s) == crop_of(sample)]
        for c in range(each):
            donor = alike[rng.integers(len(alike))] if alike and c % 2 else None
            jobs.append((sample, [seed, k, c], donor))
    with ProcessPoolExecutor(workers) as pool:
        yield from pool.map(collage, jobs, chunksize=2)


def crop_of(sample: dict) -> str:
    """What tells crops apart: the letters a photo's name begins with."""
    name = str(sample["photo"])
    return name[: len(name) - len(name.lstrip(ascii_letters))]


def main() -> None:
    """Command line."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("samples", type=Path, nargs="+")
    ask.add_argument("--out", type=Path, required=True)
    ask.add_argument("--each", type=int, default=24, help="copies of each photo")
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--workers", type=int, default=4)
    a = ask.parse_args()
    samples = [s for path in a.samples for s in pickle.loads(path.read_bytes())]
    write_samples(a.out, collages(samples, a.each, a.seed, a.workers))


if __name__ == "__main__":
    main()
