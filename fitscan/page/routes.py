"""Requests and answers of the page: each hands on to the state and says what came of it.

Keys, hosts and sizes were looked at by `guard` before; nothing here makes a path from a request.
"""

from __future__ import annotations

import functools
import html
import io
from collections.abc import Awaitable, Callable
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, TypeVar

from anyio import to_thread
from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Route

from fitscan.errors import EnvironmentProblem, FitscanError, InputError
from fitscan.page.guard import COOKIE, JOIN, Guard, plain_page
from fitscan.page.inbox import WrongOffset
from fitscan.page.state import PageState
from fitscan.page.tasks import ResultTask
from fitscan.store.json_file import kind_of

__all__ = ["make_app"]

_STATIC = {"page.js": "text/javascript", "page.css": "text/css", "sending.js": "text/javascript"}
_PICTURE_KINDS = {".jpg": "image/jpeg", ".png": "image/png"}
_FILE_KINDS = {**_PICTURE_KINDS, ".pdf": "application/pdf"}
_SMALL_PX = 320
_YEAR_S = 31_536_000
_ALONE = (
    "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; "
    "img-src data: blob:; sandbox allow-scripts"
)
"""For whole documents of ours that carry their scripts in them: cut off from the page's key."""

_TASK: TypeAdapter[Any] = TypeAdapter(ResultTask)
_Text = Annotated[str, Field(min_length=1, max_length=200)]
_Model = TypeVar("_Model", bound=BaseModel)
Answer = Callable[[Request], Awaitable[Response]]


class _Asked(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)


class _NewShoot(_Asked):
    name: _Text


class _NewPhoto(_Asked):
    shoot: _Text
    name: _Text
    size: int = Field(gt=0)
    token: str = Field(default="", max_length=100)


class _Wish(_Asked):
    u_mm: float = Field(gt=0.0, le=100.0)


def make_app(state: PageState, hosts: list[str]) -> Starlette:
    """The application: all routes of one job's page behind their guard.

    Args:
        state: of the job.
        hosts: names and addresses under which it is reached, without port.
    """
    routes = [
        Route("/", _page, methods=["GET"]),
        Route("/static/{file}", _static, methods=["GET"]),
        Route(JOIN + "{key}", _invitation, methods=["GET"]),
        Route(JOIN + "{key}", _join, methods=["POST"]),
        Route("/api/job", _job, methods=["GET"]),
        Route("/api/shoots", _new_shoot, methods=["POST"]),
        Route("/api/shoots/{shoot}", _shoot, methods=["GET"]),
        Route("/api/shoots/{shoot}/wish", _wish, methods=["POST"]),
        Route("/api/shoots/{shoot}/survey", _survey_now, methods=["POST"]),
        Route("/api/shoots/{shoot}/small/{photo}", _small, methods=["GET"]),
        Route("/api/shoots/{shoot}/sketch", _sketch, methods=["GET"]),
        Route("/api/photos", _new_photo, methods=["POST"]),
        Route("/api/photos/{ticket}", _photo_arrived, methods=["GET"]),
        Route("/api/photos/{ticket}", _piece, methods=["PATCH"]),
        Route("/api/photos/{ticket}", _forget_photo, methods=["DELETE"]),
        Route("/api/tasks", _ask, methods=["POST"]),
        Route("/api/tasks/{task}", _task, methods=["GET"]),
        Route("/api/results/{result}", _result, methods=["GET"]),
        Route("/api/results/{result}/files/{file}", _result_file, methods=["GET"]),
        Route("/api/phones", _phones, methods=["GET"]),
        Route("/api/phones/invitation", _invite, methods=["GET"]),
        Route("/api/phones/{phone}", _remove_phone, methods=["DELETE"]),
        Route("/show/{result}", _show, methods=["GET"]),
    ]
    app = Starlette(
        routes=routes,
        middleware=[Middleware(Guard, keyring=state.keyring, hosts=hosts)],
        exception_handlers={
            FitscanError: _refused,
            HTTPException: _not_there,
            ClientDisconnect: _gone,
            Exception: _our_fault,
        },
    )
    app.state.page = state
    return app


def _state(request: Request) -> PageState:
    page = request.app.state.page
    assert isinstance(page, PageState)
    return page


async def _off(function: Callable[..., Any], *args: Any) -> Any:
    """Run what waits for disk or processor beside the loop that answers phones."""
    return await to_thread.run_sync(functools.partial(function, *args))


async def _asked(request: Request, model: type[_Model]) -> _Model:
    try:
        return model.model_validate_json(await request.body())
    except ValidationError as error:
        raise _misfit(error) from None


def _misfit(error: ValidationError) -> InputError:
    first = error.errors(include_url=False, include_input=False)[0]
    place = ".".join(str(p) for p in first["loc"]) or "request"
    return InputError(f"This cannot be used: {first['msg']}", place, "choose from the page's lists")


def _status_of(error: Exception) -> int:
    if isinstance(error, WrongOffset):
        return 409
    return 507 if isinstance(error, EnvironmentProblem) else 400


async def _refused(_: Request, error: Exception) -> Response:
    return JSONResponse({"error": str(error)}, _status_of(error))


async def _not_there(_: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 404
    return JSONResponse({"error": "There is nothing at this address."}, status)


async def _gone(_: Request, __: Exception) -> Response:
    return JSONResponse({"error": "The connection was lost: send the rest again."}, 400)


async def _our_fault(_: Request, error: Exception) -> Response:
    said = f"This is a fault of fitscan's, not yours ({type(error).__name__})."
    return JSONResponse({"error": said}, 500)


def _asset(file: str) -> bytes:
    return resources.files("fitscan.page").joinpath("static", file).read_bytes()


async def _page(_: Request) -> Response:
    return Response(_asset("page.html"), media_type="text/html")


async def _static(request: Request) -> Response:
    file = request.path_params["file"]
    if file not in _STATIC:
        raise HTTPException(404)
    return Response(_asset(file), media_type=_STATIC[file])


# --- phones -----------------------------------------------------------------------------------


_JOIN_FORM = """<form method="post"><h1>{job}</h1>
<p><label>Name of this phone<br><input name="name" maxlength="40" autocomplete="off"></label></p>
<p><button>Use this phone for the job</button></p>
<p>The code that you scanned works once. This phone then keeps a key of its own.</p></form>"""


async def _invitation(request: Request) -> Response:
    # Only a press of the button uses the key up: phones fetch addresses just to show a preview.
    state = _state(request)
    if not state.keyring.invites(request.path_params["key"]):
        return _used_up()
    return plain_page(_JOIN_FORM.format(job=html.escape(state.shop.folder.name)))


async def _join(request: Request) -> Response:
    from urllib.parse import parse_qs

    body = (await request.body()).decode("utf-8", "replace")
    name = parse_qs(body).get("name", [""])[0]
    key = await _off(_state(request).keyring.join, request.path_params["key"], name)
    if key is None:
        return _used_up()
    answer = Response(status_code=303, headers={"location": "/"})
    answer.set_cookie(COOKIE, key, max_age=_YEAR_S, httponly=True, samesite="strict", path="/")
    return answer


def _used_up() -> Response:
    said = "This code was used already or is not right. Scan the one that the computer shows now."
    return plain_page(f"<p>{said}</p>", 401)


async def _phones(request: Request) -> Response:
    own = request.state.phone
    rows = [
        {"id": p.id, "name": p.name, "joined": p.joined, "this": p.id == own.id}
        for p in _state(request).keyring.phones()
    ]
    return JSONResponse({"phones": rows})


async def _invite(request: Request) -> Response:
    import segno

    # The guard let only our own names pass, so this one leads back here.
    address = f"http://{request.headers['host']}{JOIN}{_state(request).keyring.invitation}"
    picture = io.BytesIO()
    segno.make(address, error="m").save(picture, kind="svg", scale=8, border=4, light="white")
    return Response(picture.getvalue(), media_type="image/svg+xml")


async def _remove_phone(request: Request) -> Response:
    if not await _off(_state(request).keyring.remove, request.path_params["phone"]):
        raise HTTPException(404)
    return JSONResponse({"removed": True})


# --- shoots and photos ------------------------------------------------------------------------


async def _job(request: Request) -> Response:
    return JSONResponse(await _off(_state(request).overview))


async def _new_shoot(request: Request) -> Response:
    asked = await _asked(request, _NewShoot)
    return JSONResponse({"name": await _off(_state(request).shop.new_shoot, asked.name)})


async def _shoot(request: Request) -> Response:
    return JSONResponse(await _off(_state(request).shoot, request.path_params["shoot"]))


async def _wish(request: Request) -> Response:
    state, shoot = _state(request), request.path_params["shoot"]
    state.shop.shoot(shoot)
    state.wishes[shoot] = (await _asked(request, _Wish)).u_mm
    return JSONResponse(await _off(state.light, shoot))


async def _survey_now(request: Request) -> Response:
    state, shoot = _state(request), request.path_params["shoot"]
    state.shop.shoot(shoot)
    await _off(state.ask_survey, shoot)
    return JSONResponse(await _off(state.shoot, shoot))


async def _small(request: Request) -> Response:
    path = _state(request).shop.photo(request.path_params["shoot"], request.path_params["photo"])
    return Response(await _off(_smaller, path), media_type="image/jpeg")


def _smaller(path: Path) -> bytes:
    """A small picture of a photo, without anything of its EXIF."""
    import cv2

    from fitscan.photos.read import read_rgb
    from fitscan.report.write import jpeg_of

    pixels = read_rgb(path)
    scale = _SMALL_PX / max(pixels.shape[:2])
    size = (max(1, round(pixels.shape[1] * scale)), max(1, round(pixels.shape[0] * scale)))
    return jpeg_of(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA).astype("uint8"))


async def _sketch(request: Request) -> Response:
    """Where to stand for the next photos."""
    file = _state(request).shop.sketch(request.path_params["shoot"])
    if not file.is_file():
        raise HTTPException(404)
    return FileResponse(file, media_type="image/png")


async def _new_photo(request: Request) -> Response:
    asked = await _asked(request, _NewPhoto)
    opened = await _off(
        _state(request).inbox.open, asked.shoot, asked.name, asked.size, asked.token
    )
    return JSONResponse({"ticket": opened[0], "arrived": opened[1]})


async def _photo_arrived(request: Request) -> Response:
    arrived = await _off(_state(request).inbox.arrived, request.path_params["ticket"])
    return JSONResponse({"arrived": arrived})


async def _piece(request: Request) -> Response:
    state, ticket = _state(request), request.path_params["ticket"]
    stated = request.headers.get("upload-offset", "")
    if not (stated.isascii() and stated.isdigit()):
        raise InputError("A piece must say where it belongs", "", "send Upload-Offset")
    piece = await request.body()
    arrived = await _off(state.inbox.append, ticket, int(stated), piece)
    whole = await _off(state.inbox.finish, ticket)
    if whole is None:
        return JSONResponse({"arrived": arrived})
    seen = await _off(state.arrived, whole)
    if not whole.already:
        await _off(state.ask_survey, whole.shoot)
    return JSONResponse({"arrived": arrived, "photo": seen})


async def _forget_photo(request: Request) -> Response:
    await _off(_state(request).inbox.forget, request.path_params["ticket"])
    return JSONResponse({"removed": True})


# --- results ----------------------------------------------------------------------------------


async def _ask(request: Request) -> Response:
    try:
        task = _TASK.validate_json(await request.body())
    except ValidationError as error:
        raise _misfit(error) from None
    job = await _off(_state(request).worker.result, task)
    return JSONResponse({"task": job.id})


async def _task(request: Request) -> Response:
    words = await _off(_state(request).job, request.path_params["task"])
    if words["state"] == "none":
        raise HTTPException(404)
    return JSONResponse(words)


async def _result(request: Request) -> Response:
    state, name = _state(request), request.path_params["result"]
    files = await _off(state.shop.result_files, name)
    file = files.get(f"{name}.json")
    if file is None:
        raise HTTPException(404)
    import json

    content = json.loads(await _off(file.read_text, "utf-8"))
    pictures = [n for n, p in files.items() if p.suffix in _PICTURE_KINDS]
    notes = state.job(name).get("notes", [])
    return JSONResponse(
        {"kind": kind_of(file), "content": content, "pictures": pictures, "notes": notes}
    )


async def _result_file(request: Request) -> Response:
    files = await _off(_state(request).shop.result_files, request.path_params["result"])
    file = files.get(request.path_params["file"])
    if file is None or file.suffix not in _FILE_KINDS:
        raise HTTPException(404)
    return FileResponse(file, media_type=_FILE_KINDS[file.suffix])


async def _show(request: Request) -> Response:
    """A report or a scene: a whole document, cut off from everything else."""
    name = request.path_params["result"]
    files = await _off(_state(request).shop.result_files, name)
    if f"{name}.html" not in files:
        raise HTTPException(404)
    headers = {"content-security-policy": _ALONE}
    return FileResponse(files[f"{name}.html"], media_type="text/html", headers=headers)
