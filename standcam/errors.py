"""Errors named after situations. Each names the thing, the place and the remedy."""

from __future__ import annotations


class StandcamError(Exception):
    """Base of everything standcam raises on purpose.

    Parameters
    ----------
    reason : str
        What is wrong, with the offending value or path in it.
    remedy : str
        What the user can do about it.
    """

    def __init__(self, reason: str, remedy: str = "") -> None:
        super().__init__(reason if not remedy else f"{reason} {remedy}")
        self.reason = reason
        self.remedy = remedy

    def __reduce__(self) -> tuple:
        return type(self), (self.reason, self.remedy)


class UnreadablePhoto(StandcamError):
    """The file is missing, no picture, cut short, or too large to open safely."""


class UnreadableRaster(StandcamError):
    """An orthomosaic is missing, damaged, no GeoTIFF, or of a kind that shows no colours."""


class MissingCRS(StandcamError):
    """A raster or outline does not tell where on earth it lies, and no scale was given instead."""


class BoardNotFound(StandcamError):
    """No marker of the board is seen in the photo."""


class StickNotFound(StandcamError):
    """No straight stick of the described kind is seen in the photo."""


class NoScale(StandcamError):
    """A calibration method lacks what it needs to give a ground scale."""


class LensNotMeasured(StandcamError):
    """Photos of a pattern do not suffice to measure a lens profile."""


class BadSettings(StandcamError):
    """A setting, survey file, board file or lens profile does not make sense."""


class BadTape(StandcamError):
    """A tape file cannot be read as positions or gaps."""


class ResultsExist(StandcamError):
    """The results folder already holds results and --force was not given."""


class ResultsBusy(StandcamError):
    """Another run is at work on the same results folder."""


class NoCluster(StandcamError):
    """Workers of other computers were asked for and cannot be had."""


class UnwritableResults(StandcamError):
    """The results folder cannot be written: no rights, disk full, or a file open in another program."""


class LostTile(StandcamError):
    """The process that looked at a tile of a strip was ended twice."""


class PlotMapMismatch(StandcamError):
    """A plot map cannot be read, or does not fit the rows that were measured."""


class TooFewData(StandcamError):
    """What was asked cannot be computed from so few rows, plots or plants at all."""


class BadResults(StandcamError):
    """A folder named as results holds none, or tables that do not belong together."""
