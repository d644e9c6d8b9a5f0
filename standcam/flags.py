"""The register of quality flags: one bit, one name, one sentence each.

Tables store the sum of bits; people read words. Flags on plants, rows and photos share one register, so a
word means the same wherever it stands.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Flag:
    """One quality flag."""

    bit: int
    name: str
    meaning: str


REGISTER: tuple[Flag, ...] = (
    # on a plant
    Flag(1 << 0, "split", "one of several plants told apart within touching leaves"),
    Flag(1 << 1, "at_edge", "the stem stands within 2 cm of the edge of the picture"),
    Flag(1 << 3, "weak", "few pixels: small, far or hidden plant"),
    Flag(1 << 4, "labelled", "a person said what this is"),
    Flag(1 << 5, "adapted", "decided otherwise than at first, by what the labels of the survey teach"),
    # on a row
    Flag(1 << 8, "censored_ends", "the first and last open stretch are not counted as gaps"),
    Flag(1 << 9, "row_unsure", "few plants, or plants far off the line: the row direction is unsure"),
    Flag(1 << 10, "nominal_estimated", "theoretical spacing was estimated from the plants themselves"),
    Flag(1 << 11, "crowded", "leaves close over each other: plants may hide plants"),
    Flag(1 << 12, "no_population", "row width or row length unknown: plants per ha not given"),
    Flag(1 << 13, "beyond_stretch", "plants beyond the measured stretch are shown but not counted"),
    Flag(
        1 << 14,
        "ends_at_plants",
        "tape read from plant to plant: half a mean gap is added to each end of the row",
    ),
    Flag(
        1 << 15,
        "error_drowns_sd",
        "the error of positions is not below the scatter of the gaps: their SD cannot be corrected for it",
    ),
    # on a photo and its scale
    Flag(1 << 16, "no_scale", "nothing in the photo gives a ground scale: centimetres are left empty"),
    Flag(1 << 17, "few_markers", "fewer than three board markers were read: scale less sure"),
    Flag(1 << 18, "board_tilted", "the board does not lie flat on the ground: scale drifts away from it"),
    Flag(1 << 19, "scale_residual", "the scale marks do not fit their known geometry well"),
    Flag(1 << 20, "scale_flat", "one scale for the whole picture: tilt is not corrected"),
    Flag(1 << 21, "far_from_scale", "the row lies far from the scale mark: positions less sure"),
    Flag(1 << 22, "blurred", "the photo is blurred"),
    Flag(1 << 23, "overexposed", "part of the photo is burnt out"),
    Flag(1 << 24, "no_plants", "no plant was found: an empty stand or an unreadable picture"),
    Flag(1 << 25, "no_parallax", "the camera's place is unknown: leaves are not traced back to the ground"),
    Flag(1 << 26, "converted", "16-bit, grey, CMYK or transparent picture turned into 8-bit colour"),
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
