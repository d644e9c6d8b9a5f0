"""Tables and settings of chains of photos."""

from __future__ import annotations

import math
from dataclasses import dataclass

from standcam import tables
from standcam.errors import BadSettings
from standcam.tables import Column, Table

_KEYS = tables.STRETCHES.columns[:3]

MARKS = Table(
    "marks",
    (
        *_KEYS,
        Column("board", "str", "", "board that carries the marker, as its print says; empty for an own board"),
        Column("marker", "str", "", "id of the marker"),
        Column("corner", "int64", "", "0 top left, 1 top right, 2 bottom right, 3 bottom left, as printed"),
        Column("position_cm", "float64", "cm", "corner along the row, from the start of the measured stretch"),
        Column("offset_cm", "float64", "cm", "corner across the row line, right of the direction of travel positive"),
    ),
)

CHAINS = Table(
    "chains",
    (
        *_KEYS,
        Column("chain", "str", "", "name of the chain, which is the photo of its row in rows.csv and gaps.csv"),
        Column("chain_row", "int64", "", "row of that name"),
        Column("direction", "int64", "", "1: the photo's row runs as the chain does; -1: against it"),
        Column("shift_cm", "float64", "cm", "place in the chain = shift + direction x place in the photo"),
        Column("from_cm", "float64", "cm", "where the photo's stretch begins in the chain"),
        Column("to_cm", "float64", "cm", "where it ends"),
        Column("mark_cm", "float64", "cm", "middle of the boards seen, in the photo; missing without board"),
    ),
)

SEAMS = Table(
    "seams",
    (
        Column("photo", "str", "", "one photo"),
        Column("row", "int64", "", "row in it"),
        Column("next_photo", "str", "", "the other photo"),
        Column("next_row", "int64", "", "row in it"),
        Column("plot", "str", "", "plot of both"),
        Column("by", "str", "", "what ties them: a board, boards at known places, or plants"),
        Column("overlap_cm", "float64", "cm", "length of row that both measured; below zero: between them nothing was"),
        Column("plants_both", "int64", "", "plants in both, on the common stretch"),
        Column("plants_one", "int64", "", "plants on the common stretch that only one of them shows"),
        Column("disagreement_mm", "float64", "mm", "how far plants lie from where the boards have them"),
        Column("scatter_mm", "float64", "mm", "root mean square distance of the plants in both, after joining"),
        Column("joined", "bool", "", "whether they were joined"),
        Column("remark", "str", "", "why not, or what to look at"),
    ),
)


@dataclass(frozen=True)
class ChainSettings:
    """How photos of one row are joined."""

    boards: bool = True
    """Join photos of one plot that show the same markers. Plants must agree wherever both photos show some, so that
    one board carried from place to place joins nothing. Turn off where a plot has photos of one even row that shift
    by whole spacings between them."""
    by_plants: bool = False
    """Join also photos without a common board where their plants fit in one place only. Off: separate samples of a plot
    would be tried against each other, and now and then fit by chance."""
    board_at_cm: tuple[tuple[str, float], ...] = ()
    """Places of boards along the row, by the number on their print, where a tape was laid. [cm]"""
    board_sd_cm: float = 0.7
    """Error of a shift by boards: corner error, row direction and the furrow below the board's plane. [cm]"""
    reach_cm: float = 3.0
    """How far the plants may correct the boards. Wrong for furrows deeper than some 5 cm seen at the picture's edge. [cm]"""
    tolerance_cm: float = 2.5
    """Plants nearer than this, after that, are one. Doubles stand 1 to 5 cm apart, hence one to one pairing. [cm]"""
    across_cm: float = 15.0
    """Rows farther apart across are different rows: above what a furrow and a bent row do, below half of the narrowest
    usual row width. [cm]"""
    turn_deg: float = 8.0
    """Rows at a larger angle to each other are different rows. [deg]"""
    alone_share: float = 0.1
    """Share of plants that one photo is expected to lack; weighs joining against not joining only."""
    fewest_to_check: int = 3
    """With fewer plants on the common stretch, plants tell nothing and the boards must do."""
    most_unchecked: float = 0.6
    """Photos that share more than this of their length, and no plants to check, are not joined: one board was carried
    along. [1]"""
    seam_mm: float = 15.0
    """Disagreement or scatter from which a seam is flagged: a tenth of the spacing of maize (chosen by us). [mm]"""
    edge_cm: float = 2.0
    """Plants so near to an end of a photo's stretch need not be in it. [cm]"""

    def __post_init__(self) -> None:
        for name in ("board_sd_cm", "reach_cm", "tolerance_cm", "across_cm", "turn_deg", "seam_mm"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0):
                raise BadSettings(f"chain.{name} is {value}.", "It must be greater than zero.")
        if not 0 < self.alone_share < 0.5:
            raise BadSettings(f"chain.alone_share is {self.alone_share}.", "Give a share between 0 and 0.5.")
