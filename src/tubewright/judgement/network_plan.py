"""In which order the faults of a noisy-OR network are walked, so that few findings are open at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Step:
    """One fault of a walk: findings opened before it, those it shows, and those closed after it.

    Axes count the findings that are open then, ``opened_axes`` and ``axes`` before any
    is closed, ``closed_axes`` from the highest down.
    """

    fault: int
    opened: tuple[int, ...]
    opened_axes: tuple[int, ...]
    findings: tuple[int, ...]
    axes: tuple[int, ...]
    closed_axes: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Present findings that hang together by shared faults, and the walk over these.

    ``numbers`` is how many weights the walk keeps for its way back, ``work`` about how
    many multiplications it takes.
    """

    findings: tuple[int, ...]
    faults: tuple[int, ...]
    steps: tuple[Step, ...]
    most_open: int
    numbers: int
    work: float


def plan_groups(touching: NDArray[np.bool_]) -> list[Group]:
    """Part the findings into groups and plan a walk for each.

    Args:
        touching: Whether a fault may show a finding; shape (faults, findings). Faults and
            findings without any are left out.

    Returns:
        The groups.
    """
    masks = {
        int(fault): frozenset(np.flatnonzero(touching[fault]).tolist()) for fault in np.flatnonzero(touching.any(1))
    }
    parts: list[tuple[set[int], list[int]]] = []
    for fault, mask in masks.items():
        findings, faults = set(mask), [fault]
        rest = []
        for part in parts:
            if part[0] & findings:
                findings |= part[0]
                faults = part[1] + faults
            else:
                rest.append(part)
        parts = [*rest, (findings, faults)]
    return [_plan({fault: masks[fault] for fault in sorted(faults)}) for _, faults in parts]


def _plan(masks: dict[int, frozenset[int]]) -> Group:
    """Smallest neighbourhood first: close the finding whose closing opens least."""
    order = _order(masks)
    last = {finding: fault for fault in order for finding in masks[fault]}
    axes: list[int] = []
    steps: list[Step] = []
    most = numbers = 0
    work = 0.0
    for fault in order:
        mine = sorted(masks[fault])
        opened = tuple(f for f in mine if f not in axes)
        axes += opened
        most = max(most, len(axes))
        numbers += 1 << len(axes)
        work += float(1 << len(axes)) * (2 * len(mine) + 6)
        closed = [f for f in mine if last[f] == fault]
        steps.append(
            Step(
                fault=fault,
                opened=opened,
                opened_axes=tuple(axes.index(f) for f in opened),
                findings=tuple(mine),
                axes=tuple(axes.index(f) for f in mine),
                closed_axes=tuple(sorted((axes.index(f) for f in closed), reverse=True)),
            )
        )
        axes = [f for f in axes if f not in closed]
    return Group(
        findings=tuple(sorted(last)),
        faults=tuple(order),
        steps=tuple(steps),
        most_open=most,
        numbers=numbers,
        work=work,
    )


def _order(masks: dict[int, frozenset[int]]) -> list[int]:
    waiting = dict(masks)
    order: list[int] = []
    open_now: frozenset[int] = frozenset()
    unclosed: set[int] = set().union(*waiting.values())
    while unclosed:
        # Closing one finding means opening all that its remaining faults show.
        reach = {f: open_now.union(*(mask for mask in waiting.values() if f in mask)) for f in unclosed}
        best = min(unclosed, key=lambda f: (len(reach[f]), f))
        batch = [fault for fault, mask in waiting.items() if best in mask or mask <= open_now]
        for fault in sorted(batch, key=lambda i: (len(waiting[i] - open_now), i)):
            order.append(fault)
            open_now |= waiting.pop(fault)
        left: set[int] = set().union(*waiting.values())
        unclosed &= left
        open_now &= left
    return order
