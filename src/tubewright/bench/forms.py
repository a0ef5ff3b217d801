"""Reading what was typed into a form: figures with their units, choices, dates; faults by field."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from tubewright.bench.security import Form
from tubewright.errors import Fault, InputError
from tubewright.quantity import parse_quantity

Model = TypeVar("Model", bound=BaseModel)


class FormReader:
    """Takes fields out of a form one by one and remembers every fault, with the field's name.

    A field left empty gives ``None``. Call :meth:`finish` before anything is stored.
    """

    def __init__(self, form: Form) -> None:
        self.form = form
        self.faults: list[Fault] = []

    def fault(self, field: str, what: str, mend: str) -> None:
        """Note that something is wrong with a field."""
        self.faults.append(Fault(what=what, where=field, mend=mend))

    def figure(self, field: str, kind: str, *, default_unit: str | None = None) -> float | None:
        """A figure with or without its unit, in the unit that the case keeps it in."""
        found = self.figure_with_unit(field, kind, default_unit=default_unit)
        return None if found is None else found[0]

    def figure_with_unit(self, field: str, kind: str, *, default_unit: str | None = None) -> tuple[float, str] | None:
        """A figure and the unit it is kept in."""
        typed = self.form.text(field)
        if not typed:
            return None
        try:
            value, unit = parse_quantity(typed, kind=kind, default_unit=default_unit, where=field)
        except InputError as error:
            self.faults += error.faults
            return None
        return value, unit

    def whole(self, field: str, *, most: int = 100) -> int | None:
        """A whole number that is not negative."""
        typed = self.form.text(field)
        if not typed:
            return None
        if not (typed.isascii() and typed.isdigit()) or len(typed) > 9 or int(typed) > most:
            self.fault(field, f"“{typed[:24]}” is not a whole number from 0 to {most}", "Type digits only, such as 2.")
            return None
        return int(typed)

    def choice(self, field: str, allowed: Iterable[str]) -> str | None:
        """One of a closed list of words."""
        typed = self.form.text(field)
        if not typed:
            return None
        if typed not in set(allowed):
            self.fault(field, f"“{typed[:24]}” is not one of the choices", "Pick one from the list.")
            return None
        return typed

    def words(self, field: str, *, longest: int = 400, needed: str = "") -> str:
        """Free text; ``needed`` says what to type where it may not be empty."""
        typed = self.form.text(field)
        if needed and not typed:
            self.fault(field, "this is empty", needed)
        if len(typed) > longest:
            self.fault(field, f"this has {len(typed)} characters", f"Keep it to {longest}.")
        return typed

    def day(self, field: str) -> dt.date | None:
        """A date written as 2026-11-25."""
        typed = self.form.text(field)
        if not typed:
            return None
        try:
            return dt.date.fromisoformat(typed)
        except ValueError:
            self.fault(field, f"“{typed[:24]}” is not a date", "Write it as 2026-11-25.")
            return None

    def model(self, kind: type[Model], values: Mapping[str, Any]) -> Model | None:
        """A part of a case from its values; ``None`` stands for not known. Faults go to the field of the same name."""
        try:
            return kind.model_validate({name: value for name, value in values.items() if value is not None})
        except ValidationError as error:
            for detail in error.errors(include_url=False):
                name = str(detail["loc"][0]) if detail["loc"] else ""
                self.fault(name, _plain(detail["msg"]), "Mend it, or leave it empty if it is not known.")
            return None

    def finish(self) -> None:
        """Raise all that was found wrong, if anything was."""
        if self.faults:
            raise InputError(self.faults)


def by_field(faults: Sequence[Fault], names: Mapping[str, str] | None = None) -> dict[str, Fault]:
    """Faults by the name of the form field they belong to.

    Args:
        faults: From a form or from the store, whose ``where`` may be a path such as
            ``use.keep_years`` or ``readings[2].value``.
        names: Which field stands for a path, where it is not the path's last part.

    Returns:
        The first fault of each field; those that fit no field stand under ``""``.
    """
    out: dict[str, Fault] = {}
    for fault in faults:
        field = (names or {}).get(fault.where, fault.where.rpartition(".")[2])
        out.setdefault(field, fault)
    return out


def _plain(message: str) -> str:
    message = message.removeprefix("Value error, ").removeprefix("Input ").removeprefix("String ")
    return message[:1].lower() + message[1:] if message else "this does not fit"
