"""What every test needs."""

import os

# Several BLAS threads on a busy machine spin against each other and make small solutions tens of times slower.
# They are counted when numpy is first imported, so this comes before any import of it.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from hypothesis import settings  # noqa: E402

# A busy machine must not fail a test, and the same examples must be tried wherever the tests run.
settings.register_profile("calib", deadline=None, derandomize=True, max_examples=40)
settings.load_profile("calib")
