"""Cost and robustness of the batch engine; every part is a command of its own.

Run as a script, for example::

    python tests/benchmarks/engine.py overhead --images 2000
    python tests/benchmarks/engine.py workers --images 400
    python tests/benchmarks/engine.py many --images 100000
    python tests/benchmarks/engine.py finished --images 10000
    python tests/benchmarks/engine.py kills --times 100
    python tests/benchmarks/engine.py large --repeats 5
    python tests/benchmarks/engine.py mosaic --megapixels 1200

Times depend on what else the machine does: every part prints the load beside its figures, and
processor time beside wall time where that is what counts.
"""

import argparse
import os
import resource
import shutil
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "batch" / "stand"))

from bench_study import Bench  # found by the line above

ARRAY_MB = 3000 * 4000 * 2 / 2**20


@contextmanager
def bench_folder(keep: Path | None) -> Iterator[Bench]:
    if keep is not None:
        keep.mkdir(parents=True, exist_ok=True)
        yield Bench(folder=keep)
        return
    with tempfile.TemporaryDirectory() as name:
        yield Bench(folder=Path(name))


def settle(bench: Bench) -> None:
    """Date the images back: files made a moment ago are not trusted by their date."""
    for path in (bench.folder / "images").iterdir():
        os.utime(path, ns=(10**18, 10**18))


def timed(bench: Bench, *arguments: str) -> tuple[float, float, str]:
    """Return wall and processor seconds of a run, and what it printed."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    done = subprocess.run(
        bench.command(*arguments), env=bench.environment(), capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    wall = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    if done.returncode not in {0, 1}:
        raise SystemExit(done.stderr)
    return wall, cpu, done.stdout


def load() -> str:
    return f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"


def overhead(args: argparse.Namespace) -> None:
    """Engine's own cost per image: all but what a worker needs for the image itself."""
    from stand_quantity import register

    register()
    from micromeasure.run.engine import run_study
    from micromeasure.run.options import Options
    from micromeasure.run.pool import quiet_libraries
    from micromeasure.run.worker import measure_image
    from micromeasure.study.load import load_study

    quiet_libraries()
    with bench_folder(args.folder) as bench:
        bench.images(args.images)
        settle(bench)
        study = load_study(bench.folder)
        spent = []

        def counted(task):
            start = time.process_time()
            result = measure_image(task)
            spent.append(time.process_time() - start)
            return result

        from micromeasure.run import worker

        worker.measure_image = counted
        start = time.process_time()
        run_study(study, out=bench.out, options=Options(jobs=0), watch=lambda _: None)
        whole = time.process_time() - start
        worker.measure_image = measure_image
        own = (whole - sum(spent)) / args.images * 1e3
        print(f"{args.images} images, {load()}")
        print(
            f"image itself {sum(spent) / args.images * 1e3:.2f} ms, "
            f"engine {own:.2f} ms of processor"
        )
        wall, cpu, _ = timed(bench, "--jobs", "1", "--fresh")
        start_wall, start_cpu, _ = timed(bench, "--jobs", "1")
        print(
            f"through one worker process: {(wall - start_wall) / args.images * 1e3:.2f} ms wall, "
            f"{(cpu - start_cpu) / args.images * 1e3:.2f} ms of processor an image, all included; "
            f"start and writing {start_wall:.2f} s"
        )


def workers(args: argparse.Namespace) -> None:
    """Speed of two workers against one."""
    with bench_folder(args.folder) as bench:
        bench.settings = f"busy_ms = {args.busy_ms}\n"
        bench.images(args.images)
        settle(bench)
        walls = {}
        for jobs in ("1", "2"):
            timed(bench, "--jobs", jobs, "--fresh")
            base, _, _ = timed(bench, "--jobs", jobs)
            wall, _, _ = timed(bench, "--jobs", jobs, "--fresh")
            walls[jobs] = wall - base
            print(f"{jobs} worker(s): {walls[jobs]:.2f} s for {args.images} images, {load()}")
        print(f"two are {walls['1'] / walls['2']:.2f} times one")


def many(args: argparse.Namespace) -> None:
    """Time an image and the coordinator's memory, along a long run."""
    with bench_folder(args.folder) as bench:
        bench.images(args.images, size=(8, 11))
        settle(bench)
        log = bench.folder / "log.jsonl"
        process = subprocess.Popen(
            bench.command("--jobs", str(args.jobs), "--log", str(log)), env=bench.environment(),
            stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        )  # fmt: skip
        status = Path(f"/proc/{process.pid}/status")
        last, start = 0, time.perf_counter()
        print("images done, images/s since the last line, coordinator's peak memory")
        while process.poll() is None:
            time.sleep(args.every_s)
            done = log.read_bytes().count(b"\n") if log.exists() else 0
            now = time.perf_counter()
            peak = peak_mb(status)
            print(
                f"{done:8d} {(done - last) / (now - start):8.1f} {peak:8.0f} MB  {load()}",
                flush=True,
            )
            last, start = done, now
        print(process.stdout.read()[-400:])


def peak_mb(status: Path) -> float:
    try:
        lines = status.read_text().splitlines()
        return next(int(x.split()[1]) / 1024 for x in lines if x.startswith("VmHWM"))
    except (OSError, StopIteration):
        return float("nan")


def finished(args: argparse.Namespace) -> None:
    """Time of a run in which nothing is left to do."""
    with bench_folder(args.folder) as bench:
        bench.images(args.images, size=(8, 11))
        settle(bench)
        wall, cpu, _ = timed(bench, "--jobs", "2")
        print(f"first run {wall:.1f} s wall, {cpu:.1f} s of processor")
        for _ in range(3):
            wall, cpu, out = timed(bench, "--jobs", "2")
            kept = "0 measured now" in out
            print(f"finished: {wall:.2f} s wall, {cpu:.2f} s of processor, kept {kept}, {load()}")


def kills(args: argparse.Namespace) -> None:
    """SIGKILL at random moments until the study is done; the files must be those of one run."""
    import random

    rng = random.Random(args.seed)
    with bench_folder(args.folder) as bench:
        bench.settings = f"crack = true\nbusy_ms = {args.busy_ms}\n"
        bench.images(args.images, do=["", "fail"])
        settle(bench)
        timed(bench, "--jobs", "2")
        whole = bench.tables()
        shutil.rmtree(bench.out)
        killed, runs, same, left = 0, 0, True, 0
        while killed < args.times:
            process = subprocess.Popen(
                bench.command("--jobs", "2"), env=bench.environment(),
                stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            )  # fmt: skip
            try:
                process.wait(rng.uniform(args.soonest_s, args.latest_s))
            except subprocess.TimeoutExpired:
                process.send_signal(signal.SIGKILL)
                process.wait()
                killed += 1
                continue
            # The study was done in spite of the kills: compare, and begin another one.
            runs += 1
            same = same and bench.tables() == whole
            left += len(list(bench.out.rglob("*.part")))
            shutil.rmtree(bench.out)
        timed(bench, "--jobs", "2")
        same = same and bench.tables() == whole
        print(
            f"{killed} kills over {runs + 1} runs of the study; files the same each time: {same}; "
            f"half-written files left: {left}"
        )


def write_film(path: Path) -> None:
    """Write a film section of 12 megapixels in 16 bits, compressed as microscopes do."""
    import numpy as np
    import tifffile
    from scipy.special import erf

    rng = np.random.default_rng(1)
    y, x = np.arange(3000.0)[:, None], np.arange(4000.0)[None, :]
    middle = 1500 + 0.05 * (x - 2000)
    film = erf((y - middle + 130) / 2.1) - erf((y - middle - 130) / 2.1)
    pixels = (12000 + 8000 * film + rng.normal(0, 600, (3000, 4000))).clip(0, 65535)
    tifffile.imwrite(path, pixels.astype(np.uint16), compression="deflate", predictor=True)


def film_task(bench: Bench) -> object:
    """Return the task of measuring a large film section."""
    from micromeasure.calibration.file import Calibration
    from micromeasure.micrograph.image import ImageRecord
    from micromeasure.quantities.film_thickness import FilmThicknessSettings
    from micromeasure.run.task import Task
    from micromeasure.study.model import Job, Measure

    path = bench.folder / "film.tif"
    settings = FilmThicknessSettings(layers=("diaphragm",))
    measure = Measure(number=1, quantity="film_thickness", view="film-section", settings=settings)
    job = Job(
        number=0, record=ImageRecord(image="film.tif", view="film-section"), path=path,
        calibration=Calibration(
            schema=1, id="bench", um_per_px=(0.345, 0.347), u_um_per_px=(9e-5, 9e-5)
        ),
        measures=(measure,),
    )  # fmt: skip
    return Task(job=job, slots=("film_thickness",), requests=("r",), out=bench.out)


def large(args: argparse.Namespace) -> None:
    """A 12-megapixel deflate TIFF: everything against reading, hashing and decoding alone."""
    from micromeasure.micrograph.reading import read_micrograph
    from micromeasure.run.pool import quiet_libraries
    from micromeasure.run.worker import measure_image

    quiet_libraries()
    with bench_folder(args.folder) as bench:
        subprocess.run(
            [sys.executable, __file__, "--folder", str(bench.folder), "film"], check=True
        )
        task = film_task(bench)
        before = peak_mb(Path("/proc/self/status"))
        measure_image(task)
        alone, whole = [], []
        for _ in range(args.repeats):
            start = time.process_time()
            read_micrograph(task.job.path, calibration=task.job.calibration)
            middle = time.process_time()
            result = measure_image(task)
            alone.append(middle - start)
            whole.append(time.process_time() - middle)
        a, b = statistics.median(alone), statistics.median(whole)
        print(
            f"read, hash, decode {a * 1e3:.0f} ms; everything {b * 1e3:.0f} ms: {b / a:.2f} times"
        )
        peak = peak_mb(Path("/proc/self/status"))
        print(f"failures {[m.reasons for m in result.measures]}; {load()}; peak {peak:.0f} MB")
        grown = peak - before
        print(f"{grown:.0f} MB above the bare program, {grown / ARRAY_MB:.1f} times the array")


def film(args: argparse.Namespace) -> None:
    """Write the film section of `large` into --folder, in a process of its own."""
    write_film(args.folder / "film.tif")


def mosaic(args: argparse.Namespace) -> None:
    """A fold in a tiled image of over a gigapixel: time, and memory beside the decoded whole."""
    import numpy as np
    import tifffile

    from micromeasure.calibration.file import Calibration
    from micromeasure.micrograph.image import ImageRecord
    from micromeasure.quantities import quantities
    from micromeasure.run.pool import quiet_libraries
    from micromeasure.run.task import Task
    from micromeasure.run.worker import measure_image
    from micromeasure.study.model import Job, Measure

    quiet_libraries()
    rng = np.random.default_rng(3)
    side = 512
    rows, cols = (round(args.megapixels * 1e6 / 50_000) // side * side, 50_000 // side * side)
    tiles = [rng.normal(120, 6, (side, side)).astype(np.uint8) for _ in range(16)]
    with bench_folder(args.folder) as bench:
        path = bench.folder / "mosaic.tif"
        count = rows // side * (cols // side)
        tifffile.imwrite(
            path, (tiles[i % 16] for i in range(count)), bigtiff=True, tile=(side, side),
            shape=(rows, cols), dtype=np.uint8,
        )  # fmt: skip
        middle = float(rows // 2)
        settings = quantities()["crack_length"].settings(
            fold=(8000.0, middle, 12000.0, middle + 60), band_um=60.0
        )
        measure = Measure(number=1, quantity="crack_length", view="", settings=settings)
        job = Job(
            number=0, record=ImageRecord(image="mosaic.tif"), path=path,
            calibration=Calibration(schema=1, id="bench", um_per_px=(0.5, 0.51)),
            measures=(measure,),
        )  # fmt: skip
        before = peak_mb(Path("/proc/self/status"))
        start = time.process_time()
        result = measure_image(Task(job=job, slots=("c",), requests=("r",), out=bench.out))
        spent = time.process_time() - start
        peak = peak_mb(Path("/proc/self/status"))
        print(
            f"{cols} x {rows} px, {path.stat().st_size / 1e6:.0f} MB: {spent:.2f} s of processor, "
            f"peak {peak:.0f} MB, {before:.0f} MB of it before; "
            f"failures {[m.reasons for m in result.measures]}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--folder", type=Path, help="keep the study here")
    parts = parser.add_subparsers(required=True)
    for part, given in {
        overhead: {"images": 500},
        workers: {"images": 200, "busy_ms": 60.0},
        many: {"images": 5000, "jobs": 2, "every_s": 10.0},
        finished: {"images": 1000},
        kills: {"images": 400, "times": 20, "busy_ms": 20.0, "soonest_s": 0.3, "latest_s": 4.0,
                "seed": 7},
        large: {"repeats": 5},
        film: {},
        mosaic: {"megapixels": 1200},
    }.items():  # fmt: skip
        command = parts.add_parser(part.__name__, help=part.__doc__)
        for name, default in given.items():
            command.add_argument(f"--{name.replace('_', '-')}", type=type(default), default=default)
        command.set_defaults(part=part)
    args = parser.parse_args()
    args.part(args)


if __name__ == "__main__":
    main()
