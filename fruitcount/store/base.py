"""Open the records: SQLite by a file name, PostgreSQL by a URL, the same calls for both.

Where they are: the screen's data folder unless another place is named.
"""

from __future__ import annotations

import os
import sqlite3
import stat
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import Connection, Engine, create_engine, event, select, text
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DisconnectionError, OperationalError, SQLAlchemyError
from sqlalchemy.orm import Session

from fruitcount.errors import FruitcountError, RecordError
from fruitcount.store.tables import Base, prepare

DATA_VARIABLE = "FRUITCOUNT_DATA"

_R = TypeVar("_R", bound=Base)
_BUSY_S = 30.0
_WRITE = "fruitcount_write"
# what reading a spoilt value raises besides the database's own errors
_SPOILT = (ValueError, OverflowError, RecursionError)
_REMEDY = "leave it as it is, and import a backup into new records"


class RevisionConflictError(RecordError):
    """Someone else changed the same photo first; nothing was written."""


@dataclass(frozen=True, eq=False)
class Store:
    """Open records.

    Attributes
    ----------
    engine : Engine
    photos_folder : Path
        Photo files by content hash.
    name : str
        The database as messages name it; never with a password.
    """

    engine: Engine
    photos_folder: Path
    name: str

    @property
    def is_sqlite(self) -> bool:
        """Whether it is one SQLite file."""
        return self.engine.dialect.name == "sqlite"

    @property
    def file(self) -> Path | None:
        """The SQLite file; None with a server."""
        return Path(str(self.engine.url.database)) if self.is_sqlite else None

    def close(self) -> None:
        """Give all connections back; the store is then used no more."""
        self.engine.dispose()


def open_store(url: str | Path, *, photos_folder: str | Path | None = None) -> Store:
    """Open or make the records.

    Parameters
    ----------
    url : str or Path
        A file name (SQLite), or ``postgresql://user@host/name``.
    photos_folder : str or Path, optional
        Where photo files lie. Default beside the SQLite file, named like it; must be given with
        PostgreSQL.

    Returns
    -------
    Store

    Raises
    ------
    RecordError
        When the file is damaged, is no fruitcount database, is of a newer version, or cannot be
        reached. Nothing is changed then.
    """
    where = _as_url(url)
    name = where.render_as_string(hide_password=True)
    if where.get_backend_name() == "sqlite":
        path = Path(str(where.database))
        name = str(path)
        folder = photos_folder or path.with_name(f"{path.stem}-photos")
        if path.is_file() and not path.stat().st_size and any(Path(folder).glob("??/*")):
            raise RecordError(f"{name}: is empty, though photos are beside it: {_REMEDY}")
        with suppress(OSError):  # there already, or a place that SQLite itself will speak of
            path.touch(mode=0o600, exist_ok=False)
        engine = create_engine(where, connect_args={"timeout": _BUSY_S})
        event.listen(engine, "connect", _set_up_sqlite)
        event.listen(engine, "checkout", _check_unmoved)
        event.listen(engine, "begin", _begin_sqlite)
    else:
        if photos_folder is None:
            raise RecordError(
                f"{name}: give the folder for photo files, a server has none beside it"
            )
        folder = photos_folder
        engine = create_engine(where, pool_pre_ping=True)
    store = Store(engine, Path(folder), name)
    try:
        with _in_words(store):
            _patiently(lambda: _start(store))
    except RecordError:
        store.close()
        raise
    with suppress(OSError):  # told when a photo is to be written
        Path(folder).mkdir(mode=0o700, parents=True, exist_ok=True)
    return store


def _as_url(url: str | Path) -> URL:
    if isinstance(url, Path) or "://" not in str(url):
        if str(url) in ("", ":memory:"):
            raise RecordError(f"{url!r}: records need a file")
        path = Path(os.path.expanduser(url)).absolute()
        # photos show where somebody's orchard is: what is made here only its owner may read
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        return URL.create("sqlite", database=str(path))
    try:
        parsed = make_url(url)
        backend = parsed.get_backend_name()
    except (ArgumentError, SQLAlchemyError) as error:
        raise RecordError(f"database URL cannot be read: {error}") from error
    if backend == "postgresql":
        return parsed.set(drivername="postgresql+psycopg")
    if backend == "sqlite" and parsed.database:
        return _as_url(Path(parsed.database))
    raise RecordError(f"database must be a SQLite file or postgresql://, got {backend!r}")


def _identity(path: str) -> tuple[int, int] | None:
    with suppress(OSError):
        return os.stat(path).st_dev, os.stat(path).st_ino
    return None


def _check_unmoved(connection: Any, record: Any, _proxy: Any) -> None:
    # what is written to a file that was moved, deleted or replaced meanwhile nobody finds again
    path, known = record.info["file"]
    if _identity(path) != known:
        raise DisconnectionError(f"{path} was moved")  # the pool then opens what is there now


def _set_up_sqlite(connection: Any, record: Any) -> None:
    path = connection.execute("PRAGMA database_list").fetchone()[2]
    record.info["file"] = path, _identity(path)
    # SQLAlchemy's own BEGIN is wanted, not the one the driver slips in before a write
    connection.isolation_level = None
    connection.execute("PRAGMA foreign_keys=ON")
    connection.execute("PRAGMA secure_delete=ON")
    connection.execute("PRAGMA synchronous=NORMAL")


def _begin_sqlite(conn: Connection) -> None:
    # BEGIN IMMEDIATE takes the write lock at once: two writers wait instead of failing half-way
    write = conn.get_execution_options().get(_WRITE, False)
    conn.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")


def _start(store: Store) -> None:
    if store.is_sqlite:
        # asked of SQLite itself: closing the file after a look of our own would drop the locks that
        # SQLite holds on it in this process (that is how POSIX locks work)
        try:
            with closing(sqlite3.connect(str(store.file), timeout=_BUSY_S)) as raw:
                names = [str(row[0]) for row in raw.execute("SELECT name FROM sqlite_master")]
                if names and "meta" not in names:  # told before its log mode is touched
                    found = sorted(names)[:5]
                    raise RecordError(f"{store.name}: not a fruitcount database (it has {found})")
                mode = raw.execute("PRAGMA journal_mode=WAL").fetchone()[0]
                state = str(raw.execute("PRAGMA quick_check(1)").fetchone()[0])
        except sqlite3.OperationalError as error:
            raise OperationalError("PRAGMA journal_mode=WAL", {}, error) from error
        except (sqlite3.DatabaseError, UnicodeDecodeError) as error:  # its message may be damaged
            raise RecordError(f"{store.name}: not a SQLite database, or damaged") from error
        if state != "ok":
            raise RecordError(f"{store.name}: the database is damaged: {state.splitlines()[-1]}")
        if str(mode).lower() != "wal":
            raise RecordError(f"{store.name}: SQLite cannot use its log here (mode {mode})")
    with store.engine.execution_options(**{_WRITE: True}).begin() as conn:
        if not store.is_sqlite:  # two programs that start at once must not both make the tables
            conn.execute(text("SELECT pg_advisory_xact_lock(770423)"))
        prepare(conn, store.name)


def _patiently(work: Callable[[], None], *, tries: int = 60, wait_s: float = 0.1) -> None:
    # "database is locked" comes from journal_mode=WAL in spite of the driver's timeout when two
    # processes open at once: seen in about 1 of 40 starts, none of 160 with this loop
    for left in range(tries - 1, -1, -1):
        try:
            work()
            return
        except OperationalError as error:
            if not left or not any(w in str(error) for w in ("locked", "busy")):
                raise
            time.sleep(wait_s)


@contextmanager
def _in_words(store: Store) -> Iterator[None]:
    """What a database raises becomes a :class:`RecordError` that names it."""
    try:
        yield
    except (SQLAlchemyError, *_SPOILT) as error:
        if isinstance(error, FruitcountError):
            raise
        cause = getattr(error, "orig", None) or error
        line = (str(cause).strip() or type(cause).__name__).splitlines()[0][:200]
        line = "a value in it is damaged" if isinstance(error, _SPOILT) else line
        signs = ("malformed", "not a database", "no such table", "no such column")
        if isinstance(error, _SPOILT) or any(sign in line for sign in signs):
            line += f": {_REMEDY}"
        raise RecordError(f"{store.name}: the database cannot be used: {line}") from error


@contextmanager
def reading(store: Store) -> Iterator[Session]:
    """A session that sees one moment of the records.

    Raises
    ------
    RecordError
        When the database is damaged or cannot be reached.
    """
    with _in_words(store), Session(store.engine) as session:
        yield session


@contextmanager
def writing(store: Store) -> Iterator[Session]:
    """A session that is committed at its end, or leaves no trace.

    Raises
    ------
    RecordError
        When the database is damaged, stays locked or refuses the row.
    """
    engine = store.engine.execution_options(**{_WRITE: True})
    with _in_words(store), Session(engine) as session, session.begin():
        yield session


def must_get(session: Session, table: type[_R], number: int) -> _R:
    """The row of that number, or a :class:`RecordError` that names it."""
    row = session.get(table, number)
    if row is None:
        raise RecordError(f"there is no {table.__tablename__} number {number} in the records")
    return row


def one_or_new(session: Session, table: type[_R], **key: Any) -> _R:
    """The row with these values, or a new one."""
    row = session.scalar(select(table).filter_by(**key))
    if row is None:
        row = table(**key)
        session.add(row)
    return row


def data_folder() -> Path:
    """The screen's folder of photos and corrections: ``FRUITCOUNT_DATA`` or ``~/.fruitcount``."""
    told = os.environ.get(DATA_VARIABLE) or os.path.expanduser("~/.fruitcount")
    if told.startswith("~"):
        raise RecordError(f"no home folder is known here: give --db, or set {DATA_VARIABLE}")
    return Path(told)


def records_file(where: str | Path | None = None) -> Path | None:
    """The database file that :func:`open_records` means; None where it is on a server."""
    place = data_folder() if where is None else where
    if "://" in str(place):
        return None
    path = Path(os.path.expanduser(place))
    if path.is_dir() or where is None or (not path.suffix and not path.exists()):
        path = path / "records.db"
    return path


def open_records(
    where: str | Path | None = None,
    *,
    photos_folder: str | Path | None = None,
    create: bool = False,
) -> Store:
    """Open records by the words of a command line.

    Parameters
    ----------
    where : str or Path, optional
        A data folder of the screen, a database file, or a ``postgresql://`` URL; default
        :func:`data_folder`.
    photos_folder : str or Path, optional
        Where photo files lie. In a data folder that is ``photos``, beside any other file
        ``<name>-photos``; with PostgreSQL it must be given.
    create : bool
        Make the records if they are not there.

    Raises
    ------
    RecordError
        When they are not there, or cannot be used.
    """
    path = records_file(where)
    if path is None:
        return open_store(str(where), photos_folder=photos_folder)
    if not create and not path.is_file():
        raise RecordError(
            f"{path}: there are no records here. The first is made by `fruitcount count PHOTO "
            "--record --tree NAME` or by `fruitcount screen`."
        )
    if photos_folder is None and path.name == "records.db":
        photos_folder = path.parent / "photos"
    return open_store(path, photos_folder=photos_folder)


# kinds of file systems that lie on another machine, as Linux names them
_NETWORK = ("nfs", "cifs", "smb", "ncpfs", "afs", "9p", "ceph", "glusterfs", "davfs", "lustre",
            "fuse.sshfs", "fuse.rclone", "fuse.davfs2", "fuse.glusterfs")  # fmt: skip


def shared_with(folder: Path) -> str:
    """A sentence on who else may reach a folder of records; empty where nobody can.

    Told are a network drive, a folder that other users of the computer may open, and one whose
    parent they may change: they could move it away or put another in its place.
    """
    here = folder.expanduser().absolute()
    kind = _mount_kind(here)
    if kind.startswith(_NETWORK):
        return (
            f"{here} lies on a network drive ({kind}): whoever runs that drive can read it, and a "
            "database there may be damaged when two computers write. Better on this computer."
        )
    for place, bits, may in (
        (here, 0o077, "may be opened by other users of this computer"),
        (here.parent, 0o022, "lies in a folder that other users of this computer may change"),
    ):
        with suppress(OSError):
            if os.name == "posix" and stat.S_IMODE(place.stat().st_mode) & bits:
                return f"{here} {may} ({place} has mode {stat.S_IMODE(place.stat().st_mode):o})."
    return ""


def _mount_kind(path: Path) -> str:
    """The kind of file system that a path lies on; empty where the system does not tell."""
    best, kind = "", ""
    with suppress(OSError):
        for line in Path("/proc/mounts").read_text(encoding="utf-8", errors="replace").splitlines():
            _, at, found, *_ = line.split(" ")
            at = at.replace("\\040", " ")
            if len(at) >= len(best) and Path(at) in (path, *path.parents):
                best, kind = at, found
    return kind
