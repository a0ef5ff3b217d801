"""Reading a sampled waveform from a CSV file, as an oscilloscope saves it."""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path
from typing import Final

from tubewright.errors import Fault, InputError

MAX_SAMPLE_BYTES: Final = 20_000_000
_MOST_FAULTS: Final = 10


def read_samples(path: Path) -> tuple[list[float] | None, list[float]]:
    """Times and values of a sampled waveform.

    Lines without a number in their first column are taken for headings, as long as
    they stand above the figures.

    Args:
        path: A CSV file with the columns seconds, volts; or volts alone, evenly spaced.

    Returns:
        Times in seconds, or ``None`` where there is one column; and the values.

    Raises:
        InputError: It can't be read, or holds something that is not a number.
    """
    try:
        raw = path.read_bytes() if path.stat().st_size <= MAX_SAMPLE_BYTES else None
    except OSError as error:
        raise InputError(
            Fault(what=f"the file can't be read ({error.strerror})", where=str(path), mend="Check its name.")
        ) from error
    if raw is None:
        raise InputError(Fault(what="the file is larger than 20 MB", where=path.name, mend="Save one period only."))
    rows, faults = _rows(raw.decode("utf-8-sig", errors="replace"), path.name)
    if not faults and len(rows) < 2:
        faults.append(
            Fault(what="fewer than two samples", where=path.name, mend="Give one whole period: seconds, volts.")
        )
    widths = {len(row) for row in rows}
    if not faults and len(widths) > 1:
        faults.append(
            Fault(what="some lines have one figure and some two", where=path.name, mend="Give seconds, volts.")
        )
    if faults:
        raise InputError(faults)
    if widths == {1}:
        return None, [row[0] for row in rows]
    return [row[0] for row in rows], [row[1] for row in rows]


def _rows(text: str, name: str) -> tuple[list[list[float]], list[Fault]]:
    rows: list[list[float]] = []
    faults: list[Fault] = []
    delimiter = ";" if ";" in text[:2000] else "\t" if "\t" in text[:2000] else ","
    try:
        for number, cells in enumerate(csv.reader(io.StringIO(text), delimiter=delimiter), start=1):
            if not any(cell.strip() for cell in cells):
                continue
            figures = [_figure(cell) for cell in cells[:2]]
            if any(figure is None for figure in figures):
                if rows and len(faults) < _MOST_FAULTS:
                    faults.append(
                        Fault(what="not a number", where=f"{name} line {number}", mend="Write it as 12e-6, 22.3.")
                    )
                continue
            rows.append([figure for figure in figures if figure is not None])
    except csv.Error as error:
        faults.append(Fault(what=f"this is not CSV ({error})", where=name, mend="Save it as CSV: seconds, volts."))
    return rows, faults


def _figure(cell: str) -> float | None:
    try:
        value = float(cell)
    except ValueError:
        return None
    return value if math.isfinite(value) else None
