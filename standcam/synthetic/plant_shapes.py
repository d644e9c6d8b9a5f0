"""Plain seedlings as curved ribbons: a maize-like grass, a soybean-like broad-leaf, and weeds.

Sizes are those of ordinary seedlings (common practice, no source): they need only look right and stand right.
Each function gives triangles about a stem base at the origin, Z up, in mm. Natural forms are in :mod:`grass_forms`,
:mod:`broad_forms` and :mod:`weed_forms`, of the same sizes.
"""

from __future__ import annotations

import numpy as np

from standcam.synthetic import broad_forms, grass_forms, weed_forms
from standcam.synthetic.leaf_recipe import LeafRecipe
from standcam.synthetic.mesh import BROAD_LEAF, STEM, Mesh, join, sheet, tube
from standcam.synthetic.ribbons import MAIZE_GREEN, PALE_STEM, SOY_GREEN, WEED_GREEN, arc, blade, frame, tinted

PLAIN = LeafRecipe()


def plant_mesh(species: str, stage: float, owner: int, seed: int, leaves: LeafRecipe = PLAIN) -> Mesh:
    """Triangles of one plant: ``species`` is maize, soybean or weed."""
    rng = np.random.default_rng(seed)
    if species == "weed":
        return (weed_forms.weed if leaves.weeds == "many" else weed)(stage, owner, rng, leaves)
    natural = {"maize": grass_forms.maize, "soybean": broad_forms.soybean}
    plain = {"maize": maize, "soybean": soybean}
    return (natural if leaves.form == "natural" else plain)[species](stage, owner, rng, leaves)


def maize(stage: float, owner: int, rng: np.random.Generator, leaves: LeafRecipe = PLAIN) -> Mesh:
    """Maize-like seedling: leaves alternate on two sides of a short whorl and arch outwards."""
    green = tinted(rng, MAIZE_GREEN, leaves)
    count = int(np.ceil(stage))
    size = rng.normal(1.0, 0.08)
    whorl = size * (6 + 13 * stage + 2.2 * stage**2)
    lean = rng.normal(0, 0.06, 2)
    heights = np.linspace(0, whorl, 6)
    stem = np.c_[heights[:, None] * lean * (heights / whorl)[:, None], heights]
    radius = size * np.linspace(1.5 + 0.45 * stage, 1.2 + 0.3 * stage, 6)
    red_foot = rng.random() < 0.4
    parts = [tube(stem, radius, PALE_STEM * ([1.25, 0.72, 0.9] if red_foot else [1, 1, 1]), owner, STEM)]
    plane = rng.uniform(0, 2 * np.pi)
    t = np.linspace(0, 1, 15)
    lengths = np.array([42.0, 92, 150, 205, 260, 300])
    widths = np.array([9.5, 10.0, 13.5, 18, 23, 27])
    for i in range(count):
        grown = np.clip(stage - i, 0.12, 1.0)
        age = np.clip((stage - i) / 2.2, 0, 1)
        length = size * lengths[i] * (0.25 + 0.75 * grown) * rng.normal(1, 0.09)
        width = size * widths[i] * (0.4 + 0.6 * grown) * rng.normal(1, 0.06)
        base_height = whorl * (0.45 + 0.55 * (i + 0.5) / count) if count > 1 else whorl * 0.9
        azimuth = plane + np.pi * (i % 2) + rng.normal(0, 0.28)
        start_angle = np.deg2rad(np.clip(84 - 34 * age + rng.normal(0, 6), 30, 88))
        bend = np.deg2rad(np.clip((18 + 75 * age) * rng.normal(1, 0.25), 4, 130)) * (0.5 if i == 0 else 1.0)
        angles = start_angle - bend * t**1.35
        sway = rng.normal(0, 0.14) * t**2
        centre = np.array([np.interp(base_height, heights, stem[:, 0]), np.interp(base_height, heights, stem[:, 1])])
        path = arc(np.r_[centre, base_height], azimuth, angles, length, sway)
        path[:, 2] = np.maximum(path[:, 2], 1.0 + 2 * rng.random())  # tips rest on the soil
        if i == 0:  # the first leaf has a blunt, spoon-like tip
            profile = np.sqrt(np.clip(1 - np.abs((t - 0.55) / 0.46) ** 3.2, 0, 1)) * (
                0.55 + 0.45 * np.minimum(t / 0.4, 1)
            )
        else:
            rise = 0.5 + 0.5 * np.sin(np.minimum(t / 0.38, 1) * np.pi / 2)
            profile = rise * np.clip(1 - np.clip((t - 0.3) / 0.7, 0, 1) ** 1.9, 0, 1)
        fold = np.deg2rad(38 - 24 * age) * (1 - 0.55 * t)
        twist = rng.normal(0, 0.45) * t**1.5 + rng.normal(0, 0.08) * np.sin(t * rng.uniform(4, 9))
        young = np.array([1.22, 1.12, 0.9]) if grown < 0.9 else np.array([1.0, 1, 1])
        parts.append(blade(path, np.maximum(width * profile, 0.25), fold, twist, green * young, owner))
    return join(parts)


def _leaflet(
    start: np.ndarray,
    azimuth: float,
    elevation: float,
    length: float,
    width: float,
    cup: float,
    colour: np.ndarray,
    owner: int,
    rng: np.random.Generator,
    shape: float = 1.0,
) -> Mesh:
    """An oval leaf, cupped and drooping; ``shape`` above 1 moves its widest place to the base."""
    t = np.linspace(0, 1, 10)
    droop = rng.uniform(0.2, 0.9)
    path = arc(start, azimuth, elevation - droop * t**1.3, length, rng.normal(0, 0.15) * t)
    side, out = frame(path, np.full(10, rng.normal(0, 0.22)))
    outline = np.sin(np.pi * t ** (1 / shape)) ** 0.75
    outline[[0, -1]] = 0.02
    s = np.linspace(-1, 1, 5)
    half = width / 2 * outline
    points = (
        path[:, None]
        + side[:, None] * (half[:, None] * s)[..., None]
        + out[:, None] * (half[:, None] * cup * s**2)[..., None]
    )
    return sheet(points, colour, owner, BROAD_LEAF)


def soybean(stage: float, owner: int, rng: np.random.Generator, leaves: LeafRecipe = PLAIN) -> Mesh:
    """Soybean-like seedling: cotyledons, then a pair of simple leaves across them, then leaves of three."""
    green = tinted(rng, SOY_GREEN, leaves)
    size = rng.normal(1.0, 0.09)
    first = size * np.clip(14 + 12 * stage, 18, 45)
    top = first + size * max(0.0, stage - 1) * 21
    lean = rng.normal(0, 0.09, 2)
    heights = np.linspace(0, top, 7)
    stem = np.c_[heights[:, None] * lean, heights]
    parts = [tube(stem, size * np.linspace(1.9, 1.2, 7), PALE_STEM * [0.95, 0.9, 0.8], owner, STEM)]

    def at(height: float) -> np.ndarray:
        return np.r_[lean * height, height]

    plane = rng.uniform(0, 2 * np.pi)
    seed_leaf = green * np.array([1.35, 1.2, 1.0])
    for k in range(2):
        parts.append(
            _leaflet(
                at(first), plane + k * np.pi + rng.normal(0, 0.12), np.deg2rad(rng.uniform(5, 35)), 19 * size,
                10.5 * size, 0.18, seed_leaf, owner, rng, 0.9,
            )
        )  # fmt: skip
    grown = np.clip(stage - 1, 0, 1)
    if grown > 0.15:
        node = first + (top - first) * min(1.0, 1.0 / max(stage - 1, 1e-6))
        for k in range(2):
            azimuth = plane + np.pi / 2 + k * np.pi + rng.normal(0, 0.15)
            parts += _stalked(at(node), azimuth, 9 * grown, 46 * size * grown, 33 * size * grown, green, owner, rng)
    for leaf in range(1, int(np.ceil(stage))):
        grown = np.clip(stage - 1 - leaf, 0, 1)
        if grown < 0.12:
            continue
        azimuth = plane + leaf * np.pi + rng.normal(0, 0.35)
        node = first + (top - first) * min(1.0, (leaf + 1) / max(stage - 1, 1e-6))
        steep = np.deg2rad(rng.uniform(35, 65))
        stalk = arc(at(node), azimuth, np.full(5, steep), (16 + 26 * grown) * size, np.zeros(5))
        parts.append(tube(stalk, np.full(5, 0.9), green * 1.15, owner, STEM, sides=5))
        tone = green * (1 + 0.18 * (1 - grown))
        for turn, share in ((0.0, 1.0), (1.35, 0.86), (-1.35, 0.86)):
            parts += _stalked(
                stalk[-1], azimuth + turn + rng.normal(0, 0.1), 4, 44 * size * grown * share,
                27 * size * grown * share, tone, owner, rng,
            )  # fmt: skip
    return join(parts)


def _stalked(
    start: np.ndarray,
    azimuth: float,
    stalk_mm: float,
    length: float,
    width: float,
    colour: np.ndarray,
    owner: int,
    rng: np.random.Generator,
) -> list[Mesh]:
    stalk = arc(start, azimuth, np.full(3, np.deg2rad(30)), max(stalk_mm, 1.0), np.zeros(3))
    rise = np.deg2rad(rng.uniform(-5, 40))
    return [
        tube(stalk, np.full(3, 0.8), colour * 1.15, owner, STEM, sides=4),
        _leaflet(stalk[-1], azimuth, rise, length, width, rng.uniform(0.08, 0.3), colour, owner, rng, 1.18),
    ]


def weed(stage: float, owner: int, rng: np.random.Generator, leaves: LeafRecipe = PLAIN) -> Mesh:
    """A small weed: a rosette of oval leaves, or a grass."""
    green = tinted(rng, WEED_GREEN, leaves, 0.16)
    if rng.random() < 0.25:
        return _grass(stage, owner, green * [1.1, 1.1, 0.8], rng)
    size = rng.uniform(0.6, 1.5)
    foot = np.array([0.0, 0.0, 2.0 + 2.5 * stage * size])
    parts = [tube(np.linspace(np.zeros(3), foot, 4), np.full(4, 0.6 * size), PALE_STEM * 0.8, owner, STEM, sides=5)]
    plane = rng.uniform(0, 2 * np.pi)
    slender = rng.uniform(0.35, 0.75)
    for k in range(2):
        parts.append(_leaflet(foot, plane + k * np.pi, 0.25, 5.5 * size, 3 * size, 0.1, green * 1.2, owner, rng, 0.95))
    golden = np.deg2rad(137.5)
    for k in range(round(1.6 * stage)):
        length = size * rng.uniform(6, 9) * (1 + 0.45 * min(k, 3)) * (0.55 + 0.15 * stage)
        parts.append(
            _leaflet(
                foot + np.array([0, 0, 1.5 * k]), plane + 1.6 + k * golden, rng.uniform(0.1, 0.8), length,
                length * slender, 0.2, green, owner, rng, 0.9,
            )
        )  # fmt: skip
    return join(parts)


def _grass(stage: float, owner: int, green: np.ndarray, rng: np.random.Generator) -> Mesh:
    parts = []
    t = np.linspace(0, 1, 9)
    plane = rng.uniform(0, 2 * np.pi)
    for k in range(1 + int(stage)):
        azimuth = plane + np.pi * (k % 2) + rng.normal(0, 0.4)
        angles = np.deg2rad(rng.uniform(40, 80)) - rng.uniform(0.4, 1.5) * t**1.4
        path = arc(np.array([0.0, 0, 0.5]), azimuth, angles, rng.uniform(14, 30) * (0.8 + 0.35 * stage), 0.2 * t)
        path[:, 2] = np.maximum(path[:, 2], 0.5)
        width = np.maximum(rng.uniform(1.6, 3.2) * (1 - t**2.2), 0.2)
        parts.append(blade(path, width, np.full(9, 0.35), rng.normal(0, 0.3) * t, green, owner))
    return join(parts)
