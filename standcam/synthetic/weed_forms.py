"""Weeds of several kinds: fingered, toothed, narrow and oval leaves, tufts of grass. No named plants."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from standcam.synthetic.leaf_recipe import LeafRecipe
from standcam.synthetic.mesh import STEM, Mesh, join, tube
from standcam.synthetic.ribbons import PALE_STEM, WEED_GREEN, arc, blade, pointed_leaf, tinted

GOLDEN = np.deg2rad(137.5)


def weed(stage: float, owner: int, rng: np.random.Generator, leaves: LeafRecipe) -> Mesh:
    """A weed of a kind drawn at random, from cotyledons (stage 0.5) to some leaves (3.5)."""
    green = tinted(rng, WEED_GREEN, leaves, 0.2)
    kinds: tuple[Callable[..., Mesh], ...] = (_rosette, _fingered, _narrow, _toothed, _tuft, _single_grass, _pair)
    return kinds[rng.choice(len(kinds), p=[0.2, 0.2, 0.14, 0.14, 0.12, 0.1, 0.1])](stage, owner, green, rng)


def _foot(height: float, radius: float, owner: int, rng: np.random.Generator) -> tuple[np.ndarray, Mesh]:
    """Top of a short stem, and the stem."""
    lean = rng.normal(0, 0.2, 2) * height
    top = np.r_[lean, height]
    tone = PALE_STEM * ([0.9, 0.45, 0.5] if rng.random() < 0.3 else [0.8, 0.8, 0.8])
    return top, tube(np.linspace(np.zeros(3), top, 4), np.full(4, radius), tone, owner, STEM, sides=5)


def _rosette(stage: float, owner: int, green: np.ndarray, rng: np.random.Generator) -> Mesh:
    """Oval leaves flat on the soil."""
    size, plane = rng.uniform(0.5, 1.7), rng.uniform(0, 2 * np.pi)
    top, stem = _foot(1.5 + 1.5 * stage, 0.6 * size, owner, rng)
    slender, widest = rng.uniform(0.3, 0.8), rng.uniform(0.4, 0.7)
    parts = [stem]
    for k in range(2 + round(1.9 * stage)):
        length = size * rng.uniform(6, 10) * (0.8 + 0.3 * min(k, 4)) * (0.5 + 0.2 * stage)
        parts.append(
            pointed_leaf(
                top, plane + k * GOLDEN, rng.uniform(-0.1, 0.6), length, slender * length, green, owner, rng,
                fold=rng.uniform(0, 0.4), droop=rng.uniform(0.1, 0.8), widest=widest, point=2.4,
            )
        )  # fmt: skip
    return join(parts)


def _fingered(stage: float, owner: int, green: np.ndarray, rng: np.random.Generator) -> Mesh:
    """Leaves of three to seven fingers on stalks."""
    size, plane = rng.uniform(0.5, 1.5), rng.uniform(0, 2 * np.pi)
    fingers, slender = int(rng.choice([3, 5, 5, 7])), rng.uniform(0.22, 0.5)
    top, stem = _foot((3 + 4 * stage) * size, 0.7 * size, owner, rng)
    parts = [stem]
    for k in range(1 + round(1.3 * stage)):
        azimuth = plane + k * GOLDEN
        stalk = arc(
            top, azimuth, np.full(4, rng.uniform(0.3, 1.2)), size * rng.uniform(3, 9) * (0.5 + 0.3 * stage), np.zeros(4)
        )
        parts.append(tube(stalk, np.full(4, 0.5), green, owner, STEM, sides=4))
        length = size * rng.uniform(8, 14) * (0.6 + 0.2 * stage)
        lie = rng.uniform(-0.2, 0.5)
        for turn in np.linspace(-1.9, 1.9, fingers):
            share = 1 - 0.12 * abs(turn)
            parts.append(
                pointed_leaf(
                    stalk[-1], azimuth + turn, lie, length * share, slender * length, green, owner, rng,
                    fold=0.25, droop=rng.uniform(0.1, 0.7), widest=0.5, point=1.5,
                )
            )  # fmt: skip
    return join(parts)


def _narrow(stage: float, owner: int, green: np.ndarray, rng: np.random.Generator) -> Mesh:
    """An upright stem with pairs of narrow leaves, each across the one below."""
    size, plane = rng.uniform(0.6, 1.5), rng.uniform(0, 2 * np.pi)
    height = size * (4 + 9 * stage)
    top, stem = _foot(height, 0.7 * size, owner, rng)
    parts, pairs = [stem], 1 + int(stage)
    for k in range(pairs):
        at, length = top * (k + 1) / pairs, size * rng.uniform(9, 17) * (1 - 0.35 * k / pairs)
        for side in range(2):
            parts.append(
                pointed_leaf(
                    at, plane + k * np.pi / 2 + side * np.pi + rng.normal(0, 0.1), rng.uniform(0.1, 0.8), length,
                    length * rng.uniform(0.12, 0.3), green, owner, rng, fold=0.3, droop=rng.uniform(0.2, 1.0),
                    point=1.3,
                )
            )  # fmt: skip
    return join(parts)


def _toothed(stage: float, owner: int, green: np.ndarray, rng: np.random.Generator) -> Mesh:
    """Toothed leaves on short stalks."""
    size, plane = rng.uniform(0.6, 1.6), rng.uniform(0, 2 * np.pi)
    top, stem = _foot((2 + 4 * stage) * size, 0.7 * size, owner, rng)
    teeth, slender = int(rng.integers(3, 7)), rng.uniform(0.45, 0.85)
    parts = [stem]
    for k in range(2 + round(1.2 * stage)):
        length = size * rng.uniform(8, 13) * (0.55 + 0.22 * stage)
        parts.append(
            pointed_leaf(
                top - [0, 0, 0.5 * k], plane + k * GOLDEN, rng.uniform(0.0, 0.7), length, slender * length,
                green * rng.normal(1, 0.08), owner, rng, fold=0.2, droop=rng.uniform(0.2, 0.9), teeth=teeth, point=1.7,
            )
        )  # fmt: skip
    return join(parts)


def _pair(stage: float, owner: int, green: np.ndarray, rng: np.random.Generator) -> Mesh:
    """Only just up: two seed leaves, round or narrow."""
    size, plane, slender = rng.uniform(0.6, 1.8), rng.uniform(0, 2 * np.pi), rng.uniform(0.2, 0.8)
    top, stem = _foot(3 + 2 * stage, 0.5 * size, owner, rng)
    parts = [stem]
    for k in range(2):
        parts.append(
            pointed_leaf(
                top, plane + k * np.pi, rng.uniform(0, 0.7), 7 * size, 7 * size * slender, green * [1.25, 1.15, 1.0],
                owner, rng, fold=0.1, droop=0.4, widest=0.55, point=2.6,
            )
        )  # fmt: skip
    return join(parts)


def _grass_blade(
    azimuth: float, length: float, width: float, owner: int, green: np.ndarray, rng: np.random.Generator
) -> Mesh:
    t = np.linspace(0, 1, 9)
    angles = np.deg2rad(rng.uniform(25, 85)) - rng.uniform(0.2, 1.9) * t**1.5
    path = arc(np.array([0.0, 0, 0.5]), azimuth, angles, length, rng.normal(0, 0.3) * t)
    path[:, 2] = np.maximum(path[:, 2], 0.5)
    return blade(path, np.maximum(width * (1 - t**2.2), 0.2), np.full(9, 0.35), rng.normal(0, 0.5) * t, green, owner)


def _tuft(stage: float, owner: int, green: np.ndarray, rng: np.random.Generator) -> Mesh:
    """Many thin blades from one foot."""
    size = rng.uniform(0.6, 1.5)
    tone = green * np.array([1.15, 1.1, 0.85])
    count = int(rng.integers(4, 8) + 2 * stage)
    return join(
        [
            _grass_blade(rng.uniform(0, 2 * np.pi), size * rng.uniform(10, 22) * (0.7 + 0.3 * stage),
                         rng.uniform(0.7, 1.6), owner, tone * rng.normal(1, 0.1), rng)
            for _ in range(count)
        ]
    )  # fmt: skip


def _single_grass(stage: float, owner: int, green: np.ndarray, rng: np.random.Generator) -> Mesh:
    """A young grass of two to four broader blades: what a small maize plant may be taken for."""
    size, plane = rng.uniform(0.7, 1.7), rng.uniform(0, 2 * np.pi)
    tone = green * np.array([1.1, 1.1, 0.8])
    return join(
        [
            _grass_blade(plane + np.pi * (k % 2) + rng.normal(0, 0.4), size * rng.uniform(16, 34) * (0.7 + 0.3 * stage),
                         rng.uniform(2.0, 4.5), owner, tone, rng)
            for k in range(1 + int(np.ceil(stage * 0.8)))
        ]
    )  # fmt: skip
