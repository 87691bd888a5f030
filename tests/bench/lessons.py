"""How long every lesson takes to run: each should be under 60 s, all of them under 8 minutes.

python tests/bench/lessons.py
"""

import os
import platform
import sys
import tempfile
import time
from pathlib import Path

os.environ["CASEKIT_LOGS"] = tempfile.mkdtemp(prefix="casekit-logs-")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parents[1]))

from lesson import INSTRUCTOR, TRAINEE, run

if __name__ == "__main__":
    print(f"{platform.platform()}, {os.cpu_count()} cores, Python {platform.python_version()}")
    for title, paths in (("trainee's", TRAINEE), ("instructor's", INSTRUCTOR)):
        took = []
        for path in paths:
            start = time.perf_counter()
            run(path)
            took.append(time.perf_counter() - start)
            print(f"{path.stem:28} {took[-1]:5.1f} s", flush=True)
        print(
            f"{title} version: worst {max(took):.1f} s (wanted under 60), all {sum(took) / 60:.1f} min (wanted under 8)"
        )
