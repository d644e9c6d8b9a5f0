"""The page's server: this machine only, one token a run, and nothing but the listed photos and the files of the page.

Every request must name this server as its host (a name that was pointed at this machine from elsewhere does not get
in); all data need the token in a header, which no other page can send; what writes must come from this page's origin.
File names never come from requests: photos are asked for by number.
"""

from __future__ import annotations

import hmac
import json
import secrets
import sys
from functools import cache
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from importlib.resources import files
from typing import Any
from urllib.parse import urlsplit

from standcam.errors import StandcamError, UnwritableResults
from standcam.review.desk import Desk, NoPicture, NotDone

TOKEN, PICTURE = "X-Standcam-Token", "X-Standcam-Picture"
LARGEST = 4096
"""Bytes of a request's body; an edit has some two hundred."""
_PAGE = {
    "/": ("index.html", "text/html; charset=utf-8"),
    "/review.css": ("review.css", "text/css; charset=utf-8"),
    "/review.js": ("review.js", "text/javascript; charset=utf-8"),
    **{f"/{name}": (name, "text/javascript; charset=utf-8") for name in ("view.js", "marks.js", "hands.js")},
}
_SAFE = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}


class ReviewServer(ThreadingHTTPServer):
    """Serves one desk on 127.0.0.1.

    Parameters
    ----------
    desk : Desk
    port : int
        0 takes a free one.
    """

    daemon_threads = True

    def __init__(self, desk: Desk, port: int = 0) -> None:
        self.desk = desk
        self.token = secrets.token_urlsafe(32)
        super().__init__(("127.0.0.1", port), _Handler)
        self.hosts = {f"{name}:{self.server_port}" for name in ("127.0.0.1", "localhost")}

    @property
    def url(self) -> str:
        """Address of the page. The token stands behind ``#``, which browsers keep to themselves."""
        return f"http://127.0.0.1:{self.server_port}/#{self.token}"

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A browser that hangs up is no event; faults are told in one line."""
        error = sys.exc_info()[1]
        if not isinstance(error, ConnectionError | TimeoutError):
            print(f"standcam: the page met a fault: {type(error).__name__}: {error}", file=sys.stderr)


@cache
def _page_file(name: str) -> bytes:
    return (files("standcam.review") / "page" / name).read_bytes()


class _Refused(Exception):
    """A request that is not answered; status and words."""

    def __init__(self, status: HTTPStatus, words: str) -> None:
        super().__init__(words)
        self.status, self.words = status, words


class _Handler(BaseHTTPRequestHandler):
    server: ReviewServer
    protocol_version = "HTTP/1.1"
    server_version, sys_version = "standcam", ""
    timeout = 60

    def do_GET(self) -> None:
        self._answer(self._get)

    def do_HEAD(self) -> None:
        self._answer(self._get)

    def do_POST(self) -> None:
        self._answer(self._post)

    def log_message(self, format: str, *args: Any) -> None:
        """Nothing: the terminal is for the user."""

    def send_error(self, code: int, message: str | None = None, explain: str | None = None) -> None:
        """Errors in plain text, without an echo of the request."""
        self.close_connection = True
        self._send(HTTPStatus(code), (HTTPStatus(code).phrase + "\n").encode(), "text/plain; charset=utf-8")

    # ---- the rules

    def _answer(self, work: Any) -> None:
        try:
            if self.headers.get_all("Host") is None or self.headers.get_all("Host") != [self.headers["Host"]]:
                raise _Refused(HTTPStatus.BAD_REQUEST, "One Host header is needed.")
            if self.headers["Host"].strip().lower() not in self.server.hosts:
                raise _Refused(HTTPStatus.MISDIRECTED_REQUEST, "This server answers to this machine only.")
            if self.headers.get("Sec-Fetch-Site", "none") not in ("none", "same-origin"):
                raise _Refused(HTTPStatus.FORBIDDEN, "Other pages get nothing here.")
            origin = self.headers.get("Origin")
            if origin is None and self.command == "POST":
                raise _Refused(HTTPStatus.FORBIDDEN, "Edits come from the page only.")
            if origin is not None and origin not in {f"http://{host}" for host in self.server.hosts}:
                raise _Refused(HTTPStatus.FORBIDDEN, "Other pages get nothing here.")
            work()
        except _Refused as refused:
            self.close_connection = True
            self._json({"error": refused.words}, refused.status)
        except NoPicture as error:
            self._json({"error": str(error)}, HTTPStatus.NOT_FOUND)
        except NotDone as error:
            self._json({"error": str(error)}, HTTPStatus.UNPROCESSABLE_ENTITY)
        except UnwritableResults as error:
            self._json({"error": str(error)}, HTTPStatus.INSUFFICIENT_STORAGE)
        except StandcamError as error:
            self._json({"error": str(error)}, HTTPStatus.CONFLICT)

    def _need_token(self) -> None:
        given = self.headers.get(TOKEN, "")
        if not hmac.compare_digest(given.encode("latin-1", "replace"), self.server.token.encode()):
            raise _Refused(HTTPStatus.FORBIDDEN, "Open the page by the address that standcam review printed.")

    def _index(self, text: str) -> int:
        if not (text.isascii() and text.isdigit() and len(text) < 9 and int(text) < len(self.server.desk.pictures)):
            raise _Refused(HTTPStatus.NOT_FOUND, "There is no such photo.")
        return int(text)

    # ---- the answers

    def _get(self) -> None:
        path, query = urlsplit(self.path).path, urlsplit(self.path).query
        if path in _PAGE:
            name, kind = _PAGE[path]
            self._send(HTTPStatus.OK, _page_file(name), kind)
            return
        if path == "/favicon.ico":  # browsers ask by themselves
            self._send(HTTPStatus.NO_CONTENT, b"", "image/x-icon")
            return
        parts = path.split("/")
        if path not in ("/api/photos", "/api/edits") and not (
            len(parts) == 4 and parts[:2] == ["", "api"] and parts[2] in ("photo", "picture")
        ):
            raise _Refused(HTTPStatus.NOT_FOUND, "There is nothing here.")
        self._need_token()
        desk = self.server.desk
        if path == "/api/photos":
            self._json(desk.overview())
        elif path == "/api/edits":
            self._json({"edits": desk.counted_edits()})
        elif parts[2] == "photo":
            self._json(desk.picture(self._index(parts[3])))
        else:
            data, which = desk.picture_bytes(self._index(parts[3]), plain=query == "plain")
            self._send(HTTPStatus.OK, data, "image/jpeg", {PICTURE: which})

    def _post(self) -> None:
        self._need_token()
        parts = urlsplit(self.path).path.split("/")
        if len(parts) != 4 or parts[:3] != ["", "api", "edit"]:
            raise _Refused(HTTPStatus.NOT_FOUND, "There is nothing here.")
        index = self._index(parts[3])
        if self.headers.get("Content-Type", "").partition(";")[0].strip().lower() != "application/json":
            raise _Refused(HTTPStatus.UNSUPPORTED_MEDIA_TYPE, "Edits are JSON.")
        length = self.headers.get("Content-Length", "")
        if not (length.isascii() and length.isdigit()) or self.headers.get("Transfer-Encoding"):
            raise _Refused(HTTPStatus.LENGTH_REQUIRED, "The length of the edit is needed.")
        if len(length) > 9 or int(length) > LARGEST:
            raise _Refused(HTTPStatus.REQUEST_ENTITY_TOO_LARGE, "That is too long for an edit.")
        try:
            asked = json.loads(self.rfile.read(int(length)))
            if not isinstance(asked, dict):
                raise ValueError
        except (ValueError, RecursionError):
            raise _Refused(HTTPStatus.BAD_REQUEST, "That is no edit.") from None
        self._json(self.server.desk.edit(index, asked))

    def _json(self, value: Any, status: HTTPStatus = HTTPStatus.OK) -> None:
        self._send(status, json.dumps(value).encode(), "application/json")

    def _send(self, status: HTTPStatus, data: bytes, kind: str, more: dict[str, str] | None = None) -> None:
        self.send_response(status)
        headers = {"Content-Type": kind, "Content-Length": str(len(data))} | _SAFE | (more or {})
        if self.close_connection:
            headers["Connection"] = "close"
        for name, value in headers.items():
            self.send_header(name, value)
        self.end_headers()
        if self.command != "HEAD":
            self.wfile.write(data)
