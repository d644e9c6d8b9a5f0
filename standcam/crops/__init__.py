"""Crop cards: what is usual of a crop, to be set beside what was measured.

Of their figures only the scatter about the row line bears on what is counted (``StemSettings.row_scatter_cm``).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from functools import cache
from pathlib import Path
from typing import Any

from standcam.checked import refuse_unknown, settings_tables
from standcam.errors import BadSettings
from standcam.units import KG_PER_BUSHEL

LEAF_HABITS = ("grass", "cotyledons", "unknown")
"""Leaves of one whorl; two cotyledons beside the stem; not said."""
_RANGES = ("row_width_cm", "spacing_cm", "population_per_ha")
_VALUES = ("near_nominal_cm", "row_scatter_cm")


@dataclass(frozen=True)
class Stage:
    """A stage of growth by the names that scouts write."""

    name: str
    leaves: float
    """Leaves as this crop's scale counts them; cotyledons are none."""
    also: tuple[str, ...] = ()


@dataclass(frozen=True)
class CropCard:
    """What is usual of a crop. Ranges are wide: they tell another crop or a slip from this one, not good from bad."""

    name: str
    leaf_habit: str
    """One of ``LEAF_HABITS``."""
    synonyms: tuple[str, ...] = ()
    row_width_cm: tuple[float, float] | None = None
    """Usual lowest and highest; None: nothing is said. Wrong for twin rows and broadcast seed. [cm]"""
    spacing_cm: tuple[float, float] | None = None
    """Usual lowest and highest distance of seeds in the row. Wrong for hill drops. [cm]"""
    population_per_ha: tuple[float, float] | None = None
    """Usual lowest and highest. Wrong for seed production and dry farming. [1/ha]"""
    near_nominal_cm: float | None = None
    """Spacings this near the theoretical one are near ideal. [cm]"""
    row_scatter_cm: float | None = None
    """Scatter of stems about the row's line. [cm]"""
    stages: tuple[Stage, ...] = ()
    """From emergence on."""
    sources: tuple[tuple[str, str], ...] = ()
    """Field and where its figures come from."""

    def answers_to(self, name: str) -> bool:
        """Whether this is the crop's name or a synonym, in any case."""
        return _key(name) in {_key(n) for n in (self.name, *self.synonyms)}


def read_crop_card(path: str | Path) -> CropCard:
    """A crop card from a TOML file.

    Raises
    ------
    BadSettings
        The file is missing, no TOML, or a field of it is missing, unknown or impossible.
    """
    path = Path(path)
    data = settings_tables(path, "Crop card")
    where = f"Crop card {path}"
    refuse_unknown(data, sorted({f.name for f in fields(CropCard)} - {"sources"}), where, "fields")
    name = data.get("name")
    if not isinstance(name, str) or not name.strip():
        raise BadSettings(f"{where}: name is missing or no text.", 'Give the crop\'s name, such as name = "sorghum".')
    habit = data.get("leaf_habit", "unknown")
    if habit not in LEAF_HABITS:
        raise BadSettings(f"{where}: leaf_habit is {habit!r}.", f"Use one of {', '.join(LEAF_HABITS)}.")
    synonyms = data.get("synonyms", [])
    if not isinstance(synonyms, list) or not all(isinstance(s, str) for s in synonyms):
        raise BadSettings(f"{where}: synonyms is {synonyms!r}.", 'Give a list of names, such as ["milo"].')
    sources: dict[str, str] = {}
    for field in (*_RANGES, *_VALUES, "stages"):
        if field in data:
            sources[field] = _source(data[field], field, where)
    figures: dict[str, Any] = {field: _range(data[field], field, where) for field in _RANGES if field in data}
    figures |= {field: _value(data[field], field, where) for field in _VALUES if field in data}
    return CropCard(
        name=name.strip(),
        leaf_habit=habit,
        synonyms=tuple(synonyms),
        **figures,
        stages=_stages(data["stages"], where) if "stages" in data else (),
        sources=tuple(sources.items()),
    )


def crop_card(name: str, own: str | Path | None = None) -> CropCard:
    """The card of a crop by its name or a synonym.

    Parameters
    ----------
    name : str
        Crop. Crops of which only the bushel is known get the card ``other`` under their own name.
    own : path, optional
        The user's card, or a folder of cards (``*.toml``); these go before the package's.

    Raises
    ------
    BadSettings
        No card answers to the name, or a card of the user does not make sense.
    """
    mine = _own_cards(own)
    for card in (*mine, *shipped_cards()):
        if card.answers_to(name):
            return card
    if _key(name) in KG_PER_BUSHEL:
        return replace(_other(), name=_key(name))
    known = ", ".join(dict.fromkeys(c.name for c in (*mine, *shipped_cards())))
    raise BadSettings(
        f"No card is known of the crop {name!r}.",
        f'Known are: {known}. Use one of these, or write a card of your own and name it: crop_card = "my.toml".',
    )


@cache
def shipped_cards() -> tuple[CropCard, ...]:
    """The package's cards, ``other`` last."""
    cards = [read_crop_card(path) for path in sorted(Path(__file__).parent.glob("*.toml"))]
    return tuple(sorted(cards, key=lambda card: card.name == "other"))


def chosen_crop(spacing: Mapping[str, Any], folder: Path) -> dict[str, str]:
    """Settings ``crop`` and ``crop_card`` of a survey file, checked: the crop under its card's name, the path whole.

    A card file without a crop beside it names the crop itself.

    Raises
    ------
    BadSettings
        No card answers to the crop, or the user's card does not make sense.
    """
    given, name = spacing.get("crop_card"), spacing.get("crop")
    for field, value in (("crop_card", given), ("crop", name)):
        if value is not None and not isinstance(value, str):
            raise BadSettings(f"spacing.{field} is {value!r}.", "Write it in quotes.")
    own = None if given is None else folder / given
    if name is None and own is not None:
        mine = _own_cards(own)
        if len(mine) > 1:
            raise BadSettings(
                f"{own} holds {len(mine)} crop cards and no crop is named.",
                f'Add crop = "..." under [spacing], one of: {", ".join(c.name for c in mine)}.',
            )
        name = mine[0].name
    chosen = {} if own is None else {"crop_card": str(own)}
    return chosen if name is None else chosen | {"crop": crop_card(name, own).name}


def stage_leaves(word: str) -> float | None:
    """Leaves at a stage that any of the package's cards names; None where none does."""
    for card in shipped_cards():
        for stage in card.stages:
            if _key(word) in {_key(n) for n in (stage.name, *stage.also)}:
                return stage.leaves
    return None


def unusual(
    card: CropCard,
    nominal_cm: float,
    row_width_cm: float | None = None,
    near_nominal_cm: float | None = None,
    measured_cm: Mapping[str, float] | None = None,
) -> list[str]:
    """Notes, in sentences, on what lies outside the usual ranges of the crop; nothing is changed for it.

    Parameters
    ----------
    nominal_cm : float
        Theoretical spacing, NaN where there is none. [cm]
    row_width_cm, near_nominal_cm : float, optional
        As set. [cm]
    measured_cm : mapping, optional
        Median spacing of each photo or file. [cm]
    """
    notes = []
    remedy = "Check it, or name the crop under [spacing] of survey.toml; nothing was changed."
    if card.spacing_cm and _outside(nominal_cm, card.spacing_cm):
        notes.append(
            f"The theoretical spacing of {nominal_cm:.1f} cm lies outside what is usual of {card.name}, "
            f"{_span(card.spacing_cm)} cm. {remedy}"
        )
    if card.row_width_cm and row_width_cm is not None and _outside(row_width_cm, card.row_width_cm):
        notes.append(
            f"The row width of {row_width_cm:g} cm lies outside what is usual of {card.name}, "
            f"{_span(card.row_width_cm)} cm. {remedy}"
        )
    odd = {n: cm for n, cm in (measured_cm or {}).items() if card.spacing_cm and _outside(cm, card.spacing_cm)}
    if odd:
        shown = ", ".join(f"{name} ({cm:.1f} cm)" for name, cm in list(odd.items())[:5])
        more = f" and {len(odd) - 5} more" if len(odd) > 5 else ""
        notes.append(
            f"The median spacing is unusual of {card.name} in {shown}{more}; usual are "
            f"{_span(card.spacing_cm or (0, 0))} cm. Another crop? Doubles and skips go by one theoretical spacing, "
            f"{nominal_cm:.1f} cm, for all that is counted together: count other crops on their own."
        )
    band = card.near_nominal_cm
    if band is not None and near_nominal_cm is not None and near_nominal_cm > 2 * band:
        notes.append(
            f"Near-ideal spacings are those within {near_nominal_cm:g} cm, which is wide for {card.name}: "
            f"near_nominal_cm = {band:g} under [spacing] of survey.toml tells more."
        )
    return notes


def _own_cards(own: str | Path | None) -> tuple[CropCard, ...]:
    if own is None:
        return ()
    own = Path(own)
    paths = sorted(own.glob("*.toml")) if own.is_dir() else [own]
    if not paths:
        raise BadSettings(f"Folder {own} holds no crop card (*.toml).", "Check the path of crop_card.")
    return tuple(read_crop_card(path) for path in paths)


def _other() -> CropCard:
    return next(card for card in shipped_cards() if card.name == "other")


def _key(name: str) -> str:
    return " ".join(name.lower().replace("_", " ").split())


def _outside(value: float, span: tuple[float, float]) -> bool:
    return value < span[0] or value > span[1]


def _span(span: tuple[float, float]) -> str:
    return f"{span[0]:g} to {span[1]:g}"


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _source(table: object, field: str, where: str) -> str:
    wanted = {"stages": "names", **dict.fromkeys(_RANGES, "usual")}.get(field, "value")
    if not isinstance(table, dict) or wanted not in table or set(table) - {wanted, "source"}:
        raise BadSettings(
            f"{where}: {field} is no table of {wanted} and source.", f"Write [{field}], then {wanted} = ... below it."
        )
    return str(table.get("source", ""))


def _range(table: dict[str, Any], field: str, where: str) -> tuple[float, float]:
    usual = table["usual"]
    if not isinstance(usual, list) or len(usual) != 2 or not all(_is_number(v) for v in usual):
        raise BadSettings(f"{where}: usual of {field} is {usual!r}.", "Give two numbers, lowest and highest.")
    if not 0 < usual[0] < usual[1] < float("inf"):
        raise BadSettings(f"{where}: usual of {field} is {usual!r}.", "The lowest comes first, above zero.")
    return float(usual[0]), float(usual[1])


def _value(table: dict[str, Any], field: str, where: str) -> float:
    value = table["value"]
    if not _is_number(value) or not 0 < value < float("inf"):
        raise BadSettings(f"{where}: value of {field} is {value!r}.", "Give a number above zero.")
    return float(value)


def _stages(table: dict[str, Any], where: str) -> tuple[Stage, ...]:
    made: list[Stage] = []
    for entry in table["names"] if isinstance(table["names"], list) else [table["names"]]:
        right = isinstance(entry, list) and len(entry) >= 2 and _is_number(entry[1]) and entry[1] >= 0
        if not right or not all(isinstance(word, str) and word for word in (entry[0], *entry[2:])):
            raise BadSettings(
                f"{where}: stages holds {entry!r}.", 'Give name, leaves and other names, such as ["V2", 2, "BBCH 12"].'
            )
        if made and entry[1] < made[-1].leaves:
            raise BadSettings(
                f"{where}: stage {entry[0]} has fewer leaves than {made[-1].name} before it.", "Put stages in order."
            )
        made.append(Stage(entry[0], float(entry[1]), tuple(entry[2:])))
    return tuple(made)
