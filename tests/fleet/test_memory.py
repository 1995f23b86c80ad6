import os
import subprocess
import sys

import pytest

_LEFT_BEHIND = """
import sys
import numpy as np
from pipeline.fleet.memory import give_back_large_arrays

if sys.argv[1] == "given back":
    give_back_large_arrays()
pages = lambda: int(open("/proc/self/statm").read().split()[1])
before, kept = pages(), []
for _ in range(3):
    np.ones(3_500_000)  # comes and goes: now glibc keeps what is no larger
for _ in range(3):
    large = np.ones(3_000_000)
    kept.append(np.ones(1_000))  # what lies behind it and lives on
    del large
print((pages() - before) * 4096)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="it is glibc that keeps them")
def test_large_arrays_go_back_to_the_system():
    run = [sys.executable, "-c", _LEFT_BEHIND]
    # A cluster's worker may have told glibc already, by the environment.
    plain = {name: value for name, value in os.environ.items() if not name.startswith("MALLOC_")}
    left = {
        how: int(subprocess.run([*run, how], capture_output=True, check=True, text=True, env=plain).stdout)
        for how in ("kept", "given back")
    }
    assert left["given back"] < 3_000_000
    assert left["given back"] < left["kept"]
