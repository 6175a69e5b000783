"""How far a run is, read from its ledger by another process."""

import datetime as dt
from dataclasses import dataclass
from pathlib import Path

from micromeasure.run.engine import FINISHED, RESULTS_FOLDER, default_out
from micromeasure.run.ledger import LEDGER_FILE, Tally, read_tally
from micromeasure.run.lock import is_locked


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """The state of a results folder.

    Attributes
    ----------
    folder : pathlib.Path
    total : int
        Images of the study at the start of the last run.
    tally : Tally
    started : str
        Start of the last run, ISO 8601.
    is_running, is_finished : bool
    """

    folder: Path
    total: int
    tally: Tally
    started: str
    is_running: bool
    is_finished: bool

    def lines(self) -> list[str]:
        """Return the state in a few lines for people."""
        word = "running" if self.is_running else "finished" if self.is_finished else "stopped"
        done = f"{self.tally.images} of {self.total} images done"
        lines = [
            f"{self.folder}: {word}, {done}, {self.tally.failed} measurements failed",
            f"last run began {self.started or '–'}, last image finished {self.tally.last or '–'}",
        ]
        left = self._left_s()
        if self.is_running and left is not None:
            lines.append(f"about {dt.timedelta(seconds=round(left))} left")
        if word == "stopped":
            lines.append("Go on with the same `micromeasure run` command.")
        return lines

    def _left_s(self) -> float | None:
        """Return the time left, from the speed since this run began."""
        now_done = self.tally.since_start
        if not now_done or not self.started or not self.tally.last:
            return None
        start, last = (dt.datetime.fromisoformat(t) for t in (self.started, self.tally.last))
        return (last - start).total_seconds() / now_done * max(0, self.total - self.tally.images)


def read_state(path: Path) -> State:
    """Read the state of a run.

    Parameters
    ----------
    path : pathlib.Path
        A results folder, a study file, or a folder with a study and its results.

    Raises
    ------
    ResultsError
        If there is no ledger.
    """
    folder = _results_folder(path)
    tally, facts = read_tally(folder)
    return State(
        folder=folder,
        total=int(facts.get("total", "0")),
        tally=tally,
        started=facts.get("started", ""),
        is_running=is_locked(folder),
        is_finished=facts.get("state") == FINISHED,
    )


def _results_folder(path: Path) -> Path:
    if path.is_file():
        return default_out(path)
    inner = path / RESULTS_FOLDER
    return inner if not (path / LEDGER_FILE).is_file() and inner.is_dir() else path
