"""Texts of persons in the report: `notes.md` beside the study, kept over all re-runs.

Only a small part of Markdown is understood, and everything else is shown as it stands: the page
must not be able to carry scripts.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from html import escape
from pathlib import Path

from micromeasure.errors import ResultsError
from micromeasure.tables.writing import replace_file, unwritable

NOTES_FILE = "notes.md"

PLACES = ("question", "findings", "cautions", "recommendations")
"""Headings that have a place of their own in the report; others come at its end."""

_EMPTY = """\
<!-- Texts of the report. Edit freely: the program never writes over this file. A heading without
text is left out. Paragraphs, lists with "-", **strong**, *emphasis*, `code` and links work. -->

# Question

<!-- What was asked, by whom, and what hangs on the answer. -->

# Findings

<!-- What the measurements mean for the part. -->

# Recommendations

# Cautions

<!-- What must not be concluded from this examination. -->
"""

_COMMENT = re.compile(r"<!--.*?-->", re.DOTALL)
_HEADING = re.compile(r"(?P<level>#{1,6})\s+(?P<title>.+?)\s*#*\s*")
_BULLET = re.compile(r"\s*[-*+]\s+(?P<text>.+)")
_NUMBERED = re.compile(r"\s*\d+[.)]\s+(?P<text>.+)")
_LINK = re.compile(r"\[(?P<text>[^\]]+)\]\((?P<to>(?:https?://|mailto:)[^\s)]+)\)")
_CODE = re.compile(r"`([^`]+)`")
_SPANS = (
    (re.compile(r"\*\*([^*]+)\*\*"), r"<strong>\1</strong>"),
    (re.compile(r"\*([^*\s][^*]*)\*"), r"<em>\1</em>"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """One text block.

    Attributes
    ----------
    title : str
    html : str
        Safe to put into a page.
    """

    title: str
    html: str


def notes_path(study_file: Path) -> Path:
    """Return where the texts of a study lie: beside the study file."""
    return study_file.with_name(NOTES_FILE)


def read_notes(study_file: Path) -> tuple[Note, ...]:
    """Read the texts of a study; where there are none yet, lay out an empty file for them.

    Raises
    ------
    ResultsError
        If the file cannot be read.
    """
    path = notes_path(study_file)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        try:
            replace_file(path, _EMPTY.encode())
        except OSError as error:
            raise unwritable(path, error) from error
        return ()
    except (OSError, UnicodeDecodeError) as error:
        message = f"{path.name}: cannot be read as UTF-8 text ({error}); save it as UTF-8."
        raise ResultsError(message) from error
    return notes_of(text)


def notes_of(text: str) -> tuple[Note, ...]:
    """Split a text at its topmost headings; blocks without any text are left out."""
    lines = _COMMENT.sub("", text).splitlines()
    headings = [_HEADING.fullmatch(line) for line in lines]
    top = min((len(h["level"]) for h in headings if h), default=1)
    blocks: list[tuple[str, list[str]]] = [("", [])]
    for line, heading in zip(lines, headings, strict=True):
        if heading is not None and len(heading["level"]) == top:
            blocks.append((heading["title"], []))
        else:
            blocks[-1][1].append(line)
    made = ((title, html_of(inside)) for title, inside in blocks)
    return tuple(Note(title=title, html=html) for title, html in made if html)


def html_of(lines: list[str]) -> str:
    """Return a few kinds of Markdown as HTML, everything else as plain text."""
    return "\n".join(_block(kind, texts) for kind, texts in _blocks(lines))


def _blocks(lines: list[str]) -> Iterator[tuple[str, list[str]]]:
    """Group lines into paragraphs, lists and subheadings."""
    kind, texts = "", list[str]()
    for line in [*lines, ""]:
        new_kind, text = _kind(line)
        continues = new_kind == "p" and kind in {"ul", "ol"} and line.startswith((" ", "\t"))
        if continues and texts:
            texts[-1] += " " + text
        elif new_kind == kind and kind != "h3":
            texts.append(text)
        else:
            if texts and kind:
                yield kind, texts
            kind, texts = new_kind, [text]
    if texts and kind:
        yield kind, texts


def _kind(line: str) -> tuple[str, str]:
    if not line.strip():
        return "", ""
    for kind, pattern in (("h3", _HEADING), ("ul", _BULLET), ("ol", _NUMBERED)):
        match = pattern.fullmatch(line)
        if match is not None:
            return kind, match["title" if kind == "h3" else "text"]
    return "p", line.strip()


def _block(kind: str, texts: list[str]) -> str:
    if kind in {"ul", "ol"}:
        items = "".join(f"<li>{_inline(text)}</li>" for text in texts)
        return f"<{kind}>{items}</{kind}>"
    return f"<{kind}>{_inline(' '.join(texts))}</{kind}>"


def _inline(text: str) -> str:
    # Every second piece is the inside of a pair of backquotes, where nothing else counts.
    pieces = _CODE.split(escape(text))
    return "".join(
        f"<code>{piece}</code>" if number % 2 else _spans(piece)
        for number, piece in enumerate(pieces)
    )


def _spans(safe: str) -> str:
    for pattern, replacement in _SPANS:
        safe = pattern.sub(replacement, safe)
    return _LINK.sub(r'<a href="\g<to>">\g<text></a>', safe)
