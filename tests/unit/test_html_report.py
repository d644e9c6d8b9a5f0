import io
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
from fixtures.report_runs import a_run
from PIL import Image

from standcam import trust
from standcam.report import html_photos, screen, strips, wording
from standcam.report.html_report import report_html
from standcam.stand.population import overall

SECTIONS = ("answer", "units", "plots", "spacing", "rows", "photos", "problems", "method", "sources", "cautions")
VOID = {"meta", "br", "img", "hr", "link", "input"}


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
    us, pooled = run.settings.output.units, overall(run.rows, run.gaps, run.settings.statistics)
    for line in [screen.totals(run.rows, run.gaps, us), *screen.spacing_lines(run.rows, run.gaps, run.settings)]:
        assert line in page.text
    assert wording.population(pooled.plants_per_ha.value, us, unit=False) in page.text
    assert wording.span(pooled.cv_pct.low, pooled.cv_pct.high, wording.percent) in page.text
    for r in run.rows.itertuples():
        assert " ".join(wording.row_words(r, us)) in page.text
    assert "blurred" in page.text and screen.CAUTION_OF["photo"] in page.text


def test_units_of_acres():
    run = a_run()
    text = Page(report_html(replace(run, settings=run.settings.replace("output", units="us")))).text
    assert wording.population(screen.pooled_per_ha(run.rows), "us", unit=False) in text
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
    run = replace(run, rows=rows, settings=run.settings.replace("statistics", min_trust="good"))
    text = Page(report_html(run)).text
    kept = rows[trust.kept(rows)]
    assert screen.totals(kept, trust.of_kept(run.gaps, rows), "si") in text
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
