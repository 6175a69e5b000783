import re
from xml.etree import ElementTree as ET

import pytest

from micromeasure.compare.comparison import Comparison, Question
from micromeasure.compare.specimens import Group, Specimen
from micromeasure.estimate import Estimate
from micromeasure.report.forest import forest_plot, interval_figure
from micromeasure.report.plates import round_length
from micromeasure.report.strips import strip_plot
from micromeasure.report.svg import element, nice_ticks, tick_text


def parsed(figure):
    return ET.fromstring(figure)  # noqa: S314  # made by the code under test


def compared(**more):
    question = Question(quantity="dome_height", revision="M", reference="K", unit="um")
    values = {
        "question": question, "method": "", "difference": 2.0, "low_95": -1.0, "high_95": 5.0,
        "verdict": "not resolved", "tolerance": 8.0,
    }  # fmt: skip
    return Comparison(**(values | more))


def group(name, *specimens):
    return Group(
        revision=name,
        specimens=tuple(
            Specimen(
                name=f"{name}{i}", positions=tuple(positions),
                estimate=Estimate(value=sum(positions) / len(positions), unit="um"),
            )
            for i, positions in enumerate(specimens)
        ),
    )  # fmt: skip


def test_interval_lies_where_its_numbers_are():
    figure = parsed(interval_figure(compared()))
    lines = [e.attrib for e in figure.iter() if e.tag.endswith("line")]
    (bar,) = [a for a in lines if a.get("stroke-width") == "2.4"]
    (zero,) = [a for a in lines if a.get("stroke-width") == "1.2"]
    left, right, at = float(bar["x1"]), float(bar["x2"]), float(zero["x1"])
    # The zero line divides the bar as zero divides the interval from -1 to 5.
    assert (at - left) / (right - at) == pytest.approx(1 / 5, rel=0.01)
    assert "95 % interval −1.0 to 5.0 µm" in figure.attrib["aria-label"]


def test_forest_plot_is_a_file_of_its_own_and_leaves_out_what_has_no_interval():
    text = forest_plot([compared(), compared(low_95=None, high_95=None)])
    root = parsed(text)
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert text.count("not resolved") == 1
    assert "No comparison has an interval" in forest_plot([])


def test_strip_shows_every_specimen_and_position():
    figure = strip_plot(
        [group("K", [1.0, 1.2], [1.4]), group("M", [2.0, 2.1, 2.2])], subject="x", unit="um"
    )
    root = parsed(figure)
    titles = [e.text for e in root.iter() if e.tag.endswith("title")]
    assert titles == ["K0: 1.1 µm", "K1: 1.4 µm", "M0: 2.1 µm"]
    dots = [e for e in root.iter() if e.attrib.get("fill-opacity") == "0.75"]
    assert len(dots) == 5
    assert "K: 2 specimens, mean" in root.attrib["aria-label"]
    assert "M: 1 specimen, mean" in root.attrib["aria-label"]


def test_a_revision_looks_alike_in_every_figure():
    both = strip_plot([group("K", [1.0]), group("M", [2.0])], subject="x", unit="um")
    alone = strip_plot([group("M", [2.0])], subject="x", unit="um", revisions=("K", "M"))
    assert "<polygon" in both
    assert "<polygon" in alone
    assert "<circle" not in alone
    assert re.search(r'viewBox="[^"]+"', both)[0] == re.search(r'viewBox="[^"]+"', alone)[0]


def test_all_marks_lie_inside_the_figure():
    figure = strip_plot([group("K", [5.0], [5.0001]), group("M", [700.0])], subject="x", unit="")
    _, _, width, height = (float(v) for v in re.search(r'viewBox="([^"]+)"', figure)[1].split())
    for name, limit in (("x", width), ("y", height)):
        for value in re.findall(rf'\b{name}[12]?="([-\d.]+)"', figure):
            assert 0 <= float(value) <= limit


def test_values_that_are_all_one_can_be_drawn():
    assert "<svg" in strip_plot([group("K", [0.0], [0.0])], subject="x", unit="")


def test_ticks_are_round_numbers():
    assert nice_ticks(23.4, 26.8) == pytest.approx([23.5, 24, 24.5, 25, 25.5, 26, 26.5])
    assert nice_ticks(0.061, 0.0699) == pytest.approx([0.062, 0.064, 0.066, 0.068])
    assert nice_ticks(-1.2, 3.0, 2) == pytest.approx([0, 2])
    assert tick_text(-0.5, 0.5) == "−0.5"
    assert tick_text(300.0, 50.0) == "300"


def test_attributes_and_texts_are_escaped():
    assert element("a", title='"><script>') == '<a title="&quot;&gt;&lt;script&gt;"/>'


@pytest.mark.parametrize(("target", "length"), [(100.0, 100.0), (99.0, 50.0), (0.31, 0.2)])
def test_scale_bars_are_round(target, length):
    assert round_length(target) == pytest.approx(length)
