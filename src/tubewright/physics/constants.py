"""Every number that the laws in this room rest on, with its source.

Each name here has an entry in ``knowledge/facts/physics_constants.toml`` (value,
unit, kind, source, locator); a test compares the two and fails on a number that
has none. The comment behind a number gives the kind of its source, and its key in
that file where it is published.
"""

from __future__ import annotations

from math import pi, sqrt
from typing import Final

# Nature.
ELEMENTARY_CHARGE_C: Final = 1.602176634e-19  # codata-2022, exact by definition
BOLTZMANN_J_PER_K: Final = 1.380649e-23  # codata-2022, exact by definition
PLANCK_J_S: Final = 6.62607015e-34  # codata-2022, exact by definition
ELECTRON_MASS_KG: Final = 9.1093837139e-31  # codata-2022
VACUUM_PERMITTIVITY_F_PER_M: Final = 8.8541878188e-12  # codata-2022

BOLTZMANN_EV_PER_K: Final = BOLTZMANN_J_PER_K / ELEMENTARY_CHARGE_C  # follows from codata-2022
RICHARDSON_A_M2_K2: Final = (
    4 * pi * ELECTRON_MASS_KG * BOLTZMANN_J_PER_K**2 * ELEMENTARY_CHARGE_C / PLANCK_J_S**3
)  # follows from codata-2022; the ideal value, oxide coatings measure far less
CHILD_LANGMUIR_A_V1_5: Final = (
    4 / 9 * VACUUM_PERMITTIVITY_F_PER_M * sqrt(2 * ELEMENTARY_CHARGE_C / ELECTRON_MASS_KG)
)  # follows from codata-2022; A/m2 for 1 V across 1 m, as V^1.5 over the gap squared

# The gun.
ZERO_BIAS_UA_V1_5: Final = 3.0  # from memory (Moss 1968): zero-bias current in uA over cutoff^1.5
SPACE_CHARGE_EXPONENT: Final = 1.5  # from memory (Child, Langmuir): current goes as volts^1.5
DRIVE_EXPONENT: Final = 3.0  # from memory (Moss 1968): near full drive
DRIVE_EXPONENT_NEAR_CUTOFF: Final = 3.5  # from memory (Moss 1968): nearer cutoff
KNEE_SHARPNESS: Final = 1.0  # from memory (Longo): 1 is the reciprocal sum, a broad knee

# The cathode.
RATED_CATHODE_K: Final = 1050.0  # from memory: true temperature of an oxide cathode at rated heater
WORK_FUNCTION_EV: Final = 1.5  # from memory: oxide cathode as found on the bench
WORK_FUNCTION_MIN_EV: Final = 1.0  # from memory: fresh, fully activated oxide
WORK_FUNCTION_MAX_EV: Final = 1.6  # from memory: poisoned or spent oxide

# The heater.
RESISTANCE_EXPONENT: Final = 1.2  # from memory: hot tungsten, resistance over absolute temperature
ROOM_K: Final = 295.0  # common practice: a bench at 22 C
WARM_UP_TIME_CONSTANT_S: Final = 6.0  # from memory, an estimate: gives 50 % emission in 8..15 s on a strong gun
SINE_FORM_FACTOR: Final = pi / (2 * sqrt(2))  # arithmetic: RMS over mean magnitude of a sine
RESISTOR_RATING_FACTOR: Final = 2.0  # common practice: choose twice the heat that is reckoned

# White points, CIE 1931 x and y.
D65_X: Final = 0.3127  # published, bt-709
D65_Y: Final = 0.3290  # published, bt-709
WHITE_9300K_CCT_K: Final = 9300.0  # common practice: the temperature that names the setting
WHITE_9300K_27MPCD_X: Final = 0.281  # common practice: the coordinates are the definition
WHITE_9300K_27MPCD_Y: Final = 0.311  # common practice

# CIE daylight locus: x = A3/T^3 + A2/T^2 + A1/T + A0 in two ranges, y = B2 x^2 + B1 x + B0.
DAYLIGHT_MIN_K: Final = 4000.0  # published, cie-15
DAYLIGHT_SPLIT_K: Final = 7000.0  # published, cie-15
DAYLIGHT_MAX_K: Final = 25000.0  # published, cie-15
DAYLIGHT_LOW_A3: Final = -4.6070e9  # published, cie-15
DAYLIGHT_LOW_A2: Final = 2.9678e6  # published, cie-15
DAYLIGHT_LOW_A1: Final = 0.09911e3  # published, cie-15
DAYLIGHT_LOW_A0: Final = 0.244063  # published, cie-15
DAYLIGHT_HIGH_A3: Final = -2.0064e9  # published, cie-15
DAYLIGHT_HIGH_A2: Final = 1.9018e6  # published, cie-15
DAYLIGHT_HIGH_A1: Final = 0.24748e3  # published, cie-15
DAYLIGHT_HIGH_A0: Final = 0.237040  # published, cie-15
DAYLIGHT_B2: Final = -3.000  # published, cie-15
DAYLIGHT_B1: Final = 2.870  # published, cie-15
DAYLIGHT_B0: Final = -0.275  # published, cie-15

# Correlated colour temperature, 3000 to 50 000 K:
# n = (x - XE)/(y - YE), CCT = C0 + C1 exp(-n/N1) + C2 exp(-n/N2) + C3 exp(-n/N3).
CCT_MIN_K: Final = 3000.0  # published, hernandez-1999
CCT_MAX_K: Final = 50000.0  # published, hernandez-1999
CCT_XE: Final = 0.3366  # published, hernandez-1999
CCT_YE: Final = 0.1735  # published, hernandez-1999
CCT_C0: Final = -949.86315  # published, hernandez-1999
CCT_C1: Final = 6253.80338  # published, hernandez-1999
CCT_N1: Final = 0.92159  # published, hernandez-1999
CCT_C2: Final = 28.70599  # published, hernandez-1999
CCT_N2: Final = 0.20039  # published, hernandez-1999
CCT_C3: Final = 0.00004  # published, hernandez-1999
CCT_N3: Final = 0.07125  # published, hernandez-1999

# Phosphors: the set that the efficiencies below are reckoned with, and each gun's
# share of the beam current that makes D65 on it, of the kind tube data sheets gave.
PHOSPHOR_RED_X: Final = 0.640  # published, ebu-3213
PHOSPHOR_RED_Y: Final = 0.330  # published, ebu-3213
PHOSPHOR_GREEN_X: Final = 0.290  # published, ebu-3213
PHOSPHOR_GREEN_Y: Final = 0.600  # published, ebu-3213
PHOSPHOR_BLUE_X: Final = 0.150  # published, ebu-3213
PHOSPHOR_BLUE_Y: Final = 0.060  # published, ebu-3213
D65_CURRENT_RED: Final = 0.38  # from memory: typical tube data sheet, rounded
D65_CURRENT_GREEN: Final = 0.36  # from memory: typical tube data sheet, rounded
D65_CURRENT_BLUE: Final = 0.26  # from memory: typical tube data sheet, rounded
