"""How the case service bears a class: 60 trainees with a reading every 2 s (p99 under 150 ms is wanted), and how many
readings a second it gives at most. The service is a process of its own; all is on loopback.

python tests/bench/service.py [trainees, 60] [seconds, 30]
"""

from __future__ import annotations

import socket
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import suppress
from pathlib import Path

import numpy as np
import requests
from timing import machine_line

import casekit
from casekit.service.store import Store

POINTS = ("B5.1", "B3.1", "B1.1", "X11.1f", "X12.1f", "X1.5")
EVERY_S = 2.0


def main(trainees: int = 60, seconds: float = 30.0) -> None:
    print(machine_line())
    with tempfile.TemporaryDirectory() as folder:
        store = Store(Path(folder))
        tokens = [store.new_token(f"T{n:02}", False, time.time() + 3600) for n in range(trainees)]
        store.close()
        with socket.socket() as spare:
            spare.bind(("127.0.0.1", 0))
            port = spare.getsockname()[1]
        command = [sys.executable, "-m", "casekit.command", "serve", "--folder", folder, "--port", str(port)]
        service = subprocess.Popen(command, stdout=subprocess.DEVNULL)
        try:
            at = f"http://127.0.0.1:{port}"
            for _ in range(300):
                with suppress(requests.RequestException):
                    requests.get(f"{at}/health", timeout=1)
                    break
                time.sleep(0.1)
            benches = [casekit.open_case("broom-frame-dead", at=at, token=token) for token in tokens]
            for bench in benches:
                bench.key("on")
            spent = played(benches, seconds, EVERY_S)
            p50, p99 = np.percentile(spent, [50, 99])
            print(f"{trainees} trainees, a reading every {EVERY_S:g} s for {seconds:g} s: {len(spent)} readings")
            print(f"median {1e3 * p50:.0f} ms, p99 {1e3 * p99:.0f} (wanted 150), longest {1e3 * max(spent):.0f}")
            spent = played(benches, seconds / 2, 0.0)
            print(f"without waiting: {len(spent) / (seconds / 2):.0f} readings a second, median "
                  f"{1e3 * np.median(spent):.0f} ms")  # fmt: skip
        finally:
            service.terminate()
            service.wait(20)


def played(benches, seconds: float, every_s: float) -> list[float]:
    """Seconds that readings took, one thread a trainee, begun at times spread over the first span."""
    spent: list[float] = []
    begin = time.perf_counter() + 0.5

    def one(number: int, bench) -> None:
        due = begin + every_s * number / len(benches)
        n = 0
        while due < begin + seconds:
            time.sleep(max(due - time.perf_counter(), 0.0))
            started = time.perf_counter()
            bench.volts(POINTS[n % len(POINTS)], "G1.-")
            spent.append(time.perf_counter() - started)
            n += 1
            due = due + every_s if every_s else time.perf_counter()

    threads = [threading.Thread(target=one, args=pair) for pair in enumerate(benches)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return spent


if __name__ == "__main__":
    main(*[float(text) if k else int(text) for k, text in enumerate(sys.argv[1:3])])
