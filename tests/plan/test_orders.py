"""Work orders over their life: plans make, move and cancel them, people carry them out."""

from datetime import timedelta

import polars as pl
import pytest

from airwatch.errors import PlanError
from airwatch.plan.orders import (
    ACTIONS,
    ORDER_CHANGES,
    STATES,
    Deed,
    current_orders,
    deed_done,
    in_work,
    jobs_in,
    orders_after,
)
from tests.plan.orders import visit, visits
from tests.plan.small import BEGIN, NOON

NONE = pl.DataFrame(schema=ORDER_CHANGES)


def after(changes: pl.DataFrame, new: pl.DataFrame, plan: int) -> pl.DataFrame:
    told = {"plan": plan, "shop": "ridge", "who": "R. Okafor", "recorded": BEGIN + timedelta(minutes=plan)}
    return orders_after(current_orders(changes), new, **told)  # type: ignore[arg-type]


def grown(changes: pl.DataFrame, new: pl.DataFrame, plan: int) -> pl.DataFrame:
    return pl.concat([changes, after(changes, new, plan)])


FIRST = grown(NONE, visits(visit(0, "K-1", ["a", "b"]), visit(1, "K-2", ["c"], NOON)), 1)


def test_a_visit_makes_an_order_and_the_same_again_changes_nothing() -> None:
    assert FIRST.select("change", "state", "sequence").unique().rows() == [("planned", "planned", 0)]
    assert FIRST["work_order"].n_unique() == 2
    assert after(FIRST, visits(visit(5, "K-1", ["a", "b"]), visit(6, "K-2", ["c"], NOON)), 2).is_empty()


def test_an_order_goes_on_through_a_move_and_another_job() -> None:
    changes = after(FIRST, visits(visit(0, "K-1", ["b", "d"], NOON), visit(1, "K-2", ["c"], NOON)), 2)
    assert changes.select("change", "sequence", "jobs").rows() == [("moved", 1, ["b", "d"])]
    assert changes["work_order"].item() == FIRST.filter(vehicle="K-1")["work_order"].item()


def test_what_has_no_visit_any_more_is_cancelled_and_kept() -> None:
    grew = grown(FIRST, visits(visit(0, "K-1", ["a", "b"])), 2)
    now = current_orders(grew)
    assert now.select("vehicle", "state", "sequence").rows() == [("K-1", "planned", 0), ("K-2", "cancelled", 1)]
    assert grew.height == 3
    assert "plan 2 has no visit for it any more" in now.filter(vehicle="K-2")["reason"].item()


def test_a_visit_split_in_two_keeps_the_order_with_most_of_its_jobs() -> None:
    three = grown(NONE, visits(visit(0, "K-1", ["a", "b", "c"])), 1)
    changes = after(three, visits(visit(0, "K-1", ["a"]), visit(1, "K-1", ["b", "c"], NOON)), 2)
    by_change = {row["change"]: row for row in changes.iter_rows(named=True)}
    assert by_change["moved"]["jobs"] == ["b", "c"]
    assert by_change["planned"]["jobs"] == ["a"]


def test_what_is_in_work_or_another_shops_is_not_touched() -> None:
    order = FIRST.filter(vehicle="K-1")["work_order"].item()
    begun = pl.concat([FIRST, deed_done(FIRST, Deed(order, "in_work", "M. Lindqvist", BEGIN, ""), BEGIN)])
    assert after(begun, visits(visit(1, "K-2", ["c"], NOON)), 2).is_empty()
    assert in_work(current_orders(begun)).select("appointment", "bay").rows() == [(order, "bay 1")]
    assert jobs_in(current_orders(begun), ["in_work"]) == ["a", "b"]
    elsewhere = FIRST.with_columns(shop=pl.lit("quay"))
    assert after(elsewhere, visits(), 2).is_empty()


FOLLOWS = {"in_work": ("planned",), "done": ("planned", "in_work"), "cancelled": ("planned", "in_work")}


@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("change", ACTIONS)
def test_every_change_follows_on_some_states(change: str, state: str) -> None:
    orders = FIRST.filter(vehicle="K-1").with_columns(state=pl.lit(state))
    deed = Deed(orders["work_order"].item(), change, "M. Lindqvist", NOON, "drain valve renewed")
    if state in FOLLOWS[change]:
        row = deed_done(orders, deed, BEGIN).row(0, named=True)
        assert (row["state"], row["sequence"], row["at"], row["bay"]) == (change, 1, NOON, "bay 1")
    else:
        with pytest.raises(PlanError, match=f"it is {state} and can't be {change}; that follows on"):
            deed_done(orders, deed, BEGIN)


@pytest.mark.parametrize(
    ("deed", "says"),
    [
        (Deed("x", "done", "M. Lindqvist", NOON, "done"), "work order x: there is none"),
        (
            Deed("", "mended", "M. Lindqvist", NOON, "done"),
            "'mended' is no change; use one of in_work, done, cancelled",
        ),
        (Deed("", "done", " ", NOON, "done"), "done needs who did it"),
        (Deed("", "done", "M. Lindqvist", NOON, ""), "done needs a reason"),
    ],
)
def test_a_change_without_who_or_why_is_refused(deed: Deed, says: str) -> None:
    orders = FIRST.filter(vehicle="K-1")
    named = Deed(deed.work_order or orders["work_order"].item(), deed.change, deed.who, deed.at, deed.reason)
    with pytest.raises(PlanError, match=says):
        deed_done(orders, named, BEGIN)
