"""How quick the AFC loop is, as a ratio to ngspice on the same network, and how far the two differ.

    python tools/bench_afc.py

Both run one field of 262 lines from the same state; of an interlaced source we run a whole
frame, and half of it is counted. ngspice is timed as a whole process, without writing the
netlist and without reading the answer; longer steps make it no quicker, for the sampling
of each line sets its pace. The aim: at least 50 times as quick, the curl within 2 %.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from physics.afc.loops import COMPARED, MIDDLE, flat
from physics.afc.spice import PROGRAM, spice_phase
from tubewright.physics.afc.changes import try_changes
from tubewright.physics.afc.figures import capture_hz
from tubewright.physics.afc.inverse import Seen, SeenCurl, loop_from_curl
from tubewright.physics.afc.loop import run
from tubewright.physics.afc.netlist import netlist

LINES = 262
REPEATS = 9


def fields() -> None:
    """One field of each compared loop."""
    print(f"One field of {LINES} lines, over ngspice on the same network (aim: 50 times as quick, within 2 %)")
    for name, (parts, source, detector) in COMPARED.items():
        with tempfile.TemporaryDirectory() as folder:
            theirs = spice_phase(Path(folder), parts, source, detector, lines=LINES)
            (Path(folder) / "loop.cir").write_text(netlist(parts, source, detector, lines=LINES), encoding="utf-8")
            whole, ours, ratios = [], [], []
            for _ in range(REPEATS):
                start = time.perf_counter()
                subprocess.run(
                    [PROGRAM or "ngspice", "-b", "loop.cir"], cwd=folder, capture_output=True, text=True, check=False
                )
                middle = time.perf_counter()
                found = run([parts], source, detector, most_frames=1)
                end = time.perf_counter()
                whole.append(middle - start)
                ours.append(end - middle)
                ratios.append((middle - start) / (end - middle))
        phase = found.phase_rad[0, :LINES]
        count = min(len(phase), LINES)
        kick = np.abs(theirs - theirs[0]).max()
        off = np.abs(phase[:count] - theirs[:count]).max() / kick
        frames = 2 if source.interlaced else 1
        print(
            f"  {name:34} {1000 * statistics.median(ours) / frames:6.2f} ms   ngspice "
            f"{1000 * statistics.median(whole):6.1f} ms   "
            f"ratio {statistics.median(ratios) * frames:6.0f}   differ {100 * off:5.2f} %"
        )


def batches() -> None:
    """Many loops at once, and what the doors ask for."""
    print("Many at once, and what a page asks for")
    source = flat(6)
    for count in (1, 100, 1000):
        start = time.perf_counter()
        run([MIDDLE] * count, source, most_frames=1)
        print(f"  one field of {count:5} loops          {1000 * (time.perf_counter() - start):8.2f} ms")
    for name, work in (
        ("all single changes within reach", lambda: try_changes(MIDDLE, source, picture_width_mm=370.0, mains_hz=50.0)),
        ("capture range", lambda: capture_hz(MIDDLE, line_hz=source.line_hz)),
        (
            "from a curl to its loop",
            lambda: loop_from_curl(
                SeenCurl(amplitude_mm=Seen(value=3.0, sd=0.1), settle_lines=Seen(value=44.0, sd=2.0)),
                source,
                picture_width_mm=370.0,
            ),
        ),
    ):
        start = time.perf_counter()
        work()
        print(f"  {name:32} {1000 * (time.perf_counter() - start):8.2f} ms")


def main() -> None:
    """Measure and print."""
    if PROGRAM is None:
        print("ngspice isn't here (Debian: apt install ngspice); only our own times are measured")
    else:
        fields()
    batches()


if __name__ == "__main__":
    main()
