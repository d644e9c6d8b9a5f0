"""The results folder: whole or not at all, never overwritten unasked, safe to open in a spreadsheet."""

import json
import math
import os
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from standcam import tables
from standcam.errors import ResultsExist, UnwritableResults
from standcam.report import results
from standcam.report.csv_tables import csv_text, disarm, read_table, rearm
from standcam.report.results import ResultsWriter, check_out, write_results
from standcam.report.run_file import run_record
from standcam.settings import Settings


def frames(plants=0):
    made = {name.removesuffix(".csv"): tables.empty(table) for name, table in results.TABLES.items()}
    if plants:
        made["plants"] = tables.conform(
            tables.PLANTS,
            pd.DataFrame({"photo": "a.jpg", "row": 1, "plant": range(1, plants + 1), "is_crop": True}),
        )
    return made


def files(folder):
    return sorted(str(p.relative_to(folder)) for p in Path(folder).rglob("*") if p.is_file())


BARE = ["gaps.csv", "plants.csv", "plots.csv", "problems.csv", "rows.csv", "run.json"]


def test_a_new_folder_holds_all_files_and_nothing_else(tmp_path):
    out = tmp_path / "deep" / "er" / "results"
    assert write_results(out, **frames(), run={"n": 1}, marked={"a.jpg": b"jpeg"}) == out
    assert files(out) == sorted([*BARE, "marked/a.jpg"])
    assert files(tmp_path) == [f"deep/er/results/{name}" for name in files(out)]
    run = json.loads((out / "run.json").read_text())
    assert run["n"] == 1 and sorted(run["files"]) == files(out)


def test_columns_are_those_of_the_register(tmp_path):
    write_results(tmp_path / "r", **frames(), run={})
    for name, table in results.TABLES.items():
        assert (tmp_path / "r" / name).read_text().rstrip("\n").split(",") == table.names


def test_existing_results_stay_without_force(tmp_path):
    out = tmp_path / "r"
    write_results(out, **frames(plants=2), run={})
    before = {name: (out / name).read_bytes() for name in files(out)}
    with pytest.raises(ResultsExist, match=r"already holds results.*--force") as caught:
        write_results(out, **frames(plants=5), run={})
    assert str(out) in str(caught.value)
    assert {name: (out / name).read_bytes() for name in files(out)} == before


def test_force_replaces_all_old_results_and_touches_nothing_else(tmp_path):
    out = tmp_path / "r"
    write_results(out, **frames(plants=2), run={}, marked={"old.jpg": b"1", "both.jpg": b"1"})
    (out / "notes.txt").write_text("mine")
    (out / "marked" / "mine.jpg").write_bytes(b"mine")
    (out / "report.html").write_text("of the old run")
    write_results(out, **frames(plants=5), run={}, marked={"both.jpg": b"2", "new.jpg": b"2"}, force=True)
    assert files(out) == sorted([*BARE, "marked/both.jpg", "marked/new.jpg", "marked/mine.jpg", "notes.txt"])
    assert (out / "marked" / "both.jpg").read_bytes() == b"2"
    assert (out / "marked" / "mine.jpg").read_bytes() == b"mine"
    assert len(read_table(out, tables.PLANTS)) == 5


def test_a_folder_with_other_things_in_it_needs_no_force(tmp_path):
    (tmp_path / "photo.jpg").write_bytes(b"a photo")
    write_results(tmp_path, **frames(), run={})
    assert files(tmp_path) == sorted([*BARE, "photo.jpg"])


def test_marked_photos_of_unknown_origin_count_as_results(tmp_path):
    (tmp_path / "marked").mkdir()
    (tmp_path / "marked" / "a.jpg").write_bytes(b"precious")
    with pytest.raises(ResultsExist, match="marked"):
        check_out(tmp_path)


def test_a_forged_list_of_files_removes_nothing_outside_the_folder(tmp_path):
    out = tmp_path / "r"
    write_results(out, **frames(), run={})
    (tmp_path / "precious.txt").write_text("keep")
    forged = ["../precious.txt", "/etc/passwd", "marked/../../precious.txt", "..", 7, None]
    (out / "run.json").write_text(json.dumps({"files": forged}))
    write_results(out, **frames(), run={}, force=True)
    assert (tmp_path / "precious.txt").read_text() == "keep"


@pytest.mark.parametrize("text", ["", "{", "[]", '{"files": 3}', "\xff"])
def test_a_garbled_run_record_does_not_hinder_force(tmp_path, text):
    out = tmp_path / "r"
    write_results(out, **frames(), run={})
    (out / "run.json").write_text(text, encoding="latin-1")
    write_results(out, **frames(plants=1), run={}, force=True)
    assert len(read_table(out, tables.PLANTS)) == 1


@pytest.mark.parametrize("error", [RuntimeError, KeyboardInterrupt])
@pytest.mark.parametrize("existing", [False, True])
def test_breaking_off_leaves_everything_as_it_was(tmp_path, error, existing):
    out = tmp_path / "new" / "r"
    if existing:
        write_results(out, **frames(plants=2), run={}, marked={"a.jpg": b"1"})
    before = files(tmp_path)
    with pytest.raises(error), ResultsWriter(out, force=True) as writer:
        writer.add_marked("a.jpg", b"2")
        writer.put_aside("x", b"3")
        raise error
    assert files(tmp_path) == before
    assert (tmp_path / "new").exists() == existing


@pytest.mark.parametrize("fail_at", range(1, 14))
def test_a_failure_while_renaming_rolls_back(tmp_path, monkeypatch, fail_at):
    """Whichever rename fails, the old results are whole again and no scrap is left."""
    out = tmp_path / "r"
    write_results(out, **frames(plants=2), run={"v": 1}, marked={"a.jpg": b"1"})
    before = {name: (out / name).read_bytes() for name in files(out)}
    calls, real = [], os.replace

    def replace(source, target):
        calls.append(target)
        if len(calls) == fail_at:
            raise OSError(28, "No space left on device")
        real(source, target)

    monkeypatch.setattr(results.os, "replace", replace)
    with pytest.raises(UnwritableResults, match="No space left on device") as caught:
        write_results(out, **frames(plants=3), run={"v": 2}, marked={"a.jpg": b"2"}, force=True)
    assert "Free some space" in caught.value.remedy
    assert {name: (out / name).read_bytes() for name in files(out)} == before


def test_a_full_disk_gives_one_clear_line(tmp_path, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(results, "_write", full)
    with pytest.raises(UnwritableResults) as caught:
        write_results(tmp_path / "r", **frames(), run={})
    assert "\n" not in str(caught.value) and str(tmp_path / "r") in str(caught.value)
    assert files(tmp_path) == []


def test_a_file_in_the_place_of_the_folder(tmp_path):
    (tmp_path / "r").write_text("a file")
    with pytest.raises(UnwritableResults, match="is a file"):
        check_out(tmp_path / "r", force=True)
    with pytest.raises(UnwritableResults, match="Nothing can be written"):
        check_out(tmp_path / "r" / "deeper")


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="rights do not bind root")
def test_a_folder_without_rights(tmp_path):
    (tmp_path / "locked").mkdir()
    (tmp_path / "locked").chmod(0o500)
    with pytest.raises(UnwritableResults, match="Nothing can be written"):
        check_out(tmp_path / "locked" / "r")
    (tmp_path / "locked").chmod(0)
    with pytest.raises(UnwritableResults, match="Nothing can be written"):
        check_out(tmp_path / "locked" / "deep" / "r")
    (tmp_path / "locked").chmod(0o700)


def test_marked_names_never_meet(tmp_path):
    with ResultsWriter(tmp_path / "r") as writer:
        names = [writer.add_marked(n, b"x") for n in ("a.jpg", "A.JPG", "b/a.jpg", "b__a.jpg", "a.heic", "a.jpg")]
        writer.finish(**frames(), run={})
    assert names == ["a.jpg", "A_2.JPG", "b__a.jpg", "b__a_2.jpg", "a.heic.jpg", "a_3.jpg"]
    assert sorted(os.listdir(tmp_path / "r" / "marked")) == sorted(names)


def test_put_aside_is_gone_from_the_results(tmp_path):
    with ResultsWriter(tmp_path / "r") as writer:
        writer.put_aside("v", b"123")
        writer.put_aside("w", b"456")
        assert writer.aside("v") == b"123"
        writer.finish(**frames(), run={})
    assert files(tmp_path / "r") == BARE


def test_numbers_are_rounded_by_their_units():
    plants = tables.conform(
        tables.PLANTS,
        pd.DataFrame(
            {"photo": ["a"], "row": 1, "plant": 1, "x_px": 10.123456, "position_cm": 12.3456789,
             "is_crop": True, "offset_cm": -0.00001, "crop_probability": 0.123456, "area_cm2": np.nan}
        ),
    )  # fmt: skip
    header, line = csv_text(tables.PLANTS, plants).splitlines()
    row = dict(zip(header.split(","), line.split(","), strict=True))
    assert (row["x_px"], row["position_cm"], row["offset_cm"]) == ("10.12", "12.346", "0.0")
    assert (row["crop_probability"], row["area_cm2"], row["is_crop"]) == ("0.1235", "", "True")


@pytest.mark.parametrize("text", ["=1+1", "+cmd", "-cmd", "@sum", "\tx", "\rx", "＝1", "=HYPERLINK(1)"])
def test_formulas_are_disarmed(text):
    """The characters are those that OWASP's page on CSV injection names."""
    assert disarm(text)[0] == "'"
    assert disarm(text, "./")[:2] == "./"
    assert Path(disarm(text, "./")) == Path(text)  # still names the same file


@pytest.mark.parametrize("text", ["-3", "+4.5", "-1e-3", "a=b", "", "IMG-1.jpg", "./a", "'quoted'"])
def test_harmless_text_stays(text):
    assert disarm(text) == text


@given(st.text(alphabet="=+-@\t\r'./a1 ", max_size=6), st.sampled_from(["'", "./"]))
def test_disarmed_text_comes_back(text, prefix):
    assert rearm(disarm(text, prefix), prefix) == text


def test_tables_survive_the_way_to_disk_and_back(tmp_path):
    names = [
        "=cmd|' /C calc'!A0.jpg",
        "größe 玉米.jpg",
        'quote".jpg',
        "comma, space.jpg",
        "NA",
        "007",
        "line\nbreak",
    ]
    plants = tables.conform(
        tables.PLANTS,
        pd.DataFrame({"photo": names, "plot": names, "row": 1, "plant": range(7),
                      "is_crop": [True, False] * 3 + [True]}),
    )  # fmt: skip
    gaps = tables.conform(
        tables.GAPS,
        pd.DataFrame({"photo": ["a", "a"], "plot": ["-3", "+x"], "row": 1, "from_plant": [pd.NA, 1],
                      "to_plant": [1, pd.NA], "kind": "open"}),
    )  # fmt: skip
    write_results(tmp_path / "r", **frames() | {"plants": plants, "gaps": gaps}, run={})
    pd.testing.assert_frame_equal(read_table(tmp_path / "r", tables.PLANTS), plants)
    pd.testing.assert_frame_equal(read_table(tmp_path / "r", tables.GAPS), gaps)
    raw = (tmp_path / "r" / "plants.csv").read_text(encoding="utf-8")
    assert not any(line.startswith(("=", '"=')) for line in raw.splitlines())


def test_empty_tables_come_back_empty(tmp_path):
    write_results(tmp_path / "r", **frames(), run={})
    for table in results.TABLES.values():
        back = read_table(tmp_path / "r", table)
        tables.check(table, back)
        assert len(back) == 0


@pytest.mark.skipif(os.name != "posix", reason="names that are no Unicode")
def test_a_name_that_is_no_unicode_does_not_cost_the_table(tmp_path):
    name = os.fsdecode(b"caf\xe9.jpg")
    plants = frames(plants=1)["plants"].assign(photo=name)
    write_results(tmp_path / "r", **frames() | {"plants": plants}, run={"name": name}, marked={name: b"x"})
    assert "caf\\udce9.jpg" in (tmp_path / "r" / "plants.csv").read_text(encoding="utf-8")


def test_missing_tables_are_named(tmp_path):
    with pytest.raises(tables.BadTable, match=r"plants\.csv is missing"):
        read_table(tmp_path, tables.PLANTS)


def test_the_run_record_is_strict_json(tmp_path):
    started = datetime.now(UTC)
    record = run_record("count", Settings(), [{"path": Path("a.jpg"), "residual": math.nan}], started, ["A note."])
    record |= {"number": np.float64(2.5), "many": (np.int64(3), np.inf)}
    write_results(tmp_path / "r", **frames(), run=record)

    def refuse(constant):
        raise AssertionError(constant)

    back = json.loads((tmp_path / "r" / "run.json").read_text(), parse_constant=refuse)
    assert back["inputs"] == [{"path": "a.jpg", "residual": None}]
    assert (back["number"], back["many"]) == (2.5, [3, None])
    assert back["settings_digest"] == Settings().digest()
    assert back["settings"]["output"]["units"] == "si"
    assert datetime.fromisoformat(back["started"]) <= datetime.fromisoformat(back["finished"])
    assert back["libraries"]["numpy"] == np.__version__ and back["notes"] == ["A note."]


def test_a_table_that_does_not_fit_writes_nothing(tmp_path):
    with pytest.raises(tables.BadTable):
        write_results(tmp_path / "r", **frames() | {"plants": pd.DataFrame({"photo": ["a"]})}, run={})
    assert files(tmp_path) == []
