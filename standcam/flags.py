"""The register of quality flags: one bit, one name, one sentence and one degree of doubt each.

Tables store the sum of bits; people read words. Flags on plants, rows and photos share one register, so a
word means the same wherever it stands. The doubt says how far a flag lowers trust in the numbers of its row
(:mod:`standcam.trust`); it has no default, so that a new flag cannot be forgotten.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

GRADES = ("poor", "fair", "good")
"""Grades of trust in a row, from the lowest."""
Doubt = Literal["none", "fair", "poor"]
"""none: the numbers stand. fair, poor: the best grade of trust that a row with the flag can have."""


@dataclass(frozen=True)
class Flag:
    """One quality flag."""

    bit: int
    name: str
    meaning: str
    doubt: Doubt


# Doubts of rows are measured, on rows of photos with known stems: F1, error of the count, error of CV [points], error
# of the row's length. P: 183 rows of 81 path-traced photos, most of them seen by the network in training. F: 674 rows
# of 27 of them made worse (blur, exposure, markers hidden, scale withheld), half of them under an earlier measure of
# blur. S: 81 rows of 54 generated scenes that it had not seen.
#   no flag of doubt          P .98 3.5 %  4.5 1.1 %    F .98 3.9 %  5.3 1.0 %    S .99 1.9 %  2.9 1.9 %
#   crowded                   P .90 10.6 % 13.4 2.2 %   F .89 9.8 %  13.0 7.4 %   S .92 11.1 % 8.2 0.3 %
#     of these, not unsure    1, 1 and 3 rows: F1 .95, .85, .97
#   finds_unsure              P .90 10.9 % 15.1 3.3 %   F .89 11.1 % 14.8 4.8 %   S .89 16.5 % 15.0 0.5 %
#   few_markers, not far      -                         F .96 3.9 %  4.8 1.1 %    -
#   scale_flat, with scale    P .94 6.1 %  5.3 9.8 %    F .92 7.5 %  10.9 13.4 %  S 1.0 0.0 %  0.9 7.7 %
#   far_from_scale, not flat  P .94 8.1 %  7.8 2.8 %    F .92 10.0 % 8.1 3.2 %    S .98 4.3 % 11.3 2.2 %
#   no_scale                  P .90 10.8 % none         F .91 10.1 % none         S .99 1.7 %  none
#   blurred, with scale       -                         F .94 6.7 %  6.1 2.7 %    -
#   2.4 stops too bright      -                         F .93 8.9 % 11.2 2.0 %    -
# poor: in most of this the count is off by 10 % or CV by 10 points or lengths by 5 %, or there is no length. fair:
# worse than without in one of the sets. row_unsure (with three plants or more), board_tilted and scale_residual did not
# occur: by judgement. Boards lying at 6 and 12 degrees and pictures of a strongly bent lens were not noticed: lengths
# off by 4.5, 8.5 and 7 %. Since then rows that run together tell of boards that lean along them (standcam.rows.lean).
REGISTER: tuple[Flag, ...] = (
    # on a plant
    Flag(1 << 0, "split", "one of several plants told apart within touching leaves", "none"),
    Flag(1 << 1, "at_edge", "the stem stands within 2 cm of the edge of the picture", "none"),
    Flag(1 << 2, "seam", "in one of two overlapping photos only: missed in the other, or no plant", "none"),
    Flag(1 << 3, "weak", "few pixels: small, far or hidden plant", "none"),
    Flag(1 << 4, "labelled", "a person said what this is", "none"),
    Flag(1 << 5, "adapted", "decided otherwise than at first, by what the labels of the survey teach", "none"),
    Flag(1 << 6, "edited", "added, moved or decided by hand in review; of a row: one of its plants was", "none"),
    # on a row
    Flag(1 << 8, "censored_ends", "the first and last open stretch are not counted as gaps", "none"),
    Flag(1 << 9, "row_unsure", "few plants, or plants far off the line: the row direction is unsure", "poor"),
    Flag(1 << 10, "nominal_estimated", "theoretical spacing was estimated from the plants themselves", "none"),
    Flag(1 << 11, "crowded", "leaves close over each other: plants may hide plants", "fair"),
    Flag(1 << 12, "no_population", "row width or row length unknown: plants per ha not given", "none"),
    Flag(1 << 13, "beyond_stretch", "plants beyond the measured stretch are shown but not counted", "none"),
    Flag(
        1 << 14,
        "ends_at_plants",
        "tape read from plant to plant: half a mean gap is added to each end of the row",
        "none",
    ),
    Flag(
        1 << 15,
        "error_drowns_sd",
        "the error of positions is not below the scatter of the gaps: their SD cannot be corrected for it",
        "none",
    ),
    Flag(1 << 27, "finds_unsure", "many finds may be weeds, or one plant seen as two: the count is less sure", "poor"),
    Flag(1 << 28, "chained", "joined from overlapping photos; see chains.csv and seams.csv", "none"),
    Flag(1 << 29, "seam_off", "photos of one row disagree by more than 15 mm where they overlap", "fair"),
    # on a photo and its scale
    Flag(1 << 16, "no_scale", "nothing in the photo gives a ground scale: centimetres are left empty", "poor"),
    Flag(1 << 17, "few_markers", "fewer than three board markers were read: scale less sure", "none"),
    Flag(1 << 18, "board_tilted", "the board does not lie flat on the ground: scale drifts away from it", "poor"),
    Flag(1 << 19, "scale_residual", "the scale marks do not fit their known geometry well", "poor"),
    Flag(1 << 20, "scale_flat", "one scale for the whole picture: tilt is not corrected", "poor"),
    Flag(1 << 21, "far_from_scale", "the row lies far from the scale mark: positions less sure", "fair"),
    Flag(1 << 22, "blurred", "the photo is blurred", "fair"),
    Flag(1 << 23, "overexposed", "part of the photo is burnt out", "fair"),
    Flag(1 << 24, "no_plants", "no plant was found: an empty stand or an unreadable picture", "none"),
    Flag(1 << 25, "no_parallax", "the camera's place is unknown: leaves are not traced back to the ground", "none"),
    Flag(1 << 26, "converted", "16-bit, grey, CMYK or transparent picture turned into 8-bit colour", "none"),
    Flag(1 << 30, "off_nadir", "the camera did not look straight down: scale drifts towards one edge", "fair"),
    Flag(1 << 31, "by_altitude", "scale from a noted altitude, which may be off by some percent", "fair"),
)

_BY_NAME = {flag.name: flag for flag in REGISTER}


def bit(*names: str) -> int:
    """Sum of the bits of the named flags.

    Raises
    ------
    KeyError
        If a name is not in the register.
    """
    total = 0
    for name in names:
        total |= _BY_NAME[name].bit
    return total


def names(bits: int) -> list[str]:
    """Names of the flags set in ``bits``, in register order."""
    return [flag.name for flag in REGISTER if int(bits) & flag.bit]


def words(bits: int) -> str:
    """Names of the set flags in one string, ``"split; weak"``; empty when none is set."""
    return "; ".join(names(bits))


def meanings(bits: int) -> list[str]:
    """One sentence for each set flag."""
    return [flag.meaning for flag in REGISTER if int(bits) & flag.bit]


def parse(text: str) -> int:
    """Bits of a string made by :func:`words`."""
    return bit(*[part.strip() for part in str(text).split(";") if part.strip()])
