"""The taped part of the demonstration: an invented trial of three speeds, read with a tape in every row unit.

What it holds is known, so that a newcomer sees what the program makes of it: with speed seeds scatter and some more
are missed, and the meter of one row unit is worn.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd

from standcam.planter.simulate import KnownPlanter, simulate_rows

SPEEDS_KMH = (6.0, 9.0, 12.0)
BLOCKS = 5
ROW_UNITS = 8
WORN_UNIT = 5
ROW_LENGTH_CM = 530.0
"""Of each taped row: a thousandth of an acre in rows 76 cm apart, rounded. [cm]"""
ROW_WIDTH_CM, SPACING_CM = 76.0, 16.5


def planter_at(speed_kmh: float, unit: int) -> KnownPlanter:
    """What a row unit of the invented planter does at a speed."""
    faster = speed_kmh - SPEEDS_KMH[0]
    sound = KnownPlanter(
        spacing_cm=SPACING_CM,
        skip_probability=0.02 + 0.004 * faster,
        double_probability=0.015,
        placement_sd_cm=2.0 + 0.25 * faster,
        emergence_probability=0.95,
    )
    return dataclasses.replace(sound, skip_probability=0.13) if unit == WORN_UNIT else sound


def plots_of(seed: int) -> pd.DataFrame:
    """The plots in the order they were driven, speeds drawn by lot within each block."""
    rng = np.random.default_rng([seed, 1])
    order = [speed for _ in range(BLOCKS) for speed in rng.permutation(SPEEDS_KMH)]
    return pd.DataFrame(
        {
            "plot": [f"M{n:02d}" for n in range(1, len(order) + 1)],
            "treatment": [f"{speed:g} km/h" for speed in order],
            "block": np.repeat(np.arange(1, BLOCKS + 1), len(SPEEDS_KMH)),
            "speed_kmh": order,
        }
    )


def trial_files(seed: int) -> dict[str, str]:
    """Tape file, plot map and harvest of the trial: file name to text."""
    plots = plots_of(seed)
    rng = np.random.default_rng([seed, 2])
    lines = [
        "# Tape along every row unit of the speed trial, one row of each plot and unit. Invented.",
        f"# row_length_cm: {ROW_LENGTH_CM:g}",
        "plot,row,row_unit,position_cm",
    ]
    for plot in plots.itertuples():
        for unit in range(1, ROW_UNITS + 1):
            row = simulate_rows(planter_at(plot.speed_kmh, unit), 1, ROW_LENGTH_CM, rng)
            # a tape read to the millimetre can tell all plants but those of one hole apart
            readings = np.unique(np.round(row.positions["position_cm"].to_numpy(float), 1))
            lines += [f"{plot.plot},{unit},{unit},{reading:.1f}" for reading in readings]
    ground = rng.normal(0, 250, BLOCKS)
    harvest = plots[["plot"]].assign(
        yield_t_ha=[
            f"{(11400 - 25 * (p.speed_kmh - SPEEDS_KMH[0]) + ground[p.block - 1] + rng.normal(0, 220)) / 1000:.2f}"
            for p in plots.itertuples()
        ]
    )
    return {
        "tape_trial.csv": "\n".join(lines) + "\n",
        "trial_plots.csv": plots.to_csv(index=False, lineterminator="\n"),
        "trial_harvest.csv": harvest.to_csv(index=False, lineterminator="\n"),
    }
