"""Settings of strips and flights, one frozen record a stage: mosaics, raw frames, rows, passes, stems, plots, maps.

Each default has a note on when it is wrong. :mod:`standcam.settings` groups them with the others.
"""

from __future__ import annotations

from dataclasses import dataclass

from standcam.checked import check_positive
from standcam.errors import BadSettings


@dataclass(frozen=True)
class RasterSettings:
    """Reading of orthomosaics."""

    mm_per_px: float | None = None
    """Ground length of a pixel, for files that do not tell where they lie. None: the file must tell. [mm/px]"""
    bands: tuple[int, int, int] | None = None
    """Numbers of the bands red, green and blue, from 1. None: as the file names them, else the first three."""
    finest_mm_per_px: float = 2.0
    """Finer files are read reduced by the whole number that comes nearest to this: stems show at 2 to 10 mm, and pixels
    cost time. Wrong for seedlings with hair-thin leaves: use 1. [mm/px]"""
    coarsest_mm_per_px: float = 10.0
    """In coarser files no stems are sought, only rows and gaps: a maize seedling then covers a few pixels. [mm/px]"""
    rows_mm_per_px: float = 80.0
    """Coarser files are refused: rows 38 to 76 cm apart do not show in them. [mm/px]"""
    tile_px: int = 3072
    """Side of the pieces that a raster is worked in, before their margin. Stems are sought in squares of 3 to 5 m,
    whole numbers of 512 px, and a whole number of these is taken. Larger ones take more memory, smaller ones more
    reading. [px]"""
    margin_cm: float = 50.0
    """How far neighbouring pieces overlap their cores: what stands at a seam is seen whole. Wrong where plants are
    wider than this. [cm]"""
    cache_mb: int = 48
    """Decoded blocks that each process keeps: those of one piece, whose last ones the next piece begins with. Striped
    files may take three times as much where that holds a line of pieces, or are decoded again for every piece. [MB]"""
    read_threads: int = 1
    """Threads that decode for one process. With one process in all, 2 reads nearly twice as fast."""
    stretch_low_pct: float = 0.1
    """16-bit files: share of values that may fall below black. [%]"""
    stretch_high_pct: float = 99.8
    """16-bit files: share of values up to which white is not reached. Wrong where much of the picture shines, such as
    wet foil or glass: lower it. [%]"""
    find_fill: bool = True
    """Take plain black or white at the raster's edge as no data where the file declares none: it would count as
    ground without plants. Turn off if such ground is real."""
    max_gigapixels: float = 2000.0
    """Larger rasters are refused as forged: this is 1,800 ha at 3 mm. [Gpx]"""

    def __post_init__(self) -> None:
        check_positive(self, "mm_per_px", "finest_mm_per_px", "coarsest_mm_per_px", "rows_mm_per_px", "margin_cm")
        check_positive(self, "cache_mb", "read_threads", "max_gigapixels")
        if not 256 <= self.tile_px <= 16384:
            raise BadSettings(f"raster.tile_px is {self.tile_px}.", "Give 256 to 16384.")
        if self.read_threads > 64 or self.cache_mb > 4096:
            raise BadSettings("raster.read_threads or cache_mb is too large.", "Give at most 64 threads and 4096 MB.")
        if self.bands is not None and min(self.bands) < 1:
            raise BadSettings(f"raster.bands is {list(self.bands)}.", "Bands are numbered from 1: [1, 2, 3].")
        if not 0 <= self.stretch_low_pct < self.stretch_high_pct <= 100:
            told = f"raster.stretch_low_pct is {self.stretch_low_pct:g}, stretch_high_pct {self.stretch_high_pct:g}."
            raise BadSettings(told, "Give 0 to 100, the lower one first.")


@dataclass(frozen=True)
class FlightSettings:
    """Raw frames of a drone, without a mosaic."""

    ground_elevation_m: float | None = None
    """Height of the field above the sea, as the drone's altitude counts it: height above ground is altitude less this.
    None: other ways. Wrong by tens of metres where the altitude counts from the ellipsoid. [m]"""
    control_points: str | None = None
    """Path of ground control points (CSV: frame, x_px, y_px, easting_m, northing_m)."""
    control_crs: str | None = None
    """Map projection of these points, such as EPSG:32633; it becomes that of the results. None: they are taken to be on
    the map of the frames' own positions."""
    most_off_nadir_deg: float = 12.0
    """Frames that look further from straight down are refused: plants lean over each other in them. [degrees]"""
    flag_off_nadir_deg: float = 4.0
    """From here frames are flagged. [degrees]"""
    gps_error_m: float = 3.0
    """Error of noted positions, one standard deviation. Wrong for receivers with corrections: use 0.05. [m]"""
    height_error_pct: float = 5.0
    """Error of noted or given heights, one standard deviation. Wrong over sloping land, where the height above the
    take-off says little. [%]"""
    tilt_error_deg: float = 2.0
    """How far frames may lean otherwise than told, one standard deviation. Mounts on three axes keep to about half a
    degree, fixed cameras lean by ten (common practice, no source). [degrees]"""
    register_px: int = 1600
    """Longer side of the reduced pictures by which frames are laid on each other. [px]"""
    features: int = 2000
    """Points looked for in each of them."""
    fewest_matches: int = 25
    """Two frames with fewer points in common are not laid on each other by them. Lower where fields are bare and
    smooth, at the risk of chance."""
    neighbours: int = 8
    """Frames tried with each, the nearest first. Without noted positions: the next in order of time."""
    boards: bool = True
    """Look for ground boards in the frames: one of 40 cm shows from 3 mm a pixel on, and tells the scale of the whole
    flight better than any altitude. Costs some 0.2 s a frame; turn off where none was laid out."""
    estimate_distortion: bool = True
    """Without a lens profile, estimate one radial distortion from the frames' overlaps. Wrong where there are few."""

    def __post_init__(self) -> None:
        check_positive(
            self, "most_off_nadir_deg", "flag_off_nadir_deg", "gps_error_m", "height_error_pct", "tilt_error_deg"
        )
        check_positive(self, "neighbours")
        if not 200 <= self.register_px <= 8000 or not 100 <= self.features <= 50_000 or self.fewest_matches < 8:
            told = f"flight has register_px {self.register_px}, features {self.features}, fewest_matches "
            raise BadSettings(f"{told}{self.fewest_matches}.", "Give 200 to 8000, 100 to 50000, and at least 8.")


@dataclass(frozen=True)
class StripRowSettings:
    """Rows of a strip, from direction and rhythm."""

    narrowest_cm: float = 15.0
    """Rows closer than this are not told apart. [cm]"""
    widest_cm: float = 120.0
    """Widest distance of rows looked for where it is not given. [cm]"""
    block_cm: float = 600.0
    """Side of the squares in which the direction is looked for. Smaller for rows that turn sharply, larger where few
    plants stand. [cm]"""
    angle_step_deg: float = 1.5
    """First search of directions. [degrees]"""
    clear_direction: float = 6.0
    """A square has a direction of its own where that stands out by so many robust SDs from all others. [1]"""
    parallel_deg: float = 10.0
    """Neighbouring squares that differ by less are one group of rows. Wrong for two fields whose rows meet at a smaller
    angle. [degrees]"""
    widest_turn_deg: float = 40.0
    """Rows of one group turn at most so far from its mean direction; beyond, another group begins. [degrees]"""
    band_cm: float = 300.0
    """Rows are followed from band to band of this length. [cm]"""
    cell_cm: float = 20.0
    """Cells along a row; a cell counts once however many plants it holds, so that clumps of weeds do not make a row.
    [cm]"""
    knots_cm: float = 200.0
    """Distance of the knots of the centre line. [cm]"""
    bend_cm: float = 3.0
    """By how much a row usually turns off its course from knot to knot; lower makes lines stiffer. [cm]"""
    bridge_cm: float = 1000.0
    """Missing stretches up to this are bridged. [cm]"""
    far_bridge_cm: float = 5000.0
    """Up to this where what goes on lies where the neighbour rows lead. [cm]"""
    shortest_cm: float = 100.0
    """Shorter rows are left out. [cm]"""
    fewest_plants: int = 5
    """Cells with plants that a row needs."""
    evidence: float = 8.0
    """Log likelihood by which a row must beat plants strewn at random, after what its freedom costs. Higher where weeds
    pose as rows. [1]"""
    weakest: float = 0.12
    """A row where the rhythm expects one must be at least so full, as a share of the usual row: units that failed."""
    weakest_off_rhythm: float = 0.5
    """Elsewhere at least so full."""
    widest_scatter_cm: float = 6.0
    """Plants scattered more about their line make the row unsure. [cm]"""
    edge_spacings: float = 4.0
    """A row whose last plant stands within so many spacings of the border of the picture is cut by it. [1]"""
    edge_margin_cm: float = 2.0
    """Left out at the border of the picture. [cm]"""
    reach: float = 0.4
    """A plant belongs to a row up to this share of the row width off its line. [1]"""

    def __post_init__(self) -> None:
        check_positive(
            self, "narrowest_cm", "block_cm", "angle_step_deg", "band_cm", "cell_cm", "knots_cm", "bend_cm", "reach",
            "widest_turn_deg", "parallel_deg", "bridge_cm", "far_bridge_cm",
        )  # fmt: skip
        if self.widest_cm < self.narrowest_cm:
            raise BadSettings("strip_rows.widest_cm is below narrowest_cm.", "Row widths lie between the two.")
        if self.angle_step_deg > 15:
            raise BadSettings(f"strip_rows.angle_step_deg is {self.angle_step_deg}.", "Give at most 15.")


@dataclass(frozen=True)
class PassSettings:
    """Passes of the planter and row units of a strip; how many rows a pass has is ``planter.row_units``."""

    first_row: int | None = None
    """Number of the leftmost row of the first pass, looking along the rows; None: proposed from guess rows."""
    pattern: str = "back_and_forth"
    """back_and_forth: each pass is driven against its neighbours. one_way: all alike. Wrong where a field was sown in
    lands or with passes skipped."""
    first_heading: str = "along"
    """How the first pass was driven: along or against the direction that rows are numbered by, or a compass point: N,
    NE, E, SE, S, SW, W, NW."""
    guess_cm: float = 25.0
    """Neighbouring passes lie at most so much closer or wider than the rows of one. [cm]"""
    clear_phase: float = 0.8
    """A proposed first row is used from this confidence on; below, it is told and units stay empty. [1]"""

    def __post_init__(self) -> None:
        check_positive(self, "first_row", "guess_cm")
        if self.pattern not in ("back_and_forth", "one_way"):
            raise BadSettings(f"passes.pattern is {self.pattern!r}.", "Use back_and_forth or one_way.")
        headings = ("along", "against", "N", "NE", "E", "SE", "S", "SW", "W", "NW")
        if self.first_heading not in headings:
            raise BadSettings(f"passes.first_heading is {self.first_heading!r}.", f"Use one of {', '.join(headings)}.")


@dataclass(frozen=True)
class StripStemSettings:
    """Finding stems in pictures taken from a drone."""

    network: str = "strips"
    """Network that ships with the package, or path of an ONNX file made by ``standcam.training`` for strips."""
    green: float = -0.7
    """Greenness from which a pixel hints at a plant, well below what is plainly green: thin leaves melt into soil at
    such pixels. Hints tell which stretches of a row are looked at, and areas. Where no rows show, all hints are looked
    at: on path-traced photos reduced to 4.8 and 7.2 mm F1 was 0.849 and 0.777 at 0.5, 0.874 and 0.838 at -0.7, 0.879
    and 0.849 where all ground was looked at. Higher where soil is greenish. [1]"""
    fewest_green_px: int = 1
    """Green pixels in a square of three by three below which they are taken for noise. [px]"""
    green_reach_cm: float = 3.0
    """Stems are looked for this far from green pixels. [cm]"""
    look_across_cm: float = 13.0
    """Looked at along each row that the green of a square shows, half to either side: stems stand within a few
    centimetres of the line, and leaves tell of them. With 20, which costs half as much again, F1 is the same within
    0.003 on two sets of unseen strips. Wider where rows bend sharply or seams of the mosaic shift them by more than
    4 cm; 0 looks at all green, which costs six times as much. [cm]"""
    weed_patch_cm2: float = 0.5
    """Between the rows, patches of plain green so large that reach to no row are weeds. [cm²]"""
    plant_reach_cm: float = 15.0
    """Green farther from a stem is no part of that plant. [cm]"""
    look_cm: float = 0.43
    """Pictures are drawn at this pixel before they are looked at, which costs time by its square. With 0.50 close
    soybeans in strips of 5 mm are lost (F1 0.894, 0.951 and 0.907 to 0.868, 0.950 and 0.880). [cm]"""
    look_finest_cm: float = 0.36
    look_px: float = 1.2
    """Pictures of less than 3.6 mm are drawn at so many of their own pixels, but no finer than the network was taught:
    of strips of 3 mm F1 is 0.954, and 0.950 at 0.43. [cm], [px]"""
    lowest_probability: float = 0.1
    """Peaks less likely than this are dropped."""
    no_green_share: float = 0.5
    """A peak without any green near keeps this share of its heat."""
    apart_cm: float = 1.2
    """Two stems nearer than this cannot be told apart at such pixels. [cm]"""
    weed_probability: float = 0.5
    """Weeds at least this likely are listed."""
    weeds_apart_cm: float = 2.5
    """Weeds nearer than this are one. [cm]"""
    off_row_cm: float = 8.0
    """A stem farther off the line is no plant of the row; mosaics bend lines by some centimetres. [cm]"""
    row_scatter_cm: float = 1.8
    """Scatter of crop stems about their line, against which weeds are weighed. [cm]"""
    row_odds: float = 3.0
    """Standing on the line, or off it, changes the odds of being crop by at most this factor."""
    calibration: tuple[float, float, float, float, float, float] = (-0.39, 3.8, -2.34, -2.55, 1.29, -1.26)
    """Weights that turn heat into probability: base, own heat, closeness of a hotter peak, how much hotter it is, how
    coarse the picture is (doublings of 4 mm), and that times heat. Wrong for another network."""
    closeness_cm: float = 4.0
    """Distance over which a hotter peak takes from its neighbour. [cm]"""
    crop_probability: float = 0.45
    coarse_crop_probability: float = 0.33
    """Stems at least this likely count as crop, in pictures of 5 mm and finer, and of 8 mm and coarser; between them it
    falls with the doublings of the pixel. Below one half, so that false finds make up for plants that show no stem at
    all, of which there are more in coarse pictures. F1 of made strips is within 0.003 from 0.3 to 0.5."""
    weeds_reach_cm: float = 30.0
    """Weeds are listed this far to either side of a row: those that the network saw within ``look_across_cm``, beyond
    it patches of plain green. [cm]"""
    double_cm: float = 5.0
    """Stems nearer than this are flagged as told apart within one another's leaves. [cm]"""
    sd_at_cm: float = 0.5
    sd_power: float = 1.17
    sd_factor: float = 1.12
    """From the error that the network states to the error given, as in ``StemSettings``. [cm], [1], [1]"""

    def __post_init__(self) -> None:
        check_positive(self, "row_scatter_cm", "row_odds", "off_row_cm", "apart_cm", "sd_factor")
        check_positive(self, "look_cm", "look_finest_cm", "look_px", "weed_patch_cm2")


@dataclass(frozen=True)
class PlotSettings:
    """Plots of a drone strip: outlines, and how rows are cut by them (:mod:`standcam.strips`)."""

    name_column: str | None = None
    """Attribute of the outlines that holds the plot's name. None: one of the usual names, else the first in which no
    two are alike; a note tells which. Wrong where plots carry two numbers."""
    treatment_column: str | None = None
    """Attribute that holds the treatment. None: one of the usual names, else no treatments."""
    block_column: str | None = None
    """Attribute that holds the block or replication. None: one of the usual names, else no blocks."""
    layer: str | None = None
    """Layer of a GeoPackage. None: its only layer of polygons; a file with several must say which."""
    trim_m: float = 0.0
    """Left out at both ends of every row of a plot, where plants have neighbours on one side only. Wrong at 0 where
    alleys are bare and the border counts more than the plot. [m]"""
    border_rows: int = 0
    """Rows left out at either side of every plot. Wrong at 0 for plots of different treatments side by side that
    reach into each other."""
    shortest_m: float = 0.5
    """Pieces of row shorter than this, after trimming, are not measured: a row that grazes a corner of a plot. Wrong
    for plots of single short rows. [m]"""
    overlap_pct: float = 2.0
    """Neighbours whose outlines overlap by at most this share of the smaller one are parted, the first keeping the
    ground, with a note; more is refused. Wrong for outlines drawn by hand on a coarse map. [%]"""

    def __post_init__(self) -> None:
        for name in ("trim_m", "border_rows", "shortest_m", "overlap_pct"):
            if not getattr(self, name) >= 0:
                raise BadSettings(f"plots.{name} is {getattr(self, name)}.", "It must be zero or greater.")
        if self.overlap_pct >= 50:
            raise BadSettings(f"plots.overlap_pct is {self.overlap_pct:g}.", "Give less than 50.")


@dataclass(frozen=True)
class MapSettings:
    """Maps of a drone strip: lines of gaps, and the grid of the zone map."""

    gap_cm: float = 50.0
    """Gaps longer than this become lines of the map. Half a metre lacks two to three plants of maize (chosen by us);
    wrong for crops sown wider than 20 cm: take 2.5 times the spacing. [cm]"""
    cell_m: float = 5.0
    """Side of a cell of the zone map. Wrong where a cell holds less than some 15 m of row: one cell then differs from
    the next by chance. [m]"""
    least_row_m: float = 5.0
    """Cells with less measured row than this have no population: at 16 cm between plants, chance alone moves the
    count of 5 m by up to a tenth. [m]"""
    fewest_gaps: int = 30
    """Cells with fewer gaps than this have no CV: that of 30 gaps is known to about a quarter of itself either way
    (normal theory; worse with skips). Wrong for narrow strips: take larger cells."""

    def __post_init__(self) -> None:
        check_positive(self, "gap_cm", "cell_m", "least_row_m")
        if self.fewest_gaps < 3:
            raise BadSettings(f"maps.fewest_gaps is {self.fewest_gaps}.", "Give 3 or more: a spread needs several.")
