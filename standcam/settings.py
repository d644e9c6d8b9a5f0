"""Settings: one frozen record a stage, each default with a note on when it is wrong.

``Settings`` groups them. A survey file (TOML) overlays them (``settings_file``); ``digest`` names a state of all
settings for provenance. The records of strips and flights stand in ``strip_settings`` and are imported from here like
the others.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
from dataclasses import dataclass, field
from typing import Any

from standcam.checked import check_positive
from standcam.errors import BadSettings
from standcam.flags import GRADES
from standcam.strip_settings import (
    FlightSettings,
    MapSettings,
    PassSettings,
    PlotSettings,
    RasterSettings,
    StripRowSettings,
    StripStemSettings,
)


@dataclass(frozen=True)
class PhotoSettings:
    """Reading of pictures."""

    max_megapixels: float = 250.0
    """Larger pictures are refused, so that a forged header cannot fill the memory. Wrong for orthomosaics: those
    are strips, not photos. [Mpx]"""

    def __post_init__(self) -> None:
        check_positive(self, "max_megapixels")


@dataclass(frozen=True)
class CalibrationSettings:
    """Ground scale."""

    method: str = "auto"
    """auto, or the name of a registered method: board, stick, points, height, flight, none. flight is for a single
    frame of a drone, and never tried by auto."""
    board: str | None = None
    """Path of a board geometry (TOML); None looks for the built-in boards."""
    stick_length_cm: float = 100.0
    """Length of a straight light stick with dark ends. [cm]"""
    stick_dark_ends_cm: float = 10.0
    """Length of each dark end of the stick, part of its length. Wrong for a stick painted otherwise. [cm]"""
    points: tuple[float, float, float, float, float] | None = None
    """x_px, y_px, x_px, y_px, length_cm: two points on the ground and their true distance."""
    camera_height_cm: float | None = None
    """Height of the camera above the soil, for the method height. [cm]"""
    focal_length_35mm: float | None = None
    """35 mm equivalent focal length; overrides EXIF. [mm]"""
    assumed_focal_length_35mm: float = 26.0
    """Used where neither EXIF nor a lens profile tells: main cameras of phones are 23 to 28 mm (common practice,
    no source). Wrong for wide-angle (13 mm) and telephoto modules. [mm]"""
    assumed_height_cm: float = 140.0
    """Camera height assumed inside when a photo has no scale at all: thresholds need some scale. Never reported.
    [cm]"""
    lens: str | None = None
    """Path of a lens profile (TOML)."""

    def __post_init__(self) -> None:
        check_positive(
            self,
            "stick_length_cm",
            "stick_dark_ends_cm",
            "camera_height_cm",
            "focal_length_35mm",
            "assumed_focal_length_35mm",
            "assumed_height_cm",
        )


@dataclass(frozen=True)
class VegetationSettings:
    """The plant mask."""

    work_mm_per_px: float = 1.1
    """Photos finer than this are reduced by a whole factor: stems are wider than 2 mm, and pixels cost time. Wrong
    for seedlings with hair-thin leaves (carrot, onion): use 0.5. [mm/px]"""
    sure_greenness: float = 1.8
    """Logit-like score above which a pixel is plainly plant: the threshold with the best mean F1 over the training
    photos."""
    fair_greenness: float = 0.3
    """Score down to which a region grows from sure pixels: lower joins dim leaf tips and, soon, soil."""
    grow_mm: float = 5.0
    """How far from sure pixels fair ones still belong to the plant. [mm]"""
    min_sure_mm2: float = 3.0
    """Sure green that must show within some 5 pixels: less is noise. [mm²]"""

    def __post_init__(self) -> None:
        check_positive(self, "work_mm_per_px", "grow_mm", "min_sure_mm2")
        if self.fair_greenness > self.sure_greenness:
            raise BadSettings("vegetation.fair_greenness is above sure_greenness.", "Regions grow downwards: lower it.")


@dataclass(frozen=True)
class RowSettings:
    """Row lines and the stretch of them that counts as measured."""

    coarsest_mm_per_px: float = 2.2
    """Where a pixel of the photo covers more ground than this, in its longer direction, stems are not resolved and
    the row does not count as measured there. [mm/px]"""
    edge_margin_cm: float = 1.5
    """Left out at the picture's edge, where plants are cut. [cm]"""
    strip_cm: float = 2.0
    """Half the width of the strips that are searched for rows. [cm]"""
    cell_cm: float = 4.0
    """Cells along a strip; a cell counts once however many stems are seen in it. [cm]"""
    angle_step_deg: float = 3.0
    """First search of the row direction. [degrees]"""
    rival_share: float = 0.5
    """A second direction is looked into when it is at least this peaked, as a share of the best."""
    rival_apart_deg: float = 15.0
    """Directions closer than this are one. [degrees]"""
    most_rivals: int = 2
    """Directions looked into."""
    apart_cm: float = 25.0
    """Rows closer than this are one: narrower drilling is no single-plant planting. Wrong for twin rows. [cm]"""
    shortest_cm: float = 40.0
    """Rows seen over less than this are not counted. [cm]"""
    weakest: float = 0.45
    """A neighbour row must be at least this strong, as a share of the strongest."""
    main_share: float = 0.6
    """The row the photo was taken of is the one nearest to the picture's middle among those at least this strong,
    as a share of the strongest."""
    fewest_plants: int = 3
    """Crop plants a neighbour row must show."""
    neighbour_trust: float = 0.7
    """Mean crop probability its plants must have."""
    fan_deg: float = 8.0
    """Rows of one photo may differ so much in direction on the map: 76 cm apart they do where a board leans by 14
    degrees, which is then said (:mod:`standcam.rows.lean`). [degrees]"""
    parallel_deg: float = 8.0
    """Neighbour rows run in the main row's direction within this. [degrees]"""
    flat_fan_deg: float = 14.0
    """The same two where one scale serves for the whole picture, so that rows run together as they do in the photo.
    [degrees]"""
    most_rows: int = 5
    """Rows measured in one photo."""
    longest_cm: float = 1000.0
    """Farthest the row is followed from the picture's middle. [cm]"""
    widest_scatter_cm: float = 3.0
    """Stems scattered more than this about their line make the row unsure. [cm]"""
    closed_share: float = 0.5
    """Where more than this share of the row line is green, plants may hide plants and the row is flagged crowded.
    Evenly standing seedlings cover up to a third of it (chosen by us)."""
    bend_plants: int = 6
    """Fewer plants cannot show a bend."""
    bend_span_cm: float = 100.0
    """A shorter row cannot show a bend. [cm]"""
    turn_prior: float = 0.5
    """Weight, in plants, of the first guess of the direction."""
    bend_prior: float = 3.0
    """Weight, in plants, of the belief that rows are straight."""

    def __post_init__(self) -> None:
        check_positive(self, "coarsest_mm_per_px", "strip_cm", "cell_cm", "angle_step_deg", "apart_cm")


@dataclass(frozen=True)
class StemSettings:
    """Finding stems."""

    locator: str = "learned"
    """learned: a network looks at the picture. shape: stems by the geometry of the plant mask, several times faster and
    less sure. Wrong where time matters more than the last tenth of the plants."""
    network: str = "stems"
    """Network that ships with the package, or path of an ONNX file made by ``standcam.training``."""
    card: str = "shape"
    """Scoring cards of the locator by shape that ship with the package, or path of a JSON file made by
    ``standcam.training.shape``."""
    widest_look_cm: float = 500.0
    """Ground looked over for rows, along either side: bounds time and memory where a wrong scale makes the field
    enormous. Wrong for photos from a mast or drone that show more. [cm]"""
    look_megapixels: float = 1.65
    """Sheet pixels looked at in one photo; where green spreads over more ground it is drawn more coarsely, 0.15 cm at
    most. It bounds the time of wide photos. At 1.5, 1.65 and 1.8 F1 is 0.975, 0.978 and 0.977 on 81 photos, 0.939,
    0.940 and 0.938 on generated scenes. [Mpx]"""
    turns: int = 1
    """Times the network looks at the same ground, mirrored and turned each time, 1 to 8: heat is the mean, time as many
    times longer. With 3, stems lie nearer (2.1 for 2.6 mm on the seven photos left out of training), F1 is 0.943 for
    0.953 there and 0.947 for 0.938 on 36 generated scenes, and 1 to 3 % fewer stems are found. More where places
    matter and time does not."""
    off_row_cm: float = 6.0
    """A stem farther off the line is no plant of the row: planters place seed within 2 cm of their line (common
    practice, no source), and the line itself may be 2 cm off. Wrong for broadcast or transplanted crops. [cm]"""
    row_scatter_cm: float = 1.5
    """Scatter of crop stems about their line, against which weeds are weighed. A survey file that does not give it
    takes the crop card's, which is the same on all of the package's. [cm]"""
    row_odds: float = 3.0
    """Standing on the line, or off it, changes the odds of being crop by at most this factor."""
    apart_cm: float = 1.2
    """Two stems nearer than this cannot be told apart; doubles lie 1 to 5 cm apart (common practice, no source). With
    0.9 one plant gets two stems 1 cm apart more often than two such plants are found: F1 0.947 for 0.953 on photos left
    out, 0.933 for 0.937 on scenes. [cm]"""
    lowest_probability: float = 0.1
    """Peaks less likely than this are not even listed as doubtful plants."""
    calibration: tuple[float, float, float, float] = (0.87, 1.7, -2.27, -1.11)
    """Weights that turn heat into probability: base, own heat, closeness of a hotter peak, and how much hotter it
    is; see ``calibrated`` and the training record. Wrong for another network."""
    closeness_cm: float = 4.0
    """Distance over which a hotter peak takes from its neighbour, at most, and at least half of it. [cm]"""
    closeness_share: float = 0.5
    """The same as a share of the row's median gap: in closely sown rows true neighbours stand that near. Of pairs less
    than 5 cm apart both are found in 65 and 63 of 100 on two sets of unseen scenes, against 60 and 56 with 4 cm
    everywhere, at equal or better F1. [1]"""
    crop_probability: float = 0.5
    """Stems at least this likely count as crop."""
    weed_probability: float = 0.5
    """Weeds at least this likely are listed."""
    weeds_reach_cm: float = 30.0
    """Weeds are listed this far to either side of a measured row. Wrong for rows narrower than 60 cm. [cm]"""
    weeds_apart_cm: float = 2.0
    """Weeds nearer than this are one. [cm]"""
    double_cm: float = 5.0
    """Stems nearer than this are flagged as told apart within one another's leaves. [cm]"""
    weak_area_cm2: float = 1.0
    """Plants showing less green than this are flagged weak. [cm²]"""
    green_reach_cm: float = 2.5
    """Stems are looked for this far from plant pixels: a leaf hides its stem at most so far. [cm]"""
    no_green_share: float = 0.5
    """A peak without any plant pixel near keeps this share of its heat: stones and straw warm it now and then."""
    sd_at_cm: float = 0.2
    sd_power: float = 1.7
    sd_factor: float = 3.9
    """The network understates its error, the more the larger it is. The error given is ``factor * at * (network's /
    at) ** power``, fitted on photos and scenes it had not seen; wrong for another network. [cm], [1], [1]"""

    def __post_init__(self) -> None:
        if self.locator not in ("learned", "shape"):
            raise BadSettings(f"stems.locator is {self.locator!r}.", "Use learned or shape.")
        if not 1 <= self.turns <= 8:
            raise BadSettings(f"stems.turns is {self.turns}.", "Use 1 to 8; 1, 3 and 8 were measured.")
        check_positive(self, "widest_look_cm", "row_scatter_cm", "row_odds", "off_row_cm", "apart_cm", "sd_factor")


@dataclass(frozen=True)
class LabelSettings:
    """Adapting the decision crop or weed to a survey from plants that a person has labelled."""

    reach_cm: float = 3.0
    """A label means the nearest listed plant within this, or within half of it where it gainsays what that was taken
    for: a finger on a phone, at the scale of a marked photo, is some 2 cm wide. Wrong where plants stand closer than
    that and labels are exact. [cm]"""
    weight_sd: float = 0.5
    """Standard deviation of the weights of traits in the correction, as believed before any label. This and the next
    four were chosen on 36 surveys of generated scenes: a larger one gains more from labels put on plants as they come,
    and loses more where only mistakes are labelled."""
    shift_sd: float = 0.25
    """The same of what moves all plants alike."""
    anchor: float = 6.0
    """All plants without a label together weigh as much as this many labels, for what they were taken for before."""
    odd_share: float = 1.0
    """Labels that gainsay the decision count in full up to this many times the share of wrong decisions that the
    probabilities lead one to expect; beyond it all of them together count as if they were so many. Wrong in a survey
    where the locator errs often and is sure of itself."""
    least_gain: float = 0.5
    """The correction is used only where it raises the log likelihood of the labels, each left out in turn, by more than
    this in all: five labels then hardly ever change another plant. [nat]"""
    most_anchors: int = 2000
    """Plants without a label that are looked at for this: bounds time in large surveys."""
    labelled_sd_cm: float = 1.0
    """Standard error of a plant that was listed as a weed, and so without one, and is crop by label or correction
    (chosen by us). [cm]"""

    def __post_init__(self) -> None:
        check_positive(self, "reach_cm", "weight_sd", "most_anchors", "labelled_sd_cm")


@dataclass(frozen=True)
class SpacingSettings:
    """What the planter was meant to do."""

    nominal_spacing_cm: float | None = None
    """Theoretical seed spacing. None: worked out from rate and row width, else estimated and said so. [cm]"""
    row_width_cm: float | None = None
    """Distance of neighbouring rows. [cm]"""
    seeding_rate_per_ha: float | None = None
    """Seeds per hectare the planter was set to. [1/ha]"""
    germination_pct: float | None = None
    """Germination of the seed lot, from its label or a test. None: not used. Wrong for an old label. [%]"""
    near_nominal_cm: float = 1.5
    """Spacings this near the theoretical one count as near ideal, a band of 3 cm in all (band from memory of Panning
    et al. 2000). Wrong for narrow spacings such as soybean's, which nearly all fall in it. [cm]"""
    crop: str = "maize"
    """Crop: the name of a card in ``standcam.crops``, of the user's card, or of a crop whose bushel is known. Yields
    and replant tables go by it, and notes on what is unusual; wrong when left at maize over another crop."""
    crop_card: str | None = None
    """Path of a crop card of the user's own (TOML), or of a folder of them. None: the package's."""

    def __post_init__(self) -> None:
        check_positive(self, "nominal_spacing_cm", "row_width_cm", "seeding_rate_per_ha", "near_nominal_cm")
        if self.germination_pct is not None and not 0 < self.germination_pct <= 100:
            raise BadSettings(f"germination_pct is {self.germination_pct}.", "Give it in percent, up to 100.")


@dataclass(frozen=True)
class PlanterSettings:
    """The planter, as far as the user tells; nothing here is needed to count."""

    row_units: int | None = None
    """Rows the planter plants in one pass."""
    cells_per_disc: int | None = None
    """Cells of the seed disc, or fingers. None: recurring faults are searched over usual numbers of cells."""
    speed_kmh: float | None = None
    """Ground speed at planting. [km/h]"""

    def __post_init__(self) -> None:
        check_positive(self, "row_units", "cells_per_disc", "speed_kmh")


@dataclass(frozen=True)
class TieSettings:
    """Which plot each photo of a survey belongs to (:mod:`standcam.survey`)."""

    order: tuple[str, ...] = ("plots_csv", "label", "file_name", "time", "gps")
    """Ways of tying, the one that is believed first in front; a way left out is not used. All that speak are compared,
    and a contradiction is listed. Wrong where labels were carried on to the next plot: put file_name before label."""
    file_name: str | None = None
    """How file names tell the plot: ``{plot}_{plot_row}_*.jpg``, with the fields plot, plot_row, row_unit, treatment,
    block and visit; or a regular expression with groups so named. A field ends where the character behind it in the
    pattern comes first: wrong for plots whose names hold that character."""
    plot_labels: str = "auto"
    """Labels looked for in the pictures: none, aruco, qr, both; auto: those that plots.csv has in its column label.
    Each costs time a photo."""
    label_dictionary: str = "DICT_5X5_250"
    """Family of the ArUco plot labels by OpenCV's name. Never that of the ground boards, DICT_4X4_50 unless a board of
    your own says otherwise."""
    plot_areas: str | None = None
    """Path of plot outlines (GeoJSON, polygons in degrees of longitude and latitude), for photos with a position."""
    area_name: str = "plot"
    """Property of an outline that holds the plot's name."""
    gps_error_m: float = 5.0
    """A photo nearer than this to another plot's outline may lie in that one, and is listed; a larger error told by
    the photo counts instead. Phones in the open are 3 to 5 m off (common practice, no source); wrong under trees, and
    too careful for a receiver with corrections. [m]"""
    camera_utc_offset: str | None = None
    """Time zone of the camera's clock where its photos do not tell, such as ``+02:00``. Needed only for times in
    plots.csv that name a zone."""
    clock_ahead_s: float = 0.0
    """How far the camera's clock ran ahead of the clock that the times in plots.csv were written by. [s]"""

    def __post_init__(self) -> None:
        ways = ("plots_csv", "label", "file_name", "time", "gps")
        if not set(self.order) <= set(ways) or len(set(self.order)) < len(self.order):
            known = ", ".join(ways)
            raise BadSettings(f"ties.order is {list(self.order)}.", f"Use each of these at most once: {known}.")
        if self.plot_labels not in ("auto", "none", "aruco", "qr", "both"):
            raise BadSettings(f"ties.plot_labels is {self.plot_labels!r}.", "Use auto, none, aruco, qr or both.")
        if self.gps_error_m < 0:
            raise BadSettings(f"ties.gps_error_m is {self.gps_error_m:g}.", "It must be zero or greater.")


@dataclass(frozen=True)
class StatisticsSettings:
    """Intervals."""

    level: float = 0.95
    """Confidence of all intervals. [1]"""
    resamples: int = 1000
    """Bootstrap resamples. Wrong for levels above 99 %: take more."""
    seed: int = 20
    """Of the bootstrap, so that equal inputs give equal intervals."""
    min_trust: str = "poor"
    """good, fair or poor: rows of a lower grade (:mod:`standcam.trust`) are left out of all summaries and listed. poor
    leaves nothing out. Wrong at good or fair where doubt goes with the stand, as crowding goes with many plants: the
    rows that are left then do not stand for the field."""

    def __post_init__(self) -> None:
        check_positive(self, "resamples")
        if self.resamples > 1_000_000:
            raise BadSettings(f"resamples is {self.resamples}.", "A million is more than enough.")
        if self.seed < 0:
            raise BadSettings(f"seed is {self.seed}.", "It must be zero or greater.")
        if self.min_trust not in GRADES:
            raise BadSettings(f"min_trust is {self.min_trust!r}.", f"Use {', '.join(GRADES[:-1])} or {GRADES[-1]}.")
        if not 0.5 <= self.level < 1:
            raise BadSettings(f"level is {self.level}.", "Give a confidence from 0.5 to below 1, such as 0.95.")


@dataclass(frozen=True)
class ChainSettings:
    """How overlapping photos of one row are joined into one row (:mod:`standcam.chain`)."""

    boards: bool = True
    """Join photos of one plot and day that show the same markers, where their plants fall together. Turn off where
    photos of one plot are separate samples of a row of nearly even spacing, taken with one board carried along."""
    by_plants: bool = False
    """Join also photos without a common board where their plants fit in one place only. Wrong for separate samples of
    a plot: tried against each other, they now and then fit by chance."""
    board_at_cm: tuple[str, ...] = ()
    """Places of numbered boards along the row, where a tape was laid: ``"board 2 = 150"``. The boards must be laid
    alike. [cm]"""
    board_sd_cm: float = 0.7
    """Error of laying one photo on another by a board: corners, row direction, furrow. [cm]"""
    reach_cm: float = 3.0
    """How far plants seen twice may correct the boards. Wrong for furrows deeper than some 3 cm, whose plants a camera
    sees displaced by more at the edges of its pictures. [cm]"""
    tolerance_cm: float = 2.5
    """Plants nearer than this, after that, are one plant. [cm]"""
    across_cm: float = 15.0
    """Rows farther apart across are different rows. Wrong for rows narrower than 30 cm. [cm]"""
    turn_deg: float = 8.0
    """Rows at a larger angle are different rows. [degrees]"""
    alone_share: float = 0.1
    """Share of plants that one of two photos is expected to lack. Weighs joining against not joining only."""
    fewest_to_check: int = 3
    """With fewer plants on the common stretch these tell nothing, and the boards must do."""
    most_shared: float = 0.6
    """Where all photos of a plot show one and the same board, those that by it share more than this of their length are
    not joined: the board was carried along, and photos of an even row fit each other anywhere. Wrong for one place
    photographed twice: leave one of the photos out. [1]"""
    seam_mm: float = 15.0
    """Disagreement from which a seam is flagged: a tenth of a usual spacing of maize (chosen by us). [mm]"""
    edge_cm: float = 2.0
    """Plants so near to an end of a photo's stretch need not show in it. [cm]"""

    def __post_init__(self) -> None:
        check_positive(
            self, "board_sd_cm", "reach_cm", "tolerance_cm", "across_cm", "turn_deg", "seam_mm", "fewest_to_check"
        )
        if not 0 < self.alone_share < 0.5:
            raise BadSettings(f"chain.alone_share is {self.alone_share}.", "Give a share between 0 and 0.5.")
        self.places()

    def places(self) -> dict[str, float]:
        """Boards to their places along the row. [cm]

        Raises
        ------
        BadSettings
            An entry of ``board_at_cm`` does not read ``board 2 = 150``.
        """
        places = {}
        for text in self.board_at_cm:
            name, sign, value = str(text).partition("=")
            try:
                place = float(value)
            except ValueError:
                place = float("nan")
            if not sign or not name.strip() or place != place:
                raise BadSettings(f"chain.board_at_cm has {text!r}.", 'Write "board 2 = 150", in cm along the row.')
            places[" ".join(name.split())] = place
        return places


@dataclass(frozen=True)
class OutputSettings:
    """What is written and how."""

    units: str = "si"
    """si or us: units on the screen and in pictures. Tables are always SI, with units in their names."""
    marked: bool = True
    """Write marked photos."""
    marked_width_px: int = 1600
    """Longer side of a marked photo: enough for a phone's screen, small enough to send. [px]"""

    def __post_init__(self) -> None:
        if self.units not in ("si", "us"):
            raise BadSettings(f"units is {self.units!r}.", "Use si or us.")
        check_positive(self, "marked_width_px")
        if self.marked_width_px > 20_000:
            raise BadSettings(f"marked_width_px is {self.marked_width_px}.", "Give at most 20000.")


@dataclass(frozen=True)
class Settings:
    """All settings of a run."""

    photo: PhotoSettings = field(default_factory=PhotoSettings)
    raster: RasterSettings = field(default_factory=RasterSettings)
    flight: FlightSettings = field(default_factory=FlightSettings)
    calibration: CalibrationSettings = field(default_factory=CalibrationSettings)
    vegetation: VegetationSettings = field(default_factory=VegetationSettings)
    rows: RowSettings = field(default_factory=RowSettings)
    strip_rows: StripRowSettings = field(default_factory=StripRowSettings)
    passes: PassSettings = field(default_factory=PassSettings)
    stems: StemSettings = field(default_factory=StemSettings)
    strip_stems: StripStemSettings = field(default_factory=StripStemSettings)
    labels: LabelSettings = field(default_factory=LabelSettings)
    spacing: SpacingSettings = field(default_factory=SpacingSettings)
    planter: PlanterSettings = field(default_factory=PlanterSettings)
    ties: TieSettings = field(default_factory=TieSettings)
    chain: ChainSettings = field(default_factory=ChainSettings)
    statistics: StatisticsSettings = field(default_factory=StatisticsSettings)
    plots: PlotSettings = field(default_factory=PlotSettings)
    maps: MapSettings = field(default_factory=MapSettings)
    output: OutputSettings = field(default_factory=OutputSettings)

    def to_dict(self) -> dict[str, dict[str, Any]]:
        """Nested plain dictionary."""
        return dataclasses.asdict(self)

    def digest(self) -> str:
        """Sixteen hex digits that change when any setting changes."""
        text = json.dumps(self.to_dict(), sort_keys=True, default=str)
        return hashlib.sha256(text.encode()).hexdigest()[:16]

    def replace(self, stage: str, **values: Any) -> Settings:
        """A copy with some values of one stage changed; None leaves a value as it is."""
        values = {name: value for name, value in values.items() if value is not None}
        return dataclasses.replace(self, **{stage: dataclasses.replace(getattr(self, stage), **values)})
