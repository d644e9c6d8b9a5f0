"""Tables of chains of photos."""

from __future__ import annotations

from standcam import tables
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
