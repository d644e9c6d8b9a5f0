"""Labels put to use: what they say of their own plants, and what they teach about all others of the survey.

Between measuring and summarising, for both need all photos together. No pixel is looked at again.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from standcam import flags, tables
from standcam.batch.measured import Measured
from standcam.measure import Measurement, beside, finds_unsure, walking_order
from standcam.plants.adapt import TERMS, Adapted, adapt, terms
from standcam.plants.labels import LABELLED, MISSING, Label, Tie, photo_of, tie
from standcam.plants.traits import TRAITS
from standcam.settings import Settings
from standcam.spacing.positions import positions_from_plants


@dataclass(frozen=True)
class Labelled:
    """A survey after its labels."""

    measurements: Sequence[Measurement]
    table: pd.DataFrame
    """LABELLED: what became of each label, in the order of the file."""
    record: dict[str, Any]
    """For run.json."""
    notes: tuple[str, ...]
    """For the screen, in sentences."""


def use_labels(labels: Sequence[Label], measurements: Sequence[Measurement], settings: Settings) -> Labelled:
    """Decide again about all plants of a survey that a person has labelled in part.

    A labelled plant is what its label says, unless it stands off the row. All others of the row follow the
    correction that the labels teach (:mod:`standcam.plants.adapt`), where it foretells labels not used for it.
    Plants listed off the row stay weeds.

    Parameters
    ----------
    labels : sequence of Label
    measurements : sequence of Measurement
        Measured with their looks.
    settings : Settings
    """
    if not labels:
        return Labelled(measurements, tables.empty(LABELLED), {"given": 0}, ("The labels file holds no label.",))
    survey = _Survey.of(measurements, settings)
    ties = _tied(labels, survey, settings)
    at = np.array([t.plant for t in ties if t.plant is not None], int)
    said = [label.label for label, t in zip(labels, ties, strict=True) if t.plant is not None]
    crop = np.array([word == "crop" for word in said], bool)
    teaching = survey.in_row[at] if len(at) else np.zeros(0, bool)
    fit = _taught(survey, at[teaching], crop[teaching], settings)
    decided = _decided(survey, fit, at, said, settings)
    begins = np.searchsorted(survey.photo, np.arange(len(measurements) + 1))

    def anew(k: int, m: Measurement) -> Measurement:
        own = slice(begins[k], begins[k + 1])
        return m if own.start == own.stop else _with_plants(m, decided.iloc[own].reset_index(drop=True))

    again: Sequence[Measurement]
    if isinstance(measurements, Measured):
        again = measurements.then(anew)
    else:
        again = tuple(anew(k, m) for k, m in enumerate(measurements))
    table = _table(labels, ties, survey, decided)
    record, notes = _told(table, fit, int(teaching.sum()), survey, decided, at)
    return Labelled(again, table, record, notes)


@dataclass(frozen=True)
class _Survey:
    """All plants of all photos, one after the other."""

    measurements: Sequence[Measurement]
    plants: pd.DataFrame
    traits: pd.DataFrame
    places_cm: np.ndarray
    photo: np.ndarray
    again: np.ndarray
    """Listed as a weed where a stem is listed too: labels mean the stem. (n,) bool"""
    in_row: np.ndarray
    """Whether the decision can concern it: near a row line, and not listed again. (n,) bool"""

    @staticmethod
    def of(measurements: Sequence[Measurement], settings: Settings) -> _Survey:
        plants, looks, places, photo, again = [], [], [], [], []
        for k, m in enumerate(measurements):
            if not len(m.plants):
                continue
            if m.traits is None:
                raise ValueError(f"{m.photo} was measured without the looks of its plants")
            cm = m.ground.to_ground(m.plants[["x_px", "y_px"]].to_numpy(float))
            plants.append(m.plants)
            looks.append(m.traits)
            places.append(cm)
            photo.append(np.full(len(m.plants), k))
            again.append(_again(m, cm, settings))
        if not plants:
            none, looks = np.empty(0, bool), pd.DataFrame(columns=list(TRAITS), dtype=float)
            return _Survey(
                measurements, tables.empty(tables.PLANTS), looks, np.empty((0, 2)), np.empty(0, int), none, none
            )
        together, twice = pd.concat(looks, ignore_index=True), np.concatenate(again)
        near = together["off_line_cm"].to_numpy(float) <= settings.stems.off_row_cm
        return _Survey(
            measurements,
            pd.concat(plants, ignore_index=True),
            together,
            np.concatenate(places),
            np.concatenate(photo),
            twice,
            near & ~twice,
        )


def _again(m: Measurement, places_cm: np.ndarray, settings: Settings) -> np.ndarray:
    weed: np.ndarray = (m.plants["judged"] == "weed").to_numpy(bool)
    again: np.ndarray = np.zeros(len(weed), bool)
    if weed.any() and not weed.all():
        apart = np.linalg.norm(places_cm[weed][:, None] - places_cm[~weed][None], axis=2).min(axis=1)
        again[weed] = apart < settings.stems.weeds_apart_cm
    return again


def _tied(labels: Sequence[Label], survey: _Survey, settings: Settings) -> list[Tie]:
    """What each label means, by number of the plant in the survey."""
    photos = [m.photo for m in survey.measurements]
    paths = [m.path for m in survey.measurements]
    means = [photo_of(label.photo, photos, paths) for label in labels]
    ties = [Tie(None, float("nan"), why if isinstance(why, str) else "") for why in means]
    for k, m in enumerate(survey.measurements):
        own = [i for i, mine in enumerate(means) if mine == k]
        if not own:
            continue
        px = np.array([[labels[i].x_px, labels[i].y_px] for i in own])
        inside = np.all((px >= -0.5) & (px <= np.array([m.width_px, m.height_px]) - 0.5), axis=1)
        cm = np.where(inside[:, None], m.ground.to_ground(px), np.nan)
        listed = np.flatnonzero((survey.photo == k) & ~survey.again)
        found = tie(
            [labels[i] for i in own],
            cm,
            survey.places_cm[listed],
            survey.plants["is_crop"].to_numpy(bool)[listed],
            settings.labels.reach_cm,
            settings.stems.apart_cm,
        )
        for i, t in zip(own, found, strict=True):
            plant = None if t.plant is None else int(listed[t.plant])
            ties[i] = replace(t, plant=plant)
            crop = labels[i].label == "crop"
            off = 0.0 if plant is None else float(survey.traits["off_line_cm"].iloc[plant])
            if plant is not None and crop and off > settings.stems.off_row_cm:
                ties[i] = Tie(None, t.distance_cm, f"it stands {off:.0f} cm off the row line and is not counted there")
            reach = settings.stems.off_row_cm if crop else settings.stems.weeds_reach_cm
            if t.why in MISSING and not beside(m.rows, cm[own.index(i)][None], reach)[0]:
                ties[i] = replace(t, why="no row was measured there")
    return ties


def _taught(survey: _Survey, at: np.ndarray, crop: np.ndarray, settings: Settings) -> Adapted:
    """The correction, over plants that the decision can concern."""
    concerned = np.flatnonzero(survey.in_row)
    probability = survey.plants["crop_probability"].to_numpy(float)
    threshold = settings.stems.crop_probability
    # in an order that does not hang on that of the photos, so that neither do the last digits
    names = np.array([m.photo for m in survey.measurements], object)[survey.photo[concerned]]
    own = survey.plants["plant"].to_numpy()[concerned]
    concerned = concerned[np.lexsort((own, pd.factorize(names, sort=True)[0]))]
    x = terms(
        survey.traits.iloc[concerned],
        probability[concerned],
        survey.plants["is_crop"].to_numpy(bool)[concerned],
        survey.photo[concerned],
    )
    place = np.full(len(probability), -1)
    place[concerned] = np.arange(len(concerned))
    order = np.argsort(place[at])
    fit = adapt(x, probability[concerned], place[at][order], crop[order], threshold, settings.labels)
    whole = probability.copy()
    whole[concerned] = fit.probability
    return replace(fit, probability=whole)


def _decided(survey: _Survey, fit: Adapted, at: np.ndarray, said: list[str], settings: Settings) -> pd.DataFrame:
    """All plants as they are decided now."""
    plants = survey.plants.copy()
    was = plants["is_crop"].to_numpy(bool)
    probability = fit.probability.copy()
    now = was.copy()
    now[survey.in_row] = probability[survey.in_row] >= settings.stems.crop_probability
    bits = np.array([flags.parse(words) for words in plants["flags"]], np.int64)
    bits[now != was] |= flags.bit("adapted")
    # a plant that the labels took out is most likely what they took out otherwise
    kinds = Counter(word for word in said if word != "crop")
    out = "weed" if kinds["weed"] >= kinds["nothing"] else "doubtful"
    judged = plants["judged"].to_numpy(object).copy()
    judged[now & ~was] = "crop"
    judged[was & ~now] = out
    for plant, word in zip(at, said, strict=True):
        now[plant] = word == "crop"
        probability[plant] = float(word == "crop")
        judged[plant] = word
    bits[at] = bits[at] & ~flags.bit("adapted") | flags.bit("labelled")
    sd = plants["position_sd_cm"].to_numpy(float).copy()
    sd[now & ~was & np.isnan(sd) & np.isfinite(plants["position_cm"].to_numpy(float))] = settings.labels.labelled_sd_cm
    plants = plants.assign(
        position_sd_cm=sd,
        crop_probability=probability,
        is_crop=now,
        judged=judged,
        flags=[flags.words(b) for b in bits],
    )
    number = plants["plant"].to_numpy().copy()
    for k in np.unique(survey.photo):
        own = np.flatnonzero(survey.photo == k)
        part = plants.iloc[own]
        # a photo without scale gives no positions, but its rows have an order
        along = _along(survey.measurements[k], part["row"].to_numpy(), survey.places_cm[own])
        order = walking_order(
            part["row"], part["is_crop"], part["position_cm"].where(part["position_cm"].notna(), along)
        )
        number[own[order]] = np.arange(1, len(own) + 1)
    return plants.assign(plant=number)


def _along(m: Measurement, row: np.ndarray, places_cm: np.ndarray) -> pd.Series:
    position = np.zeros(len(row))
    for n in np.unique(row):
        position[row == n] = m.rows[n - 1].position(places_cm[row == n])
    return position


def _with_plants(m: Measurement, plants: pd.DataFrame) -> Measurement:
    """The measurement with its plants decided anew, and all that follows from them."""
    order = np.argsort(plants["plant"].to_numpy())
    looks = None if m.traits is None else m.traits.iloc[order].reset_index(drop=True)
    plants = tables.conform(tables.PLANTS, plants.iloc[order])
    stretches = m.stretches.copy()
    count = stretches["row"].map(plants[plants["is_crop"]].groupby("row").size()).fillna(0).astype("int64")
    weeds = stretches["row"].map(plants[plants["judged"] == "weed"].groupby("row").size()).fillna(0.0).astype(float)
    open_status = stretches["status"].isin(["ok", "empty"])
    status = stretches["status"].where(~open_status, np.where(count > 0, "ok", "empty"))
    bare, none = flags.bit("no_plants"), not plants["is_crop"].any()
    words = []
    for stretch in stretches.itertuples():
        finds = plants[(plants["row"] == stretch.row) & plants["judged"].isin(["crop", "doubtful"])]
        bits = flags.parse(stretch.flags) & ~flags.bit("no_plants", "finds_unsure")
        unsure = flags.bit("finds_unsure") if finds_unsure(finds) else 0
        words.append(flags.words(bits | unsure | (bare if none else 0)))
    return replace(
        m,
        plants=plants,
        positions=positions_from_plants(plants),
        stretches=stretches.assign(plants=count, weeds=weeds, status=status, flags=words),
        flags=m.flags & ~bare | (bare if none else 0),
        traits=looks,
    )


def _table(labels: Sequence[Label], ties: Sequence[Tie], survey: _Survey, decided: pd.DataFrame) -> pd.DataFrame:
    number = decided["plant"].to_numpy()
    before = survey.plants
    lines = []
    for label, t in zip(labels, ties, strict=True):
        missed = t.plant is None and label.label == "crop" and t.why in MISSING
        photo = "" if t.plant is None else survey.measurements[survey.photo[t.plant]].photo
        lines.append(
            {
                "photo": photo or label.photo,
                "x_px": label.x_px,
                "y_px": label.y_px,
                "label": label.label,
                "note": label.note,
                "line": label.line,
                "became": "used" if t.plant is not None else "missed" if missed else "set_aside",
                "plant": pd.NA if t.plant is None else int(number[t.plant]),
                "distance_cm": t.distance_cm if t.plant is not None and _scaled(survey, t.plant) else np.nan,
                "crop_probability_before": np.nan if t.plant is None else before["crop_probability"].iloc[t.plant],
                "was_crop": pd.NA if t.plant is None else bool(before["is_crop"].iloc[t.plant]),
                "why": t.why,
            }
        )
    frame = pd.DataFrame(lines).astype({"plant": "Int64", "was_crop": "boolean"})
    return tables.conform(LABELLED, frame)


def _scaled(survey: _Survey, plant: int) -> bool:
    return survey.measurements[survey.photo[plant]].ground.has_scale


def _told(
    table: pd.DataFrame, fit: Adapted, taught: int, survey: _Survey, decided: pd.DataFrame, at: np.ndarray
) -> tuple[dict[str, Any], tuple[str, ...]]:
    """Record for run.json and sentences for the screen."""
    was, now = survey.plants["is_crop"].to_numpy(bool), decided["is_crop"].to_numpy(bool)
    own = np.zeros(len(was), bool)
    own[at] = True
    became = Counter(table["became"])
    changed = int((own & (was != now)).sum())
    record: dict[str, Any] = {
        "given": len(table),
        "used": became["used"],
        "missed": became["missed"],
        "set_aside": became["set_aside"],
        "changed_by_own_label": changed,
        "adapted": fit.used,
        "taken_in_by_correction": int((~own & now & ~was).sum()),
        "taken_out_by_correction": int((~own & was & ~now).sum()),
        "taught_by": taught,
        "agreement_before": fit.agree_before,
        "agreement_after_leave_one_out": fit.agree_after,
        "loss_before": fit.loss_before,
        "loss_after_leave_one_out": fit.loss_after,
        "weights": dict(zip(TERMS, fit.weights.tolist(), strict=True)) if fit.used else {},
    }
    missed = "" if not became["missed"] else f" {_plants(became['missed'])} labelled crop had not been found at all."
    aside = "" if not became["set_aside"] else f" {became['set_aside']} could not be used, see labelled.csv."
    notes = [
        f"Labels: {became['used']} of {len(table)} used; they changed the decision about "
        f"{_plants(changed)} of their own.{missed}{aside}"
    ]
    into, out = record["taken_in_by_correction"], record["taken_out_by_correction"]
    if fit.used:
        others = (
            f"By what they teach, {_plants(into)} more are counted as crop and {out} no longer."
            if into or out
            else "What they teach changes no other plant."
        )
        notes.append(
            f"{others} Of {taught} labels in the row the decision agreed with {fit.agree_before} before and with "
            f"{fit.agree_after} after, each judged without its own label."
        )
    elif taught:
        notes.append(
            "No other plant was decided anew: what the labels teach does not hold for labels left out of it "
            f"({fit.agree_before} of {taught} in the row agreed before, {fit.agree_after} after)."
        )
    if taught >= _MANY and 2 * fit.agree_before < taught:
        notes.append(
            "Most labels say that the decision was wrong. Label plants as they come, right ones too: the others then "
            "learn more from it."
        )
    shown = table[table["became"] != "used"]
    for r in list(shown.itertuples())[:_SHOWN]:
        notes.append(f"Label of line {r.line} ({r.label}, {r.photo} at {r.x_px:.0f}, {r.y_px:.0f}): {r.why}.")
    if len(shown) > _SHOWN:
        notes.append(f"And {len(shown) - _SHOWN} more such labels, see labelled.csv.")
    return record, tuple(notes)


_MANY = 5
"""Labels from which it is told that most gainsay the decision."""
_SHOWN = 8
"""Labels that could not be used and are spelt out on the screen."""


def _plants(n: int) -> str:
    return f"{n} plant" if n == 1 else f"{n} plants"
