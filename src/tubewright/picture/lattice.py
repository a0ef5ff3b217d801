"""Joining spots into a lattice: each gets whole coordinates, before anybody knows which corner is which."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from heapq import heappop, heappush
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

# Tuning, estimates: how far a lattice may bend between neighbours. None enters a measured figure.
_NEIGHBOURS: Final = 12
_SECTOR_COS: Final = 0.95
"""A neighbour in a direction lies within 18 degrees of it."""
_STEP_TOLERANCE: Final = 0.22
_LONGEST_STEP: Final = 3
"""Columns of bars leave gaps of two, a missing mark beside one of three."""
_FEWEST: Final = 24


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lattice:
    """Which spots belong to the lattice, and where on it.

    Attributes:
        spot: Index of the spot, (m,).
        across: Whole coordinate along one side of the lattice, from 0, (m,).
        along: The same along the other side, (m,).
    """

    spot: NDArray[np.int64]
    across: NDArray[np.int64]
    along: NDArray[np.int64]


def join(x_px: NDArray[np.float64], y_px: NDArray[np.float64]) -> Lattice | None:
    """The largest lattice among spots, or ``None`` if there is none worth the name.

    Args:
        x_px: Places of the spots, (n,).
        y_px: The same downwards, (n,).
    """
    places = np.stack([x_px, y_px], axis=1)
    if len(places) < _FEWEST:
        return None
    tree = cKDTree(places)
    found = tree.query(places, k=min(_NEIGHBOURS, len(places) - 1) + 1)
    distance, neighbour = np.asarray(found[0])[:, 1:], np.asarray(found[1])[:, 1:]
    axes = _axes(places, neighbour)
    links = _links(places, neighbour, distance, axes)
    coordinates = _largest_walk(places, links)
    if coordinates is None:
        return None
    return _settled(places, coordinates)


def _axes(places: NDArray[np.float64], neighbour: NDArray[np.int64]) -> NDArray[np.float64]:
    """The two directions of the lattice, as unit vectors (2, 2): right-angled, which perspective bends a little."""
    steps = places[neighbour[:, :4]] - places[:, None]
    angle = np.arctan2(steps[..., 1], steps[..., 0]).ravel()
    turn = np.angle(np.median(np.cos(4 * angle)) + 1j * np.median(np.sin(4 * angle))) / 4
    first = np.angle(np.mean(np.exp(4j * angle))) / 4
    # The mean sees every neighbour, the median forgives strays; they agree on a lattice.
    best = min((turn, first), key=lambda a: -float(np.mean(np.cos(4 * (angle - a)))))
    return np.array([[np.cos(best), np.sin(best)], [-np.sin(best), np.cos(best)]])


def _links(
    places: NDArray[np.float64],
    neighbour: NDArray[np.int64],
    distance: NDArray[np.float64],
    axes: NDArray[np.float64],
) -> NDArray[np.int64]:
    """The nearest spot in each of the four directions (+across, -across, +along, -along), (n, 4); -1 for none."""
    steps = places[neighbour] - places[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        cosine = np.einsum("nkc,dc->nkd", steps, axes) / distance[..., None]
    links = np.full((len(places), 4), -1, dtype=np.int64)
    for direction in range(4):
        cos = cosine[..., direction // 2] * (1 if direction % 2 == 0 else -1)
        far = np.where(cos > _SECTOR_COS, distance, np.inf)
        nearest = far.argmin(axis=1)
        found = np.isfinite(far[np.arange(len(places)), nearest])
        links[found, direction] = neighbour[found, nearest[found]]
    return links


def _largest_walk(places: NDArray[np.float64], links: NDArray[np.int64]) -> dict[int, tuple[int, int]] | None:
    """Whole coordinates of the spots that one walk from neighbour to neighbour reaches."""
    lengths = np.full(links.shape, np.nan)
    have = links >= 0
    rows, directions = np.nonzero(have)
    lengths[rows, directions] = np.hypot(*(places[links[rows, directions]] - places[rows]).T)
    if not have[:, :2].any() or not have[:, 2:].any():
        return None
    # The lower quartile, not the median: with one gun dark every second link spans two steps.
    usual = np.array([np.nanpercentile(lengths[:, :2], 25), np.nanpercentile(lengths[:, 2:], 25)])
    unseen = set(range(len(places)))
    best: dict[int, tuple[int, int]] = {}
    middle = places.mean(axis=0)
    order = np.argsort(np.hypot(*(places - middle).T))
    for start in order:
        if int(start) not in unseen:
            continue
        walk = _walk(int(start), links, lengths, usual)
        unseen -= walk.keys()
        if len(walk) > len(best):
            best = walk
        if len(best) >= len(unseen):
            break
    return best if len(best) >= _FEWEST else None


def _walk(
    start: int, links: NDArray[np.int64], lengths: NDArray[np.float64], usual: NDArray[np.float64]
) -> dict[int, tuple[int, int]]:
    """Whole coordinates from a start, by the surest link first: a single step before one over a gap."""
    at: dict[int, tuple[int, int]] = {}
    pitch = {start: (float(usual[0]), float(usual[1]))}
    todo = [(0.0, start, (0, 0))]
    while todo:
        _, here, place = heappop(todo)
        if here in at:
            continue
        at[here] = place
        for direction in range(4):
            there = int(links[here, direction])
            # Only a link that both ends agree on is trusted: a stray spot rarely has one.
            if there < 0 or there in at or int(links[there, direction ^ 1]) != here:
                continue
            axis, sign = direction // 2, 1 if direction % 2 == 0 else -1
            steps = lengths[here, direction] / pitch[here][axis]
            whole = round(steps)
            if not 1 <= whole <= _LONGEST_STEP or abs(steps - whole) > _STEP_TOLERANCE * whole:
                continue
            a, b = place
            there_at = (a + sign * whole, b) if axis == 0 else (a, b + sign * whole)
            if there not in pitch:
                local = list(pitch[here])
                local[axis] = 0.5 * (local[axis] + lengths[here, direction] / whole)
                pitch[there] = (local[0], local[1])
            heappush(todo, (whole + abs(steps - whole), there, there_at))
    return at


def _settled(places: NDArray[np.float64], coordinates: dict[int, tuple[int, int]]) -> Lattice | None:
    """Fit a smooth map to the walk, drop what disagrees with it, and take in the spots it explains."""
    spot = np.fromiter(coordinates, dtype=np.int64)
    nodes = np.array([coordinates[int(s)] for s in spot], dtype=np.float64)
    # Not by a straight map first: seen from the side, a lattice departs from one by more than a step.
    for order, most in ((2, 0.6), (3, 0.35), (3, 0.35)):
        fit = _inverse_fit(places[spot], nodes, order)
        close = np.hypot(*(fit(places[spot]) - nodes).T) < most
        if close.sum() < _FEWEST:
            return None
        fit = _inverse_fit(places[spot[close]], nodes[close], order)
        guess = fit(places)
        whole = np.rint(guess)
        # Only as far as a step beyond what is known already: a cubic runs wild outside.
        inside = np.all((whole >= nodes[close].min(axis=0) - 1) & (whole <= nodes[close].max(axis=0) + 1), axis=1)
        near = inside & (np.hypot(*(guess - whole).T) < 0.30)
        spot, nodes = _one_each(np.flatnonzero(near), whole[near], np.hypot(*(guess - whole).T)[near])
        if len(spot) < _FEWEST:
            return None
    lowest = nodes.min(axis=0)
    at = (nodes - lowest).astype(np.int64)
    return Lattice(spot=spot, across=at[:, 0], along=at[:, 1])


def _inverse_fit(
    places: NDArray[np.float64], nodes: NDArray[np.float64], order: int
) -> Callable[[NDArray[np.float64]], NDArray[np.float64]]:
    """A polynomial from places to lattice coordinates, fitted so that strays weigh little."""
    middle, reach = places.mean(axis=0), np.ptp(places, axis=0).max() / 2
    powers = [(i, j) for i in range(order + 1) for j in range(order + 1 - i)]

    def terms(at: NDArray[np.float64]) -> NDArray[np.float64]:
        x, y = ((at - middle) / reach).T
        return np.stack([x**i * y**j for i, j in powers], axis=1)

    basis = terms(places)
    weight = np.ones(len(places))
    for _ in range(5):
        coefficients = np.linalg.lstsq(basis * weight[:, None], nodes * weight[:, None], rcond=None)[0]
        off = np.hypot(*(basis @ coefficients - nodes).T)
        weight = 1 / np.maximum(1, off / max(2 * float(np.median(off)), 1e-6))
    return lambda at: np.asarray(terms(at) @ coefficients)


def _one_each(
    spot: NDArray[np.int64], node: NDArray[np.float64], off: NDArray[np.float64]
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Of several spots at one node the nearest."""
    order = np.lexsort((off, node[:, 1], node[:, 0]))
    spot, node = spot[order], node[order]
    first = np.ones(len(spot), dtype=bool)
    first[1:] = np.any(node[1:] != node[:-1], axis=1)
    return spot[first], node[first]
