"""Static files, the palette, and Plotly's script."""

import gzip
import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Header, Response

from airwatch.access.permissions import PUBLIC
from dashboards.access.needs import needs
from dashboards.palette import palette_css

STATIC = Path(__file__).parent / "static"
_PLOTLY = STATIC / "plotly" / "plotly-basic.min.js"
_A_YEAR = "public, max-age=31536000, immutable"
_VERSION = re.compile(rb"plotly\.js \([\w-]+ - minified\) v(\d+\.\d+\.\d+)")
_ONCE_ONLY_STYLE = re.compile(rb'getElementById\("([0-9a-f]{64})"\)')

router = APIRouter(include_in_schema=False, dependencies=[needs(PUBLIC)])


@dataclass(frozen=True, slots=True)
class PlotlyScript:
    """Plotly's browser script.

    ``style_ids`` are ids of style elements that the script adds when it is loaded, unless an element of that
    id is there; pages put one there, since the content security policy bars style elements.
    """

    version: str
    plain: bytes
    zipped: bytes
    style_ids: tuple[str, ...]


@cache
def plotly_script() -> PlotlyScript:
    """Read Plotly's script, once."""
    plain = _PLOTLY.read_bytes()
    ids = tuple(dict.fromkeys(id_.decode() for id_ in _ONCE_ONLY_STYLE.findall(plain)))
    version = _VERSION.search(plain[:500])
    return PlotlyScript("" if version is None else version[1].decode(), plain, gzip.compress(plain, 9, mtime=0), ids)


@router.get("/static/plotly-{version}.js")
def plotly(version: str, accept_encoding: Annotated[str, Header()] = "") -> Response:
    """Give Plotly's script; the version in its name lets browsers keep it for good."""
    script = plotly_script()
    if version != script.version:
        return Response("No such file\n", 404, media_type="text/plain")
    headers = {"Cache-Control": _A_YEAR, "Vary": "Accept-Encoding"}
    if "gzip" in accept_encoding:
        return Response(script.zipped, media_type="text/javascript", headers={**headers, "Content-Encoding": "gzip"})
    return Response(script.plain, media_type="text/javascript", headers=headers)


@router.get("/static/palette.css")
def palette() -> Response:
    """Give the colours."""
    return Response(palette_css(), media_type="text/css", headers={"Cache-Control": "no-cache"})
