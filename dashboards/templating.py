"""Templates, and what they may call."""

import re
from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.parse import quote, urlencode

import jinja2
from fastapi import Request
from fastapi.responses import HTMLResponse
from markupsafe import Markup, escape

from airwatch.access.caller import Caller
from dashboards import words
from dashboards.assets import plotly_script
from dashboards.measures import PRESSURE_UNITS, Measures
from dashboards.reader import Reader, keep_choice, reader_of

_DAY = re.compile(r"(\d{4}-\d\d-\d\d)( \d\d:\d\d)?")


def _thousands(number: int) -> str:
    return f"{number:,}".replace(",", "\N{NARROW NO-BREAK SPACE}")


def _local(context: jinja2.runtime.Context, t: datetime) -> datetime:
    reader: Reader = context["reader"]
    return reader.local(t)


@jinja2.pass_context
def _stamp(context: jinja2.runtime.Context, t: datetime | None) -> str:
    return words.stamp(None if t is None else _local(context, t))


@jinja2.pass_context
def _clock(context: jinja2.runtime.Context, t: datetime) -> str:
    return f"{_local(context, t):%Y-%m-%d %H:%M:%S}"


def _iso(t: datetime) -> str:
    return f"{t:%Y-%m-%dT%H:%M:%S}"


def _at(seconds: float) -> str:
    """Write a time of the file of accounts."""
    return words.stamp(datetime.fromtimestamp(seconds, UTC).replace(tzinfo=None))


@jinja2.pass_context
def _dates(context: jinja2.runtime.Context, text: str) -> Markup:
    """Keep each day and time of a sentence in one line, and times as the reader's clocks show them."""

    def shown(found: re.Match[str]) -> str:
        day = found[0]
        if found[2]:
            day = words.stamp(_local(context, datetime.strptime(day, "%Y-%m-%d %H:%M")))  # noqa: DTZ007 UTC without a zone
        return f'<span class="whole">{day}</span>'

    return Markup(_DAY.sub(shown, str(escape(text))))  # noqa: S704 escaped just now


def _first_up(text: str) -> str:
    return text[:1].upper() + text[1:]


_env = jinja2.Environment(
    loader=jinja2.PackageLoader("dashboards"),
    autoescape=True,
    undefined=jinja2.StrictUndefined,
)
_env.filters |= {
    "stamp": _stamp,
    "iso": _iso,
    "at": _at,
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

    ``href(path, **query)`` links to another page; ``here(**query)`` links to this page with some of its query changed,
    None taking a parameter away.
    """
    reader = reader_of(request)
    context.setdefault("measures", Measures(reader.pressure or "kPa"))

    def here(**query: object) -> str:
        return _with_query(request.url.path, {**request.query_params, **query})

    caller: Caller | None = getattr(request.state, "caller", None)
    html = _env.get_template(template).render(
        href=_with_query_of,
        here=here,
        path=request.url.path,
        reader=reader,
        caller=caller,
        form_key=caller.form_key if caller else "",
        **context,
    )
    response = HTMLResponse(html, status_code)
    keep_choice(request, response)
    return response


def _with_query_of(path: str, **query: object) -> str:
    return _with_query(path, query)


def _with_query(path: str, query: dict[str, object]) -> str:
    given = {name: value for name, value in query.items() if value not in (None, "")}
    return f"{path}?{urlencode(given)}" if given else path
