"""The same study on a Dask scheduler: the same bytes, and nothing lost with a worker."""

import importlib.util
import os
import signal
import subprocess
import sys
import time

import pytest

import micromeasure.run.cluster as cluster_module
from micromeasure.errors import MissingPartError, ResultsError
from micromeasure.run.cluster import run_on_cluster

pytestmark = pytest.mark.skipif(
    importlib.util.find_spec("distributed") is None, reason="needs the cluster extra"
)

SCHEDULER = """
import logging, sys, time
from distributed import LocalCluster
if __name__ == "__main__":
    cluster = LocalCluster(n_workers=2, threads_per_worker=1, host="127.0.0.1",
                           dashboard_address=None, silence_logs=logging.CRITICAL)
    pids = [str(w.process.pid) for w in cluster.workers.values()]
    print(cluster.scheduler_address, *pids, flush=True)
    sys.stdin.read()
    cluster.close()
"""


@pytest.fixture
def cluster(bench):
    script = bench.folder / "scheduler.py"
    script.write_text(SCHEDULER)
    process = subprocess.Popen(
        [sys.executable, str(script)], env=bench.environment(), text=True,
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    address, *pids = process.stdout.readline().split()
    yield address, [int(pid) for pid in pids]
    process.stdin.close()
    process.stdout.close()
    process.wait(timeout=60)


def test_the_same_bytes_with_a_worker_killed_on_the_way(bench, cluster):
    address, pids = cluster
    bench.settings = "crack = true\nbusy_ms = 30.0\n"
    bench.images(60, do=["", "fail"])
    assert bench.run("--jobs", "0").returncode == 1
    here = bench.tables()
    overlay = bench.out / "overlays/plate_00010.tif.stand_level.jpg"
    overlay.unlink()
    process = subprocess.Popen(
        bench.command("--cluster", address, "--fresh"), env=bench.environment(),
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    end = time.monotonic() + 60
    while not overlay.exists() and process.poll() is None and time.monotonic() < end:
        time.sleep(0.02)
    os.kill(pids[0], signal.SIGKILL)
    out, err = process.communicate(timeout=120)
    assert process.returncode == 1, (out, err)
    assert "60 images: 60 measured now" in out, err
    assert bench.tables() == here


def test_no_scheduler_is_one_sentence(monkeypatch):
    monkeypatch.setattr(cluster_module, "_CONNECT_S", 0.5)
    with pytest.raises(ResultsError, match=r"--cluster tcp://127.0.0.1:9: no scheduler answers"):
        next(run_on_cluster(iter(()), address="tcp://127.0.0.1:9", timeout_s=1.0))


def test_a_cluster_without_its_extra_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(MissingPartError, match=r"pip install 'micromeasure\[cluster\]'"):
        next(run_on_cluster(iter(()), address="tcp://127.0.0.1:9", timeout_s=1.0))
