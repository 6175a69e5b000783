import re
from html.parser import HTMLParser

import pytest

from micromeasure.errors import ResultsError
from micromeasure.report.page import write_report
from micromeasure.study.load import load_study

VOID = {"meta", "br", "img", "link", "input", "hr"}


class Page(HTMLParser):
    """Tags, texts and whether everything that is opened is closed."""

    def __init__(self, text):
        super().__init__()
        self.open, self.tags, self.faults, self.texts = [], [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        if tag in VOID:
            return
        if not self.open or self.open.pop() != tag:
            self.faults.append((tag, self.getpos()))

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.texts.append(data)

    def named(self, tag):
        return [attrs for name, attrs in self.tags if name == tag]


@pytest.fixture
def written(finished_study):
    study = load_study(finished_study)
    return write_report(study, finished_study / "results").read_text(encoding="utf-8")


def text_of(html):
    return " ".join(" ".join(Page(html).texts).split())


def test_page_is_well_formed_and_needs_nothing_else(written):
    page = Page(written)
    assert not page.faults
    assert not page.open
    assert not page.named("script")
    assert not page.named("link")
    sources = [a[k] for _, a in page.tags for k in ("src", "href", "xlink:href") if k in a]
    assert all(s.startswith(("#", "data:image/jpeg;base64,")) for s in sources)
    assert not re.search(r"url\(|@import|https?://", written)
    targets = {a["id"] for _, a in page.tags if "id" in a}
    assert {s[1:] for s in sources if s.startswith("#")} <= targets


def test_every_picture_has_a_text(written):
    pictures = Page(written).named("svg")
    assert len(pictures) > 6
    assert all(len(a["aria-label"]) > 15 and a["role"] == "img" for a in pictures)


def test_answers_come_before_pictures_and_values(written):
    places = [written.index(f'id="{name}"') for name in ("answers", "plates", "values", "account")]
    assert places == sorted(places)
    text = text_of(written)
    assert "Of 1 question of the study, 1 differs." in text
    assert "2.50 µm" in text


def test_what_was_not_measured_and_who_confirmed_is_told(written):
    text = text_of(written)
    assert "The film <left> the field." in text
    assert "41.3 ± 1.2" in text
    assert "through the coating" in text
    assert "Indications still wait for a person’s judgement." in text
    assert "was not determined for these images" in text
    assert "valid until 2027-02-11" in text


def test_evidence_is_marked_as_brought_in(written):
    assert "brought in: other.csv" in text_of(written)


def test_texts_from_outside_are_escaped(written):
    assert "Lots K &lt;and&gt; M" in written
    assert "<and>" not in written


def test_views_are_drawn_at_one_scale(written):
    figures = re.findall(r'<svg viewBox="0 0 1000 ([\d.]+)"', written)
    # 90 x 60 pixels of 0.5 x 0.4 um: 45 x 24 um.
    assert [float(h) for h in figures] == pytest.approx([1000 * 24 / 45] * 4, abs=0.1)
    assert written.count("5 µm</text>") == 4


def test_confirmed_and_rejected_lines_are_drawn_and_candidates_left_to_the_overlay(written):
    lines = re.findall(r'<polyline points="([^"]+)"', written)
    assert len(lines) == 4
    first = [float(v) for v in lines[0].split()[0].split(",")]
    assert first == pytest.approx([10.5 * 0.5 * 1000 / 45, 20.5 * 0.4 * 1000 / 45], abs=0.06)


def test_persons_texts_are_kept_over_re_runs(finished_study, written):
    notes = finished_study / "notes.md"
    assert "# Question" in notes.read_text(encoding="utf-8")
    notes.write_text("# Question\nWhy <b>M</b>?\n\n# Storage\nCabinet 4.\n", encoding="utf-8")
    study = load_study(finished_study)
    html = write_report(study, finished_study / "results").read_text(encoding="utf-8")
    assert "Why &lt;b&gt;M&lt;/b&gt;?" in html
    assert html.index("Why ") < html.index("Of 1 question")
    assert "Cabinet 4." in html
    assert notes.read_text(encoding="utf-8").startswith("# Question\nWhy")


def test_detectability_is_shown_where_it_is_known(finished_study):
    results = finished_study / "results"
    (results / "detectability.csv").write_text("model,a90_um\nlogit,43.71234\n")
    html = write_report(load_study(finished_study), results).read_text(encoding="utf-8")
    assert "43.71" in text_of(html)
    assert "was not determined for these images" not in html


def test_report_without_overlays_has_no_plates(finished_study):
    for picture in (finished_study / "results" / "overlays").iterdir():
        picture.unlink()
    study = load_study(finished_study)
    html = write_report(study, finished_study / "results").read_text(encoding="utf-8")
    assert 'id="plates"' not in html


def test_unrun_study_is_told_to_run(finished_study):
    study = load_study(finished_study)
    with pytest.raises(ResultsError, match="run the study first"):
        write_report(study, finished_study / "elsewhere")
