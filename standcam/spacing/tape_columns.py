"""Headings of tape files: which column is what, in the long layout and in the wide one.

Long: one reading a line, columns for plot and row where there are several. Wide: one column a row, headed
``row 1``, ``row 2`` and so on, as people rule their paper.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import pairwise

from standcam.spacing.readings import split_header

KINDS = ("position", "gap", "count")
"""What the readings of a file can be."""

_COLUMNS = {
    "position": "position positions pos reading readings tape tape_reading tape_position running "
    "running_position plant_position place location cumulative",
    "gap": "gap gaps spacing spacings plant_spacing plant_spacings interval intervals",
    "count": "count counts plants plant_count plants_counted number_of_plants no_of_plants stand_count stand",
    "plot": "plot plots plot_id plotid plot_no plot_nr plot_number plot_name parcel",
    "photo": "photo picture image",
    "row": "row rows row_no row_nr row_number row_id rowno planter_row",
    "row_length": "row_length rowlength length_of_row measured_length tape_length length",
    "position_sd": "position_sd sd position_error",
    "tape_from": "tape_from tape_start tape_begins tape_begins_at",
    "tape_to": "tape_to tape_end tape_ends tape_ends_at",
    "unit": "unit units",
}
ROLE = {name: role for role, names in _COLUMNS.items() for name in names.split()}

_WHERE = ("place", "location")

_DESIGN = {
    "row_unit": "row_unit rowunit planter_unit",
    "treatment": "treatment treat trt variant setting",
    "block": "block rep replicate replication blk",
}  # the names that a plot map goes by, see standcam.stand.plotmap
DESIGN = {name: column for column, names in _DESIGN.items() for name in names.split()}

OF_A_PLANT = ("late", "leaf_stage", "v_stage", "stage", "tape_note", "tape_plant")
"""Columns that tell of single plants, even where all plants of a row are alike in them."""

_KIND_WORDS = {
    "positions": "position", "position": "position", "running": "position", "running positions": "position",
    "gaps": "gap", "gap": "gap", "spacings": "gap", "counts": "count", "count": "count", "plants": "count",
}  # fmt: skip
_WIDE = re.compile(r"(?:row|r)_?0*([1-9]\d{0,3})")


@dataclass(frozen=True)
class Column:
    """One column of a tape file."""

    heading: str
    role: str = ""
    """"" for a column that only travels along."""
    unit: str | None = None
    row: int | None = None
    """Row that the column belongs to, in the wide layout."""


@dataclass(frozen=True)
class Header:
    """What the headings of a file say."""

    columns: tuple[Column, ...]
    kind: str
    """Of :data:`KINDS`; "" where the headings of a wide file leave it open."""
    wide: bool = False
    problems: tuple[str, ...] = ()

    def unit_of(self, *roles: str) -> str | None:
        """First unit that a column of these roles names."""
        return next((c.unit for c in self.columns if c.role in roles and c.unit), None)


def kind_named(text: str) -> str | None:
    """Kind of readings from words such as ``gaps`` or ``running positions``."""
    return _KIND_WORDS.get(" ".join(text.lower().replace("_", " ").split()))


def read_header(cells: list[str]) -> Header | None:
    """Columns by their headings; None when no heading tells of readings."""
    named = [(cell.strip(), *split_header(cell)) for cell in cells]
    roles = [ROLE.get(name, "") for _, name, _ in named]
    kinds = [role for role in roles if role in KINDS]
    if len(kinds) > 1:  # "place" beside readings says where in the field
        where = "" if "plot" in roles else "plot"
        roles = [where if name in _WHERE else role for role, (_, name, _) in zip(roles, named, strict=True)]
        kinds = [role for role in roles if role in KINDS]
    if "position" in kinds or "gap" in kinds:  # a count beside them is a remark
        roles = ["" if role == "count" else role for role in roles]
        kinds = [role for role in kinds if role != "count"]
    if not kinds:
        return _wide_header(named)
    columns = tuple(
        Column(_heading(cell, name, unit), role, unit) for (cell, name, unit), role in zip(named, roles, strict=True)
    )
    problems = [
        f"two columns give the {role.replace('_', ' ')}" for role in sorted(set(roles) - {""}) if roles.count(role) > 1
    ]
    problems += _repeated([c for c in columns if not c.role])
    if len(set(kinds)) > 1:
        problems.append("positions and gaps in one file; keep one of the two columns")
    return Header(columns, kinds[0], problems=tuple(problems))


def _wide_header(named: list[tuple[str, str, str | None]]) -> Header | None:
    rows = [_row_of(name) for _, name, _ in named]
    if not any(rows):
        return None
    kinds = {ROLE[word] for (_, name, _), row in zip(named, rows, strict=True) if row
             for word in name.split("_") if ROLE.get(word) in KINDS}  # fmt: skip
    numbers = [row for row in rows if row]
    headings = [name for (_, name, _), row in zip(named, rows, strict=True) if not row]
    columns: list[Column] = []
    last: int | None = None
    for (cell, name, unit), row in zip(named, rows, strict=True):
        if row:
            last = row
            columns.append(Column(cell, "reading", unit, row))
            continue
        role = ROLE.get(name, "") if ROLE.get(name) not in (*KINDS, "row", "position_sd", "unit") else ""
        own = re.fullmatch(r"(.+?)_(?:row_)?0*([1-9]\d{0,3})", name)
        if own and int(own[2]) in numbers:  # "late 2" tells of row 2
            columns.append(Column(_heading(own[1].replace("_", " "), own[1], None), "", unit, int(own[2])))
        elif not role and name and len(numbers) > 1 and headings.count(name) == len(numbers):
            columns.append(Column(_heading(cell, name, unit), "", unit, last))  # each stands behind its row
        else:
            columns.append(Column(_heading(cell, name, unit), role, unit))
    problems = [f"two columns give row {row}" for row in sorted(set(numbers)) if numbers.count(row) > 1]
    if len(kinds) > 1:
        problems.append("positions and gaps in one file; keep one of the two")
    units = {c.unit for c in columns if c.role == "reading"}
    if len(units) > 1:
        problems.append("mixed units among the headings of the rows")
    return Header(tuple(columns), kinds.pop() if len(kinds) == 1 else "", True, tuple(problems))


def _row_of(name: str) -> int | None:
    """Row number of a wide heading: ``row_2``, ``r2``, ``row_2_position``, ``gap_row_2``."""
    words = [word for word in name.split("_") if ROLE.get(word) not in KINDS]
    found = _WIDE.fullmatch("_".join(words))
    return int(found[1]) if found else None


def _heading(cell: str, name: str, unit: str | None) -> str:
    """Name under which a further column travels: the usual one where it has one, else as it is written."""
    if unit is None and name in DESIGN:
        return DESIGN[name]
    return name if name in OF_A_PLANT and "_" not in name else cell


def _repeated(columns: list[Column]) -> list[str]:
    names = [c.heading for c in columns if c.heading]
    return [f"two columns are called {name!r}" for name in dict.fromkeys(names) if names.count(name) > 1]


def attribute_of(label: str) -> tuple[str, str | None] | None:
    """What a line of a wide file tells of its rows, by its label: a role or the name of a column, and its unit."""
    name, unit = split_header(label)
    role = ROLE.get(name, "")
    if role in ("row_length", "tape_from", "tape_to"):
        return role, unit
    return (DESIGN[name], None) if name in DESIGN else None


def guess_kind(columns: list[list[float]]) -> str | None:
    """Position where the numbers of each column plainly run upwards; None where it cannot be told.

    Running readings rise at each step and soon leave their first value behind; gaps do neither. One step of five
    may be wrong where there are many: it is then named as running backwards.
    """
    columns = [values for values in columns if values]
    steps = [b - a for values in columns for a, b in pairwise(values)]
    rising = sum(step > 0 for step in steps)
    far = sum(max(values) for values in columns) >= 3 * sum(values[0] for values in columns)
    enough = (len(steps) >= 4 and rising == len(steps)) or (len(steps) >= 8 and rising >= 0.8 * len(steps))
    return "position" if far and enough else None
