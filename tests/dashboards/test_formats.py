"""Tables in every form: the same rows, read by libraries that are not ours."""

import io

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from fastapi.testclient import TestClient

UNIT = "/api/v1/units/north/K-leak"
TABLES = {
    "/api/v1/units": "units",
    "/api/v1/alerts": "alerts",
    "/api/v1/checks": "checks",
    "/api/v1/checks/leak_static/readings": "readings",
    "/api/v1/inspection": "units",
    "/api/v1/limits": "limits",
    "/api/v1/rejects": "rejects",
    f"{UNIT}/readings": "readings",
    f"{UNIT}/quality": "days",
    f"{UNIT}/notes": "notes",
}


@pytest.mark.parametrize("path", TABLES)
def test_arrow_parquet_and_csv_have_the_rows_of_json(client: TestClient, path: str) -> None:
    body = client.get(path, params={"size": 1000}).json()
    n_rows = len(body[TABLES[path]])
    arrow = client.get(path, params={"size": 1000, "format": "arrow"})
    table = pa.ipc.open_stream(arrow.content).read_all()
    parquet = pq.read_table(io.BytesIO(client.get(path, params={"size": 1000, "format": "parquet"}).content))
    csv = client.get(path, params={"size": 1000, "format": "csv"})
    assert table.num_rows == parquet.num_rows == n_rows
    assert arrow.headers["x-total-count"] == str(body["total"])
    assert table.column_names == parquet.column_names == csv.text.splitlines()[0].split(",")
    assert {str(field.type.tz) for field in table.schema if pa.types.is_timestamp(field.type)} <= {"UTC"}
    if n_rows:
        common = set(table.column_names) & body[TABLES[path]][0].keys()
        assert common
        for name in common:
            if pa.types.is_string(table.schema.field(name).type) and name != "details":
                assert table[name].to_pylist() == [row[name] for row in body[TABLES[path]]]


def test_the_accept_header_asks_too_and_json_is_what_nobody_asked_against(client: TestClient) -> None:
    asked = {"Accept": "application/vnd.apache.parquet;q=0.9, */*"}
    answer = client.get("/api/v1/units", headers=asked)
    assert answer.headers["content-type"] == "application/vnd.apache.parquet"
    assert pl.read_parquet(answer.content)["unit"].len() == 8
    assert client.get("/api/v1/units", headers={"Accept": "text/html"}).headers["content-type"] == "application/json"
    assert client.get("/api/v1/units", params={"format": "xlsx"}).status_code == 422


def test_pages_of_a_file_hold_all_rows_once(client: TestClient) -> None:
    pages = [client.get("/api/v1/units", params={"format": "parquet", "size": 3, "page": n}) for n in (1, 2, 3)]
    assert [pl.read_parquet(page.content).height for page in pages] == [3, 3, 2]
