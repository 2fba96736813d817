"""Batch rows in the records: what the batch needs to go on where it stopped."""

from __future__ import annotations

from typing import Any

from sqlalchemy import select
from sqlalchemy.exc import IntegrityError

from fruitcount.measurement_record import plain
from fruitcount.store.base import Store, reading, writing
from fruitcount.store.tables import BatchRow

__all__ = ["StoreLedger"]


class StoreLedger:
    """Remembers which photos are done with which settings, one transaction a photo.

    Parameters
    ----------
    store : Store
    settings_key : str
        Hash of the settings; another key starts afresh.
    """

    def __init__(self, store: Store, settings_key: str) -> None:
        self._store = store
        self._key = settings_key

    def done(self) -> set[str]:
        """Hashes of the photos that have a row."""
        with reading(self._store) as session:
            query = select(BatchRow.sha256).where(BatchRow.settings_key == self._key)
            return set(session.scalars(query))

    def add(self, sha256: str, body: dict[str, Any]) -> bool:
        """Write one photo's row; False when it had one already, which then stays."""
        try:
            with writing(self._store) as session:
                known = session.scalar(
                    select(BatchRow.id).where(
                        BatchRow.settings_key == self._key, BatchRow.sha256 == sha256
                    )
                )
                if known is not None:
                    return False
                row = BatchRow(settings_key=self._key, sha256=sha256, body=plain(body))
                session.add(row)
                try:
                    session.flush()
                except IntegrityError as error:
                    raise _DoneByAnotherError from error
        except _DoneByAnotherError:
            return False
        return True

    def rows(self) -> list[dict[str, Any]]:
        """All rows, in the order they were written."""
        with reading(self._store) as session:
            query = select(BatchRow).where(BatchRow.settings_key == self._key)
            return [
                {"sha256": r.sha256, **r.body} for r in session.scalars(query.order_by(BatchRow.id))
            ]


class _DoneByAnotherError(Exception):
    """A second program wrote the same photo in the same moment."""
