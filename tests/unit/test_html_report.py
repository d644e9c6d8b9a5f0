import io
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest
from fixtures.report_runs import a_run
from PIL import Image

from standcam import tables, trust
from standcam.aside import Lines
from standcam.chain.register import CHAINS, SEAMS
from standcam.report import html_photos, html_report, overall_words, screen, strips, wording
from standcam.report.plot_picture import places_of
from standcam.spacing.spacings import Spacings
from standcam.stand.population import overall

SECTIONS = ("answer", "units", "plots", "spacing", "rows", "photos", "problems", "method", "sources", "cautions")
VOID = {"meta", "br", "img", "hr", "link", "input"}


def report_html(run):
    return "".join(html_report.report_html(run))


class Page(HTMLParser):
    """Checks that tags close in order, and keeps sections, links, texts and what must not be there."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.open, self.ids, self.links, self.texts, self.tags = [], [], [], [], []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        for name, value in attrs:
            assert not name.startswith("on")
            if name == "id":
                self.ids.append(value)
            if name in ("src", "href", "action", "data", "xlink:href", "srcset"):
                self.links.append(value)
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.texts.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.texts).replace("\N{NO-BREAK SPACE}", " ").split())


def jpeg(width=400, height=300):
    noise = np.random.default_rng(1).integers(0, 255, (height, width, 3), np.uint8)
    out = io.BytesIO()
    Image.fromarray(noise).save(out, "JPEG", quality=90)
    return out.getvalue()


@pytest.fixture(scope="module")
def page():
    return Page(report_html(replace(a_run(), picture=lambda name: jpeg())))


def test_all_sections_are_there_and_no_name_twice(page):
    assert [i for i in page.ids if i in SECTIONS] == list(SECTIONS)
    assert len(page.ids) == len(set(page.ids))
    assert "svg" in page.tags and "img" in page.tags


def test_nothing_comes_from_outside_and_nothing_runs():
    text = report_html(replace(a_run(), picture=lambda name: jpeg()))
    page = Page(text)
    assert "Content-Security-Policy" in text and "default-src 'none'" in text
    assert "script" not in page.tags and "link" not in page.tags
    assert all(link.startswith(("#", "data:image/jpeg;base64,", "marked/")) for link in page.links)
    assert not re.search(r"https?:|//[a-z]+\.", re.sub(r"base64,[^\"]*", "", text))
    assert "@import" not in text and not re.search(r"url\((?!#)", text)


def test_numbers_are_those_of_screen_and_tables(page):
    run = a_run()
    spacings = Spacings.of(run.rows, run.gaps)
    us, pooled = run.settings.output.units, overall(run.rows, spacings, run.settings.statistics)
    told = overall_words.spacing_lines(run.rows, spacings, run.settings)
    for line in [overall_words.totals(run.rows, spacings, us), *told]:
        assert line in page.text
    assert wording.population(pooled.plants_per_ha.value, us, unit=False) in page.text
    assert wording.span(pooled.cv_pct.low, pooled.cv_pct.high, wording.percent) in page.text
    for r in run.rows.itertuples():
        assert " ".join(wording.row_words(r, us)) in page.text
    assert "blurred" in page.text and screen.CAUTION_OF["photo"] in page.text


def test_units_of_acres():
    run = a_run()
    text = Page(report_html(replace(run, settings=run.settings.replace("output", units="us")))).text
    assert wording.population(overall_words.pooled_per_ha(run.rows), "us", unit=False) in text
    assert "Plants per acre" in text and "Plants per ha" not in text


def test_names_from_files_stay_text():
    bad = '"><script>alert(1)</script>&amp;.jpg'
    run = a_run(
        names=[bad, "b\x07.jpg", "\udce9.jpg"],
        design={"row_unit": ["<b>1</b>", "2", "$x_{1}$"], "range": 1, "column": [1, 2, 3]},
        problems=[("<i>p", "<script>why</script>", "{{ 1 + 1 }}")],
        notes=["<img src=x onerror=y>"],
    )
    page = Page(report_html(replace(run, name="<u>field", picture=lambda name: jpeg())))
    assert "script" not in page.tags and not {"b", "i", "u"} & set(page.tags)
    assert bad in page.text and "<script>why</script> {{ 1 + 1 }}" in page.text and "<u>field" in page.text
    assert any("%3Cscript%3E" in link for link in page.links)
    assert any(link == "marked/%E9.jpg.jpg" for link in page.links)


def test_no_rows_at_all():
    page = Page(report_html(a_run(rows=0, problems=[("a.jpg", "a.jpg is no picture.", "Leave it out.")])))
    assert [i for i in page.ids if i in SECTIONS] == list(SECTIONS)
    assert "No row was measured" in page.text and "a.jpg is no picture. Leave it out." in page.text


def test_one_row_and_empty_row():
    assert "1 row" in Page(report_html(a_run(rows=1))).text
    run = a_run(rows=1, plants=0)
    assert run.rows["status"].tolist() == ["empty"]
    assert "0 plants" in Page(report_html(run)).text


def test_a_tape_has_no_photos():
    page = Page(report_html(a_run(command="tape")))
    assert "photos" not in page.ids and screen.CAUTION_OF["tape file"] in page.text


def test_rows_left_out_are_told_and_in_no_number():
    run = a_run()
    rows = run.rows.copy()
    rows.loc[1, ["left_out", "trust", "trust_reasons"]] = ["trust is fair", "fair", "the photo is blurred"]
    strict = run.settings.replace("statistics", min_trust="good")
    run = replace(run, rows_lines=Lines.of(tables.ROWS, rows), settings=strict)
    text = Page(report_html(run)).text
    kept = rows[trust.kept(rows)]
    assert overall_words.totals(kept, Spacings.of(kept, run.gaps), "si") in text
    assert trust.left_out_notes(rows, "good")[0] in text


def test_row_units_are_ranked():
    run = a_run(rows=6, design={"row_unit": ["1", "2", "3"] * 2})
    text = Page(report_html(run)).text
    assert "Row units are not known" not in text and "seed places a unit" in text


def test_many_photos_keep_the_page_small(monkeypatch):
    monkeypatch.setattr(html_photos, "MOST_PICTURES", 5)
    run = a_run(rows=40, plants=12)
    text = report_html(replace(run, picture=lambda name: jpeg()))
    page = Page(text)
    assert sum(link.startswith("data:") for link in page.links) == 5
    assert sum(link.startswith("marked/") for link in page.links) == 40
    assert "Those in doubt: 5 of 20" in page.text and "28 rows between them" in page.text
    assert len(text) < 1_500_000


def test_bytes_of_pictures_are_bounded(monkeypatch):
    picture = jpeg()
    monkeypatch.setattr(html_photos, "MOST_BYTES", 100_000)
    shown = html_photos.photo_list(a_run(rows=8).inputs, a_run(rows=8).rows, lambda name: picture, "si")["shown"]
    assert 0 < len(shown) < 8
    assert sum(len(p.data) for p in shown) < 140_000


def test_damaged_or_missing_pictures_are_links():
    listed = html_photos.photo_list(a_run().inputs, a_run().rows, lambda name: b"no picture", "si")
    assert listed["shown"] == [] and len(listed["links"]) == 3


def test_dots_stand_at_true_scale():
    scale = strips.common_scale([320.0, 160.0], 16.0)
    svg = strips.strip(np.array([0.0, 160.0, 320.0]), [], 320.0, scale, "a row")
    x = [float(v) for v in re.findall(r"M([\d.]+) \d+h\.01", svg)]
    assert len(x) == 3 and x[1] - x[0] == pytest.approx(x[2] - x[1], abs=0.11)
    assert x[2] - x[0] == pytest.approx(320 * scale.per_cm, abs=0.11)


def test_long_rows_go_on_in_further_lines_and_lose_no_plant():
    at = np.arange(0.0, 3000.0, 16.0)
    scale = strips.common_scale([3000.0], 16.0)
    svg = strips.strip(at, [], 3000.0, scale, "a row")
    assert scale.line_cm < 1000 and svg.count("h.01") == len(at)


# ---- joined photos


def seam(k, off, joined=True, remark="", **more):
    usual = {"row": 1, "next_row": 1, "plot": "N1", "by": "board 2", "overlap_cm": 52.0, "plants_both": 4}
    own = {"photo": f"p{k}.jpg", "next_photo": f"p{k + 1}.jpg", "plants_one": 0, "disagreement_mm": off}
    return usual | own | {"scatter_mm": 2.0, "joined": joined, "remark": remark} | more


def joined(*seams):
    """A run whose photos were joined by these seams into one row."""
    made = tables.conform(SEAMS, pd.DataFrame(list(seams)))
    names = [*made.loc[made["joined"], "photo"], "last.jpg"]
    chains = pd.DataFrame({"photo": names, "plot": "N1", "row": 1, "chain": "p0.jpg..last.jpg", "chain_row": 1,
                           "direction": 1, "shift_cm": 0.0, "from_cm": 0.0, "to_cm": 200.0, "mark_cm": 5})  # fmt: skip
    return replace(a_run(), seams=made, chains=tables.conform(CHAINS, chains))


def section(run, name):
    text = report_html(run)
    return Page("<section>" + text.split(f'<section id="{name}">')[1].split("</section>")[0] + "</section>")


def test_seams_to_be_looked_at_come_first_then_the_worst():
    seams = [seam(0, 3.0), seam(2, 9.0), seam(4, 5.0, remark="off by more than it should"), seam(6, np.nan)]
    part = section(joined(*seams, seam(8, 40.0, False, "the board was <moved>")), "chains")
    order = [part.text.index(f"p{k}.jpg,") for k in (4, 2, 0, 6)]
    assert order == sorted(order)
    assert "5 rows of photos were joined into 1 row by 4 seams" in part.text
    assert "by 5 mm in the middle and 9 mm at most; none above 15 mm" in part.text
    assert "p8.jpg and p9.jpg, tied by board 2: the board was <moved>." in part.text
    assert "moved" not in part.tags


def test_many_seams_are_folded_and_none_is_forgotten():
    part = section(joined(*(seam(k, float(k)) for k in range(30))), "chains")
    assert part.text.count("by board 2") == 30 and "22 more seams" in part.text
    assert "14 above 15 mm" in part.text  # 16 to 29 of 0 to 29


def test_without_seams_or_visits_there_is_no_such_section(page):
    assert not {"chains", "emergence"} & set(page.ids)
    empty = replace(a_run(), seams=tables.empty(SEAMS), chains=tables.empty(CHAINS))
    assert 'id="chains"' not in report_html(empty)


# ---- strips


def a_strip(rows=4, turn_deg=0.0, **design):
    """Rows of 4.8 m, 75 cm apart, two a plot, turned about the origin of an invented place."""
    along, beside = np.array([4.8, 0.0]), np.array([0.0, 0.75])
    a = np.deg2rad(turn_deg)
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    plot = np.arange(rows) // 2
    start = (np.arange(rows)[:, None] * beside + plot[:, None] * np.array([7.0, -1.5])) @ turn.T + [512_000, 4_650_000]
    stop = start + along @ turn.T
    run = a_run(rows=rows, names=["field.tif"] * rows, command="strip")
    places = dict(zip(("from_easting_m", "from_northing_m", "to_easting_m", "to_northing_m"),
                      (*start.T, *stop.T), strict=True))  # fmt: skip
    names = [f"P{k}" for k in plot]
    renamed = {f"plot {k}": names[k] for k in range(rows)}
    row_of = {f"plot {k}": k + 1 for k in range(rows)}

    def of_plots(table):
        return table.assign(row=table["plot"].map(row_of), plot=table["plot"].map(renamed))

    own = of_plots(run.rows).assign(strip_row=range(1, rows + 1), flags="", **places, **design)
    whole = run.plots.whole()
    plots = Lines.of(tables.PLOTS, whole.assign(plot=whole["plot"].map(renamed)).drop_duplicates("plot"))
    facts = {"hectares": 0.0088, "mm_per_px": 5.0, "crs": "EPSG:32615"}
    own = Lines.of(tables.ROWS, own)
    return replace(run, rows_lines=own, gaps=run.gaps.then(of_plots), plants=run.plants.then(of_plots), plots=plots,
                   record={**run.record, "strip": facts})  # fmt: skip


def test_the_page_of_a_strip_speaks_of_no_photo_and_no_board():
    for run in (a_strip(), a_strip(row_unit=["1", "2", "1", "2"], treatment=["x", "x", "y", "y"])):
        page = Page(re.sub(r"<style>.*?</style>", "", report_html(run), flags=re.DOTALL))
        assert not re.search(r"[Pp]hoto|[Bb]oard|tape file|calibrat", page.text), page.text
        assert "Flown 2026-05-14" in page.text and "1 strip, 4 rows, 2 plots" in page.text
        assert "88 m², 5 mm a pixel, EPSG:32615" in page.text
        assert "plot" in page.text and "photos" not in page.ids
    assert "--planter-rows" in Page(report_html(a_strip())).text


def test_treatments_of_a_strip_stand_by_their_plots_and_point_to_their_comparison():
    run = a_strip(treatment=["deep", "deep", "usual", "usual"])
    part = section(run, "plots")
    assert "Treatments: deep, usual." in part.text and "standcam trial" in part.text
    cells = re.findall(r'<td class="words">(.*?)</td>', report_html(run).split('id="plots"')[1].split("</section>")[0])
    assert sorted(cells) == ["deep", "usual"]
    # one treatment only, or rows of one plot that differ, compare nothing
    assert "standcam trial" not in section(a_strip(treatment=["deep"] * 4), "plots").text


@pytest.mark.parametrize("turn_deg", [0.0, 30.0, -70.0])
def test_plots_of_a_strip_are_drawn_as_they_lie(turn_deg):
    from shapely.geometry import Polygon

    run = a_strip(turn_deg=turn_deg)
    places = places_of(run.rows)
    assert places is not None and places.kind == "map" and places.plot == ("P0", "P1")
    # two rows of 4.8 m and half a row width beside them, by shapely's area; nothing overlaps
    first, second = (Polygon(o) for o in places.outlines)
    width = run.rows["row_width_cm"].iloc[0] / 100
    assert first.area == pytest.approx(4.8 * (0.75 + width)) and second.area == pytest.approx(first.area)
    assert not first.intersects(second)
    centre = np.array([[places.x[k], places.y[k]] for k in range(2)])
    a = np.deg2rad(turn_deg)
    apart = np.array([7 * np.cos(a), 7 * np.sin(a)])  # 1.5 m of two rows less 1.5 m of the plot
    assert centre[1] - centre[0] == pytest.approx(apart, abs=1e-6)
    assert "Plots on the map: population" in report_html(run)


def test_a_strip_of_one_plot_has_no_picture_of_plots_and_says_so():
    run = a_strip(rows=2)
    assert places_of(run.rows) is None
    assert "No plots were given: the whole strip is one." in Page(report_html(run)).text
