"""Records of photos on disk, run.json and long tables written part by part: the same bytes as in one piece."""

import io
import json

import numpy as np
import pandas as pd
import pytest

from standcam import tables
from standcam.aside import Lines
from standcam.report.csv_tables import csv_parts, csv_text
from standcam.report.run_file import Records, files_of_run, plain, write_run

RUN = {
    "command": "count", "n": np.int64(3), "ratio": float("nan"), "settings": {"a": [1, 2], "b": {}, "c": []},
    "notes": ["a line\nand another", "ä", '  "files": ['], "empty": [],
}  # fmt: skip
PHOTOS = [{"photo": f"{k}.jpg", "residual": float("nan") if k else 0.1, "notes": ["x"] * k} for k in range(3)]


def records(folder, of=PHOTOS):
    kept = Records(folder)
    for record in of:
        kept.append(record)
    return kept


def test_records_come_back_with_what_was_added(tmp_path):
    kept = records(tmp_path)
    kept.add_to(1, marked="1.jpg")
    kept.append({"photo": "\udce9.jpg"})
    assert len(kept) == 4 and [r["photo"] for r in kept] == ["0.jpg", "1.jpg", "2.jpg", "\udce9.jpg"]
    assert kept[1]["marked"] == "1.jpg" and "marked" not in kept[0] and kept[-1] == {"photo": "\udce9.jpg"}
    assert [r["photo"] for r in kept[1:3]] == ["1.jpg", "2.jpg"]
    with pytest.raises(IndexError):
        kept[4]
    assert list(tmp_path.iterdir()) == []  # a file without a name


@pytest.mark.parametrize("photos", [PHOTOS, []])
def test_a_run_written_part_by_part_is_the_json_of_the_whole(tmp_path, photos):
    """Against Python's json, which writes it in one piece."""
    whole = RUN | {"inputs": photos, "files": ["plants.csv", 'marked/a "b".jpg']}
    write_run(tmp_path / "run.json", whole | {"inputs": records(tmp_path, photos)})
    text = (tmp_path / "run.json").read_text(encoding="utf-8")
    assert text == json.dumps(plain(whole), indent=2, ensure_ascii=False) + "\n"
    assert files_of_run(tmp_path / "run.json") == whole["files"]


@pytest.mark.parametrize("text", ['{"files":["a","b"]}', '{\n "files": [\n  "a",\n  "b"\n ]\n}'])
def test_files_are_read_from_a_record_laid_out_otherwise(tmp_path, text):
    (tmp_path / "run.json").write_text(text)
    assert files_of_run(tmp_path / "run.json") == ["a", "b"]
    (tmp_path / "run.json").write_text('{"n": 1}')
    with pytest.raises(KeyError):
        files_of_run(tmp_path / "run.json")


@pytest.mark.parametrize("odd", ["", "a\rb"])
def test_a_table_in_parts_is_the_table(odd):
    """Against pandas' own writer, for which the whole table is one piece."""
    rng = np.random.default_rng(3)
    frame = pd.DataFrame({
        "path": [f"=p {k}, \"q\"" for k in range(7)], "remedy": "r",
        "reason": ["-1 x", odd, "", "ö", "@a", "1", "b\nc"],
        "number": rng.random(7), "some": [1, "=2", None, 4.5, "", True, "z"],
    })  # fmt: skip
    parts = list(csv_parts(Lines.of(tables.PROBLEMS, frame), 2))
    assert len(parts) == 4 and "".join(parts) == csv_text(tables.PROBLEMS, frame)
    assert pd.read_csv(io.StringIO("".join(parts)))["number"].tolist() == frame["number"].tolist()
    assert csv_text(tables.PROBLEMS, frame.iloc[:0]).count("\n") == 1
