"""Measuring on a Dask cluster of two workers on this computer, one of them killed in the middle of it."""

import os
import signal
import sys

import pandas as pd
import pytest
from typer.testing import CliRunner

from attitude.cluster import ClusterError, cluster_workers
from horizon.clip import probe
from horizon.lens import lens_from_hfov
from horizon.measure import measure_clip
from tests.bench.fuzz_videos import sea, write_video

distributed = pytest.importorskip("distributed", reason="the cluster extra is not installed")
pytestmark = [
    pytest.mark.skipif(sys.platform == "win32", reason="kills a process by a POSIX signal"),
    # The cluster's own threads and sockets are closed by its own collector.
    pytest.mark.filterwarnings("ignore"),
]
LASTS_S, FPS = 12, 10


@pytest.fixture(scope="module")
def clip(tmp_path_factory):
    path = tmp_path_factory.mktemp("cluster") / "sea.mp4"
    images = sea((160, 90), frames=LASTS_S * FPS)
    write_video(path, images, fps=FPS, also=lambda stream: setattr(stream, "options", {"g": "10"}))
    return path


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    with distributed.LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        processes=True,
        dashboard_address=":0",
        local_directory=str(tmp_path_factory.mktemp("dask")),
        silence_logs=50,
    ) as running:
        yield running


def measured(clip, executor, progress=None):
    facts = probe(clip)
    lens = lens_from_hfov(facts.width_px, facts.height_px, 65)
    return measure_clip(facts, lens, executor=executor, progress=progress)


def test_a_worker_killed_midway_changes_nothing(cluster, clip):
    alone = measured(clip, None)
    pids = [worker.process.pid for worker in cluster.workers.values()]
    assert len(set(pids) - {os.getpid()}) == 2
    killed = []

    def kill(share):
        if not killed and share < 0.7:
            os.kill(pids[0], signal.SIGKILL)
            killed.append(share)

    with cluster_workers(cluster.scheduler_address) as executor:
        beside = measured(clip, executor, kill)
    assert killed
    pd.testing.assert_frame_equal(beside.track, alone.track)
    assert beside.damage == alone.damage == ""


def test_the_command_measures_there(cluster, clip, tmp_path):
    from attitude.cli import app

    done = CliRunner().invoke(
        app, ["measure", str(clip), "--out", str(tmp_path), "--scheduler", cluster.scheduler_address]
    )
    assert done.exit_code == 0, done.output
    frames = pd.read_csv(tmp_path / "frames.csv")
    assert frames["roll_deg"].to_numpy() == pytest.approx(3.0, abs=0.2)


def test_what_is_wrong_with_a_clip_comes_back_from_there(cluster, clip, tmp_path):
    from horizon.clip import ClipError

    copy = tmp_path / "sea.mp4"
    copy.write_bytes(clip.read_bytes())
    facts = probe(copy)
    lens = lens_from_hfov(facts.width_px, facts.height_px, 65)
    copy.write_bytes(b"")
    with (
        cluster_workers(cluster.scheduler_address) as executor,
        pytest.raises(ClipError, match=r"sea\.mp4: "),
    ):
        measure_clip(facts, lens, executor=executor)


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:9", "nonsense", "ftp://127.0.0.1:9", ""])
def test_a_scheduler_that_is_not_there_is_said_in_one_line(monkeypatch, address):
    monkeypatch.setattr("attitude.cluster.ANSWER_S", 1)
    words = "no scheduler answers there; name one as tcp://"
    with pytest.raises(ClusterError, match=words) as told, cluster_workers(address):
        pass
    assert "\n" not in str(told.value)


def test_workers_of_another_version_are_not_used(cluster, monkeypatch):
    monkeypatch.setattr("attitude.cluster._code", other_digest)
    words = r"(1 of 1|2 of 2) workers lack this version"  # the one that was killed may not be back yet
    with pytest.raises(ClusterError, match=words), cluster_workers(cluster.scheduler_address):
        pass


def other_digest():
    """Differs in every process, as another version would."""
    return str(os.getpid())


def test_without_the_extra_it_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    words = r"pip install 'horizon-drift\[cluster\]'"
    with pytest.raises(ClusterError, match=words), cluster_workers("tcp://127.0.0.1:8786"):
        pass
