"""How many threads the libraries below us may start. They look once, when they are loaded."""

from __future__ import annotations

import os

LINEAR_ALGEBRA = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
"""Our matrices are small: a second thread costs more than it brings (measured: twice the processor time)."""

ALL = (*LINEAR_ALGEBRA, "OMP_NUM_THREADS", "RAYON_NUM_THREADS")
"""For processes that work side by side: as many threads each would fight over the same cores."""


def settings(variables: tuple[str, ...]) -> dict[str, str]:
    """Environment variables that say "one thread"; what the user has set himself stays."""
    return {name: "1" for name in variables if name not in os.environ}
