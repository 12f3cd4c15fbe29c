"""One thread per test process: several processes with a thread pool each starve one another on two cores."""

import os

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import cv2  # noqa: E402

cv2.setNumThreads(1)
