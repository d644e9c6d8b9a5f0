"""Scores of found stems against known ones, photo by photo, and their sums over photos.

Asked for are crop plants that can be seen and that stand along a measured stretch of row: a count need not
find what it says it did not measure, and ``covered`` tells how much that is. Crop plants that are hidden or
stand elsewhere are neither asked for nor held against a count that shows them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from standcam.validation.agreement import agreement
from standcam.validation.match import match
from standcam.validation.truth import TrueScene

TOLERANCE_CM = 4.0
"""A find farther than this from a stem is not that stem: a quarter of the usual spacing of maize (chosen
by us). [cm]"""
BESIDE_CM = 12.0
"""Plants this far to the side of a measured stretch belong to its row. [cm]"""
BEYOND_CM = 0.1
"""Ends of a stretch, which stand in tables to 0.01 px, are taken this much longer. [cm]"""
WITH_MAIN_CM = 10.0
"""Rows about equally far from the middle of the picture, within this, are both the row photographed. [cm]"""


@dataclass(frozen=True)
class Score:
    """Counts of one photo. They can be summed."""

    asked: int
    hit: int
    false: int
    doubles: int
    """Doubles with both plants asked for."""
    doubles_hit: int
    """Of these, doubles with both plants found."""
    late: int
    late_hit: int
    main: int
    """Plants that can be seen in the row photographed."""
    main_covered: int
    """Of these, those along measured stretches."""
    error_cm: np.ndarray = field(default_factory=lambda: np.empty(0))
    """Found minus true place along the row, of each hit. [cm]"""

    @property
    def found(self) -> int:
        """Plants found where plants were asked for, and false finds."""
        return self.hit + self.false


def score_scene(
    scene: TrueScene, found_px: np.ndarray, stretches_px: np.ndarray, tolerance_cm: float = TOLERANCE_CM
) -> Score:
    """Score one photo.

    Parameters
    ----------
    scene : TrueScene
    found_px : (n, 2) array
        Stem bases counted as crop. [px]
    stretches_px : (m, 4) array
        Ends x, y, x, y of the measured stretches. [px]
    tolerance_cm : float
        Largest distance of a pair on the ground. [cm]
    """
    plants = scene.plants
    true = scene.to_ground(plants[["x_px", "y_px"]].to_numpy(float))
    crop = (plants["kind"] != "weed").to_numpy()
    seen = crop & (plants["visible"] == 1).to_numpy()
    along = _along_stretches(true, scene.to_ground(stretches_px).reshape(-1, 2, 2))
    asked, excused = seen & along, crop & ~(seen & along)

    found = scene.to_ground(found_px)
    pairs = match(found, true[asked], tolerance_cm)
    alone = pairs.found_alone(len(found))
    false = len(alone) - len(match(found[alone], true[excused], tolerance_cm))

    names = plants["plant_id"].to_numpy(object)[asked]
    hits = set(names[pairs.true])
    of = plants["is_double_of"].to_numpy(object)[asked]
    doubles = [(name, first) for name, first in zip(names, of, strict=True) if first in set(names)]
    late = plants["kind"].astype(str).str.contains("late").to_numpy()[asked]
    main = seen & _in_main_row(scene, seen)
    return Score(
        asked=int(asked.sum()),
        hit=len(pairs),
        false=int(false),
        doubles=len(doubles),
        doubles_hit=sum(name in hits and first in hits for name, first in doubles),
        late=int(late.sum()),
        late_hit=int(late[pairs.true].sum()),
        main=int(main.sum()),
        main_covered=int((main & along).sum()),
        error_cm=(found[pairs.found] - true[asked][pairs.true])[:, 0],
    )


def _along_stretches(places: np.ndarray, stretches: np.ndarray) -> np.ndarray:
    """Which places lie along one of the stretches. (n, 2), (m, 2, 2) [cm] -> (n,) bool"""
    along = np.zeros(len(places), bool)
    for start, end in stretches:
        length = float(np.linalg.norm(end - start))
        if not length > 0:  # NaN too
            continue
        direction = (end - start) / length
        v = places - start
        position, aside = v @ direction, v @ np.array([-direction[1], direction[0]])
        along |= (position >= -BEYOND_CM) & (position <= length + BEYOND_CM) & (np.abs(aside) <= BESIDE_CM)
    return along


def _in_main_row(scene: TrueScene, seen: np.ndarray) -> np.ndarray:
    """Which plants stand in the row nearest to the picture's middle, or in one of two about as near."""
    rows = scene.plants["row_id"]
    if not seen.any():
        return np.zeros(len(rows), bool)
    camera = scene.record["camera"]
    middle_mm = 10 * scene.to_ground(np.array([[camera["cx_px"], camera["cy_px"]]]))[0, 1]
    away = (scene.plants["y_across_mm"][seen].groupby(rows[seen]).mean() - middle_mm).abs()
    return rows.isin(away.index[away <= away.min() + 10 * WITH_MAIN_CM]).to_numpy()


def total(scores: Iterable[Score]) -> dict[str, float]:
    """Sums and rates over photos; a rate of nothing is NaN.

    Returns
    -------
    dict
        photos; asked, hit, false [plants]; recall, precision, f1, covered, doubles_found, late_found [1];
        stem_error_mm (mean absolute, along the row), stem_bias_mm [mm]; count_error_pct [%]; count_bias,
        count_low, count_high: bias and limits of agreement of the count in one photo [plants].
    """
    scores = list(scores)

    def added(name: str) -> int:
        return sum(getattr(s, name) for s in scores)

    asked, hit, false = added("asked"), added("hit"), added("false")
    error = 10 * np.concatenate([np.empty(0), *(s.error_cm for s in scores)])
    count = agreement(np.array([s.found for s in scores]), np.array([s.asked for s in scores]))
    return {
        "photos": len(scores),
        "asked": asked,
        "hit": hit,
        "false": false,
        "covered": _share(added("main_covered"), added("main")),
        "recall": _share(hit, asked),
        "precision": _share(hit, hit + false),
        "f1": _share(2 * hit, asked + hit + false),
        "stem_error_mm": float(np.abs(error).mean()) if len(error) else float("nan"),
        "stem_bias_mm": float(error.mean()) if len(error) else float("nan"),
        "count_error_pct": 100 * _share(hit + false - asked, asked),
        "doubles": added("doubles"),
        "doubles_found": _share(added("doubles_hit"), added("doubles")),
        "late": added("late"),
        "late_found": _share(added("late_hit"), added("late")),
        "count_bias": count.bias,
        "count_low": count.low,
        "count_high": count.high,
    }


def _share(part: float, whole: float) -> float:
    return part / whole if whole else float("nan")
