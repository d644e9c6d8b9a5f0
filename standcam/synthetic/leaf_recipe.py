"""How the plants of a scene look: forms of leaves, their greens, and how they take the light.

All defaults draw the plain seedlings of :mod:`standcam.synthetic.plant_shapes`. None of these values moves a stem:
where plants stand and which of them emerge never hangs on how they look.
"""

from __future__ import annotations

from dataclasses import dataclass

from standcam.synthetic.checks import in_range, one_of, three_factors


@dataclass(frozen=True)
class LeafRecipe:
    """Forms, greens and gloss of leaves."""

    form: str = "plain"
    """plain (smooth ribbons and ovals), or natural: pointed leaflets folded along their rib on stalks of many lengths;
    maize leaves that droop, wave and twist out of a pale funnel. The four values after this serve natural forms."""
    slender: float = 1.0
    """Maize leaves: narrower by this factor, and longer by its root."""
    droop: float = 0.5
    """0 stiff leaves, 1 leaves that hang."""
    wave: float = 0.3
    """Waves of leaves and of their edges: 0 none, 1 strong."""
    twist: float = 0.3
    """How far leaves turn about their rib: at 1 many are seen edge-on."""
    weeds: str = "few"
    """few (an oval rosette, one grass) or many: leaves of three to seven fingers, toothed and narrow leaves, tufts."""
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0)
    """Factor on all greens, red green blue."""
    tint_sd: float = 0.0
    """Spread of the greens from plant to plant beyond the usual 10 to 15 %, each colour by itself, relative."""
    gloss: float = 1.0
    """Factor on what leaves mirror of sun and sky: at 4 some leaves glare white."""
    gloss_width: float = 1.0
    """Factor on the width of the sun's mirror image on a leaf."""
    through: float = 1.0
    """Factor on light that shines through leaves."""
    depth: float = 0.0
    """How strongly a leaf's lie and the leaves above it tell on the sky's light: at 0 plants under cloud look flat."""
    vein: float = 1.0
    """Factor on the contrast of ribs and veins."""
    purple: float = 0.4
    """Share of natural maize with a red or purple stem foot."""

    def __post_init__(self) -> None:
        one_of(self, "form", ("plain", "natural"))
        one_of(self, "weeds", ("few", "many"))
        in_range(self, "slender", 0.4, 3)
        for name in ("droop", "wave", "twist", "depth", "purple"):
            in_range(self, name, 0, 1)
        in_range(self, "tint_sd", 0, 0.5)
        in_range(self, "gloss", 0, 10)
        in_range(self, "gloss_width", 0.2, 5)
        in_range(self, "through", 0, 2)
        in_range(self, "vein", 0, 5)
        three_factors(self, "tint")
