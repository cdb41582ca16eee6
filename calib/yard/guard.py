"""Who may ask the page's server for what: hosts, origins, tokens, sizes, and what a page may load.

The server is for one machine. A request counts only under a name that it was started under (so
that no name of somebody else's can be made to point here), a change only from the page that the
server itself made, with the token in it; from the local network, only after the code that the
terminal shows was given.
"""

import hmac
import secrets
from collections.abc import Callable
from dataclasses import dataclass, field

from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

#: The largest body of a change, and of a file for import, bytes.
LARGEST, LARGEST_FILE = 100_000, 20_000_000

#: So many wrong codes, and there is another one.
MOST_WRONG = 5

#: What the pages of the yard may load: what comes from this server, nothing written in the page.
_POLICY = ("default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
           "connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'")

#: Reports bring their own style and script; they run apart from the page and reach nothing.
SEALED = ("sandbox allow-scripts allow-popups; default-src 'none'; script-src 'unsafe-inline'; "
          "style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'; base-uri 'none'")

_HEADERS = {
    "content-security-policy": _POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cache-control": "no-store",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}

#: What may be asked for before the code was given.
_OPEN = {"/enter", "/static/yard.css"}

#: What a file may be sent to.
_WITH_FILES = {"/file", "/confirm", "/points", "/entries"}

COOKIE = "calib_yard"


@dataclass
class Keys:
    """What a server knows its own by."""

    share: bool = False
    #: In every page; comes back with every change.
    token: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    #: For who comes from the local network; another one once it was used. None: nobody may.
    code: str | None = None
    told: Callable[[str], None] = lambda code: None
    _visitors: set[str] = field(default_factory=set)
    _wrong: int = 0

    def __post_init__(self):
        if self.share:
            self.renew()

    def renew(self) -> None:
        """Another code, and say it."""
        self.code, self._wrong = f"{secrets.randbelow(10**8):08d}", 0
        self.told(self.code)

    def enter(self, code: str) -> str | None:
        """The cookie for who gives the code; it works once."""
        if self.code is None:
            return None
        if hmac.compare_digest(code.strip().encode(), self.code.encode()):
            visitor = secrets.token_urlsafe(24)
            self._visitors.add(visitor)
            self.renew()
            return visitor
        self._wrong += 1
        if self._wrong >= MOST_WRONG:
            self.renew()
        return None

    def knows(self, visitor: str) -> bool:
        """Whether a cookie is one that `enter` gave."""
        return any(hmac.compare_digest(visitor.encode(), known.encode())
                   for known in self._visitors)


class Guard:
    """ASGI middleware: refuses, or lets through with the headers of safety."""

    def __init__(self, app: ASGIApp, keys: Keys, hosts: Callable[[], set[str]]):
        """`hosts` gives the names with port under which the server may be asked."""
        self.app, self.keys, self.hosts = app, keys, hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Refuse, or pass on; nothing but HTTP is served."""
        if scope["type"] != "http":
            return

        async def safely(message):
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        largest = LARGEST_FILE if scope["path"] in _WITH_FILES else LARGEST
        answering = self._refused(Request(scope)) or self.app
        await answering(scope, _limited(receive, largest), safely)

    def _refused(self, request: Request) -> Response | None:
        """The answer to a request that is not in order."""
        headers, path, looks = request.headers, request.url.path, request.method in ("GET", "HEAD")
        host = headers.get("host", "")
        if host not in self.hosts():
            return _refusal(421, "This server is not asked under that name.")
        here = request.client is not None and request.client.host in ("127.0.0.1", "::1")
        if self.keys.share and not here and path not in _OPEN \
                and not self.keys.knows(request.cookies.get(COOKIE, "")):
            return RedirectResponse("/enter", 303) if looks else _refusal(
                403, "Give the code first.")
        if looks:
            return None
        if headers.get("origin") != f"http://{host}":
            return _refusal(403, "A change comes from the page itself only.")
        if path != "/enter" and not hmac.compare_digest(
                headers.get("x-calib-token", "").encode(), self.keys.token.encode()):
            return _refusal(403, "The page is of another start of the server: load it again.")
        length = headers.get("content-length", "")
        if not length.isdecimal() or len(length) > 12:
            return _refusal(411, "How long is it?")
        return _refusal(413, "Too large.") if int(length) > LARGEST_FILE else None


def _refusal(status, reason):
    return PlainTextResponse(reason, status, {"connection": "close"})


def _limited(receive, largest):
    """What is received, as long as it is not more than announced or allowed."""
    so_far = 0

    async def limited():
        nonlocal so_far
        message = await receive()
        so_far += len(message.get("body", b""))
        if so_far > largest:
            return {"type": "http.disconnect"}
        return message

    return limited
