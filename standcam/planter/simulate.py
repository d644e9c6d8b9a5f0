"""Rows from a planter of which everything is known: for checking what is made of positions.

Seed places lie at the theoretical spacing with a random phase, so that both ends of the measured stretch cut the
row anywhere. The meter skips a place, or drops two seeds on it; a seed lies about its place by a normal error, the
second seed of a double a given distance before or behind the first; each seed comes up or not, independently.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from standcam import tables


@dataclass(frozen=True)
class KnownPlanter:
    """What a simulated planter does."""

    spacing_cm: float = 16.0
    """Theoretical spacing. [cm]"""
    skip_probability: float = 0.03
    """Places the meter leaves without seed. [1]"""
    double_probability: float = 0.02
    """Places with seed on which two lie. [1]"""
    placement_sd_cm: float = 2.4
    """SD of one seed about its place, along the row. [cm]"""
    emergence_probability: float = 0.97
    """Seeds that come up. [1]"""
    double_distance_cm: tuple[float, float] = (1.0, 5.0)
    """Distance of the seeds of a double, uniform between the two. Doubles stand 1 to 5 cm apart (common practice, no
    source). [cm]"""
    wander_sd_cm: float = 0.0
    """SD of the change of distance from place to place that lasts: wheel slip and slack in the drive. The phase of
    the places wanders by it as a random walk. [cm]"""

    @property
    def skip_share(self) -> float:
        """Seed places without a plant, of all. [1]"""
        p, d = self.emergence_probability, self.double_probability
        return 1 - (1 - self.skip_probability) * ((1 - d) * p + d * (1 - (1 - p) ** 2))

    @property
    def double_share(self) -> float:
        """Places with two plants, of those with any. [1]"""
        both = (1 - self.skip_probability) * self.double_probability * self.emergence_probability**2
        return both / (1 - self.skip_share)


@dataclass(frozen=True)
class SimulatedRows:
    """Rows and the truth about them."""

    positions: pd.DataFrame
    """POSITIONS."""
    stretches: pd.DataFrame
    """STRETCHES."""
    truth: pd.DataFrame
    """One line a row: `photo`, `plot`, `row`, and of its places within the stretch `seed_places`, `skipped` (no seed),
    `failed` (seed, no plant), `doubles` (two plants)."""
    planter: KnownPlanter


def simulate_rows(
    planter: KnownPlanter,
    rows: int,
    row_length_cm: float,
    rng: np.random.Generator,
    position_sd_cm: float = 0.0,
) -> SimulatedRows:
    """Rows of one planter, each cut out at a place of its own.

    Parameters
    ----------
    planter : KnownPlanter
    rows : int
        Rows; each a line of STRETCHES, all of plot "simulated".
    row_length_cm : float
        Length of each measured stretch. [cm]
    rng : Generator
    position_sd_cm : float
        Error of the measured positions, told in POSITIONS. 0: exact, and told as NaN as for a tape. [cm]
    """
    spacing = planter.spacing_cm
    reach = 6 * planter.placement_sd_cm + max(planter.double_distance_cm) + 2 * spacing
    n = int(np.ceil((row_length_cm + 2 * reach) / spacing)) + 1
    step = spacing + rng.normal(0, planter.wander_sd_cm, (rows, n)) if planter.wander_sd_cm else spacing
    place = rng.uniform(-reach - spacing, -reach, (rows, 1)) + np.cumsum(np.broadcast_to(step, (rows, n)), axis=1)
    seeded = rng.random((rows, n)) >= planter.skip_probability
    two = seeded & (rng.random((rows, n)) < planter.double_probability)
    first = place + rng.normal(0, planter.placement_sd_cm, (rows, n))
    apart = rng.uniform(*planter.double_distance_cm, (rows, n)) * rng.choice([-1.0, 1.0], (rows, n))
    up_first = seeded & (rng.random((rows, n)) < planter.emergence_probability)
    up_second = two & (rng.random((rows, n)) < planter.emergence_probability)

    seen = np.stack([first, first + apart], axis=2)
    up = np.stack([up_first, up_second], axis=2)
    row = np.broadcast_to(np.arange(rows)[:, None, None], seen.shape)[up]
    at = seen[up] + (rng.normal(0, position_sd_cm, int(up.sum())) if position_sd_cm > 0 else 0.0)
    keep = (at >= 0) & (at <= row_length_cm)
    row, at = row[keep], at[keep]
    order = np.lexsort((at, row))
    row, at = row[order], at[order]
    count = np.bincount(row, minlength=rows)
    number = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count) + 1

    names = {"photo": "simulated", "plot": "simulated"}
    positions = pd.DataFrame(
        {
            **names,
            "row": row + 1,
            "plant": number,
            "position_cm": at,
            "position_sd_cm": position_sd_cm if position_sd_cm > 0 else np.nan,
            "source": "synthetic",
        }
    )
    stretches = pd.DataFrame(
        {
            **names,
            "row": np.arange(rows) + 1,
            "from_cm": 0.0,
            "to_cm": float(row_length_cm),
            "plants": count,
            "status": np.where(count > 0, "ok", "empty"),
        }
    )
    within = (place >= 0) & (place <= row_length_cm)
    truth = pd.DataFrame(
        {
            **names,
            "row": np.arange(rows) + 1,
            "seed_places": within.sum(axis=1),
            "skipped": (within & ~seeded).sum(axis=1),
            "failed": (within & seeded & ~up_first & ~up_second).sum(axis=1),
            "doubles": (within & up_first & up_second).sum(axis=1),
        }
    )
    return SimulatedRows(
        tables.conform(tables.POSITIONS, positions), tables.conform(tables.STRETCHES, stretches), truth, planter
    )
