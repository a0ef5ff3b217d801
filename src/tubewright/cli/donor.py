"""``donor``: which tube on the shelf fits; ``scan``: what a change does to the picture's size."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from tubewright.cli import settings
from tubewright.cli.door import emit, emit_json, tell
from tubewright.cli.shop import ShopOption, known, known_anyway, number_of, open_shop
from tubewright.errors import Fault, InputError, RefusedError, TubewrightError
from tubewright.quantity import parse_quantity

if TYPE_CHECKING:
    from tubewright.answers.donor import Tube
    from tubewright.answers.scan import ScanState
    from tubewright.files.tubes import Shelf
    from tubewright.knowledge.chassis import Chassis
    from tubewright.knowledge.model import Knowledge

JsonOption = Annotated[bool, typer.Option("--json", help="Write the answer as JSON.")]
EhtOption = Annotated[str, typer.Option("--eht", metavar="KV", help="Anode voltage measured at zero beam, kV.")]
LimitOption = Annotated[str, typer.Option("--limit", metavar="KV", help="Its rating, from the set's papers, kV.")]
BplusOption = Annotated[str, typer.Option("--bplus", metavar="V", help="B+ as measured, V.")]
LineOption = Annotated[str, typer.Option("--line", metavar="KHZ", help="Line rate, kHz.")]
RetraceOption = Annotated[
    str, typer.Option("--retrace", metavar="US", help="Flyback pulse on the scope, base to base, us.")
]
ChassisOption = Annotated[
    str, typer.Option("--chassis", metavar="ID", help="Take what is not given from this chassis profile.")
]
_SCAN: Final = {
    # option: field of the scan's state, kind of quantity
    "eht": ("eht_kv", "kilovolts"),
    "angle": ("angle_deg", "number"),
    "yoke": ("line_mh", "inductance"),
    "width_coil": ("width_coil_mh", "inductance"),
    "field_yoke": ("field_mh", "inductance"),
    "field_ohm": ("field_ohm", "resistance"),
    "line_current": ("line_current_a", "current"),
    "field_current": ("field_current_a", "current"),
    "bplus": ("bplus_v", "voltage"),
}
_FROM_GUARD: Final = {"limit": "--limit", "retrace": "--retrace", "line": "--line"}


def add(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command("donor", epilog="Example: tubewright donor job:7 --eht 24 --limit 27.5")(donor)
    app.command("scan", epilog="Example: tubewright scan --eht 25 --new-eht 24")(scan)


def donor(
    record: Annotated[
        str, typer.Argument(metavar="[JOB|TUBE]", help="Whose tube to replace: job:7, or tube:3 of the records.")
    ] = "",
    *,
    wanted: Annotated[
        str, typer.Option("--wanted", metavar="TUBE", help="The tube to replace: its id on the shelf, or a file.")
    ] = "",
    shelf: Annotated[
        str, typer.Option("--shelf", metavar="FILE", help="The tubes there are, TOML or CSV; stock for the shop's own.")
    ] = "",
    donor: Annotated[
        str, typer.Option("--donor", metavar="TUBE", help="Only this one: its id on the shelf, or a file.")
    ] = "",
    eht: EhtOption = "",
    limit: LimitOption = "",
    bplus: BplusOption = "",
    line: LineOption = "",
    retrace: RetraceOption = "",
    heater: Annotated[
        str, typer.Option("--heater", metavar="V", help="What feeds the heater, V true RMS under load.")
    ] = "",
    chassis: ChassisOption = "",
    as_json: JsonOption = False,
    shop: ShopOption = None,
) -> None:
    """Say which tube on the shelf fits a set.

    What fits as it is, what needs its own yoke along, what needs adapting, what never fits and why; what isn't
    known and which measurement tells; minutes, and the picture's size afterwards. Cautions first.
    """
    from tubewright.answers.donor import donor_json, match_donors
    from tubewright.answers.profile import named_chassis
    from tubewright.bench.stocking import profile_figures
    from tubewright.files.tubes import set_figures

    named = [one for one in (record, wanted) if one]
    if len(named) != 1:
        what = "two tubes are named" if named else "nobody says which tube is to be replaced"
        raise InputError(Fault(what=what, where="", mend="Give job:7 or tube:3, or --wanted with a tube of a shelf."))
    knowledge = known(shop) if chassis else known_anyway(shop)
    typed = {
        "eht_kv": _maybe(eht, "kilovolts", "--eht"),
        "eht_limit_kv": _maybe(limit, "kilovolts", "--limit"),
        "bplus_v": _maybe(bplus, "voltage", "--bplus"),
        "scan_khz": _maybe(line, "khz", "--line"),
        "retrace_us": _maybe(retrace, "microseconds", "--retrace"),
        "heater_source_v": _maybe(heater, "voltage", "--heater"),
    }
    profile = named_chassis(chassis, knowledge, where="--chassis")
    from_records: tuple[dict[str, Any], ...] = ()
    sought: Any = None
    held = None if shelf in ("", "stock") else _shelf(Path(shelf))
    if record or shelf == "stock":
        found = _in_records(record, shelf, knowledge, shop, profile)
        sought, from_records = found.wanted, found.figures
        held = held or found.shelf
        for line_said in found.said:
            tell(line_said)
    of_wanted: dict[str, Any] = {}
    if sought is None:
        sought, of_wanted = _tube(wanted, held, "--wanted")
    donors = held.tubes if held is not None and not donor else (_tube(donor, held, "--donor")[0],) if donor else ()
    if not donors:
        mend = "Add --shelf with a file of tubes, or --donor with one."
        if shelf == "stock" or (record and not shelf):
            mend = "Put tubes into the stock (`tubewright stock add`), or add --shelf with a file of tubes."
        raise InputError(Fault(what="there is no donor to look at", where="", mend=mend))
    figures = set_figures(typed, of_wanted, held.figures if held else {}, *from_records, profile_figures(profile))
    try:
        answer = match_donors(sought, donors, figures, knowledge)
    except InputError as error:
        raise InputError(_as_options(error)) from error
    cautions, confirm = _cautions(answer.cautions, knowledge)
    if as_json:
        emit_json(donor_json(answer, cautions=cautions, confirm=confirm))
        return
    from tubewright.report.donor_text import donor_to_text

    emit(donor_to_text(answer, cautions=cautions, confirm=confirm, width=settings.columns(), colour=settings.colour()))


def scan(
    *,
    eht: EhtOption = "",
    new_eht: Annotated[str, typer.Option(metavar="KV", help="The change: this anode voltage, kV.")] = "",
    angle: Annotated[str, typer.Option(metavar="DEG", help="Deflection angle across the diagonal, degrees.")] = "",
    new_angle: Annotated[str, typer.Option(metavar="DEG", help="The change: this angle.")] = "",
    yoke: Annotated[str, typer.Option(metavar="MH", help="Line yoke, mH.")] = "",
    new_yoke: Annotated[str, typer.Option(metavar="MH", help="The change: this line yoke, mH.")] = "",
    width_coil: Annotated[str, typer.Option(metavar="MH", help="Coil in series with it, mH.")] = "",
    new_width_coil: Annotated[str, typer.Option(metavar="MH", help="The change: this coil in series, mH.")] = "",
    field_yoke: Annotated[str, typer.Option(metavar="MH", help="Field yoke, mH.")] = "",
    new_field_yoke: Annotated[str, typer.Option(metavar="MH", help="The change: this field yoke, mH.")] = "",
    field_ohm: Annotated[str, typer.Option(metavar="OHM", help="Its resistance, ohm.")] = "",
    new_field_ohm: Annotated[str, typer.Option(metavar="OHM", help="The change: this resistance, ohm.")] = "",
    line_current: Annotated[str, typer.Option(metavar="A", help="Line scan current, peak to peak, A.")] = "",
    new_line_current: Annotated[str, typer.Option(metavar="A", help="The change: this line current, A.")] = "",
    field_current: Annotated[str, typer.Option(metavar="A", help="Field scan current, peak to peak, A.")] = "",
    new_field_current: Annotated[str, typer.Option(metavar="A", help="The change: this field current, A.")] = "",
    bplus: BplusOption = "",
    new_bplus: Annotated[str, typer.Option(metavar="V", help="The change: B+ set to this, V.")] = "",
    limit: LimitOption = "",
    line: LineOption = "",
    retrace: RetraceOption = "",
    as_json: JsonOption = False,
) -> None:
    """Say what a change does to width and height.

    Of anode voltage, B+, deflection angle, yoke or scan current; and what the old width would ask of the supply.
    Ends with exit code 3 where the anode voltage would rise beyond its rating, or rise with the rating unknown.
    """
    from tubewright.answers.eht import LineStage
    from tubewright.answers.scan import answer_scan, scan_json

    old = (eht, angle, yoke, width_coil, field_yoke, field_ohm, line_current, field_current, bplus)
    new = (new_eht, new_angle, new_yoke, new_width_coil, new_field_yoke, new_field_ohm)
    before = _state(old, "")
    after = _state((*new, new_line_current, new_field_current, new_bplus), "new_")
    stage = LineStage(
        scan_khz=_maybe(line, "khz", "--line"),
        retrace_us=_maybe(retrace, "microseconds", "--retrace"),
        eht_limit_kv=_maybe(limit, "kilovolts", "--limit"),
    )
    try:
        answer = answer_scan(before, after, stage)
    except (InputError, RefusedError) as error:
        raise type(error)(_as_options(error)) from error
    cautions, confirm = _cautions(answer.cautions, known_anyway())
    if as_json:
        emit_json(scan_json(answer, cautions=cautions, confirm=confirm))
        return
    from tubewright.report.donor_text import scan_to_text

    emit(scan_to_text(answer, cautions=cautions, confirm=confirm, width=settings.columns(), colour=settings.colour()))


def _state(typed: Iterable[str], prefix: str) -> ScanState:
    """The scan's state as its options give it, in the order of their table."""
    from tubewright.answers.scan import ScanState

    state = ScanState()
    for text, (name, (field, kind)) in zip(typed, _SCAN.items(), strict=True):
        state = dataclasses.replace(state, **{field: _maybe(text, kind, _option(prefix + name))})
    return state


def _as_options(error: TubewrightError) -> list[Fault]:
    names = {field: _option(name) for name, (field, _) in _SCAN.items()}
    names |= {f"new_{field}": _option(f"new_{name}") for name, (field, _) in _SCAN.items()} | _FROM_GUARD
    names |= {name: _option(name) for name in (*_SCAN, *(f"new_{one}" for one in _SCAN))}
    return [Fault(what=one.what, where=names.get(one.where, one.where), mend=one.mend) for one in error.faults]


def _option(name: str) -> str:
    return f"--{name.replace('_', '-')}"


def _maybe(text: str, kind: str, option: str) -> float | None:
    """The figure, or None where nothing was typed; nothing here may be zero."""
    if not text:
        return None
    value = parse_quantity(text, kind=kind, where=option).value
    if value == 0:
        raise InputError(Fault(what="this must be more than zero", where=option, mend="Check the figure."))
    return value


def _shelf(path: Path | None) -> Shelf | None:
    if path is None:
        return None
    from tubewright.files.tubes import read_tubes

    return read_tubes(path)


def _tube(named: str, shelf: Shelf | None, option: str) -> tuple[Any, dict[str, Any]]:
    """The tube of an id on the shelf or of a file of its own, and what that file says of the set."""
    on_shelf = shelf.tube(named) if shelf is not None else None
    if on_shelf is not None:
        return on_shelf, {}
    if named.lower().endswith((".toml", ".csv")):
        own = _shelf(Path(named))
        if own is not None and len(own.tubes) == 1:
            return own.tubes[0], own.figures
        mend = "Keep one tube in it, or name one by its id with --shelf."
        raise InputError(Fault(what=f"{Path(named).name} holds several tubes", where=option, mend=mend))
    from difflib import get_close_matches

    ids = [tube.id for tube in shelf.tubes] if shelf is not None else []
    near = get_close_matches(named, ids, n=3, cutoff=0.4)
    mend = f"Did you mean {' or '.join(near)}?" if near else "Name a tube of the shelf, or a file that ends in .toml."
    shown = "".join(char if char.isprintable() else "?" for char in named)[:40]
    raise InputError(Fault(what=f"there is no tube “{shown}”", where=option, mend=mend))


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class _FromRecords:
    """What the shop's records give: the tube to replace, the set's figures, the shelf, what is to be told."""

    wanted: Tube | None
    figures: tuple[dict[str, Any], ...]
    shelf: Shelf | None
    said: tuple[str, ...]


def _in_records(
    record: str, shelf: str, knowledge: Knowledge, shop: str | None, profile: Chassis | None
) -> _FromRecords:
    """The tube of a job or of the records, and the stock as a shelf.

    Raises:
        InputError: It is no job and no tube, or the job has no tube.
    """
    from tubewright.answers.shelf import measured_figures
    from tubewright.bench.stocking import profile_figures, stock_shelf, wanted_tube
    from tubewright.files.tubes import Shelf

    with open_shop(shop) as store:
        job = store.job(number_of(record, "job")) if record.startswith("job:") else None
        if record and job is None and not record.startswith("tube:"):
            mend = "Write job:7 or tube:3; a tube of a shelf goes behind --wanted."
            raise InputError(Fault(what=f"{record[:40]!r} is neither a job nor a tube", where="JOB|TUBE", mend=mend))
        tube_id = None
        if job is not None:
            tube_id = None if job.tube is None else job.tube.id
        elif record:
            tube_id = store.tube(number_of(record, "tube")).id
        figures: tuple[dict[str, Any], ...] = ()
        if job is not None:
            figures = (dict(measured_figures([o.test for o in job.observations if o.test is not None])),)
            own = knowledge.chassis.get(job.display.display.chassis or "")
            if profile is None and own is not None:
                figures = (*figures, profile_figures(own))
        sought = wanted_tube(store, tube_id, knowledge, named=record) if record else None
        said: tuple[str, ...] = ()
        lying = None
        if shelf in ("", "stock"):
            found = stock_shelf(store, knowledge, but_tube=tube_id, for_job=job.job.id if job else None)
            lying = Shelf(name="stock", tubes=found.tubes, figures={})
            said = tuple(f"Left out, because a job has reserved it: {one}." for one in found.spoken_for)
    return _FromRecords(wanted=sought, figures=figures, shelf=lying, said=said)


def _cautions(ids: tuple[str, ...], knowledge: Knowledge) -> tuple[tuple[str, ...], tuple[str, ...]]:
    known_ones = [knowledge.cautions[name] for name in ids]
    return tuple(one.text for one in known_ones), tuple(one.confirm for one in known_ones if one.confirm)
