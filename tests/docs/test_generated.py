"""Reference pages made from the code agree with it."""

import importlib.util
import sys
from pathlib import Path

import pytest

DOCS = Path(__file__).parents[2] / "docs"


def generator():
    spec = importlib.util.spec_from_file_location("docs_generate", DOCS / "generate.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("page", ["flags.md", "study-file.md", "columns.md", "commands.md"])
def test_page_is_as_the_code_says(page):
    made = generator().PAGES[page]()
    kept = (DOCS / "reference" / page).read_text(encoding="utf-8")
    assert made == kept, "run: python docs/generate.py"
