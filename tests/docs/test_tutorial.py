"""The tutorial is followed word for word, in a folder like a fresh checkout."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
FENCE = re.compile(r"^```(\w+)\n(.*?)^```", flags=re.DOTALL | re.MULTILINE)
SAVED_AS = {"csv": "my-films/images.csv", "toml": "my-films/study.toml"}


@pytest.fixture(scope="module")
def checkout(tmp_path_factory):
    folder = tmp_path_factory.mktemp("checkout")
    (folder / "calibrations").symlink_to(ROOT / "calibrations")
    study = folder / "sample_images" / "pressure-switch"
    study.mkdir(parents=True)
    for item in (ROOT / "sample_images" / "pressure-switch").iterdir():
        if item.name != "results":
            (study / item.name).symlink_to(item)
    return folder


def run(line, folder):
    path = os.pathsep.join([str(Path(sys.executable).parent), os.environ["PATH"]])
    return subprocess.run(
        ["bash", "-c", line],  # noqa: S607
        cwd=folder,
        env={**os.environ, "PATH": path},
        capture_output=True,
        text=True,
        check=False,
    )


def test_the_tutorial_works_word_for_word(checkout):
    page = (ROOT / "docs/tutorial/first-study.md").read_text(encoding="utf-8")
    for kind, text in FENCE.findall(page):
        if kind in SAVED_AS:
            (checkout / SAVED_AS[kind]).write_text(text, encoding="utf-8")
            continue
        for line in text.splitlines():
            if "venv" in line:
                continue  # this very environment is what these lines make
            done = run(line, checkout)
            # The sample study holds one image that cannot be measured.
            expected = 1 if line == "micromeasure run sample_images/pressure-switch" else 0
            assert done.returncode == expected, (line, done.stdout, done.stderr)
            assert "Traceback" not in done.stderr
    results = checkout / "my-films" / "results"
    rows = (results / "measurements.csv").read_text(encoding="utf-8").splitlines()
    assert len(rows) == 1 + 2 * 4
    assert (checkout / "sample_images/pressure-switch/results/report.html").is_file()
    again = run("micromeasure run sample_images/pressure-switch", checkout)
    assert "0 measured now" in again.stdout
    spoilt = (checkout / "my-films/study.toml").read_text().replace("layers", "layres")
    (checkout / "my-films/study.toml").write_text(spoilt)
    assert "did you mean 'layers'?" in run("micromeasure check my-films", checkout).stderr
