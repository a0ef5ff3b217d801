"""Phones that are let in, and what they send under a key so that it is done once however often it comes."""

from __future__ import annotations

import datetime as dt
import json
import re
import time
from collections.abc import Callable
from typing import Any, Final

from sqlalchemy import Row, delete, insert, select, update
from sqlalchemy.exc import DBAPIError, IntegrityError

from tubewright.errors import ConflictError, Fault, InputError, UnknownRecordError
from tubewright.records import checks
from tubewright.records.engine import TRIES, passes
from tubewright.records.model import Pairing
from tubewright.records.tables import pairings, sent_once
from tubewright.records.transactions import Transactions

SEEN_EVERY: Final = dt.timedelta(minutes=1)
"""How exactly it is known when a phone was last seen: not each look at a page is a wait for the disk."""
LONGEST_INVITATION: Final = dt.timedelta(days=1)
"""An invitation hangs on a wall or lies on a bench for a while, not for ever."""
LARGEST_ANSWER: Final = 1_000_000
"""Characters of an answer that is kept to be given again (estimate; a page's answer has a few hundred)."""
_KEY: Final = re.compile(r"[\x21-\x7e]{8,120}")


class Phones(Transactions):
    """The part of the store that keeps pairings and what was sent once.

    None of this is in the history or travels to another shop.
    """

    def add_pairing(self, name: str, secret_sha256: str, expires_at: dt.datetime) -> Pairing:
        """Keep an invitation: whoever comes with the secret of this hash, in time and first, is let in.

        Raises:
            InputError: the hash is none or is known already, or the time has passed or is more than a day ahead.
        """
        now = self.clock()
        until = checks.moment(expires_at, now)
        if not now < until <= now + LONGEST_INVITATION:
            raise InputError(
                Fault(
                    what="an invitation ends within a day from now",
                    where="expires_at",
                    mend="Give a time that lies ahead, by a day at most",
                )
            )
        values = {
            "name": checks.words(name, "name", longest=checks.LONGEST_NAME),
            "secret_sha256": checks.sha(secret_sha256, "secret_sha256"),
            "made_at": now,
            "expires_at": until,
        }
        try:
            made = self.database.write(
                lambda conn: conn.execute(insert(pairings).values(values).returning(pairings.c.id)).scalar_one()
            )
        except IntegrityError as error:
            raise InputError(
                Fault(what="this secret was used before", where="secret_sha256", mend="Draw a new one")
            ) from error
        return self.pairing(made)

    def use_pairing(self, secret_sha256: str, session_sha256: str, name: str) -> Pairing | None:
        """Let a phone in: the invitation of this secret becomes its session, once.

        Returns:
            None if there is no such invitation, or it was used, revoked, or ran out.
        """
        called = checks.words(name, "name", longest=checks.LONGEST_NAME)
        secret = checks.sha(secret_sha256, "secret_sha256")
        session = checks.sha(session_sha256, "session_sha256")
        now = self.clock()
        values: dict[str, object] = {"used_at": now, "last_seen_at": now, "session_sha256": session}
        if called:
            values["name"] = called
        # One statement asks and writes: of two that come at once, one finds it unused.
        statement = (
            update(pairings)
            .where(
                pairings.c.secret_sha256 == secret,
                pairings.c.used_at.is_(None),
                pairings.c.revoked_at.is_(None),
                pairings.c.expires_at > now,
            )
            .values(values)
            .returning(*pairings.c)
        )
        try:
            found = self.database.write(lambda conn: conn.execute(statement).first())
        except IntegrityError as error:
            raise InputError(
                Fault(what="this session is another phone's", where="session_sha256", mend="Draw a new one")
            ) from error
        return None if found is None else _pairing(found)

    def pairing_of_session(self, session_sha256: str) -> Pairing | None:
        """The phone of this session; None if there is none or it was shut out. When it was seen is noted."""
        found = self._one(pairings.c.session_sha256 == session_sha256)
        if found is None or found.revoked_at is not None:
            return None
        now = self.clock()
        if found.last_seen_at is not None and now - found.last_seen_at < SEEN_EVERY:
            return found
        seen = (
            update(pairings)
            .where(pairings.c.id == found.id, pairings.c.revoked_at.is_(None))
            .values(last_seen_at=now)
            .returning(*pairings.c)
        )
        again = self.database.write(lambda conn: conn.execute(seen).first())
        return None if again is None else _pairing(again)

    def revoke_pairing(self, pairing_id: int) -> Pairing:
        """Shut a phone out, or take an invitation back; for ever.

        Raises:
            UnknownRecordError: there is none of that id.
        """
        self.pairing(pairing_id)
        self._revoke(pairings.c.id == pairing_id)
        return self.pairing(pairing_id)

    def revoke_all_pairings(self) -> int:
        """Shut every phone out and take every invitation back; gives how many there were."""
        return self._revoke(pairings.c.id.is_not(None))

    def _revoke(self, which: Any) -> int:  # noqa: ANN401 - SQLAlchemy's own condition
        shut = update(pairings).where(which, pairings.c.revoked_at.is_(None)).values(revoked_at=self.clock())
        return self.database.write(lambda conn: conn.execute(shut).rowcount)

    def pairing(self, pairing_id: int) -> Pairing:
        """One pairing.

        Raises:
            UnknownRecordError: there is none of that id.
        """
        found = self._one(pairings.c.id == pairing_id)
        if found is None:
            raise UnknownRecordError(
                Fault(what=f"there is no phone {pairing_id}", where="pairing", mend="Look at the list of phones")
            )
        return found

    def pairings(self) -> tuple[Pairing, ...]:
        """Every invitation and phone, newest first."""
        with self.database.read() as conn:
            return tuple(_pairing(one) for one in conn.execute(select(pairings).order_by(pairings.c.id.desc())))

    def drop_old_pairings(self, before: dt.datetime) -> int:
        """Forget invitations that nobody used and that ran out before a moment; gives how many."""
        gone = delete(pairings).where(pairings.c.used_at.is_(None), pairings.c.expires_at < before)
        return self.database.write(lambda conn: conn.execute(gone).rowcount)

    def _one(self, which: Any) -> Pairing | None:  # noqa: ANN401 - SQLAlchemy's own condition
        with self.database.read() as conn:
            found = conn.execute(select(pairings).where(which)).first()
        return None if found is None else _pairing(found)

    def once(self, key: str, what: str, work: Callable[[], str], *, pairing_id: int | None = None) -> tuple[str, bool]:
        """Do what was sent under a key, once: the same key again gets the answer of the first time.

        What ``work`` writes to this store and the note that it was done are kept together
        or not at all. Of two that come at once with one key, the second waits for the
        first. If ``work`` raises, nothing is kept and the key is free. Keep ``work``
        short: nobody else writes meanwhile.

        Args:
            key: 8 to 120 signs that the sender made up for this one thing.
            what: what it is; the same key for something else is refused.
            work: does it, and gives the answer as JSON text. It may be run again from
                its start, after all that it wrote was taken back, if the database was busy.
            pairing_id: the phone that sent it.

        Returns:
            The answer, and whether ``work`` ran just now.

        Raises:
            InputError: the key is none.
            ConflictError: the key was used for something else.
        """
        check_key(key)
        named = checks.name(what, "what")
        for attempt in range(1, TRIES + 1):
            try:
                return self._once(key, named, work, pairing_id)
            except IntegrityError:
                # Another process on PostgreSQL was quicker; its answer is there now.
                if (answer := self._answer(key, named)) is None:
                    raise
                return answer, False
            except DBAPIError as error:
                if attempt == TRIES or not passes(error):
                    raise
                time.sleep(0.02 * 2**attempt)
        raise AssertionError("the loop returns or raises")

    def _once(self, key: str, what: str, work: Callable[[], str], pairing_id: int | None) -> tuple[str, bool]:
        with self.transaction(), self.database.read() as conn:
            if (answer := self._answer(key, what)) is not None:
                return answer, False
            # Its place is taken first: on PostgreSQL whoever comes second then waits here.
            taken = {"key": key, "pairing_id": pairing_id, "at": self.clock(), "what": what, "answer_json": ""}
            conn.execute(insert(sent_once).values(taken))
            fresh = work()
            _check_answer(fresh)
            conn.execute(update(sent_once).where(sent_once.c.key == key).values(answer_json=fresh))
            return fresh, True

    def _answer(self, key: str, what: str) -> str | None:
        """The answer that was given to this key."""
        with self.database.read() as conn:
            found = conn.execute(select(sent_once).where(sent_once.c.key == key)).first()
        if found is None:
            return None
        if found.what != what:
            raise ConflictError(
                Fault(what="this key was used for something else", where="key", mend="Send it under a key of its own")
            )
        return str(found.answer_json)

    def forget_sent(self, before: dt.datetime) -> int:
        """Forget the answers to what was sent before a moment; sent again, it would be done again. Gives how many."""
        old = delete(sent_once).where(sent_once.c.at < before)
        return self.database.write(lambda conn: conn.execute(old).rowcount)


def check_key(key: str) -> None:
    """Check the key of something sent.

    Raises:
        InputError: it is too short to be its own, too long, or holds other than printable ASCII.
    """
    if not _KEY.fullmatch(key):
        raise InputError(
            Fault(
                what="this is no key", where="key", mend="Send 8 to 120 letters, digits or signs, different each time"
            )
        )


def _check_answer(answer: str) -> None:
    if len(answer) > LARGEST_ANSWER:
        raise ValueError("the answer is too long to be kept")
    json.loads(answer)


def _pairing(found: Row[Any]) -> Pairing:
    return Pairing(**found._mapping)  # noqa: SLF001 - SQLAlchemy's documented way to a row's names
