"""``standcam replant``: keep or replant."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from standcam.cli import options
from standcam.errors import BadSettings

if TYPE_CHECKING:
    import datetime as dt

    from standcam.estimate import Estimate
    from standcam.report.folder import Results
    from standcam.stand.replant_stand import GapPenalty, StandFound


class Crop(StrEnum):
    """Crops with tables."""

    maize = "maize"
    soybean = "soybean"


class Gaps(StrEnum):
    """What a scout saw."""

    none = "none"
    short = "short"
    long = "long"
    unknown = "unknown"


class Maturity(StrEnum):
    """Season length of a hybrid."""

    full = "full"
    short = "short"


_RANGE = "A number or a range, such as 180 or 160-200 (or low-likeliest-high, 160-170-200)."


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command(name="replant", no_args_is_help=True)(replant)


def replant(
    results: Annotated[
        Path | None, typer.Argument(metavar="[RESULTS]", help="Folder of a count, for stand and gaps.")
    ] = None,
    planted: Annotated[str, typer.Option(help="Date of the planting that stands, YYYY-MM-DD.")] = "",
    replant_on: Annotated[str, typer.Option(help="Date on which replanting is possible, YYYY-MM-DD.")] = "",
    target_ha: Annotated[str | None, typer.Option(help=f"Plants per ha the new stand is to reach. {_RANGE}")] = None,
    target_acre: Annotated[str | None, typer.Option(help="The same per acre.")] = None,
    crop: Annotated[Crop | None, typer.Option(help="As the count says, else maize.")] = None,
    stand_ha: Annotated[
        str | None, typer.Option(help="Plants per ha now, in place of a count. A number or range.")
    ] = None,
    stand_acre: Annotated[str | None, typer.Option(help="The same per acre.")] = None,
    plot: Annotated[
        list[str] | None, typer.Option(help="Only this plot of the count; may be given several times.")
    ] = None,
    doubtful_pct: Annotated[
        float | None, typer.Option(help="Share of plants whose survival is in doubt. A count brings its own.")
    ] = None,
    doubtful_weight: Annotated[float, typer.Option(help="What a doubtful plant counts.")] = 0.5,
    gaps: Annotated[
        Gaps | None,
        typer.Option(help="Gaps as seen in the field, over those counted: short 1.5-4 ft, long 4-6 ft and many."),
    ] = None,
    gap_penalty: Annotated[
        str | None, typer.Option(help="Yield that gaps cost beyond the thinner stand, in %, a number or range.")
    ] = None,
    table: Annotated[
        Path | None,
        typer.Option(help="Your own table of yield by stand and date (CSV). It decides; published ones are shown."),
    ] = None,
    published: Annotated[
        list[str] | None, typer.Option(help="Only this published table; may be given several times.")
    ] = None,
    maturity: Annotated[Maturity | None, typer.Option(help="Of the hybrid that stands.")] = None,
    replant_maturity: Annotated[Maturity | None, typer.Option(help="Of the hybrid for replanting.")] = None,
    hold_edge: Annotated[
        bool,
        typer.Option("--hold-edge", help="Take a table's nearest cell for stands and dates beyond it, and say so."),
    ] = False,
    yield_t_ha: Annotated[
        str | None, typer.Option(help="Yield of a full stand planted on time, t/ha. A number or range.")
    ] = None,
    yield_bu_acre: Annotated[str | None, typer.Option(help="The same in bu/acre.")] = None,
    price_t: Annotated[str | None, typer.Option(help="Grain price per t. A number or range.")] = None,
    price_bu: Annotated[str | None, typer.Option(help="The same per bushel.")] = None,
    cost_ha: Annotated[
        str | None,
        typer.Option(
            help="Cost of replanting per ha: a number, a range, or parts: 'seed 220, tillage 40, passes 50-60'."
        ),
    ] = None,
    cost_acre: Annotated[str | None, typer.Option(help="The same per acre.")] = None,
    drying_t: Annotated[
        str | None,
        typer.Option(help="What grain of the later crop costs more or fetches less per t: drying, test weight."),
    ] = None,
    drying_bu: Annotated[str | None, typer.Option(help="The same per bushel.")] = None,
    risk: Annotated[
        str,
        typer.Option(
            help="Points off the replanted yield for the risk that it fails too: low-likeliest-high or one number."
        ),
    ] = "0-10-10",
    currency: Annotated[str, typer.Option(help="Word to print behind amounts; none is assumed.")] = "",
    row_width_cm: options.RowWidth = None,
    raw: options.Raw = False,
    units: options.UnitsOption = None,
    out: options.Out = Path("replant"),
    force: options.Force = False,
) -> None:
    """Keep the stand or replant: a range over published tables and all assumptions, and what decides it.

    Stand and gaps come from the folder of a count, or are given. Without yield, price and cost the answer is in
    yield only. Without --units the screen is in the units of the call.
    """
    from datetime import UTC, datetime

    from standcam.report.results import check_out

    started = datetime.now(UTC)
    dates = (_date("--planted", planted), _date("--replant-on", replant_on))
    options.require_positive("--row-width-cm", row_width_cm)
    check_out(out, force)
    if results is None and stand_ha is None and stand_acre is None:
        raise BadSettings("There is no stand.", "Name the folder of a count, or give --stand-ha or --stand-acre.")

    from standcam.report.folder import read_results
    from standcam.settings import Settings

    folder = None if results is None else read_results(results, edited=not raw)
    settings = Settings() if folder is None else folder.settings
    left_out = () if folder is None else folder.notes
    american = any(x is not None for x in (stand_acre, target_acre, yield_bu_acre, price_bu, cost_acre, drying_bu))
    system = units.value if units else ("us" if american else settings.output.units)
    settings = settings.replace("output", units=system)
    kind = crop.value if crop else settings.spacing.crop
    if kind not in Crop.__members__:
        raise BadSettings(f"The count is of {kind!r}.", "Say --crop maize or --crop soybean.")

    from standcam import units as convert
    from standcam.estimate import Estimate
    from standcam.stand.replant import decide
    from standcam.stand.replant_case import ReplantCase, ReplantSettings
    from standcam.stand.response_tables import published_tables, read_own_table

    found = None if folder is None else _found(folder, plot, row_width_cm, settings.statistics.level)
    given = _either("--stand-ha", stand_ha, "--stand-acre", stand_acre, convert.ACRES_PER_HA, zero=True)
    if given is not None:
        has_range = given.low < given.high
        stand = given if has_range else Estimate(given.value)
        found = None
    else:
        assert found is not None
        stand = found.stand
    target = _either("--target-ha", target_ha, "--target-acre", target_acre, convert.ACRES_PER_HA)
    if target is None:
        raise BadSettings(
            "There is no target stand.", "Give --target-ha or --target-acre: the plants, not seeds, of the new stand."
        )
    if doubtful_pct is None:
        doubtful_pct = found.doubtful_pct if found else 0.0
    case = ReplantCase(
        kind, stand, *dates, target, _gaps(folder, plot, kind, gaps, gap_penalty, found), doubtful_pct,
        _economics(kind, (yield_t_ha, yield_bu_acre), (price_t, price_bu), (cost_ha, cost_acre), (drying_t, drying_bu)),
        maturity.value if maturity else "", replant_maturity.value if replant_maturity else "",
    )  # fmt: skip
    how = ReplantSettings(doubtful_weight, _span("--risk", risk, zero=True), hold_edge)
    own = None if table is None else read_own_table(table, kind)
    decision = decide(case, published_tables(kind, published or ()), own, how)

    from standcam.report import replant_figure
    from standcam.report import replant_report as report
    from standcam.report.csv_tables import csv_text
    from standcam.report.folder import write_folder
    from standcam.report.run_file import run_record

    words = report.Words(decision, system, currency)
    files: dict[str, bytes | str] = {
        "replant.csv": csv_text(report.REPLANT, report.frame(decision)),
        "replant_assumptions.csv": csv_text(report.ASSUMPTIONS, report.assumptions_frame(decision)),
        "replant.png": replant_figure.figure(words),
    }
    inputs = [_input(path) for path in (results and results / "run.json", table) if path]
    record = run_record(
        "replant", settings, inputs, started, [words.headline(), words.reason(), *left_out], case=_plain(case),
        assumptions=_plain(how), cost_as_given=cost_ha or cost_acre, currency=currency,
    )  # fmt: skip
    write_folder(out, files, record, force)
    _show(words, found, out, left_out)


def _show(words: Any, found: StandFound | None, out: Path, left_out: Sequence[str]) -> None:
    from rich.markup import escape
    from rich.measure import Measurement

    from standcam.report.replant_report import CANNOT_TELL, CAUTION
    from standcam.report.screen import console
    from standcam.report.wording import printable

    to = console()

    def say(text: str, mark: str = "") -> None:
        to.print(mark + escape(printable(text)))

    to.print(f"[bold]{escape(words.headline())}[/bold]")
    say(words.reason())
    for line in words.yields():
        say(line)
    to.print()
    table = words.table()
    if Measurement.get(to, to.options.update(width=1000), table).maximum <= to.width:
        to.print(table)
    else:  # folded numbers are hard to read
        for line in words.lines():
            say(line, "- ")
    for title, lines in (
        ("What decides it, each alone, all others likeliest:", words.deciders()),
        ("Where it turns:", words.breakevens()),
        ("What went in:", [*words.basis(found), *left_out]),
        ("About the tables:", words.warnings()),
        ("Beside the tables:", words.context()),
        ("What cannot be told from this:", CANNOT_TELL),
    ):
        if lines:
            to.print(f"\n[bold]{title}[/bold]")
            for line in lines:
                say(line, "- ")
    to.print()
    say(CAUTION)
    say(f"Table by table, assumptions and figure are in {out}")


def _found(folder: Results, plots: list[str] | None, row_width_cm: float | None, level: float) -> StandFound:
    from standcam.stand.replant_stand import stand_found

    return stand_found(
        _mine(folder.rows, plots), _mine(folder.plots, plots), _mine(folder.plants, plots), row_width_cm, level
    )


def _mine(frame: Any, plots: list[str] | None) -> Any:
    if not plots:
        return frame
    known = set(frame["plot"])
    missing = [name for name in plots if name not in known]
    if missing and len(frame):
        raise BadSettings(f"The count has no plot {', '.join(missing)}.", "See the column plot of plots.csv.")
    return frame[frame["plot"].isin(plots)].reset_index(drop=True)


def _gaps(
    folder: Results | None,
    plots: list[str] | None,
    crop: str,
    word: Gaps | None,
    penalty: str | None,
    found: StandFound | None,
) -> GapPenalty:
    from standcam.stand.replant_stand import GIVEN, GapPenalty, counted_penalty, told_penalty

    if penalty is not None:
        x = _span("--gap-penalty", penalty, zero=True)
        if x.high > 100:
            raise BadSettings(f"--gap-penalty is {penalty!r}.", "Give percent, up to 100.")
        return GapPenalty(x.low, x.high, GIVEN)
    if word is not None or folder is None:
        return told_penalty(crop, word.value if word else "unknown")
    rows = _mine(folder.rows, plots)
    gaps = folder.gaps[folder.gaps["plot"].isin(rows["plot"])]
    width = found.row_width_cm if found else float("nan")
    return counted_penalty(gaps, rows, crop, width)


def _economics(
    crop: str,
    grain: tuple[str | None, str | None],
    price: tuple[str | None, str | None],
    cost: tuple[str | None, str | None],
    drying: tuple[str | None, str | None],
) -> Any:
    from standcam import units as convert
    from standcam.stand.replant_case import Economics, span
    from standcam.units import KG_PER_BUSHEL, kg_per_ha

    bushels_per_t = 1000 / KG_PER_BUSHEL[crop]
    full = _either("--yield-t-ha", grain[0], "--yield-bu-acre", grain[1], kg_per_ha(1.0, crop), 1000.0)
    per_t = _either("--price-t", price[0], "--price-bu", price[1], bushels_per_t)
    total = _either("--cost-ha", cost[0], "--cost-acre", cost[1], convert.ACRES_PER_HA, zero=True, parts=True)
    dry = _either("--drying-t", drying[0], "--drying-bu", drying[1], bushels_per_t, zero=True)
    missing = [
        name
        for name, x in (("--yield-t-ha or --yield-bu-acre", full), ("--price-t or --price-bu", per_t),
                        ("--cost-ha or --cost-acre", total))
        if x is None
    ]  # fmt: skip
    if len(missing) == 3 and dry is None:
        return None
    if full is None or per_t is None or total is None:
        raise BadSettings(f"To reckon in money, {' and '.join(missing)} is missing too.", "Give all three, or none.")
    return Economics(full, per_t, total, dry or span(0.0))


def _either(
    si_name: str, si: str | None, us_name: str, us: str | None, factor: float, si_factor: float = 1.0,
    zero: bool = False, parts: bool = False,
) -> Estimate | None:  # fmt: skip
    """One of two options that mean the same in two units, in the inner unit; None when neither is given."""
    if si is not None and us is not None:
        raise BadSettings(f"{si_name} and {us_name} are both given.", "Give one.")
    read = _parts if parts else _span
    if si is not None:
        return read(si_name, si, zero).scaled(si_factor)
    return None if us is None else read(us_name, us, zero).scaled(factor)


_NUMBER = r"\d+(?:\.\d*)?|\.\d+"
_SPAN = re.compile(rf"({_NUMBER})(?:\s*(?:-|–|\.\.|to)\s*({_NUMBER}))?(?:\s*(?:-|–|\.\.|to)\s*({_NUMBER}))?")


def _span(name: str, text: str, zero: bool = False) -> Estimate:
    """``180``, ``160-200`` or ``160-170-200``; commas and blanks between thousands are let pass.

    Raises
    ------
    BadSettings
        No such thing, not in order, or not above zero.
    """
    from standcam.stand.replant_case import span

    plain = re.sub(r"(?<=\d)[,\s](?=\d{3}(?!\d))", "", text.strip())
    match = _SPAN.fullmatch(plain)
    if match:
        numbers = [float(x) for x in match.groups() if x is not None]
        low, high = numbers[0], numbers[-1]
        best = numbers[1] if len(numbers) == 3 else (low + high) / 2
        if low <= best <= high and math.isfinite(high) and (low > 0 or (zero and low >= 0)):
            return span(low, best, high)
    above = "zero or above" if zero else "above zero"
    raise BadSettings(f"{name} is {text!r}.", f"Write a number {above}, or a range from low to high such as 160-200.")


def _parts(name: str, text: str, zero: bool = False) -> Estimate:
    """A total, or parts such as ``seed 220, tillage 40, passes 50-60``, summed.

    Raises
    ------
    BadSettings
    """
    from standcam.stand.replant_case import span

    parts = re.split(r"[,;+]\s*(?!\d{3}(?!\d))", text)
    spans = []
    for part in parts:
        amount = re.sub(r"^[^\d.]*?[\s:=](?=[\d.])", "", part.strip())
        spans.append(_span(name, amount, True))
    return span(sum(s.low for s in spans), sum(s.value for s in spans), sum(s.high for s in spans))


def _date(name: str, text: str) -> dt.date:
    from datetime import date

    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        raise BadSettings(
            f"{name} is {text!r}." if text else f"{name} is missing.", "Write it as YYYY-MM-DD."
        ) from None


def _input(path: Path) -> dict[str, str]:
    import hashlib

    return {"path": str(path), "sha256": hashlib.sha256(path.read_bytes()).hexdigest()}


def _plain(record: Any) -> dict[str, Any]:
    import dataclasses

    return dataclasses.asdict(record)
