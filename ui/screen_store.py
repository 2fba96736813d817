"""Where the screen keeps photos and every step of their correction: the one seam to storage.

A photo's steps are rows that are only ever added. The key (photo, revision) makes it impossible
for two browsers to write the same revision; the loser reads what the other did and tries again.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from screen_outbox import Event

from fruitcount.errors import RecordError

__all__ = ["MovedOnError", "PhotoRow", "Store", "open_store"]

_META = sa.MetaData()
_PHOTOS = sa.Table(
    "screen_photo",
    _META,
    sa.Column("key", sa.String(64), primary_key=True),
    sa.Column("name", sa.String(200), nullable=False),
    sa.Column("added_at", sa.String(32), nullable=False),
    sa.Column("seen", sa.Text, nullable=False, default=""),
    sa.Column("about", sa.Text, nullable=False, default="{}"),
    sa.Column("summary", sa.Text, nullable=False, default="{}"),
)
_STEPS = sa.Table(
    "screen_step",
    _META,
    sa.Column("photo", sa.String(64), sa.ForeignKey("screen_photo.key"), primary_key=True),
    sa.Column("revision", sa.Integer, primary_key=True),
    sa.Column("client", sa.String(40), nullable=False),
    sa.Column("seq", sa.Integer, nullable=False),
    sa.Column("step", sa.Text, nullable=False),
    sa.Column("at", sa.String(32), nullable=False),
    sa.UniqueConstraint("photo", "client", "seq"),
)
_KEY = re.compile(r"[0-9a-f]{64}")


class MovedOnError(RecordError):
    """Another browser stored a step first; read it and try again."""


@dataclass(frozen=True)
class PhotoRow:
    """One kept photo.

    Attributes
    ----------
    key : str
        SHA-256 of the file's bytes.
    name : str
        The file's name, for people only: it never becomes a path.
    added_at : str
        UTC, ISO 8601.
    about : dict
        What the grower said of it: tree, limb, species, pass and so on.
    summary : dict
        Last result in a few numbers, for lists.
    """

    key: str
    name: str
    added_at: str
    about: dict[str, Any]
    summary: dict[str, Any]


class Store:
    """Photos and steps in one folder: ``screen.db`` and ``photos/``."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.photos = folder / "photos"
        self.photos.mkdir(parents=True, exist_ok=True)
        self.engine = sa.create_engine(
            f"sqlite:///{folder / 'screen.db'}", connect_args={"timeout": 30}
        )

        @sa.event.listens_for(self.engine, "connect")
        def _prepare(connection: Any, _: Any) -> None:
            connection.execute("PRAGMA journal_mode=WAL")
            connection.execute("PRAGMA synchronous=NORMAL")
            connection.execute("PRAGMA foreign_keys=ON")

        _META.create_all(self.engine)

    def add_photo(self, data: bytes, name: str) -> str:
        """Keep a photo's bytes under their hash; the same bytes are kept once."""
        key = hashlib.sha256(data).hexdigest()
        path = self.path(key)
        if not path.exists():
            partial = path.with_suffix(".part")
            partial.write_bytes(data)
            partial.replace(path)
        row = {"key": key, "name": name[:200], "added_at": _now()}
        with self.engine.begin() as db:
            if db.scalar(sa.select(_PHOTOS.c.key).where(_PHOTOS.c.key == key)) is None:
                db.execute(_PHOTOS.insert().values(row))
        return key

    def path(self, key: str) -> Path:
        """File of a photo; only a hash is taken for a key.

        Raises
        ------
        RecordError
            When ``key`` is not a SHA-256 in hexadecimal.
        """
        if not _KEY.fullmatch(key):
            raise RecordError(f"a photo's key is 64 hexadecimal digits, got {key[:80]!r}")
        return self.photos / key

    def photo(self, key: str) -> PhotoRow | None:
        """One photo, or None when it is not kept here."""
        rows = self._rows(_PHOTOS.c.key == key)
        return rows[0] if rows else None

    def all_photos(self) -> list[PhotoRow]:
        """Every photo, newest first."""
        return self._rows(sa.true())

    def _rows(self, where: Any) -> list[PhotoRow]:
        columns = (_PHOTOS.c.key, _PHOTOS.c.name, _PHOTOS.c.added_at)
        query = sa.select(*columns, _PHOTOS.c.about, _PHOTOS.c.summary).where(where)
        with self.engine.connect() as db:
            found = db.execute(query.order_by(_PHOTOS.c.added_at.desc())).all()
        return [PhotoRow(r[0], r[1], r[2], json.loads(r[3]), json.loads(r[4])) for r in found]

    def seen(self, key: str) -> dict[str, Any] | None:
        """The automatic result, or None when it was not measured yet."""
        with self.engine.connect() as db:
            text = db.scalar(sa.select(_PHOTOS.c.seen).where(_PHOTOS.c.key == key))
        return json.loads(text) if text else None

    def keep_seen(self, key: str, record: Mapping[str, Any]) -> None:
        """Keep the automatic result, unless one is kept: corrections start from the first."""
        change = _PHOTOS.update().where(_PHOTOS.c.key == key, _PHOTOS.c.seen == "")
        with self.engine.begin() as db:
            db.execute(change.values(seen=json.dumps(record)))

    def keep_about(self, key: str, **facts: Any) -> None:
        """Add to what the grower said of a photo."""
        self._merge(key, _PHOTOS.c.about, facts)

    def keep_summary(self, key: str, **numbers: Any) -> None:
        """Add to the last result's few numbers."""
        self._merge(key, _PHOTOS.c.summary, numbers)

    def _merge(self, key: str, column: sa.Column[Any], more: Mapping[str, Any]) -> None:
        with self.engine.begin() as db:
            text = db.scalar(sa.select(column).where(_PHOTOS.c.key == key))
            was = json.loads(text or "{}")
            if {**was, **more} != was:
                row = _PHOTOS.update().where(_PHOTOS.c.key == key)
                db.execute(row.values({column.name: json.dumps({**was, **more})}))

    def steps(self, key: str, after: int = 0) -> list[Event]:
        """Stored steps with a revision above ``after``, in order."""
        query = sa.select(_STEPS).where(_STEPS.c.photo == key, _STEPS.c.revision > after)
        with self.engine.connect() as db:
            rows = db.execute(query.order_by(_STEPS.c.revision)).all()
        return [Event(r.revision, r.client, r.seq, json.loads(r.step)) for r in rows]

    def add_steps(self, key: str, events: Iterable[Event]) -> None:
        """Store steps, all or none.

        Raises
        ------
        MovedOnError
            When one of the revisions, or one browser's number, is stored already.
        """
        rows = [
            {
                "photo": key,
                "revision": e.revision,
                "client": e.client,
                "seq": e.seq,
                "step": json.dumps(e.step),
                "at": _now(),
            }
            for e in events
        ]
        if not rows:
            return
        try:
            with self.engine.begin() as db:
                db.execute(_STEPS.insert(), rows)
        except sa.exc.IntegrityError as clash:
            raise MovedOnError(f"photo {key[:8]} has been changed by another browser") from clash

    def forget(self, key: str) -> None:
        """Delete a photo, its file, and all its steps."""
        with self.engine.begin() as db:
            db.execute(_STEPS.delete().where(_STEPS.c.photo == key))
            db.execute(_PHOTOS.delete().where(_PHOTOS.c.key == key))
        for path in self.photos.glob(f"{self.path(key).name}*"):
            path.unlink()


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


def open_store(folder: str | Path) -> Store:
    """Open the store in a folder; it is made when it is not there."""
    return Store(Path(folder))
