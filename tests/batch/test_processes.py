"""Workers that die or hang, runs that are stopped or killed: the same numbers come out."""

import csv
import io
import json
import re
import signal
import subprocess
import time
from contextlib import contextmanager

import pytest


def reasons(bench):
    rows = csv.DictReader(io.StringIO(bench.text("failures.csv"), newline=""))
    return {row["image"]: row["reason"] for row in rows}


@contextmanager
def running(bench, *arguments):
    """Start a run and see to it that it ends."""
    process = subprocess.Popen(
        bench.command(*arguments),
        env=bench.environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    try:
        yield process
    finally:
        process.kill()
        process.communicate(timeout=30)


def wait_for_file(path, process):
    """Wait until a file is there."""
    end = time.monotonic() + 60
    while not path.exists():
        assert time.monotonic() < end, f"{path.name} did not come"
        assert process.poll() is None, f"the run ended before {path.name} came"
        time.sleep(0.01)


def status(bench):
    return subprocess.run(
        [*bench.command()[:3], "status", str(bench.folder)],
        env=bench.environment(), capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip


def test_the_same_bytes_on_one_core_and_on_two(bench):
    bench.settings = "crack = true\n"
    bench.images(24, do=["", "fail", "", "nan"])
    made = []
    for jobs in ("0", "1", "2"):
        done = bench.run("--jobs", jobs, "--fresh")
        assert done.returncode == 1, done.stderr
        made.append(bench.tables())
    assert made[0] == made[1] == made[2]


def test_lost_workers_cost_their_own_image_only(bench):
    bench.images(9, do=["", "kill", "", "kill-once", "", "exit"])
    log = bench.folder / "log.jsonl"
    done = bench.run("--jobs", "2", "--log", str(log))
    assert done.returncode == 1, done.stderr
    found = reasons(bench)
    assert set(found) == {"plate_00001.tif", "plate_00005.tif"}
    assert "killed; the machine may have run out of memory" in found["plate_00001.tif"]
    assert "exit status 3" in found["plate_00005.tif"]
    assert "in a second try alone as well" in found["plate_00001.tif"]
    assert (bench.folder / "plate_00003.tif.tried").exists()
    events = [json.loads(line) for line in log.read_text().splitlines()]
    assert events[0]["event"] == "started"
    assert events[-1] == {**events[-1], "event": "ended", "status": "finished"}
    images = [e["image"] for e in events if e["event"] == "image"]
    assert sorted(images) == [row["image"] for row in bench.rows]


def test_a_hanging_image_is_ended(bench):
    bench.images(4, do=["", "hang"])
    done = bench.run("--jobs", "2", "--image-timeout", "1")
    assert done.returncode == 1, done.stderr
    found = reasons(bench)
    assert set(found) == {"plate_00001.tif"}
    assert found["plate_00001.tif"].startswith("took longer than 1 s (see --image-timeout)")


def test_a_run_killed_at_any_moment_ends_with_the_same_files(bench):
    bench.settings = "crack = true\nbusy_ms = 15.0\n"
    bench.images(40, do=["", "fail"])
    assert bench.run("--jobs", "2").returncode == 1
    whole = bench.tables()
    fresh = ["--fresh"]
    for pause_s in (2.9, 1.3, 2.1, 1.7):
        with running(bench, "--jobs", "2", *fresh):
            time.sleep(pause_s)
        fresh = []
    done = bench.run("--jobs", "2")
    assert done.returncode == 1, done.stderr
    assert bench.tables() == whole
    assert not list(bench.out.rglob("*.part"))


@pytest.mark.parametrize("kind", [signal.SIGINT, signal.SIGTERM])
def test_a_stopped_run_says_how_to_go_on(bench, kind):
    bench.images(12, do=[""] * 5 + ["hang-once"])
    with running(bench, "--jobs", "1") as process:
        wait_for_file(bench.folder / "plate_00005.tif.tried", process)
        process.send_signal(kind)
        out, err = process.communicate(timeout=60)
        assert process.returncode == 130, (out, err)
    assert "Go on with the same command." in err
    assert "Traceback" not in err
    # The last result before the signal may be measured and not yet kept.
    assert re.search(r": stopped, [45] of 12 images done", status(bench))
    done = bench.run("--jobs", "2")
    assert done.returncode == 0, done.stderr
    assert "12 images: " in done.stdout
    assert ": finished, 12 of 12 images done" in status(bench)


def test_no_worker_outlives_a_killed_run(bench):
    bench.images(2, do=["hang-once"])
    with running(bench, "--jobs", "1") as process:
        wait_for_file(bench.folder / "plate_00000.tif.tried", process)
        process.kill()
        # Workers hold the other end of these pipes: they close when the last one has ended.
        process.communicate(timeout=20)


def test_two_runs_at_once_and_their_status(bench):
    bench.images(4, do=["", "", "hang-once"])
    with running(bench, "--jobs", "1") as process:
        wait_for_file(bench.folder / "plate_00002.tif.tried", process)
        second = bench.run()
        assert second.returncode == 2
        assert f"another run is writing here (process {process.pid} on " in second.stderr
        assert ": running, 2 of 4 images done" in status(bench)
