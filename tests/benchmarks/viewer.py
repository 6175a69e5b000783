"""How long a review takes to open, and to move on, with thousands of candidates.

    xvfb-run -a -s "-screen 0 1600x1200x24" python tests/benchmarks/viewer.py --candidates 5000

Prints wall and processor time of opening (from the start of the process) and of each move to the
next indication, drawn on the screen. The study is rendered into a temporary folder first, in
another process.
"""

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

STARTED = time.time() - time.process_time()
sys.path.insert(0, str(Path(__file__).parents[1] / "data" / "review"))


def made(folder: Path, *, candidates: int, each: int, width: int) -> None:
    """Render a study of so many candidates."""
    import made_study

    made_study.SIZE_PX = (width, round(width * 0.72))
    made_study.make_study(folder, images=candidates // each, each=each)


def timed_review(folder: Path, moves: int) -> None:
    """Open the review, move on, and print the times."""
    import numpy as np

    from micromeasure.review.opening import open_review
    from micromeasure.review.queue import Rules
    from micromeasure.review.viewer.window import open_window

    opened = open_review(folder)
    viewer, bench = open_window(opened, Rules(reviewer="XY"))
    from qtpy.QtWidgets import QApplication  # noqa: TID251 (the window is what is timed)

    QApplication.processEvents()
    print(
        f"open with {len(opened.candidates)} candidates: {time.time() - STARTED:.2f} s, "
        f"processor {time.process_time():.2f} s"
    )
    for action in ("next", "confirm"):
        wall, processor = [], []
        for _ in range(moves):
            start, worked = time.time(), time.process_time()
            bench.press(action)
            QApplication.processEvents()
            wall.append(time.time() - start)
            processor.append(time.process_time() - worked)
            time.sleep(0.3)  # nobody decides faster, and the next images are read meanwhile
        print(
            f"{action}: median {np.median(wall):.3f} s, slowest {max(wall):.3f} s, "
            f"processor {np.median(processor):.3f} s"
        )
    bench.close()
    viewer.close()


def main() -> int:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--candidates", type=int, default=5000)
    parser.add_argument("--each", type=int, default=10, help="candidates an image")
    parser.add_argument("--width", type=int, default=420, help="image width in pixels")
    parser.add_argument("--moves", type=int, default=30)
    parser.add_argument("--study", type=Path, help="a study that is there already")
    args = parser.parse_args()
    if args.study is not None:
        timed_review(args.study, args.moves)
        return 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "study"
        made(folder, candidates=args.candidates, each=args.each, width=args.width)
        command = [sys.executable, __file__, "--study", str(folder), "--moves", str(args.moves)]
        return subprocess.run(command, check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
