"""Workers that die or hang, runs that are stopped or killed: the same numbers come out."""

import csv
import io
import json
import signal
import subprocess
import time

import pytest


def reasons(bench):
    rows = csv.DictReader(io.StringIO(bench.text("failures.csv"), newline=""))
    return {row["image"]: row["reason"] for row in rows}


def wait_for_images(bench, count, process):
    """Wait until a run has written so many overlays."""
    end = time.monotonic() + 60
    while time.monotonic() < end and process.poll() is None:
        if sum(1 for _ in bench.out.glob("overlays/*.jpg")) >= count:
            return
        time.sleep(0.01)
    message = f"the run did not get to image {count}"
    raise AssertionError(message)


def start(bench, *arguments):
    return subprocess.Popen(
        bench.command(*arguments),
        env=bench.environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


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
    assert (bench.folder / "plate_00003.tif.killed").exists()
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
        process = start(bench, "--jobs", "2", *fresh)
        time.sleep(pause_s)
        process.send_signal(signal.SIGKILL)
        process.communicate(timeout=30)
        fresh = []
    done = bench.run("--jobs", "2")
    assert done.returncode == 1, done.stderr
    assert bench.tables() == whole
    assert not list(bench.out.rglob("*.part"))


@pytest.mark.parametrize("kind", [signal.SIGINT, signal.SIGTERM])
def test_a_stopped_run_says_how_to_go_on(bench, kind):
    bench.settings = "busy_ms = 30.0\n"
    bench.images(60)
    process = start(bench, "--jobs", "2")
    wait_for_images(bench, 4, process)
    process.send_signal(kind)
    out, err = process.communicate(timeout=30)
    assert process.returncode == 130, (out, err)
    assert "Go on with the same command." in err
    assert "Traceback" not in err
    status = subprocess.run(
        [*bench.command()[:3], "status", str(bench.folder)],
        env=bench.environment(), capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert ": stopped, " in status.stdout
    assert "of 60 images done" in status.stdout
    done = bench.run("--jobs", "2")
    assert done.returncode == 0, done.stderr
    kept = int(done.stdout.split(" measured now, ")[1].split(" kept")[0])
    assert kept >= 3


def test_two_runs_at_once_and_their_status(bench):
    bench.settings = "busy_ms = 40.0\n"
    bench.images(60)
    process = start(bench, "--jobs", "1")
    wait_for_images(bench, 2, process)
    second = bench.run()
    assert second.returncode == 2
    assert f"another run is writing here (process {process.pid} on " in second.stderr
    status = subprocess.run(
        [*bench.command()[:3], "status", str(bench.out)],
        env=bench.environment(), capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert ": running, " in status.stdout
    process.send_signal(signal.SIGINT)
    process.communicate(timeout=30)
