"""Templates, and what they may call."""

import re
from datetime import datetime, timedelta
from typing import Any, get_args
from urllib.parse import quote, urlencode

import jinja2
from fastapi import Request
from fastapi.responses import HTMLResponse
from markupsafe import Markup, escape

from dashboards import words
from dashboards.assets import plotly_script
from dashboards.measures import PRESSURE_UNITS, Measures, PressureUnit

_DAY = re.compile(r"\d{4}-\d\d-\d\d(?: \d\d:\d\d)?")


def _thousands(number: int) -> str:
    return f"{number:,}".replace(",", "\N{NARROW NO-BREAK SPACE}")


def _clock(t: datetime) -> str:
    return f"{t:%Y-%m-%d %H:%M:%S}"


def _iso(t: datetime) -> str:
    return f"{t:%Y-%m-%dT%H:%M:%S}"


def _dates(text: str) -> Markup:
    """Keep each day and time in one line."""
    return Markup(_DAY.sub(r'<span class="whole">\g<0></span>', str(escape(text))))  # noqa: S704 escaped just now


def _first_up(text: str) -> str:
    return text[:1].upper() + text[1:]


_env = jinja2.Environment(
    loader=jinja2.PackageLoader("dashboards"),
    autoescape=True,
    undefined=jinja2.StrictUndefined,
)
_env.filters |= {
    "stamp": words.stamp,
    "iso": _iso,
    "clock": _clock,
    "length": words.span,
    "seconds_long": lambda s: words.span(timedelta(seconds=s)),
    "thousands": _thousands,
    "check_name": words.check_name,
    "fault_name": words.fault_name,
    "verdict_name": words.verdict_name,
    "dates": _dates,
    "first_up": _first_up,
    "segment": lambda name: quote(str(name), safe=""),
}
_env.globals |= {"cautions": words.CAUTIONS, "pressure_units": PRESSURE_UNITS, "plotly_script": plotly_script}


def render(request: Request, template: str, *, status_code: int = 200, **context: Any) -> HTMLResponse:
    """Render one page.

    ``href(path, **query)`` links to another page and keeps the unit of pressure that the reader chose, if any;
    ``here(**query)`` links to this page with some of its query changed, None taking a parameter away.
    """
    chosen = _asked_unit(request)
    context.setdefault("measures", Measures(chosen or "kPa"))
    kept = {} if chosen is None else {"units": chosen}

    def href(path: str, **query: object) -> str:
        return _with_query(path, {**query, **kept})

    def here(**query: object) -> str:
        return _with_query(request.url.path, {**request.query_params, **query})

    html = _env.get_template(template).render(href=href, here=here, path=request.url.path, **context)
    return HTMLResponse(html, status_code)


def _with_query(path: str, query: dict[str, object]) -> str:
    given = {name: value for name, value in query.items() if value not in (None, "")}
    return f"{path}?{urlencode(given)}" if given else path


def _asked_unit(request: Request) -> PressureUnit | None:
    asked = request.query_params.get("units")
    return next((unit for unit in get_args(PressureUnit) if unit == asked), None)
