"""Recipes: what a synthetic scene holds, as frozen records with defaults, and their TOML form.

A recipe file has a ``seed``, any number of ``[preset.NAME]`` tables and a list of ``[[scene]]`` tables. A
scene names the presets it starts from (``use = ["fast", "dry"]``, later ones win) and then gives its own
values::

    seed = 7
    [preset.fast.planter]
    placement_sd_mm = 34.0
    [[scene]]
    name = "row_1"
    use = ["fast"]
    [scene.camera]
    tilt_deg = 12.0
"""

from __future__ import annotations

import dataclasses
import re
import tomllib
import zlib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from standcam.checked import refuse_unknown
from standcam.errors import BadSettings
from standcam.synthetic.checks import in_range as _check
from standcam.synthetic.checks import one_of as _one_of
from standcam.synthetic.checks import three_factors as _three_factors
from standcam.synthetic.leaf_recipe import LeafRecipe
from standcam.synthetic.strip_recipe import FlightRecipe, StripRecipe


@dataclass(frozen=True)
class PlanterRecipe:
    """How seeds get into the row and what becomes of them. Probabilities are per seed and independent."""

    nominal_spacing_mm: float = 165.0
    """Distance of seed slots. [mm]"""
    placement_sd_mm: float = 18.0
    """Standard deviation of a seed's place along the row about its slot. [mm]"""
    lateral_sd_mm: float = 4.0
    """Standard deviation across the row. [mm]"""
    p_skip: float = 0.03
    """Probability that a slot gets no seed."""
    p_double: float = 0.03
    """Probability that a slot which gets a seed gets a second one, 10 to 50 mm on."""
    p_no_emergence: float = 0.05
    """Probability that a seed gives no plant."""
    p_late: float = 0.06
    """Probability that an emerged plant is late: some leaves behind its neighbours."""

    def __post_init__(self) -> None:
        _check(self, "nominal_spacing_mm", 10, 2000)
        for name in ("placement_sd_mm", "lateral_sd_mm"):
            _check(self, name, 0, 500)
        for name in ("p_skip", "p_double", "p_no_emergence", "p_late"):
            _check(self, name, 0, 1)


@dataclass(frozen=True)
class CropRecipe:
    """Crop, its stage and its rows, and weeds between."""

    species: str = "maize"
    """maize (grass-like) or soybean (broad-leaved)."""
    stage: float = 3.0
    """Mean number of leaves, the emerging one included. Soybean: 1 cotyledons, 2 first pair, 3 trifoliate."""
    stage_sd: float = 0.35
    row_width_mm: float = 760.0
    weeds_per_m2: float = 3.0

    def __post_init__(self) -> None:
        _one_of(self, "species", ("maize", "soybean"))
        _check(self, "stage", 0.5, 6)
        _check(self, "stage_sd", 0, 2)
        _check(self, "row_width_mm", 50, 5000)
        _check(self, "weeds_per_m2", 0, 500)


@dataclass(frozen=True)
class CameraRecipe:
    """A phone held over the row."""

    width_px: int = 800
    height_px: int = 600
    height_mm: float = 1300.0
    tilt_deg: float = 3.0
    """Angle between the optical axis and straight down."""
    roll_deg: float = 0.0
    azimuth_deg: float = 90.0
    """Ground direction that is up in the picture, from X (along the row) towards Y (across)."""
    aim_x_mm: float = 0.0
    aim_y_mm: float = 0.0
    """Ground point in the middle of the picture. [mm]"""
    focal_length_35mm: float = 26.0
    """35 mm equivalent focal length, by the diagonal (CIPA DC-008). [mm]"""
    k1: float = 0.0
    """Radial distortion, ``x_d = x_u (1 + k1 r_u^2)``."""

    def __post_init__(self) -> None:
        _check(self, "width_px", 64, 12000)
        _check(self, "height_px", 64, 12000)
        _check(self, "height_mm", 100, 5000)
        _check(self, "tilt_deg", 0, 60)
        _check(self, "focal_length_35mm", 10, 200)
        _check(self, "k1", -0.15, 0.3)


@dataclass(frozen=True)
class LightRecipe:
    """Sun and sky."""

    kind: str = "sun"
    """sun (hard shadows), haze (weak soft sun) or overcast (sky only)."""
    sun_elevation_deg: float = 50.0
    sun_azimuth_deg: float = 215.0
    """Direction to the sun, from X towards Y."""
    photographer_shadow: bool = False
    """Draw the photographer's shadow; it falls into the picture if the sun is at their back."""
    softness: float = 1.0
    """Factor on the width of half-shadows: above 1 thin cloud or dust before the sun."""
    sky: float = 1.0
    """Factor on the sky's light: below 1 shadows are blacker."""
    veil: float = 0.0
    """Share of stray light that haze lays over the middle of a photo, more over what is farther."""

    def __post_init__(self) -> None:
        _one_of(self, "kind", ("sun", "haze", "overcast"))
        _check(self, "sun_elevation_deg", 10, 90)
        _check(self, "softness", 0.3, 30)
        _check(self, "sky", 0.2, 3)
        _check(self, "veil", 0, 0.8)


@dataclass(frozen=True)
class GroundRecipe:
    """Soil and what lies on it."""

    soil: str = "dry"
    """dry (grey-brown), wet (dark), sandy or red (clay)."""
    roughness: float = 0.6
    """0 smooth crust, 1 coarse clods."""
    furrow_depth_mm: float = 0.0
    """How far the seed furrow, with the stem bases, lies below the plane of the soil's high spots on which
    the board rests. [mm]"""
    straw_per_m2: float = 6.0
    """Pieces of straw and stalk."""
    stones_per_m2: float = 0.0
    """Stones and hard clods that cast shadows."""
    stubble_per_m2: float = 0.0
    """Stumps of the last crop."""
    dry_leaves_per_m2: float = 0.0
    """Broad, curled dry leaves and husks."""
    stalks_per_m2: float = 0.0
    """Cut stalks that lie on the soil, hollow at their ends."""
    sticks_per_m2: float = 0.0
    """Thin sticks, straight or kinked."""
    relief: float = 1.0
    """Factor on the heights of clods and waves."""
    pits: float = 0.0
    """Cavities with sharp edges, in patches: 1 as deep as a finger nail is long."""
    crumbs: float = 0.0
    """Crumbs of 5 to 25 mm, in patches: 1 up to 20 mm high."""
    cracks: float = 0.0
    """Cracks of 2 to 4 mm: 1 as deep as wide and more."""
    crust: float = 0.0
    """How smooth the soil is between rough patches: at 1 they stand alone."""
    patches: float = 0.0
    """Contrast of wet and dry patches: at 1 from two thirds to one and a half of the tone."""
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0)
    """Factor on the soil's colour, red green blue."""
    tyre_tracks_mm: tuple[float, ...] = ()
    """Y of tracks of tyres along the rows, with marks of lugs. Those of a strip are in ``strip``. [mm]"""

    def __post_init__(self) -> None:
        _one_of(self, "soil", ("dry", "wet", "sandy", "red"))
        _check(self, "roughness", 0, 1)
        _check(self, "furrow_depth_mm", 0, 60)
        _check(self, "straw_per_m2", 0, 1500)
        _check(self, "stones_per_m2", 0, 500)
        _check(self, "stubble_per_m2", 0, 200)
        _check(self, "dry_leaves_per_m2", 0, 300)
        _check(self, "stalks_per_m2", 0, 100)
        _check(self, "sticks_per_m2", 0, 1500)
        _check(self, "relief", 0, 4)
        for name in ("pits", "crumbs", "cracks", "crust", "patches"):
            _check(self, name, 0, 1)
        _three_factors(self, "tint")


@dataclass(frozen=True)
class TargetRecipe:
    """Scale mark in the picture."""

    kind: str = "board"
    """board, stick or none."""
    x_mm: float = 0.0
    y_mm: float = -230.0
    """Middle of the mark. [mm]"""
    angle_deg: float = 4.0
    """Direction of the board's lower edge, or of the stick, from X towards Y."""
    lift_mm: float = 3.0
    """Height of the mark's face above the plane of the soil. [mm]"""
    tilt_deg: float = 0.0
    """Angle by which a board lies out of the plane of the soil, its lower edge on the ground."""
    missing: tuple[int, ...] = ()
    """Ids of markers left out."""
    dirty: tuple[int, ...] = ()
    """Ids of markers with mud on them."""
    stick_length_mm: float = 1000.0
    stick_end_mm: float = 100.0
    """Length of each dark end. [mm]"""
    stick_width_mm: float = 22.0

    def __post_init__(self) -> None:
        _one_of(self, "kind", ("board", "stick", "none"))
        _check(self, "lift_mm", 0, 100)
        _check(self, "tilt_deg", 0, 60)
        _check(self, "stick_length_mm", 50, 5000)
        _check(self, "stick_width_mm", 2, 200)


@dataclass(frozen=True)
class CaptureRecipe:
    """What the phone does to the light that reaches it, and how the file is stored."""

    exposure_ev: float = 0.0
    """Off from the automatic exposure."""
    blur_px: float = 0.6
    """Standard deviation of lens and focus blur. [px]"""
    noise: float = 0.006
    """Sensor noise at middle grey, relative."""
    white_balance: tuple[float, float, float] = (1.0, 1.0, 1.0)
    vignette: float = 0.2
    """Loss of light in the corners."""
    sharpening: float = 0.5
    sharpen_px: float = 1.1
    """Radius of sharpening: wide and strong gives pale seams about leaves. [px]"""
    contrast: float = 1.0
    """Factor on the picture's contrast about a grey of 0.42."""
    saturation: float = 1.08
    jpeg_quality: int = 85
    orientation: int = 1
    """EXIF orientation the file is stored with: 1, 3, 6 or 8. Truth is always in the upright picture."""
    taken: str = "2031:05:14 10:20:00"

    def __post_init__(self) -> None:
        _check(self, "blur_px", 0, 20)
        _check(self, "noise", 0, 0.5)
        _check(self, "jpeg_quality", 20, 100)
        _check(self, "sharpening", 0, 3)
        _check(self, "sharpen_px", 0.3, 4)
        _check(self, "contrast", 0.4, 2)
        if self.orientation not in (1, 3, 6, 8):
            raise BadSettings(f"CaptureRecipe.orientation is {self.orientation}.", "Use 1, 3, 6 or 8.")


@dataclass(frozen=True)
class SceneRecipe:
    """One synthetic photo, strip or flight."""

    name: str = "scene"
    planter: PlanterRecipe = field(default_factory=PlanterRecipe)
    crop: CropRecipe = field(default_factory=CropRecipe)
    camera: CameraRecipe = field(default_factory=CameraRecipe)
    light: LightRecipe = field(default_factory=LightRecipe)
    ground: GroundRecipe = field(default_factory=GroundRecipe)
    target: TargetRecipe = field(default_factory=TargetRecipe)
    capture: CaptureRecipe = field(default_factory=CaptureRecipe)
    kind: str = "photo"
    """photo (a phone held over a row), strip (a mosaic seen from straight above) or flight (its raw frames).
    ``camera`` and ``target`` serve photos, ``strip`` strips and flights, ``flight`` flights."""
    strip: StripRecipe = field(default_factory=StripRecipe)
    flight: FlightRecipe = field(default_factory=FlightRecipe)
    leaves: LeafRecipe = field(default_factory=LeafRecipe)
    story: str = ""
    """What the photo shows, for a reader."""

    def __post_init__(self) -> None:
        _one_of(self, "kind", ("photo", "strip", "flight"))
        if not re.fullmatch(r"[\w-]+", str(self.name)):
            raise BadSettings(
                f"Scene name {self.name!r} cannot be a file name.",
                "Use letters, digits, hyphens and underscores.",
            )

    def replace(self, part: str, **values: Any) -> SceneRecipe:
        """A copy with some values of one part changed."""
        return dataclasses.replace(self, **{part: dataclasses.replace(getattr(self, part), **values)})

    def rng(self, seed: int) -> np.random.Generator:
        """Generator for this scene, by seed and name only: scenes may be added or re-ordered."""
        return np.random.default_rng([seed, zlib.crc32(self.name.encode())])


@dataclass(frozen=True)
class RecipeBook:
    """A recipe file."""

    seed: int
    scenes: tuple[SceneRecipe, ...]

    def of_kind(self, kind: str) -> tuple[SceneRecipe, ...]:
        """The photos, strips or flights."""
        return tuple(scene for scene in self.scenes if scene.kind == kind)


def read_recipe(path: str | Path) -> RecipeBook:
    """Scenes of a recipe file.

    Raises
    ------
    BadSettings
        The file is missing, no TOML, or holds unknown names or impossible values.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise BadSettings(f"Recipe {path} cannot be read: {error.strerror}.", "Check the path.") from None
    return parse_recipe(text, str(path))


def parse_recipe(text: str, where: str = "recipe") -> RecipeBook:
    """Scenes of a recipe in TOML; see :func:`read_recipe`."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BadSettings(f"{where} is no valid TOML: {error}.", "Mend that line.") from None
    refuse_unknown(data, ("seed", "preset", "scene"), where, "tables")
    presets, entries = data.get("preset", {}), data.get("scene", [])
    if not isinstance(entries, list) or not entries:
        raise BadSettings(f"{where} has no [[scene]].", "Give at least one.")
    seed = data.get("seed", 0)
    if not isinstance(seed, int) or seed < 0:
        raise BadSettings(f"{where}: seed is {seed!r}.", "It must be a whole number from 0.")
    scenes = tuple(_scene(entry, presets, where) for entry in entries)
    names = [scene.name for scene in scenes]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise BadSettings(f"{where} has several scenes named {', '.join(twice)}.", "Give each its own name.")
    return RecipeBook(seed, scenes)


def _scene(entry: dict[str, Any], presets: dict[str, Any], where: str) -> SceneRecipe:
    merged: dict[str, Any] = {}
    for name in entry.get("use", []):
        if name not in presets:
            raise BadSettings(
                f"{where} uses an unknown preset {name!r}.", f"Known are: {', '.join(presets) or 'none'}."
            )
        _merge(merged, presets[name])
    _merge(merged, {k: v for k, v in entry.items() if k != "use"})
    label = f"{where}, scene {merged.get('name', '?')}"
    default = SceneRecipe()
    known = {f.name for f in dataclasses.fields(SceneRecipe)}
    made: dict[str, Any] = {}
    for part, values in merged.items():
        if part not in known:
            raise BadSettings(
                f"{label} has an unknown table or key {part!r}.", f"Known are: {', '.join(sorted(known))}."
            )
        record: Any = getattr(default, part)
        if not dataclasses.is_dataclass(record):
            made[part] = values
            continue
        if not isinstance(values, dict):
            raise BadSettings(f"{label}: {part} is {values!r}.", f"Write a table [scene.{part}].")
        keys = sorted(f.name for f in dataclasses.fields(record))
        refuse_unknown(values, keys, f"{label} [{part}]", "keys")
        values = {k: tuple(v) if isinstance(v, list) else v for k, v in values.items()}
        try:
            kind: Any = type(record)
            made[part] = kind(**values)
        except TypeError as error:
            raise BadSettings(f"{label} [{part}]: {error}.", "Check that numbers are numbers.") from None
    return SceneRecipe(**made)


def _merge(into: dict[str, Any], values: dict[str, Any]) -> None:
    for key, value in values.items():
        if isinstance(value, dict) and isinstance(into.get(key, {}), dict):
            _merge(into.setdefault(key, {}), value)
        else:
            into[key] = value
