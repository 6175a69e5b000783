import pytest

from micromeasure.errors import ResultsError
from micromeasure.report.notes import html_of, notes_of, read_notes


def test_blocks_with_text_are_kept():
    found = notes_of("before\n# Question\n<!-- hint -->\n\n# Findings #\nIt is **so**.\n")
    assert [(n.title, n.html) for n in found] == [
        ("", "<p>before</p>"),
        ("Findings", "<p>It is <strong>so</strong>.</p>"),
    ]


def test_second_level_headings_serve_where_there_is_no_first():
    (found,) = notes_of("## Background\n\nSofter.\n\n### Detail\n\nMore.\n")
    assert found.title == "Background"
    assert found.html == "<p>Softer.</p>\n<h3>Detail</h3>\n<p>More.</p>"


@pytest.mark.parametrize(
    ("lines", "html"),
    [
        (["one", "two", "", "three"], "<p>one two</p>\n<p>three</p>"),
        (["- a", "- b", "  more"], "<ul><li>a</li><li>b more</li></ul>"),
        (["1. a", "2) b"], "<ol><li>a</li><li>b</li></ol>"),
        (["## Sub", "text"], "<h3>Sub</h3>\n<p>text</p>"),
        (["*a* `b*c*`"], "<p><em>a</em> <code>b*c*</code></p>"),
        (["2 * 3 * 4"], "<p>2 * 3 * 4</p>"),
        (
            ["[ISO](https://example.org/a?b=1&c=2)"],
            '<p><a href="https://example.org/a?b=1&amp;c=2">ISO</a></p>',
        ),
    ],
)
def test_small_markdown(lines, html):
    assert html_of(lines) == html


@pytest.mark.parametrize(
    "text",
    [
        "<script>alert(1)</script>",
        "[x](javascript:alert(1))",
        '[x](https://a" onclick="alert(1))',
        "`<img src=x onerror=alert(1)>`",
    ],
)
def test_nothing_active_gets_through(text):
    html = html_of([text])
    assert "<script" not in html
    assert "<img" not in html
    assert 'href="javascript' not in html
    assert 'onclick="' not in html


def test_first_reading_lays_out_an_empty_file(tmp_path):
    study = tmp_path / "study.toml"
    assert read_notes(study) == ()
    assert (tmp_path / "notes.md").is_file()
    assert read_notes(study) == ()


def test_file_that_is_no_text(tmp_path):
    (tmp_path / "notes.md").write_bytes(b"\xff\xfe\x00x")
    with pytest.raises(ResultsError, match=r"notes\.md: cannot be read as UTF-8 text"):
        read_notes(tmp_path / "study.toml")
