"""Python in the documentation runs, and the commands it names exist with their options."""

import re
import shlex
from pathlib import Path

import pytest

from micromeasure.cli.main import build_parser

ROOT = Path(__file__).parents[2]
PAGES = sorted([*(ROOT / "docs").rglob("*.md"), ROOT / "README.md", ROOT / "DEVELOPERS.md"])
FENCE = re.compile(r"^```(\w+)\n(.*?)^```", flags=re.DOTALL | re.MULTILINE)


def blocks(language):
    for page in PAGES:
        for kind, text in FENCE.findall(page.read_text(encoding="utf-8")):
            if kind == language:
                yield page.relative_to(ROOT).as_posix(), text


def commands():
    for page, text in blocks("sh"):
        joined = text.replace("\\\n", " ")
        for line in joined.splitlines():
            for part in line.split("&&"):
                words = shlex.split(part, comments=True)
                if words and words[0].rpartition("/")[2] == "micromeasure":
                    yield pytest.param(words[1:], id=f"{page}: {' '.join(words)}")


@pytest.mark.parametrize("words", list(commands()))
def test_command_in_the_documentation_is_one_that_exists(words):
    # argparse leaves the program on an unknown command, option or a missing argument.
    if "--help" not in words:
        build_parser().parse_args(words)


def test_python_page_runs(capsys):
    page = (ROOT / "docs/howto/use-from-python.md").read_text(encoding="utf-8")
    (source,) = [text for kind, text in FENCE.findall(page) if kind == "python"]
    space = {}
    exec(compile(source, "use-from-python.md", "exec"), space)  # noqa: S102  # our own page
    mean = space["result"].measurements[0].estimate
    assert abs(mean.value - 60 * 0.34508) < 4 * mean.standard_uncertainty
    assert "film_thickness diaphragm mean" in capsys.readouterr().out
    assert "<table>" in space["result"]._repr_html_()
    assert list(space["result"].to_frame()["statistic"]) == ["mean", "sd", "min", "max"]
