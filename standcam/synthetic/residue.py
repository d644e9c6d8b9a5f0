"""Straw and stalk pieces that lie on the soil."""

from __future__ import annotations

import numpy as np

from standcam.synthetic.mesh import STRAW, Mesh, join, sheet


def straw_mesh(low_mm: np.ndarray, high_mm: np.ndarray, per_m2: float, rng: np.random.Generator) -> Mesh:
    """Pieces scattered over a rectangle of soil; a few are broad stalks and husks."""
    count = rng.poisson(per_m2 * float(np.prod((high_mm - low_mm) / 1000)))
    broad = rng.random(count) < 0.12
    meshes = []
    for chosen, columns in ((~broad, 3), (broad, 5)):
        n = int(chosen.sum())
        if not n:
            continue
        wide = columns == 5
        length = np.clip(rng.lognormal(np.log(60 if wide else 42), 0.6, n), 8, 320)
        width = rng.uniform(5, 14, n) if wide else rng.uniform(1.0, 3.4, n)
        t = np.linspace(-0.5, 0.5, 7)
        heading = rng.uniform(0, 2 * np.pi, n)
        curl = rng.normal(0, 0.12, n) + (rng.random(n) < 0.2) * rng.normal(0, 0.8, n)
        turn = heading[:, None] + curl[:, None] * t
        along = np.stack([np.cos(turn), np.sin(turn)], axis=-1)
        path = np.cumsum(along, axis=1) * (length / 6)[:, None, None]
        path += rng.uniform(low_mm, high_mm, (n, 2))[:, None] - path.mean(1, keepdims=True)
        tilt = rng.normal(0, 0.05, n)
        arch = np.abs(rng.normal(0, 0.05, n))
        base = rng.uniform(0.8, 3.0, n)[:, None] + width[:, None] * 0.25
        z = (
            base
            + np.abs(tilt[:, None] * t * length[:, None])
            + arch[:, None] * length[:, None] * (0.25 - t**2)
        )
        s = np.linspace(-1, 1, columns)
        taper = np.where(wide, 1 - 0.5 * np.abs(2 * t) ** 3, 1.0)
        side = np.stack([-along[..., 1], along[..., 0]], axis=-1)
        flat = (
            path[:, :, None] + side[:, :, None] * (width[:, None, None] / 2 * taper[:, None] * s)[..., None]
        )
        # stalks are half cylinders that catch light on one flank; husks are nearly flat
        height = z[:, :, None] + (width[:, None, None] * (0.14 if wide else 0.4)) * np.sqrt(
            np.clip(1 - s**2, 0, 1)
        )
        tone = rng.normal(1, 0.22, n).clip(0.4, 1.5)[:, None]
        grey = rng.random(n)[:, None] ** 2
        colour = tone * ((1 - grey) * [0.66, 0.54, 0.30] + grey * [0.40, 0.35, 0.27])
        meshes.append(sheet(np.concatenate([flat, height[..., None]], axis=-1), colour, 0, STRAW))
    return join(meshes)
