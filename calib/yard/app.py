"""The page's server: what it answers to, each answer from functions that know nothing of it."""

import asyncio
import traceback
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from pydantic import ValidationError
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from calib.adjust.mixed_model import ModelNotFinite, NotConverged
from calib.adjust.spectrum import NotDetermined
from calib.report.words import yard as say
from calib.report.words.cautions import CAUTIONS
from calib.run.complaints import InputError
from calib.yard import changes, desk
from calib.yard.guard import COOKIE, SEALED, Guard, Keys
from calib.yard.notebook import Changed
from calib.yard.progress import reason_of
from calib.yard.session import Session
from calib.yard.view import sensors_view, view_of

#: Seconds that a page waits for news before it asks again, and from look to look for them.
_PATIENCE, _BETWEEN = 15.0, 0.1

_TYPES = {".css": "text/css", ".js": "text/javascript", ".html": "text/html",
          ".pdf": "application/pdf", ".png": "image/png", ".svg": "image/svg+xml",
          ".json": "application/json", ".csv": "text/csv"}


#: What a browser shows itself; the rest is saved, to be opened or printed.
_SHOWN = {"text/html", "image/png", "image/svg+xml"}


def server_app(session: Session, keys: Keys, hosts: Callable[[], set[str]],
               ending: Callable[[], bool] = lambda: False) -> Guard:
    """The application that a server runs.

    Parameters
    ----------
    hosts : callable
        The names with port under which it may be asked.
    ending : callable
        Whether the server ends: a page that waits for news is answered then.
    """
    pages = _Pages(session, keys, ending)
    routes = [
        Route("/", pages.yard),
        Route("/desk", pages.desk),
        Route("/enter", pages.enter, methods=["GET", "POST"]),
        Route("/static/{name}", pages.static),
        Route("/now", pages.now),
        Route("/sensors", pages.sensors),
        Route("/result/{name}", pages.result),
        Route("/blank/{name}", pages.blank),
        *(Route(path, pages.change(action), methods=["POST"])
          for path, action in {**changes.ACTIONS, **desk.ACTIONS}.items()),
    ]
    return Guard(Starlette(routes=routes), keys, hosts)


class _Pages:
    """Handlers; each reads its request, calls one function, answers."""

    def __init__(self, session, keys, ending):
        self.session, self.keys, self.ending = session, keys, ending
        folder = files("calib.yard") / "static"
        # All there is, read once: no path from a request reaches the file system.
        self.files = {one.name: one.read_bytes() for one in folder.iterdir() if one.is_file()}
        self.pages = Environment(
            loader=PackageLoader("calib.yard"), autoescape=True, undefined=StrictUndefined,
            trim_blocks=True, lstrip_blocks=True)

    def _page(self, name, **values):
        text = self.pages.get_template(name).render(
            token=self.keys.token, cautions=CAUTIONS, folder=self.session.notebook.folder.name,
            **values)
        return HTMLResponse(text)

    async def yard(self, request: Request) -> Response:
        """The page that lies on the track."""
        return self._page("yard.html.j2", view=view_of(self.session.state()),
                          log=self.session.sensors is not None)

    async def desk(self, request: Request) -> Response:
        """The page for the desk."""
        view = await run_in_threadpool(desk.desk_view, self.session)
        return self._page("desk.html.j2", view=view)

    async def enter(self, request: Request) -> Response:
        """Ask for the code, or take it."""
        if request.method == "GET":
            return self._page("enter.html.j2", wrong=False)
        body = (await request.body()).decode("utf-8", "replace")
        visitor = self.keys.enter(body.removeprefix("code=").strip()[:40])
        if visitor is None:
            return HTMLResponse(self._page("enter.html.j2", wrong=True).body, 403)
        answer = RedirectResponse("/", 303)
        answer.set_cookie(COOKIE, visitor, httponly=True, samesite="strict")
        return answer

    async def static(self, request: Request) -> Response:
        """Style and script."""
        name = request.path_params["name"]
        content = self.files.get(name)
        if content is None:
            return Response("There is no such file.", 404)
        return Response(content, media_type=_TYPES[Path(name).suffix])

    async def now(self, request: Request) -> Response:
        """The state, as soon as it is another than the page has seen."""
        try:
            seen = int(request.query_params.get("seen", "-1"))
        except ValueError:
            seen = -1
        for _ in range(int(_PATIENCE / _BETWEEN)):
            if self.session.state().version != seen or self.ending():
                break
            await asyncio.sleep(_BETWEEN)
        state = self.session.state()
        return JSONResponse(await run_in_threadpool(view_of, state))

    async def sensors(self, request: Request) -> Response:
        """What the sensors' log ends with."""
        seen = await run_in_threadpool(sensors_view, self.session)
        return JSONResponse(seen) if seen else Response("There is no log.", 404)

    async def result(self, request: Request) -> Response:
        """A file of the run's result: one that its manifest names."""
        name = request.path_params["name"]
        content = await run_in_threadpool(desk.result_file, self.session, name)
        if content is None:
            return Response("There is no such file: solve the run first.", 404)
        kind = _TYPES.get(Path(name).suffix, "application/octet-stream")
        headers = {"content-security-policy": SEALED}
        if kind not in _SHOWN:
            headers["content-disposition"] = f'attachment; filename="{name}"'
        return Response(content, media_type=kind, headers=headers)

    async def blank(self, request: Request) -> Response:
        """A file to fill in."""
        name = request.path_params["name"]
        if name not in desk.BLANKS:
            return Response("There is no such file.", 404)
        try:
            text = await run_in_threadpool(desk.BLANKS[name], self.session)
        except InputError as error:
            return Response("\n".join(str(c) for c in error.complaints), 404)
        return Response(text, media_type="text/plain", headers={
            "content-disposition": f'attachment; filename="{name}"'})

    def change(self, action: Callable[[Session, bytes], Any]):
        """A handler that hands the body of a request to `action`."""
        async def handle(request: Request) -> Response:
            try:
                answer = await run_in_threadpool(action, self.session, await request.body())
            except Exception as error:
                status, says, more = _refused(error)
                return JSONResponse({"complaints": says, **more}, status)
            state = await run_in_threadpool(self.session.look)
            return JSONResponse({"answer": answer, "view": await run_in_threadpool(view_of, state)})
        return handle


def _refused(error: Exception) -> tuple[int, list[str], dict[str, Any]]:
    """Status of a change that was not made, what is said of it, and what else the page needs."""
    match error:
        case ClientDisconnect():
            return 413, ["too large"], {}
        case InputError():
            return 422, [str(c) for c in error.complaints], {}
        case ValidationError():
            return 422, [f"{'.'.join(map(str, e['loc']))}: {e['msg']}" for e in error.errors()], {}
        case Changed():
            return 409, [str(error)], {"now": error.now}
        case NotConverged() | NotDetermined() | ModelNotFinite():
            return 422, [say.UNSOLVED.format(reason_of(error))], {}
        case OSError():
            return 422, [f"{error.filename or 'a file'}: {error.strerror or error}"], {}
    traceback.print_exception(error)
    return 500, [say.FAULT], {}
