"""Tables as JSON, and as Arrow, Parquet and CSV for those who reckon with them."""

import io
from typing import Annotated, Any, Literal, get_args

import polars as pl
from fastapi import Depends, Query, Request, Response

from dashboards.fleet import Slice

Format = Literal["json", "arrow", "parquet", "csv"]
MEDIA_TYPES: dict[Format, str] = {
    "json": "application/json",
    "arrow": "application/vnd.apache.arrow.stream",
    "parquet": "application/vnd.apache.parquet",
    "csv": "text/csv",
}
_BINARY = {"schema": {"type": "string", "format": "binary"}}
TABLE: dict[int | str, dict[str, Any]] = {
    200: {
        "content": {
            MEDIA_TYPES["arrow"]: _BINARY,
            MEDIA_TYPES["parquet"]: _BINARY,
            MEDIA_TYPES["csv"]: {"schema": {"type": "string"}},
        },
        "headers": {
            "X-Total-Count": {"description": "Rows on all pages.", "schema": {"type": "string"}},
        },
    }
}
"""What routes that give a table say of it in the description of the API."""


async def _format(
    request: Request,
    asked: Annotated[
        Format | None,
        Query(alias="format", description="How the rows are written; without it, the Accept header tells."),
    ] = None,
) -> Format:
    if asked is not None:
        return asked
    accepted = [part.partition(";")[0].strip().lower() for part in request.headers.get("accept", "").split(",")]
    named = (name for part in accepted for name in get_args(Format) if MEDIA_TYPES[name] == part)
    return next(named, "json")


FormatInput = Annotated[Format, Depends(_format)]


def as_file(part: Slice, form: Format, name: str) -> Response:
    """Write one page of rows; times are UTC with their zone, lists are `;`-joined in CSV."""
    rows = part.rows.with_columns(pl.col(pl.Datetime).dt.replace_time_zone("UTC"))
    buffer = io.BytesIO()
    match form:
        case "arrow":
            rows.write_ipc_stream(buffer, compat_level=pl.CompatLevel.oldest())
        case "parquet":
            rows.write_parquet(buffer)
        case _:
            flat = rows.with_columns(pl.col(pl.List(pl.String)).list.join(";"))
            flat.write_csv(buffer, datetime_format="%Y-%m-%dT%H:%M:%S%.3fZ")
    ending = {"arrow": "arrows", "parquet": "parquet"}.get(form, "csv")
    return Response(
        buffer.getvalue(),
        media_type=MEDIA_TYPES[form],
        headers={
            "X-Total-Count": str(part.total),
            "Vary": "Accept",
            "Content-Disposition": f'attachment; filename="{name}.{ending}"',
        },
    )
