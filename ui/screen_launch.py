"""Starts the screen: one command, this computer only unless asked otherwise."""

from __future__ import annotations

import ctypes
import datetime as dt
import ipaddress
import os
import socket
import sys
import threading
import tomllib
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

import segno
import streamlit as st
from screen_engine import kept_result, warm_up
from screen_login import Gate, Guard, make_secret
from screen_photos import piece_jpeg, preview_jpeg
from screen_result import answer_of
from screen_shell import canvas_script, icon_png, read_asset
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from fruitcount.errors import BadInputError, FruitcountError, RecordError
from fruitcount.store.base import DATA_VARIABLE, data_folder, shared_with
from fruitcount.store.kept import Records, open_records

_HERE = Path(__file__).resolve().parent
_MANIFEST, _JS = "application/manifest+json", "text/javascript"
_FOR_GOOD = {"cache-control": "private, max-age=31536000, immutable"}


def make_app(records: Records, guard: Guard | None) -> Any:
    """The whole web application: pages, photos, and the gate before both."""

    def photo(request: Request) -> Response:
        return photo_response(records, request.path_params["key"], dict(request.query_params))

    def answer(request: Request) -> Response:
        return answer_response(records, request.path_params["key"], request.query_params)

    told = read_asset("app.webmanifest")
    return st.App(
        _HERE / "app.py",
        routes=[
            Route("/photo/{key}", photo),
            Route("/answer/{key}", answer),
            Route("/app.webmanifest", lambda _: Response(told, media_type=_MANIFEST)),
            Route(
                "/canvas.js", lambda _: Response(canvas_script(), headers=_FOR_GOOD, media_type=_JS)
            ),
            Route("/icon.png", lambda _: Response(icon_png(), media_type="image/png")),
        ],
        middleware=[Middleware(Packed), Middleware(Gate, guard=guard)],
    )


class Packed:
    """ASGI middleware: the program's text files go out compressed, a third of their size."""

    def __init__(self, app: Any) -> None:
        self.app, self.packed = app, GZipMiddleware(app, compresslevel=6)

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        """Compress scripts and styles; photos are compressed already."""
        text = scope["type"] == "http" and scope["path"].endswith((".js", ".css"))
        await (self.packed if text else self.app)(scope, receive, send)


def photo_response(records: Records, key: str, query: dict[str, str]) -> Response:
    """The whole photo (``side``) or a piece of it (``box=x,y,w,h``) as a JPEG without any tags."""
    try:
        path = records.path(key)
        if "box" in query:
            x, y, w, h = (int(v) for v in query["box"].split(","))
            data = piece_jpeg(path, (x, y, w, h))
        else:
            data = preview_jpeg(path, int(query.get("side", "2048")))
    except RecordError:
        return Response("No such photo.", 404, media_type="text/plain")
    except (FruitcountError, ValueError):
        return Response("That cannot be shown.", 400, media_type="text/plain")
    headers = {"cache-control": "private, max-age=3600", "x-content-type-options": "nosniff"}
    return Response(data, media_type="image/jpeg", headers=headers)


def answer_response(records: Records, key: str, query: Mapping[str, str]) -> Response:
    """The answer in words, as the page says it; the photo is counted where it is not yet."""
    try:
        result = kept_result(records, key)
    except FruitcountError as fault:
        return JSONResponse({"big": str(fault)}, 404)
    told = answer_of(result, query.get("units", "metric"))
    first = " ".join(told.warnings[:1])
    return JSONResponse({"big": told.summary, "small": told.detail, "warn": first})


def launch(
    port: int = 8501,
    lan: bool = False,
    passphrase: str | None = None,
    data_dir: str | Path | None = None,
    https: bool | None = None,
) -> None:
    """Start the screen and serve until stopped.

    Parameters
    ----------
    port : int
    lan : bool
        Answer other devices on the same network; needs a passphrase.
    passphrase : str or None
        At least 8 characters. Asked for, too, when given without ``lan``.
    data_dir : path or None
        Where photos and corrections are kept; by default :func:`data_folder`.
    https : bool, optional
        Encrypt what goes over the network of ``lan``, with a certificate made here; by default
        where the ``https`` extra is installed.

    Raises
    ------
    BadInputError
        When ``lan`` is asked for without a passphrase, or it is too short; when ``https`` is asked
        for without ``lan`` or without its extra; when the port is taken.
    """
    if lan and not passphrase:
        raise BadInputError("passphrase must be given with --lan: there is no default")
    folder = Path(data_dir) if data_dir else data_folder()
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    os.environ[DATA_VARIABLE] = str(folder)
    # nobody may say in a header that a guess comes from another address
    os.environ.setdefault("FORWARDED_ALLOW_IPS", "")
    guard = Guard(passphrase, make_secret(folder)) if passphrase else None
    if str(_HERE) not in sys.path:
        sys.path.insert(0, str(_HERE))
    address = lan_address()
    papers = certificate(folder, address) if lan and https is not False else None
    if https and papers is None:
        raise BadInputError("https needs --lan, and the extra: pip install 'fruitcount[https]'")
    host = "0.0.0.0" if lan else "127.0.0.1"  # noqa: S104  # nosec B104
    check_port(host, port)
    tell_addresses(f"{'https' if papers else 'http'}://{{}}:{port}", address if lan else "", papers)
    if shared := shared_with(folder):
        print(f"Mind: {shared}", flush=True)
    give_memory_back()
    threading.Thread(target=warm_up, daemon=True).start()
    sys.argv = [str(_HERE / "app.py")]
    make_app(open_records(folder), guard).run(
        config={
            "server.port": port,
            "server.address": host,
            **({"server.sslCertFile": papers[0], "server.sslKeyFile": papers[1]} if papers else {}),
            **tomllib.loads(read_asset("server.toml")),
        }
    )


def check_port(host: str, port: int) -> None:
    """Refuse a port that is taken, or not for everybody, before anything is started."""
    with socket.socket() as probe:
        if os.name == "posix":  # one that was left a moment ago may be taken again
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as fault:
            raise BadInputError(
                f"port {port} cannot be used ({fault.strerror}): if the screen is open already, go "
                "to its address; else give another --port"
            ) from fault


def give_memory_back() -> None:
    """Let the system have freed memory at once; without glibc, nothing is done.

    Every visit runs in threads of its own. glibc gives each a store of memory and, once a picture
    was freed, takes the next ones from there; what lies above a freed picture holds it there.
    """
    with suppress(OSError, AttributeError):
        libc = ctypes.CDLL(None)
        libc.mallopt(-8, 2)  # M_ARENA_MAX: two stores for all threads
        libc.mallopt(-3, 1 << 20)  # M_MMAP_THRESHOLD: from 1 MB on outside of them, for good


def lan_address() -> str:
    """Address of this computer on its network; no packet is sent to find it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # reserved for documentation (RFC 5737)
            return str(ipaddress.ip_address(probe.getsockname()[0]))
        except OSError:
            return "127.0.0.1"


def certificate(folder: Path, address: str) -> tuple[str, str, str] | None:
    """A certificate that this computer signs for itself, good for a year and then made anew.

    Returns
    -------
    tuple of str, or None
        File of the certificate, file of its key, and its fingerprint (SHA-256), by which a phone
        knows it again. None where the ``cryptography`` package is not installed.
    """
    try:
        from cryptography import x509
        from cryptography.hazmat.primitives import hashes, serialization
        from cryptography.hazmat.primitives.asymmetric import ec
    except ImportError:
        return None
    now, day = dt.datetime.now(dt.UTC), dt.timedelta(days=1)
    paper, secret = (folder / f"{address}.{part}.pem" for part in ("certificate", "key"))
    made = x509.load_pem_x509_certificate(paper.read_bytes()) if paper.exists() else None
    if made is None or not secret.exists() or made.not_valid_after_utc < now + day:
        key = ec.generate_private_key(ec.SECP256R1())
        name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "Fruit count")])
        near, far = (x509.IPAddress(ipaddress.ip_address(a)) for a in ("127.0.0.1", address))
        places = [x509.DNSName("localhost"), near, far]
        made = (
            x509.CertificateBuilder(name, name, key.public_key(), x509.random_serial_number())
            .not_valid_before(now - day)
            .not_valid_after(now + 365 * day)
            .add_extension(x509.SubjectAlternativeName(places), critical=False)
            .sign(key, hashes.SHA256())
        )
        secret.touch(mode=0o600)
        secret.write_bytes(
            key.private_bytes(
                serialization.Encoding.PEM,
                serialization.PrivateFormat.PKCS8,
                serialization.NoEncryption(),
            )
        )
        paper.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    return str(paper), str(secret), made.fingerprint(hashes.SHA256()).hex(":").upper()


def tell_addresses(form: str, lan: str, papers: tuple[str, str, str] | None) -> None:
    """Print where the screen is, with a QR code for a phone, and what is encrypted."""
    print(f"Open {form.format('localhost')} on this computer. Stop with Ctrl-C.", flush=True)
    if not lan:
        return
    address = form.format(lan)
    print(f"On a phone in the same network: {address} (it asks for the passphrase)")
    segno.make(address, error="m").terminal(compact=True)
    if papers:
        print(
            "Encrypted. The browser warns once that it does not know this computer: look at the\n"
            "certificate it shows, go on only if its SHA-256 fingerprint is this one:\n"
            f"{papers[2]}",
            flush=True,
        )
        return
    print(
        "Not encrypted: passphrase, photos and answers can be read by others on this network. Use\n"
        "it on one that you trust, or install the https extra (pip install 'fruitcount[https]').",
        flush=True,
    )
