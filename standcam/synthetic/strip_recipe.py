"""The parts of a recipe that only strips and flights have: many rows, the mosaic they are drawn as, the frames."""

from __future__ import annotations

from dataclasses import dataclass

from standcam.errors import BadSettings
from standcam.synthetic.checks import in_range, one_of

MOST_PX = 80_000_000
"""Pixels of the largest strip made: some 14 bytes each are held. [px]"""


@dataclass(frozen=True)
class StripRecipe:
    """A piece of field seen from straight above, and the rows in it."""

    mm_per_px: float = 4.0
    """Ground length of a pixel. [mm]"""
    length_mm: float = 12000.0
    width_mm: float = 6000.0
    """Ground that the picture shows, to its right and upwards. [mm]"""
    heading_deg: float = 0.0
    """Direction of travel, from the picture's right counterclockwise: on a map from east to north."""
    row_count: int = 8
    shift_mm: float = 0.0
    """How far the middle of all rows lies left of the picture's middle, seen in the direction of travel. [mm]"""
    pass_rows: int = 0
    """Rows that the planter sows at once; 0 where the passes do not show."""
    guess_row_mm: float = 0.0
    """How much wider the guess row, between two passes, is than the others; negative for narrower. [mm]"""
    row_offset_sd_mm: float = 0.0
    """Standard deviation of each row about its place. [mm]"""
    curve_mm: float = 0.0
    """Rows swing to both sides by this, as a sine. [mm]"""
    curve_length_mm: float = 30000.0
    """Length of a whole swing. [mm]"""
    curve_phase_deg: float = 0.0
    """Where in its swing a row is in the middle of the picture."""
    margins_mm: tuple[float, float] = (0.0, 0.0)
    """Bare ground before the start and behind the end of the rows; 0 where they run out of the picture. [mm]"""
    missing_per_100m: float = 0.0
    """Missing stretches in 100 m of row."""
    missing_mm: float = 1200.0
    """Their mean length; each is drawn between half and one and a half of it. [mm]"""
    wheel_tracks_mm: tuple[float, ...] = ()
    """Middles of wheel tracks, from the middle of all rows to the left. [mm]"""
    wheel_width_mm: float = 420.0
    wheel_loss: float = 0.5
    """Share of the plants that a wheel kills."""
    weed_patch: float = 0.0
    """0 weeds anywhere alike, 1 weeds in patches only."""
    frame_mm: float = 0.0
    """The mosaic is pieced together of frames that are so far apart; 0 for no seams. [mm]"""
    blend_mm: float = 150.0
    """Width of the zone over which frames are blended. [mm]"""
    seam_shift_mm: float = 0.0
    """How far two frames disagree at their seam: edges are doubled there. Truth stays where the plant stands. [mm]"""
    seam_gain: float = 0.0
    """Standard deviation of the frames' brightness, relative."""
    rim_mm: float = 0.0
    """Ragged rim of the mosaic without data, at most this wide. [mm]"""
    plots: int = 0
    """Plots beside each other along the rows, written as GeoJSON; 0 for none."""
    treatments: tuple[str, ...] = ("A", "B")
    """Given to the plots in turn."""
    treatment_loss: tuple[float, ...] = ()
    """Share of the plants that did not come up because of each treatment; none where it is empty."""
    worn_unit: int = 0
    """Row unit of the planter, from 1, whose meter is worn; 0 for none. Asks for ``pass_rows``."""
    worn_skip: float = 0.15
    """Probability that a slot of that unit gets no seed."""
    epsg: int = 32615
    """Projected coordinate system in metres of the invented place."""
    easting_m: float = 512000.0
    northing_m: float = 4650000.0
    """Upper left corner of the picture. [m]"""
    compress: str = "jpeg"
    """jpeg (quality as in ``capture``) or deflate."""

    def __post_init__(self) -> None:
        in_range(self, "mm_per_px", 1, 20)
        in_range(self, "length_mm", 500, 400_000)
        in_range(self, "width_mm", 500, 400_000)
        in_range(self, "row_count", 1, 500)
        in_range(self, "pass_rows", 0, 100)
        in_range(self, "guess_row_mm", -1000, 1000)
        in_range(self, "row_offset_sd_mm", 0, 200)
        in_range(self, "curve_mm", 0, 3000)
        in_range(self, "curve_length_mm", 2000, 1_000_000)
        if len(self.margins_mm) != 2 or min(self.margins_mm) < 0:
            raise BadSettings(
                f"StripRecipe.margins_mm is {self.margins_mm}.", "Give two lengths from 0: at the start and at the end."
            )
        in_range(self, "missing_per_100m", 0, 200)
        in_range(self, "missing_mm", 100, 20_000)
        in_range(self, "wheel_width_mm", 50, 2000)
        in_range(self, "frame_mm", 0, 100_000)
        in_range(self, "blend_mm", 1, 2000)
        in_range(self, "seam_shift_mm", 0, 60)
        in_range(self, "seam_gain", 0, 0.3)
        in_range(self, "rim_mm", 0, 5000)
        in_range(self, "plots", 0, 1000)
        in_range(self, "worn_unit", 0, self.pass_rows)
        if self.plots and not self.treatments:
            raise BadSettings("StripRecipe.treatments is empty.", "Name at least one treatment of the plots.")
        if self.treatment_loss and len(self.treatment_loss) != len(self.treatments):
            raise BadSettings(
                f"StripRecipe.treatment_loss has {len(self.treatment_loss)} shares.",
                f"Give one for each of the {len(self.treatments)} treatments, or none.",
            )
        for name in ("wheel_loss", "weed_patch", "worn_skip"):
            in_range(self, name, 0, 1)
        one_of(self, "compress", ("jpeg", "deflate"))
        if self.width_px * self.height_px > MOST_PX:
            raise BadSettings(
                f"StripRecipe asks for {self.width_px} x {self.height_px} px.",
                f"At most {MOST_PX / 1e6:g} million pixels are made: take a smaller strip or larger pixels.",
            )

    @property
    def width_px(self) -> int:
        """Pixels to the right."""
        return round(self.length_mm / self.mm_per_px)

    @property
    def height_px(self) -> int:
        """Pixels downwards."""
        return round(self.width_mm / self.mm_per_px)


@dataclass(frozen=True)
class FlightRecipe:
    """Raw frames of one flight over the strip, taken straight down."""

    frames: int = 6
    rows: int = 1
    """Lines of flight; ``frames`` are taken on each."""
    overlap: float = 0.7
    """Share of a frame that its follower on the line shows too."""
    side_overlap: float = 0.6
    height_mm: float = 9000.0
    """Of the camera above the soil. [mm]"""
    heading_deg: float = 0.0
    """Direction of flight, from east counterclockwise; up in the frames."""
    sway_deg: float = 0.0
    """Standard deviation of the camera's tilt and of its heading about what it was told."""
    place_sd_mm: float = 0.0
    """Standard deviation of the frames' true places about the line of flight. [mm]"""
    gps_sd_mm: float = 0.0
    """Standard deviation of the EXIF position about the true one. [mm]"""
    ground_altitude_m: float = 240.0
    """Height of the field above the sea; EXIF altitude counts from there. [m]"""
    focal_mm: float = 8.8
    sensor_width_mm: float = 13.2
    """Sizes of an ordinary one-inch sensor and its lens (common practice, no source). [mm]"""
    width_px: int = 3000
    height_px: int = 2000
    k1: float = 0.0
    xmp: bool = True
    """Write height above the take-off and the angles of the camera's mount as XMP, as many drones do."""

    def __post_init__(self) -> None:
        in_range(self, "frames", 1, 200)
        in_range(self, "rows", 1, 50)
        in_range(self, "overlap", 0, 0.95)
        in_range(self, "side_overlap", 0, 0.95)
        in_range(self, "height_mm", 2000, 60_000)
        in_range(self, "sway_deg", 0, 10)
        in_range(self, "place_sd_mm", 0, 3000)
        in_range(self, "gps_sd_mm", 0, 10_000)
        in_range(self, "focal_mm", 1, 100)
        in_range(self, "sensor_width_mm", 2, 60)
        in_range(self, "width_px", 64, 8000)
        in_range(self, "height_px", 64, 8000)
        in_range(self, "k1", -0.15, 0.3)

    @property
    def mm_per_px(self) -> float:
        """Ground length of a pixel in the middle of a frame. [mm]"""
        return self.height_mm * self.sensor_width_mm / self.focal_mm / self.width_px
