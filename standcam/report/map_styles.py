"""Looks of the map layers, as the QML text that a GIS finds in the table layer_styles of a GeoPackage.

Written after files of that format; the colours are those of marked photos (:mod:`standcam.report.canvas`), and each
thing has a form of its own besides. Every line is cased in dark ink, for maps lie on straw and on soil. Marks of plants
and gaps have a size on the ground, so that neighbours keep apart, between bounds on the screen, so that they are seen
and do not hide what they mark. Tests open them in a GIS where one is installed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape

Rgb = tuple[int, int, int]
# as canvas.py has them, which needs an image library; a test compares
WHITE, INK = (255, 255, 255), (18, 22, 26)
ORANGE, SKY, YELLOW = (230, 159, 0), (86, 180, 233), (240, 228, 66)
GREY = (140, 140, 140)

PLANTS_FROM, ROWS_FROM = 250, 1_000
"""Plants and rows are shown from these scales on. Farther off plants 16 cm apart are less than 0.7 mm from each other,
and rows of 75 cm less than 0.8 mm: they run together and hide the gaps, which are few and show from anywhere. [1]"""
NOT_COUNTED = "not counted"
_PLANT_M, _GAP_M = 0.08, 0.3
"""Across, on the ground. [m]"""


def styles() -> dict[str, str]:
    """QML of each layer."""
    return {"plots": _plots(), "rows": _rows(), "gaps": _gaps(), "plants": _plants()}


def _plants() -> str:
    looks = {
        "crop": ("plant", _marker("circle", SKY, (0.7, 1.6))),
        "doubtful": ("doubtful, not counted", _marker("diamond", WHITE, (0.8, 1.8))),
        "weed": ("weed", _marker("cross2", YELLOW, (1.2, 1.8))),
        NOT_COUNTED: ("outside of what was measured", _marker("triangle", GREY, (0.6, 1.4))),
        "": ("other", _marker("square", WHITE, (0.6, 1.2))),
    }
    kind = f"CASE WHEN \"not_counted\" <> '' THEN '{NOT_COUNTED}' ELSE \"judged\" END"
    return _qml(_categorised(kind, looks), least_scale=PLANTS_FROM)


def _rows() -> str:
    return _qml(_single("line", [_line(INK, 0.46), _line(WHITE, 0.2)]), least_scale=ROWS_FROM)


def _gaps() -> str:
    casing = _line(INK, 1.5, _GAP_M, 0.75)
    looks = {
        "open": ("bare end of a row", [casing, _line(ORANGE, 1.0, _GAP_M / 1.5, 0.5, dashed=True)]),
        "": ("gap", [casing, _line(ORANGE, 1.0, _GAP_M / 1.5, 0.5)]),
    }
    return _qml(_categorised("CASE WHEN \"kind\" = 'open' THEN 'open' ELSE '' END", looks, shape="line"))


def _plots() -> str:
    words = (
        '"plot" || CASE WHEN "plants_per_ha" IS NULL THEN \'\' '
        "ELSE '\\n' || format_number(round(\"plants_per_ha\", -2), 0) || '/ha' END"
    )
    outline = {
        "color": "0,0,0,0", "style": "no", "outline_color": _rgba(INK), "outline_style": "solid",
        "outline_width": "0.7", "outline_width_unit": "MM", "joinstyle": "miter",
    }  # fmt: skip
    inner = outline | {"outline_color": _rgba(WHITE), "outline_width": "0.3"}
    fill = [_layer("SimpleFill", outline), _layer("SimpleFill", inner)]
    return _qml(_single("fill", fill), labels=_labels(words))


# ---- parts


def _qml(renderer: str, labels: str = "", least_scale: int = 0) -> str:
    scale = f'hasScaleBasedVisibilityFlag="1" minScale="{least_scale}" maxScale="0"' if least_scale else ""
    return (
        "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n"
        '<qgis version="3.22.0" styleCategories="Symbology|Labeling|Rendering" '
        f'labelsEnabled="{int(bool(labels))}" {scale}>\n'
        f"{renderer}{labels}"
        "</qgis>\n"
    )


def _single(shape: str, layers: Sequence[str]) -> str:
    return (
        '<renderer-v2 type="singleSymbol" enableorderby="0" forceraster="0" symbollevels="0">\n'
        f"<symbols>\n{_symbol('0', shape, layers)}</symbols>\n</renderer-v2>\n"
    )


def _categorised(expression: str, looks: Mapping[str, tuple[str, Sequence[str]]], shape: str = "marker") -> str:
    """One look a value of an expression; the empty value stands for all others."""
    categories = "".join(
        f'<category render="true" value="{escape(value)}" type="string" label="{escape(label)}" symbol="{k}"/>\n'
        for k, (value, (label, _)) in enumerate(looks.items())
    )
    symbols = "".join(_symbol(str(k), shape, layers) for k, (_, layers) in enumerate(looks.values()))
    return (
        f'<renderer-v2 type="categorizedSymbol" attr="{escape(expression)}" enableorderby="0" forceraster="0" '
        f'symbollevels="0">\n<categories>\n{categories}</categories>\n<symbols>\n{symbols}</symbols>\n</renderer-v2>\n'
    )


def _symbol(name: str, shape: str, layers: Sequence[str]) -> str:
    head = f'<symbol type="{shape}" name="{name}" alpha="1" clip_to_extent="1" force_rhr="0">'
    return f"{head}\n{''.join(layers)}</symbol>\n"


def _layer(kind: str, properties: Mapping[str, str]) -> str:
    """One drawing of a symbol; properties in the form of today and in that of versions before 3.26."""
    options = "".join(f'<Option type="QString" name="{k}" value="{escape(v)}"/>' for k, v in properties.items())
    old = "".join(f'<prop k="{k}" v="{escape(v)}"/>' for k, v in properties.items())
    head = f'<layer class="{kind}" enabled="1" locked="0" pass="0">'
    return f'{head}\n<Option type="Map">{options}</Option>\n{old}\n</layer>\n'


def _marker(form: str, colour: Rgb, bounds_mm: tuple[float, float]) -> list[str]:
    stroke = form.startswith("cross")  # these have no inside
    drawn = {
        "name": form, "color": _rgba(colour), "outline_style": "solid",
        "outline_color": _rgba(colour if stroke else INK),
    } | _on_ground("size", _PLANT_M, bounds_mm)  # fmt: skip
    drawn |= _on_ground("outline_width", _PLANT_M / 5, (0.25, 0.4) if stroke else (0.08, 0.2))
    casing = drawn | {"outline_color": _rgba(INK)} | _on_ground("outline_width", _PLANT_M / 2, (0.55, 0.9))
    return [_layer("SimpleMarker", casing)] * stroke + [_layer("SimpleMarker", drawn)]


def _line(colour: Rgb, width_mm: float, width_m: float = 0.0, least_mm: float = 0.0, dashed: bool = False) -> str:
    """A line so wide on the screen, or on the ground with the width on the screen as its bound."""
    drawn = {
        "line_color": _rgba(colour), "line_style": "solid", "line_width": f"{width_mm}", "line_width_unit": "MM",
        "capstyle": "flat", "joinstyle": "round",
    }  # fmt: skip
    if width_m:
        drawn |= _on_ground("line_width", width_m, (least_mm, width_mm), scale="width_map_unit_scale")
    if dashed:
        drawn |= {"use_custom_dash": "1", "customdash": "2;1.4", "customdash_unit": "MM"}
    return _layer("SimpleLine", drawn)


def _on_ground(what: str, metres: float, bounds_mm: tuple[float, float], scale: str = "") -> dict[str, str]:
    """A size in metres, whatever the units of the map, and its bounds: two scales not used, then least and most."""
    least, most = bounds_mm
    return {
        what: f"{metres:g}",
        f"{what}_unit": "RenderMetersInMapUnits",
        scale or f"{what}_map_unit_scale": f"3x:0,0,1,{least:g},1,{most:g}",  # of lines it has a name of its own
    }


def _labels(expression: str) -> str:
    return (
        '<labeling type="simple">\n<settings>\n'
        f'<text-style fieldName="{escape(expression)}" isExpression="1" fontSize="9" fontSizeUnit="Point" '
        'fontWeight="75" namedStyle="Bold" '  # without a weight it is the thinnest
        f'textColor="{_rgba(INK)}" textOpacity="1">\n'
        f'<text-buffer bufferDraw="1" bufferSize="1" bufferSizeUnits="MM" bufferColor="{_rgba(WHITE)}" '
        'bufferOpacity="0.85"/>\n</text-style>\n'
        '<text-format multilineAlign="1"/>\n<placement placement="1" centroidInside="1"/>\n'
        '<rendering drawLabels="1" scaleVisibility="0" obstacle="0"/>\n</settings>\n</labeling>\n'
    )


def _rgba(colour: Rgb) -> str:
    return ",".join(str(v) for v in (*colour, 255))
