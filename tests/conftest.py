"""One thread per test process: several processes with a thread pool each starve one another on two cores.

No test touches the history or the kept tracks of whoever runs it, and none sees what another put there.
"""

import atexit
import gc
import os
import shutil
import tempfile
from itertools import count
from pathlib import Path

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import cv2  # noqa: E402
import hypothesis  # noqa: E402
import pytest  # noqa: E402

cv2.setNumThreads(1)
# No test is timed: machines are slow when they are busy.
hypothesis.settings.register_profile("untimed", deadline=None)
hypothesis.settings.load_profile("untimed")

OWN = Path(tempfile.mkdtemp(prefix="horizon-drift-tests-"))
atexit.register(shutil.rmtree, OWN, ignore_errors=True)
os.environ["HORIZON_DRIFT_HISTORY"] = str(OWN / "history.sqlite")
os.environ["HORIZON_DRIFT_CACHE"] = str(OWN / "tracks")


NUMBER = count()


def pytest_collection_finish():
    """Libraries and thousands of tests are no garbage: they need not be looked through time and again."""
    gc.freeze()


@pytest.fixture(autouse=True)
def _own_history(monkeypatch):
    number = next(NUMBER)
    monkeypatch.setenv("HORIZON_DRIFT_HISTORY", str(OWN / f"history-{number}.sqlite"))
    monkeypatch.setenv("HORIZON_DRIFT_CACHE", str(OWN / f"tracks-{number}"))
