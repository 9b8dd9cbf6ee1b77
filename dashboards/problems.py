"""Errors as the reader gets them: a page, or a problem document (RFC 9457) below the API."""

import math
from collections.abc import Sequence
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from starlette.exceptions import HTTPException

from airwatch.access.errors import AccessError
from airwatch.errors import AirwatchError
from dashboards.api.models import Problem
from dashboards.errors import (
    BadRequestError,
    BodyError,
    ConflictError,
    ForbiddenError,
    NotFoundError,
    SignInError,
    TooManyError,
)
from dashboards.security import HEADERS
from dashboards.templating import render

_TITLES = {
    401: "Sign in",
    403: "Not yours to do",
    404: "Not here",
    405: "Not possible",
    409: "Not as things stand",
    415: "Not in this form",
    422: "That does not fit",
    429: "Too often",
    500: "Something failed here",
}


def handle_errors(app: FastAPI) -> None:
    """Make ``app`` answer every error in plain words."""
    app.add_exception_handler(NotFoundError, _not_found)
    app.add_exception_handler(BadRequestError, _bad_request)
    app.add_exception_handler(ConflictError, _conflict)
    app.add_exception_handler(BodyError, _other_type)
    app.add_exception_handler(SignInError, _unknown)
    app.add_exception_handler(ForbiddenError, _forbidden)
    app.add_exception_handler(TooManyError, _too_many)
    app.add_exception_handler(AccessError, _bad_request)
    app.add_exception_handler(RequestValidationError, _invalid)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(AirwatchError, _failed)
    app.add_exception_handler(Exception, _failed)


async def _not_found(request: Request, error: Exception) -> Response:
    return answer(request, HTTPStatus.NOT_FOUND, str(error))


async def _bad_request(request: Request, error: Exception) -> Response:
    text = str(error)
    return answer(request, HTTPStatus.UNPROCESSABLE_ENTITY, text if text.endswith(".") else f"{text}.")


async def _conflict(request: Request, error: Exception) -> Response:
    return answer(request, HTTPStatus.CONFLICT, str(error))


async def _other_type(request: Request, error: Exception) -> Response:
    return answer(request, HTTPStatus.UNSUPPORTED_MEDIA_TYPE, str(error))


async def _unknown(request: Request, error: Exception) -> Response:
    return answer(request, HTTPStatus.UNAUTHORIZED, str(error))


async def _forbidden(request: Request, error: Exception) -> Response:
    return answer(request, HTTPStatus.FORBIDDEN, str(error))


async def _too_many(request: Request, error: Exception) -> Response:
    refused = answer(request, HTTPStatus.TOO_MANY_REQUESTS, str(error))
    if isinstance(error, TooManyError):
        refused.headers["Retry-After"] = str(max(1, math.ceil(error.wait_s)))
    return refused


async def _invalid(request: Request, error: Exception) -> Response:
    faults = error.errors() if isinstance(error, RequestValidationError) else []
    return answer(request, HTTPStatus.UNPROCESSABLE_ENTITY, _sentence(faults))


async def _http(request: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 500
    if status == HTTPStatus.NOT_FOUND:
        return answer(request, status, f"There is nothing at {request.url.path}; see /api for what there is.")
    if status == HTTPStatus.METHOD_NOT_ALLOWED:
        return answer(
            request, status, f"{request.method} is not possible here, where things are only read; see /api for what is."
        )
    return answer(request, status, str(getattr(error, "detail", "The request can't be answered.")))


async def _failed(request: Request, error: Exception) -> Response:
    detail = (
        f"{error}."
        if isinstance(error, AirwatchError)
        else "The request could not be answered; the program's log says why."
    )
    return answer(request, HTTPStatus.INTERNAL_SERVER_ERROR, detail)


def _sentence(faults: Sequence[Any]) -> str:
    """Say which parameter is wrong, and how."""
    says = [(fault["loc"][-1], str(fault["msg"]).removeprefix("Value error, ")) for fault in faults]
    parts = [f"{name}: {text[:1].lower()}{text[1:]}" for name, text in says]
    return f"{'; '.join(parts)}." if parts else "A parameter is wrong."


def answer(request: Request, status: int, detail: str) -> Response:
    """Give a page, or below the API a problem document, that says what is wrong."""
    title = _TITLES.get(status, HTTPStatus(status).phrase)
    if request.url.path.startswith("/api/"):
        problem = Problem(title=title, status=status, detail=detail)
        answer: Response = JSONResponse(problem.model_dump(), status, media_type="application/problem+json")
    else:
        answer = render(request, "problem.html", status_code=status, title=title, detail=detail)
    answer.headers.update(HEADERS)  # what answers an unforeseen failure stands outside of all that adds them
    return answer
