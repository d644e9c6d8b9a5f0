"""Two overlapping photos of one row through a whole count: pictures in, one row of every plant once out."""

import json
from datetime import UTC, datetime

import numpy as np
import pandas as pd
from fixtures.series import drawn, series

from standcam.batch.inputs import Input
from standcam.batch.run import count_photos
from standcam.report.folder import read_run
from standcam.report.html_report import report_html
from standcam.report.results import ResultsWriter
from standcam.report.run_file import run_record
from standcam.settings import Settings
from standcam.synthetic.noise import write_jpeg
from standcam.validation.align import align


def test_two_photos_of_one_row_are_one_row_in_the_results(tmp_path):
    made = series(photos=2, seed=7, width_px=1300)
    inputs = []
    for k in range(2):
        path = tmp_path / f"part_{k + 1}.jpg"
        write_jpeg(path, drawn(made, k).rgb, made.recipes[k].capture, made.recipes[k].camera)
        inputs.append(Input(str(path), path.name, "P1"))
    settings = Settings()
    out = tmp_path / "out"
    with ResultsWriter(out) as writer:
        batch = count_photos(inputs, settings, writer=writer)
        assert batch.chained is not None
        record = run_record("count", settings, batch.inputs, datetime.now(UTC), batch.notes)
        writer.finish(**batch.tables, run=record, more=batch.chained.files())

    rows, plants = pd.read_csv(out / "rows.csv"), pd.read_csv(out / "plants.csv", keep_default_na=False)
    assert list(rows["photo"]) == ["part_1.jpg..part_2.jpg"]
    assert "chained" in rows["flags"].iloc[0]
    assert 330 < rows["row_length_cm"].iloc[0] < 360  # 2.0 m each, 55 cm shared
    crop = plants[plants["is_crop"]].sort_values("position_cm")
    assert len(crop) == rows["plants"].iloc[0]
    # one to one with the truth: as many plants as stand on the stretch, give or take what one photo may miss
    place, true = crop["position_cm"].to_numpy(float), made.truth["x_mm"].to_numpy(float) / 10
    laid = align(place, true, (0.0, float(rows["row_length_cm"].iloc[0])), (true.min(), true.max()))
    assert laid.sure
    standing = ((true >= laid.common_cm[0]) & (true <= laid.common_cm[1])).sum()
    assert abs(len(crop) - standing) <= 1 and len(laid.pairs) >= standing - 1
    seen, stand = laid.pairs.found, laid.pairs.true
    order = np.argsort(place[seen])
    error = np.diff(place[seen][order]) - laid.place.direction * np.diff(true[stand][order])
    source = crop["source_photo"].to_numpy()[seen][order]
    assert np.abs(error[source[1:] != source[:-1]]).max() < 1.0

    chains, seams = pd.read_csv(out / "chains.csv"), pd.read_csv(out / "seams.csv")
    assert len(chains) == 2 and seams["by"].iloc[0] == "board 2" and seams["joined"].all()
    marks = pd.read_csv(out / "marks.csv")
    assert set(marks["board"]) == {"board 1", "board 2", "board 3"}
    raw = pd.read_csv(out / "chain_finds.csv")
    assert set(raw["photo"]) == {"part_1.jpg", "part_2.jpg"} and raw["is_crop"].sum() > len(crop)
    run = json.loads((out / "run.json").read_text())
    assert any("Joined part_1.jpg and part_2.jpg into one row" in note for note in run["notes"])
    assert sorted(p.name for p in (out / "marked").iterdir()) == ["part_1.jpg", "part_2.jpg"]
    page = "".join(report_html(read_run(out)))
    assert "2 rows of photos were joined into 1 row by 1 seam; each plant counts once." in page
    assert f"<td>{seams['plants_both'].iloc[0]}</td>" in page.split('id="chains"')[1].split("</section>")[0]
