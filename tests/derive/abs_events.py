"""Reports of codes and lamp events for the tests of ABS checks."""

from datetime import datetime, timedelta

import polars as pl

from airwatch.contract.batch import CODE_SCHEMA, LAMP_SCHEMA, REPORT_SCHEMA
from tests.derive.samples import T0


def at(minutes: float) -> datetime:
    return T0 + timedelta(minutes=minutes)


def said(*reports: tuple[float, list[tuple[int, int]]], source: int = 11) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Make reports of one controller: minute and the (SPN, FMI) active then."""
    rows = [("north", "K-1", at(minute), source) for minute, _ in reports]
    codes = [("north", "K-1", at(minute), source, spn, fmi, 1) for minute, active in reports for spn, fmi in active]
    return pl.DataFrame(rows, schema=REPORT_SCHEMA, orient="row"), pl.DataFrame(codes, schema=CODE_SCHEMA, orient="row")


def lamps(*events: tuple[float, str, bool]) -> pl.DataFrame:
    """Make lamp events: second, lamp, on."""
    rows = [("north", "K-1", T0 + timedelta(seconds=s), lamp, is_on) for s, lamp, is_on in events]
    return pl.DataFrame(rows, schema=LAMP_SCHEMA, orient="row")
