"""What was measured beside what is usual of the crop."""

from __future__ import annotations

from standcam import trust
from standcam.crops import crop_card, unusual
from standcam.settings import SpacingSettings
from standcam.summarise import LongSummary, Summary

_FEWEST_PLANTS = 8
"""The median of fewer gaps says little of the crop (chosen by us)."""


def crop_notes(summary: Summary | LongSummary, spacing: SpacingSettings) -> list[str]:
    """Notes on spacings and row width outside the usual ranges of the crop; no number is changed.

    Raises
    ------
    BadSettings
        The crop is unknown or the user's card cannot be read.
    """
    card = crop_card(spacing.crop, spacing.crop_card)
    rows = summary.rows
    rows = rows[trust.kept(rows) & (rows["plants"] >= _FEWEST_PLANTS)]
    medians = rows.groupby("photo", sort=False)["median_gap_cm"].median().dropna()
    measured = {str(photo): float(cm) for photo, cm in medians.items()}
    return unusual(card, summary.nominal.spacing_cm, spacing.row_width_cm, spacing.near_nominal_cm, measured)
