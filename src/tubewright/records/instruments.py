"""The shop's instruments, and the readings on good guns that calibrate them."""

from __future__ import annotations

from tubewright import case
from tubewright.records import shop as _shop
from tubewright.records.model import Instrument, KnownGoodRecord
from tubewright.records.transactions import Transactions


class Instruments(Transactions):
    """The part of the store that keeps instruments."""

    def instruments(self) -> tuple[Instrument, ...]:
        """The shop's instruments, by name."""
        with self.database.read() as conn:
            return _shop.instruments_here(conn)

    def add_instrument(self, name: str, *, notes: str = "", by: int | None = None) -> Instrument:
        """Add an instrument; a name that is already there gives that instrument back."""
        return self.change(by, lambda change: _shop.add_instrument(change, name, notes=notes))

    def known_good(self, instrument_id: int | None = None) -> tuple[KnownGoodRecord, ...]:
        """Readings on guns known to be good, oldest first."""
        with self.database.read() as conn:
            return _shop.known_good_readings(conn, instrument_id)

    def add_known_good(
        self,
        instrument_id: int,
        *,
        value: float,
        unit: case.Unit,
        cutoff_v: float | None = None,
        g2_v: float | None = None,
        tube_label: str = "",
        by: int | None = None,
    ) -> KnownGoodRecord:
        """Write down an emission reading on a gun known to be good."""
        return self.change(
            by,
            lambda change: _shop.add_known_good(
                change, instrument_id, value=value, unit=unit, cutoff_v=cutoff_v, g2_v=g2_v, tube_label=tube_label
            ),
        )
