"""Each call to the disk goes wrong once: a report stays old or becomes new, no forecast is lost."""

import tempfile
from collections import Counter
from pathlib import Path

import pandas as pd
import pytest

import perfkit as pk
from perfkit.study.ledger import keep_forecasts
from perfkit.study.ledger_hashes import broken_ledger
from tests.show.hostile import hostile_study
from tests.study.make import write_study
from tests.trust.disk import Disk
from tests.trust.faults import (
    IN_MEMORY,
    KINDS,
    STATUS,
    Reports,
    every_call,
    one_fault,
    signals_interrupt,
    try_all,
)


@pytest.fixture(scope="module")
def reports(tmp_path_factory):
    study = tmp_path_factory.mktemp("faults") / "study"
    hostile_study(study)
    with tempfile.TemporaryDirectory(dir=IN_MEMORY) as place:
        yield Reports(study, Path(place))


# A stop may come between the opening of a file and the block that closes it.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.slow
@pytest.mark.parametrize("kind", ["fails", "each in turn"])
def test_every_call_of_one_report_goes_wrong_once(reports, kind):
    others = [other for other in KINDS if other != "fails"]
    found = try_all(reports, *(others if kind != "fails" else ["fails"]), over_old=True)
    assert found["calls"] > 300
    assert found["old"] > 200
    assert found["new"] > 20
    assert found["cleaned by the next run"] > 20


@pytest.mark.slow
def test_the_calls_are_those_of_a_report(reports):
    reports.write("old")
    whats = {call.what for call in every_call(reports.write, reports.place, Disk())}
    assert {"create", "write", "close", "fsync", "mkdir", "exchange", "unlink", "flock"} <= whats


FORECAST = pd.DataFrame(
    {
        "system": ["bench"] * 2,
        "gpu": ["Brazier", "Ember"],
        "workload": ["Velm"] * 2,
        "width": [2560] * 2,
        "height": [1440] * 2,
        "render_scale": [1.0] * 2,
        "fps": [100 / 3, 61.25],
        "pred_low": [30.0, 50.0],
        "pred_high": [40.0, 70.0],
        "level": [0.9] * 2,
        "model": ["time sum"] * 2,
    }
)


def keep(study):
    """Keep two forecasts; returns what the command would."""
    try:
        with signals_interrupt():
            return 0 * keep_forecasts(study, FORECAST)
    except (pk.OutputError, pk.StudyError, MemoryError):
        return 2
    except KeyboardInterrupt:
        return 130


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize("kind", KINDS)
def test_no_forecast_is_torn_or_lost(tmp_path, kind):
    study, file = pk.load_study(write_study(tmp_path)), tmp_path / "forecasts.csv"
    keep(study)
    calls = every_call(lambda _: keep(study), tmp_path, Disk())
    found = Counter()
    for call in calls:
        before, shim = file.read_bytes(), Disk()
        status = one_fault(lambda: keep(study), tmp_path, shim, call, kind)
        after = file.read_bytes()
        added = after[len(before) :].count(b"\n")
        assert after.startswith(before)
        assert after.endswith(b"\n")
        assert added in (0, 2), call
        assert broken_ledger(after) == []
        assert status in (STATUS[kind] if kind != "dies" else {-9}), call
        found[added] += 1
        assert keep(study) == 0
        assert file.read_bytes().startswith(after)
        assert not [path.name for path in tmp_path.iterdir() if path.name.startswith(".")]
    assert {call.what for call in calls} >= {"create", "write", "fsync", "rename", "flock", "open"}
    assert found[0] > 5
    assert found[2] > 0
    assert len(pk.load_study(tmp_path).forecasts) == file.read_bytes().count(b"\n") - 1
