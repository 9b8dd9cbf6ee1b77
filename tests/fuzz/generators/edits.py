"""Edits of a structured payload: fields and elements left out, doubled, renamed, replaced, put in, at any depth."""

from typing import Any

from hypothesis import strategies as st

from airwatch.contract.columns import COLUMN_NAMES
from tests.fuzz.generators import odd
from tests.fuzz.generators.wire import Fields, Tagged

_MAX_EDITS, _DESCEND, _MAX_ITEMS = 3, 3, 2000
_NAMES = (*COLUMN_NAMES, "v", "unit", "seq", "t0", "dt_ms", "t_ms", "trailer", "t", "events", "kind", "codes", "lamps")
_NAMES += ("source_address", "spn", "fmi", "count", "lamp", "on", "bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "vs")
_NAMES += ("vb", "vd", "s", "ut", "extra", "must_", "")
_keys: st.SearchStrategy[Any] = (
    st.sampled_from(_NAMES) | odd.texts | st.integers(-8, 9) | odd.numbers | odd.tokens | st.binary(max_size=2)
)


@st.composite
def edited(draw: st.DrawFn, document: Any) -> Any:
    """Draw a document with one to three edits."""
    for _ in range(draw(st.integers(1, _MAX_EDITS))):
        document = _edit(draw, document)
    return document


def _edit(draw: st.DrawFn, node: Any) -> Any:
    if isinstance(node, Fields) and node.pairs:
        return Fields(tuple(_edit_pairs(draw, [*node.pairs])))
    if isinstance(node, list) and node:
        return _edit_items(draw, [*node])
    return draw(st.one_of(odd.values, st.builds(Tagged, st.integers(0, 300), st.just(node)), st.just([node])))


def _edit_pairs(draw: st.DrawFn, pairs: list[tuple[Any, Any]]) -> list[tuple[Any, Any]]:
    at = draw(st.integers(0, len(pairs) - 1))
    key, value = pairs[at]
    how = draw(st.sampled_from(["inside"] * _DESCEND + ["replace", "drop", "double", "rename", "insert", "reverse"]))
    if how == "inside":
        pairs[at] = (key, _edit(draw, value))
    elif how == "replace":
        pairs[at] = (key, draw(odd.values))
    elif how == "drop":
        del pairs[at]
    elif how == "double":
        pairs.append((key, draw(st.just(value) | odd.values)))
    elif how == "rename":
        pairs[at] = (draw(_keys), value)
    elif how == "insert":
        pairs.insert(at, (draw(_keys), draw(odd.values)))
    else:
        pairs.reverse()
    return pairs


def _edit_items(draw: st.DrawFn, items: list[Any]) -> list[Any]:
    at = draw(st.integers(0, len(items) - 1))
    how = draw(st.sampled_from(["inside"] * _DESCEND + ["replace", "drop", "double", "insert", "reverse", "repeat"]))
    if how == "inside":
        items[at] = _edit(draw, items[at])
    elif how == "replace":
        items[at] = draw(odd.values)
    elif how == "drop":
        del items[at]
    elif how == "double":
        items.insert(at, items[at])
    elif how == "insert":
        items.insert(at, draw(odd.values))
    elif how == "reverse":
        items.reverse()
    else:
        items = (items * draw(st.integers(0, 60)))[:_MAX_ITEMS]  # three times over it would be 200,000
    return items
