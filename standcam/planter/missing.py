"""Missing plants: not dropped by the meter, or dropped and not come up?

Both leave the same gap, so spacing alone cannot tell (a gap of k spacings either way). What tells is digging: seed in
the gap means it was dropped and failed, none means it was not. The germination of the seed lot sets a bound: seed does
not come up better in the field than in the laboratory, so that plants missing beyond what germination explains were
not dropped, or lost in the field.

With M the share of seed places without a plant, s the share the meter skipped and e the share of dropped seed that
came up: ``M = s + (1 - s)(1 - e)``. Of the gaps, a share ``f = (1 - s)(1 - e) / M`` holds seed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from standcam.errors import BadSettings
from standcam.estimate import Estimate

NORMAL_FIELD_LOSS = (0.05, 0.10)
"""Share of good seed that normally makes no plant (Ohio State University Extension, agronomy guide). [1]"""
GERMINATION_SEEDS = 400
"""Seeds of a usual laboratory test, from which the doubt of its result follows (from memory: the usual rule is four
times 100). Wrong for a test of one's own in a wet towel: give the number of its seeds."""
DIG_AT_LEAST = 20
"""Gaps to dig: the share with seed in place is then known to within some 20 points either way."""
_DRAWS = 20_000


@dataclass(frozen=True)
class MissingSplit:
    """Seed places without a plant, by cause."""

    missing: Estimate
    """Seed places without a plant. [1]"""
    skipped: Estimate | None
    """Seed places the meter left empty; None where nothing tells. [1]"""
    failed: Estimate | None
    """Seed places where seed was dropped and did not come up. [1]"""
    emergence: Estimate | None
    """Dropped seed that came up. [1]"""
    seed_in_gaps: Estimate | None
    """Gaps dug that held seed. [1]"""
    most_skipped: Estimate | None
    """Share that the meter can have skipped at most, if seed comes up no better than its germination. [1]"""
    beyond_germination_p: float
    """Chance of so many missing places, or more, from germination alone, the meter skipping none; NaN unknown."""
    basis: str
    """dig, dig and germination, germination, or spacing alone."""
    sentences: tuple[str, ...]
    """The outcome in words: what is known, then what is not."""


def split_missing(
    missing: Estimate,
    seed_places: float,
    germination: float | None = None,
    dug: int | None = None,
    seed_found: int | None = None,
    germination_seeds: int = GERMINATION_SEEDS,
    level: float = 0.95,
    seed: int = 20,
) -> MissingSplit:
    """Split the missing plants as far as it can be done.

    Parameters
    ----------
    missing : Estimate
        Share of seed places without a plant. [1]
    seed_places : float
        Seed places behind it.
    germination : float, optional
        Of the seed lot. [1]
    dug, seed_found : int, optional
        Gaps dug, one a gap whatever its length, and those of them that held seed.
    germination_seeds : int
        Seeds of the germination test.

    Raises
    ------
    BadSettings
        More seed found than gaps dug, or one of the two alone.
    """
    if (dug is None) != (seed_found is None):
        raise BadSettings(
            "A dig count needs two numbers: gaps dug, and gaps of them that held seed.", "Give --dug and --seed-found."
        )
    if dug is not None and seed_found is not None and not 0 <= seed_found <= dug:
        raise BadSettings(f"Seed was found in {seed_found} of {dug} gaps dug.", "Give at most as many as were dug.")
    if germination is not None and not 0 < germination <= 1:
        raise BadSettings(f"Germination is {100 * germination:g} %.", "Give it in percent, up to 100.")
    has_dig = bool(dug)
    basis = " and ".join(n for n, has in (("dig", has_dig), ("germination", germination is not None)) if has)
    if not missing.known:
        return MissingSplit(
            missing, None, None, None, None, None, math.nan, basis or "spacing alone",
            ("Missing plants could not be counted.",),
        )  # fmt: skip
    rng = np.random.default_rng(seed)
    share = _draw_share(missing, seed_places, rng)
    skipped = failed = emergence = in_gaps = most = None
    p = math.nan
    said: list[str] = []
    g = np.ones(_DRAWS)
    if germination is not None:
        hits = germination * germination_seeds
        g = rng.beta(hits + 0.5, germination_seeds - hits + 0.5, _DRAWS)
        bound = np.clip(1 - (1 - share) / g, 0, None)
        most = _estimate(max(1 - (1 - missing.value) / germination, 0.0), bound, level)
        p = _p_of_germination_alone(missing, seed_places, 1 - g, rng)
    if has_dig:
        assert dug is not None and seed_found is not None
        f = rng.beta(seed_found + 0.5, dug - seed_found + 0.5, _DRAWS)
        from standcam.spacing.intervals import share_estimate

        in_gaps = share_estimate(seed_found, dug, level)
        held = seed_found / dug
        skipped = _estimate((1 - held) * missing.value, (1 - f) * share, level)
        failed = _estimate(held * missing.value, f * share, level)
        up = (1 - missing.value) / (1 - (1 - held) * missing.value)
        emergence = _estimate(up, (1 - share) / (1 - (1 - f) * share), level)
        said.append(
            f"Dug: seed in {seed_found} of {dug} gaps ({_pct(in_gaps)}). So of {_pct(missing)} missing, "
            f"{_pct(skipped)} of the seed places were skipped by the meter, and in {_pct(failed)} seed lay and did not "
            f"come up: {_pct(emergence)} of the seed dropped came up."
        )
        if dug < DIG_AT_LEAST:
            said.append(f"{dug} gaps dug are few: dig {DIG_AT_LEAST} or more, in all rows, to narrow that.")
    if germination is not None and most is not None:
        expected = f"{100 * (1 - germination):.0f} %"
        if missing.value <= 1 - germination or p > 0.05:
            said.append(
                f"Germination of {100 * germination:.0f} % alone leaves {expected} of the places without a plant: the "
                f"{_pct(missing)} missing are no more than that explains, which does not prove that the meter skipped "
                "none."
            )
        else:
            said.append(
                f"Germination of {100 * germination:.0f} % alone leaves {expected} of the places without a plant; "
                f"{_pct(missing)} are missing, more than that explains ({_p(p)})"
                + (
                    "."
                    if has_dig
                    else f": at most {_pct(most)} of the seed places was skipped by the meter, or lost in the soil. "
                    "Dig to tell which."
                )
            )
        if has_dig and emergence is not None and emergence.high < germination:
            said.append(
                f"Seed came up worse than its germination: some {100 * (1 - emergence.value / germination):.0f} % of "
                "seed fit to grow was lost in the soil."
            )
        elif has_dig and emergence is not None and emergence.low > germination:
            said.append(
                "By the dig count, seed came up better than its germination: look whether seed in gaps was overlooked, "
                "or the label is old."
            )
    if not has_dig:
        low, high = (round(100 * x) for x in NORMAL_FIELD_LOSS)
        said.append(
            f"Spacing alone cannot tell a skip of the meter from seed that did not come up: both leave the same gap. "
            f"{low} to {high} % of seed normally make no plant (Ohio State agronomy guide). Dig {DIG_AT_LEAST} gaps or "
            "more, spread over all rows, in the worst unit by itself too: seed there means it failed to come up, none "
            "means it was not dropped. Then give --dug and --seed-found."
        )
        if germination is None:
            said.append("The germination on the seed label (--germination-pct) would set a bound.")
    return MissingSplit(missing, skipped, failed, emergence, in_gaps, most, p, basis or "spacing alone", tuple(said))


def _draw_share(missing: Estimate, seed_places: float, rng: np.random.Generator) -> np.ndarray:
    """Draws of the missing share: a beta whose spread is that of the interval, or of the places where it has none."""
    value = float(np.clip(missing.value, 1e-6, 1 - 1e-6))
    n = max(float(seed_places), 1.0)
    if math.isfinite(missing.low) and math.isfinite(missing.high) and missing.high > missing.low:
        from scipy.stats import norm

        sd = (missing.high - missing.low) / (2 * norm.isf((1 - missing.level) / 2))
        n = max(value * (1 - value) / sd**2 - 1, 1.0) if value > 1e-5 else n
    return rng.beta(value * n + 0.5, (1 - value) * n + 0.5, _DRAWS)


def _p_of_germination_alone(missing: Estimate, seed_places: float, dead: np.ndarray, rng: np.random.Generator) -> float:
    """P of as many missing places when every place got one seed, over the doubt of the germination itself."""
    n = round(seed_places)
    if math.isfinite(missing.low) and missing.high > missing.low and 0 < missing.value < 1:
        # patches make places go together: no more independent places than the interval speaks of
        sd = (missing.high - missing.low) / 3.92
        n = min(n, round(missing.value * (1 - missing.value) / sd**2))
    if n < 1:
        return math.nan
    return float((1 + np.sum(rng.binomial(n, dead) >= missing.value * n)) / (1 + len(dead)))


def _estimate(value: float, draws: np.ndarray, level: float) -> Estimate:
    low, high = np.quantile(draws, [(1 - level) / 2, (1 + level) / 2])
    return Estimate(float(value), float(min(low, value)), float(max(high, value)), level)


def _pct(e: Estimate) -> str:
    d = 1 if e.value < 0.0995 else 0
    if not math.isfinite(e.low):
        return f"{100 * e.value:.{d}f} %"
    return f"{100 * e.value:.{d}f} % ({100 * e.low:.{d}f} to {100 * e.high:.{d}f})"


def _p(p: float) -> str:
    return "p below 0.001" if p < 0.001 else f"p {p:.2g}"
