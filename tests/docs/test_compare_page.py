"""The Python on the page about comparing revisions runs, and its table is computed."""

import re
from pathlib import Path

PAGE = Path(__file__).parents[2] / "docs" / "howto" / "compare-revisions.md"


def test_python_of_the_page_runs(capsys):
    (source,) = re.findall(
        r"^```python\n(.*?)^```", PAGE.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL
    )
    exec(compile(source, PAGE.name, "exec"), {})  # noqa: S102  # our own page
    assert "same within the stated tolerance" in capsys.readouterr().out


def test_table_of_resolvable_differences_is_computed():
    from micromeasure.compare.contrast import smallest_resolvable

    rows = re.findall(r"^\| (\d+) \| ([\d.]+) \|$", PAGE.read_text(encoding="utf-8"), re.MULTILINE)
    assert len(rows) == 5
    for n, printed in rows:
        true = smallest_resolvable((2 / int(n)) ** 0.5, 2 * (int(n) - 1))
        assert f"{true:.1f}" == printed
