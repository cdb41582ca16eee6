"""Who may ask the page's server for what: hosts, origins, tokens, sizes, and what a page may load.

The server is for one machine. A request counts only under a name that it was started under (so
that no name of somebody else's can be made to point here), a change only from the page that the
server itself made, with the token in it; from the local network, only after the code that the
terminal shows was given.
"""

import hmac
import secrets
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from typing import Any

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

Scope = dict[str, Any]
App = Callable[[Scope, Any, Any], Awaitable[None]]


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

    def __init__(self, app: App, keys: Keys, hosts: Callable[[], set[str]]):
        """`hosts` gives the names with port under which the server may be asked."""
        self.app, self.keys, self.hosts = app, keys, hosts

    async def __call__(self, scope: Scope, receive: Any, send: Any) -> None:
        """Refuse, or pass on."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return
        headers = {name.decode("latin-1"): value.decode("latin-1")
                   for name, value in scope["headers"]}
        refused = self._refused(scope, headers)
        if refused is not None:
            await _refuse(send, *refused)
            return

        async def safely(message):
            if message["type"] == "http.response.start":
                own = {name.lower() for name, _ in message["headers"]}
                message["headers"] = [*message["headers"], *(
                    (name.encode(), value.encode()) for name, value in _HEADERS.items()
                    if name.encode() not in own)]
            await send(message)

        largest = LARGEST_FILE if scope["path"] in _WITH_FILES else LARGEST
        await self.app(scope, _limited(receive, largest), safely)

    def _refused(self, scope, headers):
        """Status and reason; None if the request is in order."""
        host = headers.get("host", "")
        if host not in self.hosts():
            return 421, "This server is not asked under that name."
        if self.keys.share and not _is_local(scope) and scope["path"] not in _OPEN \
                and not self.keys.knows(_cookie(headers)):
            return (303, "/enter") if scope["method"] == "GET" else (403, "Give the code first.")
        if scope["method"] in ("GET", "HEAD"):
            return None
        if headers.get("origin") != f"http://{host}":
            return 403, "A change comes from the page itself only."
        if scope["path"] != "/enter" and not hmac.compare_digest(
                headers.get("x-calib-token", "").encode(), self.keys.token.encode()):
            return 403, "The page is of another start of the server: load it again."
        try:
            length = int(headers.get("content-length", ""))
        except ValueError:
            return 411, "How long is it?"
        return (413, "Too large.") if not 0 <= length <= LARGEST_FILE else None


def _is_local(scope):
    client = scope.get("client")
    return client is not None and client[0] in ("127.0.0.1", "::1")


def _cookie(headers):
    try:
        morsel = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return ""
    return morsel.value if morsel else ""


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


async def _refuse(send, status, reason):
    headers = [(name.encode(), value.encode()) for name, value in _HEADERS.items()]
    if status == 303:
        headers.append((b"location", reason.encode()))
        reason = ""
    headers += [(b"content-type", b"text/plain; charset=utf-8"),
                (b"content-length", str(len(reason.encode())).encode()), (b"connection", b"close")]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": reason.encode()})
