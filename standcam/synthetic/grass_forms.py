"""Maize-like seedlings as they grow: from a rolled spike to long leaves that droop, wave and twist out of a funnel."""

from __future__ import annotations

import numpy as np

from standcam.synthetic.leaf_recipe import LeafRecipe
from standcam.synthetic.mesh import LEAF, STEM, Mesh, join, tube
from standcam.synthetic.ribbons import MAIZE_GREEN, PALE_STEM, arc, blade, tinted

LENGTHS_MM = (42.0, 92.0, 150.0, 205.0, 260.0, 300.0)
WIDTHS_MM = (9.5, 10.0, 13.5, 18.0, 23.0, 27.0)
"""Leaves from the first, full grown: as of the plain form."""
LONGEST_MM = 325.0
"""Longer leaves would reach out of what a strip's tiles look around themselves. [mm]"""


def maize(stage: float, owner: int, rng: np.random.Generator, leaves: LeafRecipe) -> Mesh:
    """A seedling of ``stage`` leaves."""
    green = tinted(rng, MAIZE_GREEN, leaves)
    size = rng.normal(1.0, 0.11)
    whorl = size * (6 + 13 * stage + 2.2 * stage**2) * rng.uniform(0.7, 1.2)
    lean = rng.normal(0, 0.09, 2)
    heights = np.linspace(0, whorl, 7)
    stem = np.c_[heights[:, None] * lean * (heights / whorl)[:, None], heights]
    parts = [_stem(stem, stage, size, green, owner, rng, leaves)]
    plane = rng.uniform(0, 2 * np.pi)
    count = int(np.ceil(stage))
    for i in range(count):
        share = 0.45 + 0.55 * (i + 0.5) / count if count > 1 else 0.9
        base = np.array([np.interp(share * whorl, heights, stem[:, k]) for k in range(3)])
        azimuth = plane + np.pi * (i % 2) + rng.normal(0, 0.3)
        parts.append(_leaf(i, stage, size, base, azimuth, green, owner, rng, leaves))
    return join(parts)


def _stem(
    path: np.ndarray,
    stage: float,
    size: float,
    green: np.ndarray,
    owner: int,
    rng: np.random.Generator,
    leaves: LeafRecipe,
) -> Mesh:
    """Stem from its pale or purple foot to a funnel of rolled leaves, bright inside."""
    radius = size * np.linspace(1.5 + 0.45 * stage, 1.2 + 0.3 * stage, len(path)) * rng.uniform(0.85, 1.3)
    purple, strength = rng.random() < leaves.purple, rng.uniform(0.3, 1.0)
    foot = PALE_STEM * (1 + strength * (np.array([0.35, -0.45, 0.0]) if purple else np.array([0.5, 0.35, 0.6])))
    share = rng.uniform(0.4, 0.8)
    top = share * PALE_STEM + (1 - share) * green
    mesh = tube(path, radius, top, owner, STEM)
    up = mesh.uv[..., 1].mean(1)[:, None]
    reach = rng.uniform(0.2, 0.7)
    mesh.colour = foot * np.clip(1 - up / reach, 0, 1) + top * np.clip(up / reach, 0, 1)
    if stage < 1.4:
        return mesh
    rise = size * np.linspace(0, rng.uniform(4, 10) + stage, 4)
    along = path[-1] - path[-2]
    along = along / np.linalg.norm(along)
    funnel = path[-1] - 1.5 * along + rise[:, None] * along
    wide = radius[-1] * np.linspace(1.1, rng.uniform(1.4, 2.2), 4)
    bright = (0.6 * green + 0.5 * PALE_STEM) * np.array([1.5, 1.4, 1.2]) * rng.uniform(0.8, 1.4)
    return join([mesh, tube(funnel, wide, bright.clip(0, 0.8), owner, LEAF, sides=7)])


def _leaf(
    i: int,
    stage: float,
    size: float,
    base: np.ndarray,
    azimuth: float,
    green: np.ndarray,
    owner: int,
    rng: np.random.Generator,
    leaves: LeafRecipe,
) -> Mesh:
    """Leaf ``i`` from its place on the stem."""
    t = np.linspace(0, 1, 17)
    grown = float(np.clip(stage - i, 0.12, 1.0))
    age = float(np.clip((stage - i) / 2.2, 0, 1))
    length = size * LENGTHS_MM[i] * (0.25 + 0.75 * grown) * rng.normal(1, 0.13) * np.sqrt(leaves.slender)
    width = size * WIDTHS_MM[i] * (0.4 + 0.6 * grown) * rng.normal(1, 0.10) / leaves.slender
    length = float(np.clip(length, 6, LONGEST_MM))
    first = np.deg2rad(np.clip(86 - 38 * age + rng.normal(0, 9), 20, 89))
    bend = np.deg2rad(np.clip((14 + 60 * age + 110 * leaves.droop * age * rng.random()) * rng.normal(1, 0.25), 3, 165))
    if i == 0:
        bend *= 0.5
    late = rng.uniform(1.1, 2.6)  # how far out the leaf begins to hang
    wave, waves, phase = leaves.wave * rng.uniform(0, 1.3), rng.uniform(5, 13), rng.uniform(0, 2 * np.pi, 4)
    angles = first - bend * t**late + 0.35 * wave * t * np.sin(waves * t + phase[0])
    sway = rng.normal(0, 0.14 + 0.35 * leaves.wave) * t**2 + 0.25 * wave * t * np.sin(0.8 * waves * t + phase[1])
    path = arc(base, azimuth, angles, length, sway)
    path[:, 2] = np.maximum(path[:, 2], 0.8 + 3 * rng.random())  # tips rest on the soil
    if i == 0:  # the first leaf has a blunt, spoon-like tip
        spoon = np.sqrt(np.clip(1 - np.abs((t - 0.55) / 0.46) ** 3.2, 0, 1))
        profile = spoon * (0.55 + 0.45 * np.minimum(t / 0.4, 1))
    else:
        rise = 0.45 + 0.55 * np.sin(np.minimum(t / rng.uniform(0.25, 0.5), 1) * np.pi / 2)
        profile = rise * np.clip(1 - np.clip((t - 0.3) / 0.7, 0, 1) ** rng.uniform(1.3, 2.2), 0, 1)
    # a leaf comes rolled out of the funnel and opens outwards
    closed = np.deg2rad(np.clip(rng.normal(74 - 45 * age, 10), 12, 86))
    fold = closed * (1 - 0.75 * t ** rng.uniform(0.5, 1.2))
    turn = rng.normal(0, 0.4 + 1.3 * leaves.twist) * t ** rng.uniform(0.7, 1.8)
    ripple = 0.6 * wave * np.sin(1.7 * waves * t[:, None] + phase[2:]) * (t * (1 - t) * 4)[:, None]
    young = np.array([1.22, 1.12, 0.9]) if grown < 0.9 else np.array([1.0, 1, 1])
    mesh = blade(path, np.maximum(width * profile, 0.3), fold, turn, green * young, owner, ripple)
    # pale where it leaves the funnel, and dark to light, or light to dark, along its length
    v = mesh.uv[..., 1].mean(1)[:, None]
    slope = rng.normal(0, 0.35)
    pale = np.clip(1 - v / 0.2, 0, 1) * rng.uniform(0.1, 0.9)
    dry = np.clip((v - 0.9) / 0.1, 0, 1) * (rng.random() < 0.15)
    tone = mesh.colour * np.clip(1 + slope * (v - 0.4), 0.5, 1.6) * (1 + pale * [0.9, 0.6, 1.2])
    mesh.colour = tone * (1 - dry) + dry * np.array([0.34, 0.27, 0.12])
    return mesh
