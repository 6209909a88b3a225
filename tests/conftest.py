"""Settings that must stand before NumPy is imported."""

import os

# as the command line does: the fits solve many small systems, for which several BLAS threads get in each other's way
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")
