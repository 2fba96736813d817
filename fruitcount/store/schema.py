"""The database's version, and the steps from one version to the next.

To change a table: change ``tables.py``, add one function here under the next number, and raise
nothing else; ``LATEST`` follows. A new database is made at the latest version at once; an older
one goes through every step in order, all in one transaction.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from sqlalchemy import Connection, inspect, text

from fruitcount.errors import RecordError
from fruitcount.store.tables import Base

__all__ = ["FIRST", "KIND", "LATEST", "STEPS", "prepare", "read_version"]

KIND = "fruitcount records"
FIRST = 1
Step = Callable[[Connection], None]


def _hand_counts(conn: Connection) -> None:
    Base.metadata.tables["hand_count"].create(conn)


def _file_hashes(conn: Connection) -> None:
    conn.execute(text("ALTER TABLE photo ADD COLUMN file_sha256 TEXT NOT NULL DEFAULT ''"))


def _tunings(conn: Connection) -> None:
    Base.metadata.tables["tuning"].create(conn)


def _side_counts(conn: Connection) -> None:
    Base.metadata.tables["side_count"].create(conn)


def _harvest_days(conn: Connection) -> None:
    conn.execute(text("ALTER TABLE tree ADD COLUMN harvest_days INTEGER"))


# version it leads to -> what has to be done; version 1 is the first, so the table starts at 2
STEPS: dict[int, Step] = {
    2: _hand_counts,
    3: _file_hashes,
    4: _tunings,
    5: _side_counts,
    6: _harvest_days,
}
LATEST = max(STEPS, default=FIRST)


def read_version(conn: Connection, name: str) -> int:
    """Version of the database; 0 when it is empty.

    Parameters
    ----------
    conn : Connection
    name : str
        The database as the user knows it, for the message.

    Raises
    ------
    RecordError
        When it is some other program's database, or its version cannot be read.
    """
    names = inspect(conn).get_table_names()
    if not names:
        return 0
    if "meta" not in names:
        raise RecordError(f"{name}: not a fruitcount database (it has tables {sorted(names)[:5]})")
    rows = conn.execute(text("SELECT name, value FROM meta")).all()
    facts = {str(row[0]): str(row[1]) for row in rows}
    version = facts.get("version", "")
    if facts.get("kind") != KIND or not version.isdigit():
        raise RecordError(f"{name}: not a fruitcount database (meta says {facts!r})")
    return int(version)


def prepare(conn: Connection, name: str, steps: Mapping[int, Step] | None = None) -> int:
    """Make or upgrade the tables inside the caller's transaction.

    Parameters
    ----------
    conn : Connection
        In a writing transaction.
    name : str
        For messages.
    steps : mapping, optional
        Default :data:`STEPS`.

    Returns
    -------
    int
        The version it has now.

    Raises
    ------
    RecordError
        When the database is newer than this program.
    """
    steps = STEPS if steps is None else steps
    latest = max(steps, default=FIRST)
    version = read_version(conn, name)
    if version > latest:
        raise RecordError(
            f"{name}: made by a newer fruitcount (records version {version}, this program knows "
            f"up to {latest}): install the newer program, nothing was changed"
        )
    if version == 0:
        Base.metadata.create_all(conn)
        put = text("INSERT INTO meta (name, value) VALUES (:name, :value)")
        conn.execute(put, [{"name": "kind", "value": KIND}])
        conn.execute(put, [{"name": "version", "value": str(latest)}])
        return latest
    for number in range(version + 1, latest + 1):
        steps[number](conn)
    if version < latest:
        put = text("UPDATE meta SET value = :value WHERE name = 'version'")
        conn.execute(put, {"value": str(latest)})
    return latest
