"""Tries to get in: past the passphrase and the gate, into files, with uploads, odd addresses."""

from __future__ import annotations

import errno
import io
import json
import os
import socket
import sys
import zipfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from hardening.kit import limb_rgb, run, saved
from hardening.server import Screen
from helpers import location_in
from screen_launch import launch, photo_response
from screen_login import Guard, make_secret
from screen_photos import photos_in
from screen_shell import read_asset

from fruitcount.errors import BadInputError, FruitcountError, PhotoUnreadableError
from fruitcount.image.photo import read_photo
from fruitcount.store.archive import write_archive
from fruitcount.store.base import open_store
from fruitcount.store.kept import Records

WORD = "green peaches 12"
ELSEWHERE = "http://evil.example"


@pytest.fixture(scope="module")
def photo() -> bytes:
    return saved(limb_rgb()[::4, ::4])


@pytest.fixture(scope="module")
def lan(tmp_path_factory: pytest.TempPathFactory, photo: bytes) -> Iterator[tuple[Screen, str]]:
    """A screen open to the network, with one photo kept; the photo's address."""
    data = tmp_path_factory.mktemp("lan")
    key = _kept(data, photo)
    screen = Screen(data, WORD, lan=True)
    screen.start()
    yield screen, f"/photo/{key}"
    screen.kill()


def _kept(data: Path, photo: bytes) -> str:
    store = open_store(data / "records.db", photos_folder=data / "photos")
    key = Records(store).add_photo(photo, "limb.jpg")
    store.close()
    return key


@pytest.fixture
def records(tmp_path: Path) -> Iterator[Records]:
    store = open_store(tmp_path / "records.db", photos_folder=tmp_path / "photos")
    yield Records(store)
    store.close()


@pytest.mark.parametrize("word", [None, "", "short", "1234567"])
def test_the_network_is_not_served_without_a_passphrase(tmp_path: Path, word: str | None) -> None:
    with pytest.raises(BadInputError):
        launch(port=1, lan=True, passphrase=word, data_dir=tmp_path)
    command = ["screen", "--lan", "--data", tmp_path, "--passphrase", word or "x"]
    assert run(*command).exit_code == 2


def test_a_taken_port_is_told_before_anything_starts(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        result = run("screen", "--data", tmp_path, "--port", port)
    assert result.exit_code == 2
    assert f"port {port} cannot be used" in result.output


INSIDE = ["/", "/app.py", "/_stcore/health", "/_stcore/host-config", "/_stcore/upload_file/a/b",
          "/media/x", "/static/x", "/component/x", "/nothing"]  # fmt: skip


def test_nothing_is_served_without_a_login(lan: tuple[Screen, str]) -> None:
    screen, address = lan
    for path in (*INSIDE, address, f"{address}?side=64", address.upper(), "/ENTER", "/enter/",
                 "/enter/../", f"/enter/..{address}", f"//{screen.host}{address}"):  # fmt: skip
        for method in ("GET", "HEAD", "POST", "PUT", "DELETE", "OPTIONS", "PATCH"):
            status, headers, body = screen.ask(path, method)
            assert status in (400, 403, 404), (path, method, status)
            assert b"\xff\xd8\xff" not in body
            assert "streamlit" not in body.decode("latin-1").lower()
            assert "fruitcount_gate" not in headers.get("set-cookie", "")
    assert screen.upgrade() == 403
    status, headers, _ = screen.ask(address, Accept="text/html")
    assert status == 303
    assert headers["location"].startswith("/enter?to=%2Fphoto")


FORGED = [
    "fruitcount_gate=", "fruitcount_gate=.", "fruitcount_gate=9999999999.",
    "fruitcount_gate=" + "9" * 4000,
    "fruitcount_gate=9999999999." + "0" * 64, "fruitcount_gate=-1.x", "fruitcount_gate=1e99.x",
    "fruitcount_gate=\xb2.x", "other=1", "fruitcount_gate=%00", ";;;=;",
]  # fmt: skip


@pytest.mark.parametrize("cookie", FORGED, ids=range(len(FORGED)))
def test_forged_logins_are_refused(lan: tuple[Screen, str], cookie: str) -> None:
    screen, address = lan
    assert screen.ask(address, Cookie=cookie)[0] == 403
    assert screen.upgrade(Cookie=cookie) == 403


def test_with_a_login_it_is_served_and_a_changed_login_is_not(lan: tuple[Screen, str]) -> None:
    screen, address = lan
    cookie = screen.login()
    assert screen.ask(address, Cookie=cookie)[0] == 200
    assert screen.upgrade(Cookie=cookie) == 101
    until, _, seal = cookie.partition("=")[2].partition(".")
    for changed in (f"{int(until) + 1}.{seal}", f"{until}.{seal[:-1]}", f"{until}.{seal}0", seal):
        assert screen.ask(address, Cookie=f"fruitcount_gate={changed}")[0] == 403


def test_answers_carry_headers_against_framing_and_guessing(lan: tuple[Screen, str]) -> None:
    screen, address = lan
    cookie = screen.login()
    for path in ("/", address, "/enter", "/_stcore/health"):
        _, headers, _ = screen.ask(path, Cookie=cookie)
        assert headers["x-content-type-options"] == "nosniff", path
        assert headers["x-frame-options"] in ("DENY", "SAMEORIGIN"), path
        policy = headers["content-security-policy"]
        assert "frame-ancestors 'self'" in policy or "default-src 'none'" in policy, path
        assert "access-control-allow-origin" not in headers, path
    _, headers, _ = screen.ask(
        "/enter", "POST", body=b"word=" + WORD.replace(" ", "+").encode(),
    )  # fmt: skip
    flags = {part.strip().lower() for part in headers["set-cookie"].split(";")[1:]}
    assert {"httponly", "samesite=lax"} <= flags
    assert screen.ask(address, Cookie=cookie)[1]["cache-control"].startswith("private")


def test_other_sites_cannot_act_for_who_is_logged_in(lan: tuple[Screen, str]) -> None:
    """Cross-site requests: the live connection, uploads and the login itself."""
    screen, address = lan
    cookie = screen.login()
    assert screen.upgrade(Cookie=cookie, Origin=ELSEWHERE) == 403
    assert screen.upgrade(Cookie=cookie, Origin=f"http://{screen.host}") == 101
    assert screen.upgrade(Cookie=cookie, Origin="null") == 403
    for method in ("PUT", "DELETE", "POST"):
        path = "/_stcore/upload_file/x/y"
        status = screen.ask(path, method, body=b"x", Cookie=cookie, Origin=ELSEWHERE)[0]
        assert status == 403, method
        # from here, but without the token that the page holds (XSRF protection is on)
        assert screen.ask(path, method, body=b"x", Cookie=cookie)[0] in (403, 405), method
    right = b"word=" + WORD.replace(" ", "+").encode()
    assert screen.ask("/enter", "POST", body=right, Origin=ELSEWHERE)[0] == 403
    assert "access-control-allow-origin" not in screen.ask(address, Cookie=cookie,
                                                           Origin=ELSEWHERE)[1]  # fmt: skip


def test_after_login_one_stays_here(lan: tuple[Screen, str]) -> None:
    screen, _ = lan
    right = b"word=" + WORD.replace(" ", "+").encode()
    for to in ("//evil.example", "https://evil.example", "/%5Cevil.example", "/%0d%0aX-Evil:1",
               "javascript:alert(1)", "%2F%2Fevil.example", "\\evil"):  # fmt: skip
        status, headers, _ = screen.ask(f"/enter?to={to}", "POST", body=right)
        assert status == 303
        assert headers["location"].startswith("/")
        assert not headers["location"].startswith(("//", "/\\"))
        assert "x-evil" not in headers
    page = screen.ask("/enter?to=%22%3E%3Cscript%3Ealert(1)%3C/script%3E")[2].decode()
    assert "<script>alert" not in page


def test_guessing_is_slowed_for_everyone(lan: tuple[Screen, str]) -> None:
    """Last of those that log in: afterwards this address has to wait."""
    screen, address = lan
    before = screen.login()
    seen = [screen.ask("/enter", "POST", body=b"word=guess%d" % k)[0] for k in range(12)]
    assert seen[0] == 403
    assert seen[-1] == 429
    assert seen.count(403) <= 5
    right = b"word=" + WORD.replace(" ", "+").encode()
    assert screen.ask("/enter", "POST", body=right)[0] == 429
    assert screen.ask("/enter", "POST", body=right, X_Forwarded_For="10.9.9.9")[0] == 429
    assert screen.ask(address, Cookie=before)[0] == 200  # who is in already stays in
    body = b"word=" + b"x" * 5_000_000
    assert screen.ask("/enter", "POST", body=body)[0] in (403, 413, 429)


def test_logins_of_another_server_or_word_or_clock_are_refused(tmp_path: Path) -> None:
    one = Guard(WORD, make_secret(tmp_path / "one"))
    two = Guard(WORD, make_secret(tmp_path / "two"))
    login = one.sign(1_000_000.0)
    assert one.accepts(login, 1_000_001.0)
    assert not two.accepts(login, 1_000_001.0)
    assert not Guard(WORD + "x", make_secret(tmp_path / "one")).accepts(login, 1_000_001.0)
    assert not one.accepts(login, 1_000_000.0 + 12 * 3600 + 1)
    # signed while the clock was a year ahead: it must not last a year
    assert not one.accepts(one.sign(1_000_000.0 + 365 * 86400), 1_000_000.0)
    assert one.accepts(login, 1_000_000.0 - 600)  # a clock set back by minutes logs nobody out


KEYS = [
    "..",
    "../records.db",
    "..%2f..%2frecords.db",
    "%2e%2e%2fgate.key",
    "/etc/passwd",
    "a" * 64,
    "' OR 1=1 --",
    "x\x00y",
    "%s",
    "\u202e",
    "",
    "A" * 10_000,
    "gate.key",
    "records.db",
]


@pytest.mark.parametrize("key", KEYS, ids=range(len(KEYS)))
def test_photo_addresses_lead_to_photos_only(records: Records, photo: bytes, key: str) -> None:
    records.add_photo(photo, "limb.jpg")
    answer = photo_response(records, key, {})
    assert answer.status_code == 404
    assert answer.media_type == "text/plain"


QUERIES = [
    {"box": "1,2,3"},
    {"box": "a,b,c,d"},
    {"box": "1,2,3,4,5"},
    {"side": "x"},
    {"side": ""},
    {"box": ""},
    {"box": "nan,0,1,1"},
    {"side": "9" * 5000},
    {"box": "1e3,0,1,1"},
]
LARGE = [
    {"side": "-5"},
    {"side": str(10**9)},
    {"box": f"{10**30},{-(10**30)},1,1"},
    {"box": f"0,0,{10**30},{10**30}"},
    {"box": "-1,-1,-1,-1"},
    {"box": "5,5,0,0"},
]


@pytest.mark.parametrize("query", QUERIES, ids=str)
def test_odd_queries_are_refused(records: Records, photo: bytes, query: dict[str, str]) -> None:
    key = records.add_photo(photo, "limb.jpg")
    assert photo_response(records, key, query).status_code == 400


@pytest.mark.parametrize("query", LARGE, ids=str)
def test_large_queries_stay_small(records: Records, photo: bytes, query: dict[str, str]) -> None:
    key = records.add_photo(photo, "limb.jpg")
    answer = photo_response(records, key, query)
    assert answer.status_code == 200
    read = read_photo(bytes(answer.body))
    assert max(read.width_px, read.height_px) <= 2048
    assert len(list(records.path(key).parent.iterdir())) <= 2  # the photo and one small copy


def test_equal_requests_at_once_are_all_answered(records: Records, photo: bytes) -> None:
    """14 of 480 found the small copy half made by another."""
    key = records.add_photo(photo, "limb.jpg")
    with ThreadPoolExecutor(16) as pool:
        sides = [str(side) for side in (64, 128, 256) for _ in range(40)]
        answers = list(pool.map(lambda side: photo_response(records, key, {"side": side}), sides))
    assert {answer.status_code for answer in answers} == {200}
    assert len({bytes(answer.body) for answer in answers}) == 3
    assert len(list(records.path(key).parent.iterdir())) == 4


def test_a_folder_that_cannot_be_written_still_shows_its_photos(
    records: Records, photo: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    key = records.add_photo(photo, "limb.jpg")

    def full(*_: object, **__: object) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    monkeypatch.setattr("fruitcount.files.tempfile.mkdtemp", full)
    assert photo_response(records, key, {"side": "64"}).status_code == 200


def test_what_is_shown_holds_no_place_and_no_tags(records: Records) -> None:
    from PIL import Image

    exif = Image.Exif()
    exif[0x010F] = "a camera's maker"
    exif.get_ifd(0x8825).update({1: "N", 2: (47.0, 22.0, 36.5), 3: "E", 4: (8.0, 32.0, 24.5)})
    key = records.add_photo(saved(limb_rgb()[::4, ::4], exif=exif), "limb.jpg")
    shown = bytes(photo_response(records, key, {}).body)
    assert b"Exif" not in shown
    assert b"maker" not in shown
    assert location_in(records.path(key)) is None


NAMES = [
    "../../evil.jpg",
    "..\\..\\evil.jpg",
    "/etc/cron.d/evil.jpg",
    "a/../../b.jpg",
    "x\x00.jpg",
    "con.jpg",
    "." * 300 + ".jpg",
    "<script>.jpg",
    "=cmd.jpg",
    "caf\udce9.jpg",
    "",
]


@pytest.mark.parametrize("name", NAMES, ids=range(len(NAMES)))
def test_names_of_uploads_never_become_paths(
    tmp_path: Path, records: Records, photo: bytes, name: str
) -> None:
    key = records.add_photo(photo, name)
    files = [p for p in tmp_path.rglob("*") if p.is_file() and not p.name.startswith("records.db")]
    assert [p.parent.parent for p in files] == [tmp_path / "photos"]
    assert files[0].name.startswith(key)
    assert "/" not in records.name(key)
    records.name(key).encode()


def _zip(members: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return out.getvalue()


class Upload:
    def __init__(self, name: str, data: bytes) -> None:
        self.name, self._data = name, data

    def getvalue(self) -> bytes:
        return self._data


def test_uploads_of_the_wrong_kind_or_size(photo: bytes) -> None:
    bomb = _zip({"huge.jpg": bytes(130_000_000), "a.jpg": photo})
    assert len(bomb) < 1_000_000
    found = dict(photos_in([Upload("bomb.zip", bomb)]))
    assert isinstance(found["huge.jpg"], PhotoUnreadableError)
    assert found["a.jpg"] == photo
    many = _zip({f"{k}.jpg": b"x" for k in range(2001)})
    assert [type(data) for _, data in photos_in([Upload("many.zip", many)])] == [
        PhotoUnreadableError
    ]
    nested = _zip({"inner.zip": bomb, "run.exe": b"MZ", "page.html": b"<b>", "b.jpg": photo})
    assert [name for name, _ in photos_in([Upload("n.zip", nested)])] == ["b.jpg"]
    for empty in (_zip({}), _zip({"notes.txt": b"x"})):  # said, not passed over in silence
        ((name, refusal),) = photos_in([Upload("none.zip", empty)])
        assert str(refusal).startswith("none.zip: holds no photos"), name
    ways_out = ("../../a.jpg", "/etc/b.jpg", "..\\..\\c.jpg", "C:\\d.jpg")
    out = photos_in([Upload("out.zip", _zip(dict.fromkeys(ways_out, photo)))])
    assert [name for name, _ in out] == ["a.jpg", "b.jpg", "c.jpg", "d.jpg"]
    for data in (b"MZ program", b"<svg onload=alert(1)>", b"%PDF-1.7", b"GIF89a", b"PK\x03\x04"):
        ((_, body),) = photos_in([Upload("x.jpg", data)])
        with pytest.raises(FruitcountError):
            read_photo(bytes(body))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "change",
    [{"sha256": "../../../evil"}, {"suffix": "/../../../evil.jpg"}, {"sha256": "/etc/evil"},
     {"sha256": "a" * 64, "file_sha256": "b" * 64}, {"suffix": ".jpg/x"}, {"tree_id": 99}],
    ids=str,
)  # fmt: skip
def test_a_hostile_backup_writes_nowhere_else(
    tmp_path: Path, photo: bytes, change: dict[str, object]
) -> None:
    """Rows of a backup whose names lead out of the photos folder, or to another's photo."""
    inside = tmp_path / "in"
    store = open_store(inside / "records.db", photos_folder=inside / "photos")
    Records(store).add_photo(photo, "limb.jpg")
    whole = write_archive(store, inside / "all.zip")
    store.close()
    bad = tmp_path / "bad.zip"
    with zipfile.ZipFile(whole) as old, zipfile.ZipFile(bad, "w") as new:
        for line in old.namelist():
            data = old.read(line)
            if line == "records.jsonl":
                items = [json.loads(text) for text in data.splitlines()]
                for item in items:
                    if item.get("table") == "photo":
                        item["row"] |= change
                        name = "photos/{sha256}{suffix}".format(**item["row"])
                        if name not in old.namelist():
                            new.writestr(name, b"evil")
                data = b"".join(json.dumps(item).encode() + b"\n" for item in items)
            new.writestr(zipfile.ZipInfo(line), data)
    before = set(tmp_path.rglob("*"))
    result = run("records", "--db", tmp_path / "new" / "records.db", "import", bad)
    assert result.exit_code == 2, result.output
    assert set(tmp_path.rglob("*")) - before <= {tmp_path / "new", tmp_path / "new/photos"}


def test_an_upload_over_the_limit_is_refused(lan: tuple[Screen, str]) -> None:
    """The limit that the server was started with is far below what would fill its memory."""
    source = Path(sys.modules["screen_launch"].__file__ or "").read_text()
    source += read_asset("server.toml")
    assert '"server.maxUploadSize" = 400' in source
    assert "enableXsrfProtection" not in source  # on unless it is turned off
    assert "enableCORS" not in source


@pytest.mark.parametrize(
    "host", ["evil.example", "localhost.evil.example", "127.0.0.1.evil", "", "[::2]"]
)
def test_without_a_passphrase_no_name_of_another_leads_here(host: str) -> None:
    """DNS rebinding: a web page elsewhere whose name points at this computer."""
    import asyncio

    from screen_login import Gate

    sent: list[dict[str, object]] = []

    async def send(message: dict[str, object]) -> None:
        sent.append(message)

    async def inside(*_: object) -> None:
        raise AssertionError("let in")

    scope = {"type": "http", "path": "/", "method": "GET", "query_string": b"",
             "headers": [(b"host", host.encode())]}  # fmt: skip
    asyncio.run(Gate(inside, None)(scope, None, send))  # type: ignore[arg-type]
    assert sent[0]["status"] == 421


def test_the_server_tells_nobody_about_itself(lan: tuple[Screen, str]) -> None:
    screen, _ = lan
    log = (screen.data / "server.log").read_text()
    assert "External URL" not in log
    assert "external IP" not in log  # it would have asked a server elsewhere
    assert WORD not in log
    assert (screen.data / "gate.key").stat().st_mode & 0o077 == 0
