"""What counts as a unit in a name, and the few numbers that do without one, each with its reason."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Final

UNIT_SUFFIXES: Final = frozenset(
    # symbols, which come last in a name: cutoff_v, luminance_cd_m2
    {"v", "a", "ua", "ma", "ohm", "mohm", "w", "f", "h", "j", "hz", "khz", "ev"}
    | {"s", "ms", "us", "mm", "cm", "m", "in", "px", "k", "c", "xy", "deg", "m2", "pct"}
    | {"kv", "mv", "pp", "rms", "nf", "uf", "pf", "mh", "rad", "mj", "kohm", "db"}  # _v_pp and _v_rms are volts
)

UNIT_WORDS: Final = frozenset(
    # words, which may stand anywhere: service_hours, hours_held, rate_per_hour
    {"minutes", "hours", "years", "weeks", "days", "hour", "week", "year", "1000", "lines", "bits"}
)

PLAIN_WORDS: Final = frozenset(
    # words that say: a pure number, and of what kind
    {"ratio", "fraction", "percent", "probability", "share", "odds", "chance", "risk", "success", "confidence"}
    | {"sd", "ln", "log", "count", "weight", "median", "p10", "p90", "rung", "exponent"}
    # of the trade: relative to a reference gun, or to a good tube of the type
    | {"emission", "reserve", "retention", "white", "burn"}
    # money, in the currency that the case or the answer names
    | {"cost", "price", "worth"}
)

BESIDE_ITS_UNIT: Final = frozenset(
    {"value", "at_least", "below", "lowest", "highest", "reference", "full_scale", "tolerance"}
)
"""Names that do without, in a class that has a field ``unit``."""

WITHOUT_UNIT: Final[Mapping[str, str]] = {
    # "Class:field", or "Class:" for all its fields, and why
    "Objection:doubt": "a factor on the odds that a reading is misread",
    "Diagnosis:explanations_cover": "a probability: what the listed explanations sum to",
    "Evidence:": "the arrays of the network, all probabilities or ratios of them",
    "LikelySets:": "probabilities",
    "Clue:lowers": "factors on odds, as the class says",
    "TakenResult:shares": "chances, as the class says",
    "ReadValue:shares": "chances, as the class says",
    "Walked:": "probabilities and their logarithms",
    "Drawn:": "probabilities",
    "Told:": "probabilities and their logarithms",
    "Group:work": "a number of multiplications",
    "LearnedFigure:": "probabilities",
    "TakeTest:profile_nominal": "in the base unit of what the test reads",
    "OutcomeAnswer:leading": "probabilities of faults",
    "Diagnosed:explanations_cover": "a probability: what the listed explanations were chosen from",
    "Blame:": "chances, as the class says",
    "Reference:value": "in the unit of the instrument that was read",
    "Law:knee": "an exponent: how sharply space charge gives way to the cathode",
    "Law:fall": "a difference of logarithms, as the class says",
    "GainPart:mean": "a logarithm, as the class says",
    "LearnedOdds:": "chances of one treatment, as the class says",
    "PossibleOutcome:leak": "a probability",
    "OutcomeTable:likelihood": "probabilities",
    "OutcomeTable:told": "factors on probabilities",
    "Outcome:leading": "a probability: of the fault that would then lead",
    "Outcome:elsewhere": "a probability: that the fault then lies elsewhere",
    "Outcome:spend": "money, in the currency of the case",
    "Rung:spend": "money, in the currency of the case",
    "Options:natural": "hours, as the class says",
    "Weighing:": "money, in the currency of the case",
    "Prices:": "money, in the currency of the case",
    "Futures:target": "a relative emission",
    "Futures:donor_wear": "service hours over wear time, of the tube that comes in",
    "Obstacles:certainty": "a chance, as the class says",
    "Remedy:loss": "the chance of losing the tube",
    "BenchTest:usual_nominal": "in the unit that the results of the test name",
    "TreatmentFacts:best_from": "a relative emission, as the class says",
    "TreatmentFacts:best_to": "a relative emission, as the class says",
    "TreatmentFacts:counts_as": "a number of treatments",
    "Field:": "bounds of whatever quantity the field of the facts file holds",
    "Look:value": "a word, or for burn a fraction",
    "EmissionPoint:relative": "1 for a reference gun",
    "Figure:value": "in the unit that the field holding it names",
    "LineProfile:line": "the number of a line",
    "View:focal_35mm": "millimetres on 36 x 24 mm film, as cameras write it",
    "Located:light": "of the channel's limit, as the class says",
    "BarTracks:light": "of the channel's limit, as the class says",
    "LineShifts:line": "the number of a line",
    "Plane:matrix": "a linear map",
    "Shot:rotation": "a rotation, as a vector or a matrix",
    "Surface:": "arrays of the fit: places over the picture, and the functions on it",
    "Rows:": "equations of a fit, each divided by its own error's unit",
    "Unknowns:": "the unknowns of a fit, each in its own unit",
    "Posterior:": "the unknowns of a fit, each in its own unit",
    "Seen:value": "in the unit that the field holding it names",
    "Photo:focal_35mm": "millimetres on 36 x 24 mm film, as cameras write it",
    "Photo:iso": "the sensitivity's own scale",
    "Taken:focal_35mm": "millimetres on 36 x 24 mm film, as cameras write it",
    "Taken:iso": "the sensitivity's own scale",
    "Colours:curves": "light from 0 to 1 over coded values, as the class says",
    "Marks:light": "of the channel's limit, as the class says",
    "RasterMap:": "coefficients of a series, as the class says",
    "Sighting:sensor_to_gun": "light over light",
    "GreyStep:delta_e": "a CIEDE2000 difference",
    "GreyError:worst_delta_e": "a CIEDE2000 difference",
    "GreyError:mean_delta_e": "a CIEDE2000 difference",
    "GreyTaken:worst_delta_e": "a CIEDE2000 difference",
    "GreyTaken:mean_delta_e": "a CIEDE2000 difference",
    "BarChart:": "in the unit that its field unit names",
    "Observation:": "arrays of a fit: figures each in the unit of the mode that it observes",
    "Belief:": "arrays of a fit: modes and gains, each in its own unit",
    "Effects:": "arrays of a fit: gains of inputs on modes, each in its own unit",
    "Problem:": "arrays of a fit: errors over their tolerances, and their slopes per unit of input",
    "Round:positions": "turns, millimetres or degrees, as each input goes",
    "State:patch_at": "a place on the picture, 1 at its edges",
    "State:focus_turn": "turns of a control",
    "Ring:strength": "in whatever its kind of rings moves: millimetres, or a share of landing",
    "MoveRecord:amount": "in the unit that its field unit names",
    "LaterReading:relative": "1 for a reference gun",
    "PreferredRow:": "in the unit of the value that was asked about",
}


def carries_unit(owner: str, name: str, siblings: Collection[str] = ()) -> bool:
    """Whether a field's name says its unit, or there is a reason why it needn't.

    ``siblings`` are the names of all fields of its class.
    """
    words = name.split("_")
    if (len(words) > 1 and words[-1] in UNIT_SUFFIXES) or not UNIT_WORDS.isdisjoint(words):
        return True
    if not PLAIN_WORDS.isdisjoint(words) or (name in BESIDE_ITS_UNIT and "unit" in siblings):
        return True
    return bool({f"{owner}:", f"{owner}:{name}"} & set(WITHOUT_UNIT))
