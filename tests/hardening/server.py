"""The screen in a process of its own, asked over HTTP without a browser."""

from __future__ import annotations

import http.client
import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
START = (
    "import sys; sys.path[:0] = [{ui!r}, {root!r}]\n"
    "from screen_launch import launch\n"
    "launch({port}, lan={lan!r}, https=False, data_dir={data!r}, passphrase={word!r})\n"
)


class Screen:
    """May be killed and started again on the same data."""

    def __init__(self, data: Path, word: str | None = None, *, lan: bool = False) -> None:
        self.data, self.word, self.lan = data, word, lan
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = int(probe.getsockname()[1])
        self.process: subprocess.Popen[bytes] | None = None

    @property
    def host(self) -> str:
        return f"localhost:{self.port}"

    def start(self) -> None:
        code = START.format(
            ui=str(ROOT / "ui"), root=str(ROOT), port=self.port, data=str(self.data),
            word=self.word, lan=self.lan,
        )  # fmt: skip
        self.data.mkdir(parents=True, exist_ok=True)
        env = {k: v for k, v in os.environ.items() if not k.startswith("STREAMLIT_")}
        with (self.data / "server.log").open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-c", code], stdout=log, stderr=log, env=env,
                start_new_session=True,
            )  # fmt: skip
        deadline = time.monotonic() + 90
        while time.monotonic() < deadline:
            try:
                self.ask("/_stcore/health")
            except OSError:
                time.sleep(0.2)
            else:
                return
        raise RuntimeError((self.data / "server.log").read_text())

    def kill(self) -> None:
        if self.process is not None:
            os.killpg(self.process.pid, signal.SIGKILL)
            self.process.wait()
            self.process = None

    def ask(
        self, path: str, method: str = "GET", *, body: bytes = b"", **headers: str
    ) -> tuple[int, dict[str, str], bytes]:
        """Status, headers (lower case) and body of one answer; no redirect is followed."""
        asked = {name.replace("_", "-"): value for name, value in headers.items()}
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        try:
            line.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
            asked = {"Host": self.host, **asked}
            if body or method in ("POST", "PUT"):
                asked.setdefault("Content-Length", str(len(body)))
            for name, value in asked.items():
                line.putheader(name, value)
            line.endheaders(body or None)
            answer = line.getresponse()
            return answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read()
        finally:
            line.close()

    def upgrade(self, path: str = "/_stcore/stream", **headers: str) -> int:
        """Status with which a request for the live connection is answered; 101 lets in."""
        lines = {
            "Host": self.host, "Upgrade": "websocket", "Connection": "Upgrade",
            "Sec-WebSocket-Key": "dGhlIHNhbXBsZSBub25jZQ==", "Sec-WebSocket-Version": "13",
            **headers,
        }  # fmt: skip
        text = "".join(f"{name}: {value}\r\n" for name, value in lines.items())
        with socket.create_connection(("127.0.0.1", self.port), timeout=30) as line:
            line.sendall(f"GET {path} HTTP/1.1\r\n{text}\r\n".encode())
            return int(line.recv(4096).split(b" ", 2)[1])

    def login(self) -> str:
        """The cookie that the right passphrase gives."""
        word = (self.word or "").replace(" ", "+").encode()
        status, headers, _ = self.ask(
            "/enter", "POST", body=b"word=" + word,
            Content_Type="application/x-www-form-urlencoded",
        )  # fmt: skip
        assert status == 303, status
        return headers["set-cookie"].split(";")[0]
