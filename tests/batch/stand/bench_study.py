"""A study of tiny images in a folder, and the command run on it."""

import os
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import tifffile

STAND = Path(__file__).parent

CALIBRATION = """schema = 1
id = "bench"
um_per_px = { x = 0.5, y = 0.52 }
u_um_per_px = { x = 0.0004, y = 0.0004 }
"""


@dataclass
class Bench:
    """A study of tiny images in a folder."""

    folder: Path
    rows: list[dict[str, str]] = field(default_factory=list)
    settings: str = ""

    @property
    def out(self) -> Path:
        return self.folder / "results"

    def images(
        self, count: int, *, do: Sequence[str] = (), size: tuple[int, int] = (12, 17)
    ) -> None:
        rng = np.random.default_rng(5)
        (self.folder / "images").mkdir(exist_ok=True)
        for number in range(count):
            name = f"plate_{number:05d}.tif"
            pixels = rng.integers(0, 4000, size, dtype=np.uint16)
            tifffile.imwrite(self.folder / "images" / name, pixels)
            self.rows.append(
                {
                    "image": name,
                    "specimen": f"{'KM'[number % 2]}-{number // 4}",
                    "revision": "KM"[number % 2],
                    "view": "plate",
                    "do": do[number] if number < len(do) else "",
                }
            )
        self.write()

    def write(self) -> None:
        names = list(self.rows[0])
        lines = [",".join(names), *(",".join(row[n] for n in names) for row in self.rows)]
        (self.folder / "images.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
        (self.folder / "bench.toml").write_text(CALIBRATION, encoding="utf-8")
        (self.folder / "study.toml").write_text(
            'schema = 1\ntitle = "Test stand"\ncalibrations = "."\nmanifest = "images.csv"\n'
            'calibration = "bench"\n\n[[measure]]\nquantity = "stand_level"\nview = "plate"\n'
            + self.settings,
            encoding="utf-8",
        )

    def environment(self) -> dict[str, str]:
        return {
            **os.environ,
            "PYTHONPATH": str(STAND),
            "STAND_FOLDER": str(self.folder),
            "OMP_NUM_THREADS": "1",
        }

    def command(self, *arguments: str) -> list[str]:
        return [sys.executable, "-m", "micromeasure", "run", str(self.folder), *arguments]

    def run(self, *arguments: str, **more: str) -> "subprocess.CompletedProcess[str]":
        return subprocess.run(
            self.command(*arguments),
            env={**self.environment(), **more},
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )

    def text(self, name: str) -> str:
        return (self.out / name).read_bytes().decode()

    def tables(self) -> dict[str, bytes]:
        return {path.name: path.read_bytes() for path in sorted(self.out.glob("*.csv"))}
