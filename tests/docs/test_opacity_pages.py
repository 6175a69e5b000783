"""Settings shown on the pages about opacity are settings that exist."""

import re
import tomllib
from pathlib import Path

import pytest

from micromeasure.fields import parse, specs
from micromeasure.quantities import quantities
from micromeasure.quantities.optical_density import LightSettings

DOCS = Path(__file__).parents[2] / "docs"
PAGES = (
    "howto/comparable-frames.md",
    "reference/optical_density.md",
    "reference/relative_opacity.md",
    "reference/contrast_ratio.md",
)
FENCE = re.compile(r"^```toml\n(.*?)^```", flags=re.DOTALL | re.MULTILINE)


@pytest.mark.parametrize("page", PAGES)
def test_tables_of_a_study_are_valid(page):
    problems = []
    for text in FENCE.findall((DOCS / page).read_text(encoding="utf-8")):
        given = tomllib.loads(text)
        for measure in given.pop("measure", []):
            rest = {k: v for k, v in measure.items() if k not in ("quantity", "view")}
            parse(quantities()[measure["quantity"]].settings, rest, where=page, problems=problems)
        assert set(given) <= set(specs(LightSettings))
    assert problems == []


def test_every_setting_is_on_the_page_of_optical_density():
    page = (DOCS / "reference/optical_density.md").read_text(encoding="utf-8")
    for name in specs(quantities()["optical_density"].settings):
        assert f"`{name}`" in page


def test_every_component_that_light_adds_is_on_the_page():
    page = (DOCS / "reference/optical_density.md").read_text(encoding="utf-8")
    source = "".join(
        path.read_text(encoding="utf-8")
        for path in (DOCS.parent / "micromeasure" / "opacity").glob("*.py")
    )
    names = set(re.findall(r'name="([a-z ,-]+)"', source))
    assert len(names) > 12
    for name in names:
        assert f"`{name}`" in page
