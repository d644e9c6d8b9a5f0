"""Tables part by part: what lies on disk comes back, and sums over parts are those over the whole, to the last bit."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from fixtures.series import measured_tables, series

from standcam import sums, tables
from standcam.aside import Aside, ByPhoto, LinesWriter
from standcam.batch import chained
from standcam.settings import ChainSettings, SpacingSettings, StatisticsSettings
from standcam.spacing import metrics
from standcam.spacing.positions import positions_from_plants
from standcam.spacing.spacings import Spacings
from standcam.summarise import summarise, summarise_parts

KEYS = ["photo", "plot", "row"]


def stand(rows=90, plots=23, seed=1):
    """Rows of photos that stand in plots by turns, some of them bare, blurred or without a row that is sure."""
    rng = np.random.default_rng(seed)
    places, stretches = [], []
    for k in range(rows):
        n = int(rng.integers(0, 30))
        key = {"photo": f"p{k // 2:03d}.jpg", "plot": f"plot {(k // 2 * 7) % plots}", "row": 1 + k % 2}
        at = np.cumsum(rng.choice([15.0, 15.0, 15.0, 4.0, 30.0], n) + rng.normal(0, 1.5, n))
        error = rng.choice([0.2, 0.4], n)
        plants = {"plant": np.arange(1, n + 1), "position_cm": at, "position_sd_cm": error}
        places.append(pd.DataFrame({**key, **plants, "source": "photo", "flags": ""}))
        doubt = rng.choice(["", "blurred", "row_unsure"])
        ends = {"from_cm": 0.0, "to_cm": at.max(initial=90.0) + 10}
        stretches.append({**key, **ends, "plants": n, "status": "ok", "flags": doubt, "weeds": 1.0})
    return pd.concat(places, ignore_index=True), pd.DataFrame(stretches)


def parts_of(positions, stretches, size):
    def parts():
        for begin in range(0, len(stretches), size):
            own = stretches.iloc[begin : begin + size]
            yield positions[positions["photo"].isin(own["photo"])], own

    return parts


def test_bytes_come_back_by_their_number(tmp_path):
    aside = Aside(tmp_path)
    for data in (b"one", b"", b"three" * 1000):
        aside.add(data)
    assert [aside[k] for k in (2, 1, 0, -1)] == [b"three" * 1000, b"", b"one", b"three" * 1000]
    assert len(aside) == 3 and not list(tmp_path.iterdir())  # no name, nothing to be left behind
    with pytest.raises(IndexError):
        aside[3]


def test_a_table_on_disk_is_the_table(tmp_path):
    positions, _ = stand()
    positions.loc[0, "photo"] = "\udce9.jpg"  # no valid Unicode, as names on Linux may be
    writer = LinesWriter(tables.POSITIONS, tmp_path)
    for _, part in positions.groupby("photo", sort=False):
        writer.add(part)
        if writer.waiting > 40:
            writer.end_part()
    lines = writer.done()
    whole = tables.conform(tables.POSITIONS, positions)
    assert len(list(lines.parts())) > 5 and len(lines) == len(whole)
    pd.testing.assert_frame_equal(lines.whole(), whole)
    assert sum(map(len, lines.head(50))) == 50
    some = whole.drop_duplicates(KEYS).iloc[[3, 40, 7]]
    index = pd.MultiIndex.from_frame(whole[KEYS])
    own = whole[index.isin(pd.MultiIndex.from_frame(some[KEYS]))].reset_index(drop=True)
    pd.testing.assert_frame_equal(lines.of_rows(some), own)
    found = ByPhoto(lines)
    for photo in ("p003.jpg", "p001.jpg", "p040.jpg"):  # back and forth
        assert found[photo]["plant"].tolist() == whole.loc[whole["photo"] == photo, "plant"].tolist()
    assert len(found["nobody.jpg"]) == 0 and list(found["nobody.jpg"]) == tables.POSITIONS.names


def test_a_table_without_lines_has_one_part_with_its_columns(tmp_path):
    lines = LinesWriter(tables.GAPS, tmp_path).done()
    (part,) = lines.parts()
    assert len(lines) == 0 and list(part) == tables.GAPS.names == list(lines.whole())


@pytest.mark.parametrize("nominal", [None, 16.0])
@pytest.mark.parametrize("trust", ["poor", "fair"])
@pytest.mark.parametrize("size", [2, 14])
def test_sums_over_parts_are_those_over_the_whole(tmp_path, monkeypatch, nominal, trust, size):
    positions, stretches = stand()
    spacing = SpacingSettings(row_width_cm=75.0, nominal_spacing_cm=nominal)
    statistics = StatisticsSettings(min_trust=trust, resamples=200)
    whole = summarise(positions, stretches, spacing, statistics)
    monkeypatch.setattr(sums, "MOST_GAPS", 60)
    long = summarise_parts(parts_of(positions, stretches, size), spacing, statistics, tmp_path)
    assert len(list(long.plots.parts())) > 5
    pd.testing.assert_frame_equal(long.gaps.whole(), whole.gaps, check_exact=True)
    pd.testing.assert_frame_equal(long.rows, whole.rows, check_exact=True)
    pd.testing.assert_frame_equal(long.plots.whole(), whole.plots, check_exact=True)
    assert (long.notes, long.nominal) == (whole.notes, whole.nominal)


def test_nothing_gives_tables_without_lines():
    long = summarise_parts(lambda: [], SpacingSettings())
    assert [len(t) for t in (long.gaps, long.rows, long.plots)] == [0, 0, 0]
    assert list(long.rows) == tables.ROWS.names and list(long.plots.whole()) == tables.PLOTS.names


def test_spacings_are_the_closed_gaps_of_the_rows_asked_for():
    s = summarise(*stand(), SpacingSettings(row_width_cm=75.0, nominal_spacing_cm=16.0))
    some = s.rows.iloc[5:60:3]
    closed = s.gaps[s.gaps["kind"] != metrics.OPEN].merge(some[KEYS], on=KEYS)
    found = Spacings.of(some, s.gaps)
    assert found.gap_cm.tolist() == closed["gap_cm"].tolist()
    assert [metrics.KINDS[k] for k in found.code] == closed["kind"].tolist()
    assert some["photo"].to_numpy()[found.row].tolist() == closed["photo"].tolist()
    assert found.singles_pct == pytest.approx(100 * (closed["kind"] == "single").mean())


def test_chains_do_not_hang_on_the_parts(monkeypatch, tmp_path):
    """Photos of twelve plots by turns: boards tie them in most plots, and in every fourth none was seen."""
    photos = []
    for plot in range(12):
        made = [t.copy() for t in measured_tables(series(photos=3, seed=3 + plot % 2))]
        for table in made:
            table["photo"], table["plot"] = f"{plot:02d}_" + table["photo"], f"plot {plot}"
        if plot % 4 == 3:
            made[2] = made[2].iloc[:0]
        for name in made[1]["photo"]:
            plants, stretches, marks = (t[t["photo"] == name].reset_index(drop=True) for t in made)
            photos.append(SimpleNamespace(photo=name, plants=plants, stretches=stretches, marks=marks))
    photos = [photos[k] for k in np.random.default_rng(0).permutation(len(photos))]

    def counted():
        out = chained.chain_photos(photos, ChainSettings(), folder=tmp_path)
        long = summarise_parts(out.parts, SpacingSettings(row_width_cm=75.0), folder=tmp_path)
        alone = out.by_photo(SpacingSettings(), StatisticsSettings(), long.nominal.spacing_cm, tmp_path)
        files = {name: "".join(text) for name, text in out.files().items()}
        return out, [out.plants.whole(), long.gaps.whole(), long.rows, alone.gaps.whole(), alone.rows], files

    out, frames, files = counted()
    assert len(out.chains.table) > 20 and len(frames[2]) < len(photos) - 15
    crop = out.plants.whole()
    assert positions_from_plants(crop)["photo"].nunique() == frames[2]["photo"].nunique()
    monkeypatch.setattr(chained, "MOST_LINES", 60)
    monkeypatch.setattr(chained, "MOST_PHOTOS", 4)
    _, again, files_again = counted()
    for one, other in zip(frames, again, strict=True):
        pd.testing.assert_frame_equal(one, other, check_exact=True)
    assert files == files_again and {"marks.csv", "seams.csv", "chains.csv", "chain_finds.csv"} == set(files)
