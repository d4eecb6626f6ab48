"""A real scheduler and two worker processes give the local table, one of them killed or not."""

import subprocess
import sys
import time

import numpy as np
import pandas as pd
import pytest
from distributed import Client

from perfkit.cli import parser
from perfkit.errors import StudyError
from perfkit.frames import summarize
from tests.frames.make import clean_pass, csv_log, make_study, parquet_log

LOGS = 24
SECONDS = 120


def start(arguments):
    return subprocess.Popen(
        [sys.executable, "-m", *arguments], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )


@pytest.fixture
def cluster(tmp_path):
    """Start a scheduler and two workers; give a client and the workers' processes by name."""
    address = tmp_path / "scheduler.json"
    place = ["--scheduler-file", str(address)]
    head = ["distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0"]
    processes = {"scheduler": start([*head, "--no-dashboard", *place])}
    for name in ("one", "two"):
        worker = ["distributed.cli.dask_worker", "--nthreads", "1", "--no-nanny", "--no-dashboard"]
        folder = str(tmp_path / name)
        processes[name] = start([*worker, "--name", name, "--local-directory", folder, *place])
    try:
        deadline = time.monotonic() + SECONDS
        while not address.exists():
            assert time.monotonic() < deadline, "the scheduler did not start"
            time.sleep(0.1)
        with Client(scheduler_file=str(address), timeout=SECONDS) as client:
            client.wait_for_workers(2, timeout=SECONDS)
            yield client, processes
    finally:
        for process in processes.values():
            process.kill()
            process.wait()


class KillAfterThree:
    """Progress that kills a process once three results have come."""

    def __init__(self, process):
        self.process = process

    def say(self, text):
        pass

    def track(self, items, total, label):
        for count, item in enumerate(items):
            if count == 3:
                self.process.kill()
                self.process.wait()
            yield item


def study_of_logs(folder):
    logs = {
        f"{i}.csv": csv_log(clean_pass(np.random.default_rng(i), 4000 + 100 * i))
        for i in range(LOGS)
    }
    return make_study(folder, [{"pass_id": n[:-4], "log": n} for n in logs], logs)


def study_of_one_file(folder):
    lengths = 500 + 37 * np.arange(LOGS)
    times = clean_pass(np.random.default_rng(0), int(lengths.sum()))
    ids = np.repeat([f"p{i}" for i in range(LOGS)], lengths).tolist()
    content = parquet_log({"pass_id": ids, "frame_ms": times}, row_group_size=1000)
    rows = [{"pass_id": f"p{i}"} for i in range(LOGS)]
    return make_study(folder, rows, {"all.parquet": content}, combined="all.parquet")


def assert_same(found, expected):
    pd.testing.assert_frame_equal(found.passes, expected.passes, check_exact=True)
    pd.testing.assert_frame_equal(found.flags, expected.flags, check_exact=True)


@pytest.mark.slow
def test_a_killed_worker_changes_no_bit(cluster, tmp_path):
    client, processes = cluster
    logs, one_file = study_of_logs(tmp_path / "logs"), study_of_one_file(tmp_path / "file")
    assert_same(summarize(one_file, client=client), summarize(one_file))
    killer = KillAfterThree(processes["one"])
    assert_same(summarize(logs, client=client, progress=killer), summarize(logs))
    assert processes["one"].poll() is not None
    assert [worker["name"] for worker in client.scheduler_info()["workers"].values()] == ["two"]
    # Bad logs are told as they are told here.
    (tmp_path / "logs" / "5.csv").write_text("frame,frame_ms\n0,16\n1,-1\n")
    with pytest.raises(StudyError, match=r"5\.csv, line 3, frame_ms: found '-1\.0'"):
        summarize(logs, client=client)


REPORT = ["report", "study", "--out", "out", "--scheduler"]


@pytest.mark.parametrize(
    "address",
    [
        "tcp://192.0.2.7:8786",
        "tls://cluster-1.example:1",
        "localhost:65535",
        "tcp://[2001:db8::1]:8786",
    ],
)
def test_an_address_of_a_scheduler_is_taken_as_it_is(address):
    assert parser().parse_args([*REPORT, address]).scheduler == address


@pytest.mark.parametrize(
    "address",
    [
        *("", "192.0.2.7", "tcp://host", "host:0", "host:65536", "inproc://1", "http://host:80"),
        *(
            "a b:1",
            "user@host:1",
            "host:1/x",
            "host:\u0661",
            "host:1\n",
            "::1:8786",
            "scheduler.json",
        ),
    ],
)
def test_what_is_no_address_of_a_scheduler_is_wrong_use(address, capsys):
    with pytest.raises(SystemExit) as raised:
        parser().parse_args([*REPORT, address])
    assert raised.value.code == 2
    expected = f"{address!r} is no address of a scheduler: write tcp://HOST:PORT or tls://HOST:PORT"
    assert expected in capsys.readouterr().err
