"""A display whose greys can be set: three cathodes in volts, hidden controls, and a colorimeter with noise.

Nothing here comes from the fit that it tests: guns are driven in cathode volts by the tube's
law, and limited by a cathode that supplies only so much.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tubewright.judgement.greyscale_fit import GreyReading

Array = NDArray[np.float64]
STEPS = tuple(k / 10 for k in range(11))
EBU_XY = np.array([[0.640, 0.330], [0.290, 0.600], [0.150, 0.060]])


@dataclass(slots=True, eq=False)
class GreyBench:
    """One display and its instrument; ``per_turn`` holds what each control does, signs and all, and stays hidden."""

    rng: np.random.Generator
    primaries_xy: Array
    light_per_ua: Array
    cutoff_v: Array
    g2_v: float
    limit_ua: Array
    exponent: Array
    bias_v: Array
    swing_v: Array
    per_turn: dict[str, float]
    noise: float = 0.003
    floor_cd_m2: float = 0.005
    room_xyz: Array | None = None

    def light(self, level: float) -> Array:
        """Light of the three guns, cd/m2."""
        drive = self.swing_v * level + self.cutoff_v * (self.g2_v / 400.0) - self.bias_v
        drive = np.maximum(drive, 0.0)
        cutoff = self.cutoff_v * (self.g2_v / 400.0)
        pull = cutoff / (self.g2_v - cutoff)
        opened, wide = (1 + pull) * drive, cutoff + pull * drive
        asked = 3.0 * wide**1.5 * (opened / wide) ** self.exponent
        given = asked * (1 + (asked / self.limit_ua) ** 4) ** -0.25
        return np.asarray(self.light_per_ua * given)

    def xyz(self, level: float, guns: tuple[int, ...] = (0, 1, 2)) -> Array:
        """What the glass sends out."""
        x, y = self.primaries_xy[:, 0], self.primaries_xy[:, 1]
        columns = np.stack([x / y, np.ones(3), (1 - x - y) / y])
        black = self.light(0.0)
        light = np.array([self.light(level)[g] if g in guns else black[g] for g in range(3)])
        room = np.zeros(3) if self.room_xyz is None else self.room_xyz
        return np.asarray(columns @ light + room)

    def reading(self, xyz: Array, shown: str, level: float) -> GreyReading:
        """One reading of the instrument."""
        seen = xyz * (1 + self.noise * self.rng.standard_normal(3)) + self.floor_cd_m2 * self.rng.standard_normal(3)
        seen = np.maximum(seen, 0.002)
        total = float(seen.sum())
        return GreyReading(
            shown=shown,  # type: ignore[arg-type]
            level_ratio=level,
            place_xy=(round(float(seen[0]) / total, 4), round(float(seen[1]) / total, 4)),
            luminance_cd_m2=round(float(seen[1]), 3),
        )

    def readings(self, steps: tuple[float, ...] = STEPS, *, primaries: bool = False) -> list[GreyReading]:
        """A staircase, and each primary where asked for."""
        found = [self.reading(self.xyz(level), "white", level) for level in steps]
        if primaries:
            found += [self.reading(self.xyz(1.0, (g,)), ("red", "green", "blue")[g], 1.0) for g in range(3)]
        if self.room_xyz is not None:
            found.append(self.reading(self.room_xyz, "off", 0.0))
        return found

    def turn(self, control: str, turns: float) -> None:
        """Turn a control clockwise."""
        amount = turns * self.per_turn[control]
        if control == "screen_g2":
            self.g2_v += amount
            return
        gun = ("red", "green", "blue").index(control.partition("_")[2])
        if control.startswith("cutoff"):
            self.bias_v[gun] += amount
        else:
            self.swing_v[gun] *= np.exp(amount)


def made_up(seed: int, *, weak: bool = False, screen_off_v: float = 0.0) -> GreyBench:
    """A display somewhere near D65 at best, then thrown out of adjustment; controls of unknown gain and sense."""
    rng = np.random.default_rng(seed)
    cutoff = 100.0 * np.exp(rng.normal(0, 0.08, 3))
    primaries = EBU_XY + rng.normal(0, 0.006, (3, 2))
    exponent = 3.0 + rng.normal(0, 0.05, 3)
    limit = np.full(3, 6000.0)
    if weak:
        limit[int(rng.integers(3))] = 500.0
    bench = GreyBench(
        rng=rng,
        primaries_xy=primaries,
        light_per_ua=np.ones(3),
        cutoff_v=cutoff,
        g2_v=400.0,
        limit_ua=limit,
        exponent=exponent,
        bias_v=cutoff + 1.0,
        swing_v=np.full(3, 45.0),
        per_turn={},
    )
    # In good order at about 100 cd/m2 of D65, then out of it.
    share = np.array([0.222, 0.707, 0.071])
    with_limit, bench.limit_ua = bench.limit_ua, np.full(3, 1e9)
    bench.light_per_ua = 100.0 * share / bench.light(1.0)
    bench.limit_ua = with_limit
    bench.bias_v = bench.bias_v + rng.normal(0, 2.0, 3)
    bench.swing_v = bench.swing_v * np.exp(rng.normal(0, 0.08, 3))
    bench.g2_v += screen_off_v
    for gun in ("red", "green", "blue"):
        bench.per_turn[f"cutoff_{gun}"] = float(rng.choice([-1, 1]) * 15.0 * np.exp(rng.normal(0, 0.5)))
        bench.per_turn[f"drive_{gun}"] = float(rng.choice([-1, 1]) * 0.6 * np.exp(rng.normal(0, 0.5)))
    bench.per_turn["screen_g2"] = float(rng.choice([-1, 1]) * 120.0 * np.exp(rng.normal(0, 0.4)))
    return bench
