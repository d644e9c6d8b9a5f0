"""Soybean-like seedlings as they grow: cotyledons that pale, a pair of single leaves, leaflets in threes on stalks."""

from __future__ import annotations

import numpy as np

from standcam.synthetic.leaf_recipe import LeafRecipe
from standcam.synthetic.mesh import STEM, Mesh, join, tube
from standcam.synthetic.ribbons import PALE_STEM, SOY_GREEN, arc, pointed_leaf, tinted

BUD = np.array([0.24, 0.25, 0.05])
"""Young folded leaves: yellow, somewhat brown."""
PALE_LEAF = np.array([0.42, 0.40, 0.06])
"""Cotyledons that die."""


def soybean(stage: float, owner: int, rng: np.random.Generator, leaves: LeafRecipe) -> Mesh:
    """A seedling: stage 1 cotyledons, 2 first pair, 3 and up leaves of three."""
    green = tinted(rng, SOY_GREEN, leaves)
    size = rng.normal(1.0, 0.13)
    first = size * np.clip(10 + 13 * stage, 14, 50) * rng.uniform(0.7, 1.25)
    top = first + size * max(0.0, stage - 1) * rng.uniform(13, 30)
    lean = rng.normal(0, 0.12, 2)
    heights = np.linspace(0, top, 7)
    bow = rng.normal(0, 0.05, 2)

    def at(height: float) -> np.ndarray:
        return np.r_[lean * height + bow * height * height / max(top, 1.0), height]

    stem = np.array([at(h) for h in heights])
    brown = rng.random() < 0.3
    tone = PALE_STEM * ([0.9, 0.6, 0.6] if brown else [0.95, 0.9, 0.8])
    parts = [tube(stem, size * np.linspace(1.9, 1.1, 7), tone, owner, STEM)]
    plane = rng.uniform(0, 2 * np.pi)
    parts += _cotyledons(at(first), plane, stage, size, green, owner, rng)
    grown = float(np.clip(stage - 1, 0, 1))
    wilt = leaves.droop

    def height_of(node: float) -> float:
        return float(first + (top - first) * min(1.0, node / max(stage - 1, 1e-6)))

    lie = rng.normal(0.25, 0.3)  # how this plant holds its leaves: rising by day, hanging in drought
    if grown > 0.12:
        tone = _toned(green, grown, rng)
        broad = rng.uniform(0.58, 0.82)
        for k in range(2):
            azimuth = plane + np.pi / 2 + k * np.pi + rng.normal(0, 0.2)
            stalk = arc(
                at(height_of(1)), azimuth, np.full(3, 0.6), max(11 * grown * rng.uniform(0.6, 1.6), 1), np.zeros(3)
            )
            parts.append(tube(stalk, np.full(3, 0.8), green * 1.15, owner, STEM, sides=4))
            length = 46 * size * (0.25 + 0.75 * grown) * rng.normal(1, 0.08)
            parts.append(
                _leaflet(
                    stalk[-1], azimuth, lie + _shut(grown), length, length * broad, tone, owner, rng, grown, leaves
                )
            )
    for leaf in range(1, int(np.ceil(stage))):
        grown = float(np.clip(stage - 1 - leaf, 0, 1))
        if grown < 0.05:
            continue
        azimuth = plane + leaf * np.pi + rng.normal(0, 0.4)
        steep = np.deg2rad(rng.uniform(25, 78)) - np.linspace(0, 0.5 * wilt, 5)
        reach = (8 + 34 * grown) * size * rng.uniform(0.6, 1.6)
        stalk = arc(at(height_of(leaf + 1)), azimuth, steep, reach, rng.normal(0, 0.15) * np.linspace(0, 1, 5))
        parts.append(tube(stalk, np.full(5, 0.95), green * 1.2, owner, STEM, sides=5))
        parts += _three(stalk[-1], azimuth, lie, size, green, owner, rng, grown, leaves)
    return join(parts)


def _cotyledons(
    node: np.ndarray, plane: float, stage: float, size: float, green: np.ndarray, owner: int, rng: np.random.Generator
) -> list[Mesh]:
    """Two thick seed leaves, yellow at first and again when they are spent; then one or both may be gone."""
    spent = float(np.clip((stage - 1.6) / 1.6 + rng.normal(0, 0.25), 0, 1))
    fresh = green * np.array([1.9, 1.45, 1.0]) * rng.uniform(0.85, 1.2)
    colour = (1 - spent) * fresh + spent * PALE_LEAF * rng.uniform(0.7, 1.2)
    rise = rng.uniform(0.1, 1.2) if stage < 1.3 else rng.uniform(-0.5, 0.6)  # they open in the first days
    parts = []
    for k in range(2):
        if rng.random() < 0.35 * spent:
            continue
        length = 19 * size * rng.normal(1, 0.1) * (1 - 0.25 * spent)
        parts.append(
            pointed_leaf(
                node, plane + k * np.pi + rng.normal(0, 0.15), rise + rng.normal(0, 0.15), length, 0.55 * length,
                colour.clip(0, 0.8), owner, rng, fold=-0.25, droop=rng.uniform(0, 0.7), roll=rng.normal(0, 0.25),
                widest=0.55, point=2.8,
            )
        )  # fmt: skip
    return parts


def _toned(green: np.ndarray, grown: float, rng: np.random.Generator) -> np.ndarray:
    """Green of a leaf by its age, with a spread of its own. (3,)"""
    bud = np.clip(1 - grown / 0.5, 0, 1) * rng.uniform(0.3, 1)
    return ((1 - bud) * green + bud * BUD) * rng.normal(1, 0.09)


def _shut(grown: float) -> float:
    """How much steeper a young leaf stands than an open one. [rad]"""
    return 1.0 * (1 - grown) ** 2


def _leaflet(
    start: np.ndarray,
    azimuth: float,
    rise: float,
    length: float,
    width: float,
    colour: np.ndarray,
    owner: int,
    rng: np.random.Generator,
    grown: float,
    leaves: LeafRecipe,
) -> Mesh:
    fold = np.clip(rng.normal(0.25, 0.17), 0.0, 0.9) + 0.9 * (1 - grown) ** 2
    return pointed_leaf(
        start, azimuth, rise + rng.normal(0, 0.22), length, width, colour, owner, rng, fold=float(min(fold, 1.4)),
        droop=rng.uniform(0.1, 0.5 + leaves.droop), roll=rng.normal(0, 0.15 + 0.45 * leaves.twist), wave=leaves.wave,
        widest=rng.uniform(0.28, 0.46), point=rng.uniform(1.25, 2.3),
    )  # fmt: skip


def _three(
    start: np.ndarray,
    azimuth: float,
    lie: float,
    size: float,
    green: np.ndarray,
    owner: int,
    rng: np.random.Generator,
    grown: float,
    leaves: LeafRecipe,
) -> list[Mesh]:
    """A leaf of three: the middle leaflet on a longer stalk."""
    parts = []
    tone = _toned(green, grown, rng)
    broad = rng.uniform(0.52, 0.82)
    spread = rng.uniform(1.0, 1.7)
    for turn, share, stalk_mm in ((0.0, 1.0, 9.0), (spread, 0.86, 2.5), (-spread, 0.86, 2.5)):
        way = azimuth + turn + rng.normal(0, 0.1)
        stalk = arc(start, way, np.full(3, np.deg2rad(25)), max(stalk_mm * grown * size, 0.6), np.zeros(3))
        parts.append(tube(stalk, np.full(3, 0.75), green * 1.15, owner, STEM, sides=4))
        length = 46 * size * (0.15 + 0.85 * grown) * share * rng.normal(1, 0.07)
        parts.append(
            _leaflet(stalk[-1], way, lie + _shut(grown), length, broad * length, tone, owner, rng, grown, leaves)
        )
    return parts
