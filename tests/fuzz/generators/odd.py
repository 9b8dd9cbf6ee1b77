"""Values that something may stumble over: numbers, texts, times, containers and tokens."""

from typing import Any

from hypothesis import strategies as st

from tests.fuzz.generators.wire import Fields, Tagged, Token
from tests.messages import UNIT, at

EDGES = (
    *(0, 1, -1, 7, 8, 127, 128, 255, 256, 2000, 2001, 2**19, 2**31, 2**53 + 1),
    *(2**63 - 1, 2**63, 2**64, -(2**63) - 1, 10**20, 10**308, 10**309, -(10**400)),
)
FLOATS = (
    *(-0.0, 0.1, 5e-324, 2.2e-308, 1e-7, 0.5, 250.99609375, 250.997, 8031.875, 8032.0, 1e18, 1e300),
    *(1.7976931348623157e308, float("nan"), float("inf"), float("-inf")),
)
TEXTS = (
    *(
        "",
        " ",
        "\n",
        "a\nb",
        "\r",
        "\x00",
        "\x1b[2J",
        "\u2028",
        "\x85",
        "\ufeff",
        "é",
        "\U0001d7d9",
        "١٢",
        "K" * 65,
        "x" * 300,
    ),
    *(UNIT, "cut_in", "cut_out", "key", "tractor_abs", "null", "NaN", "1", "'", '"', "\\", "primary_kpa", "%s{0}$v"),
)
TIMES = [
    "1970-01-01T00:00:00Z",
    "1969-12-31T23:59:59.9996Z",
    "1969-12-31T23:59:59.9994Z",
    "0001-01-01T00:00:00Z",
    "0001-01-01T00:00:00+23:59",
    "9999-12-31T00:00:00Z",
    "9999-12-31T23:59:59.999999999Z",
    "9999-12-31T23:59:59-23:59",
    "2031-02-03T11:20:00.0005Z",
    "2031-02-03T11:20:00.9999999Z",
    "2031-02-03t11:20:00z",
    "2031-02-03 11:20:00+00:00",
    "2031-02-03T11:20:00-00:00",
    "2031-02-03T11:20:60Z",
    "2031-02-03T24:00:00Z",
    "2031-02-29T00:00:00Z",
    "2032-02-29T00:00:00+24:00",
    "2031-02-03T11:20Z",
    "2031-02-03T11:20:00",
    "2031-02-03",
    "+12031-02-03T11:20:00Z",
    "\uff12031-02-03T11:20:00Z",
]

numbers = st.sampled_from(EDGES) | st.sampled_from(FLOATS) | st.integers(-(2**70), 2**70) | st.floats()

texts = st.sampled_from(TEXTS) | st.text(max_size=12)

times = st.sampled_from(TIMES) | st.integers(0, 10**9).map(lambda s: at(s / 7))

tokens = st.sampled_from(
    [
        Token(b"1e999", b"\xf9\x7c\x00"),  # infinite as half a double
        Token(b"-1E+400", b"\xf9\xfc\x00"),
        Token(b"1" + b"0" * 5000, b"\xc2\x59\x08\x00" + b"\xff" * 2048),  # a very big number
        Token(b"0." + b"0" * 400 + b"1", b"\xc4\x82\x3a\xff\xff\xff\xff\x01"),
        Token(b"123456789012345678901234567890", b"\xc3\x49\x01" + b"\x00" * 8),
        Token(b"-0", b"\xf9\x80\x00"),
        Token(b"01", b"\x18\x01"),
        Token(b"+1", b"\xf7"),  # undefined
        Token(b".5", b"\xe0"),  # simple values
        Token(b"NaN", b"\xfb\x7f\xf0\x00\x00\x00\x00\x00\x01"),  # NaN with something in it
        Token(b'"\\ud800"', b"\x63\xed\xa0\x80"),  # half a surrogate pair
        Token(b'"\\u0000"', b"\x7f\x61\x61\x60\xff"),  # text in pieces
        Token(b'"\xff\xfe"', b"\x62\xff\xfe"),  # no UTF-8
        Token(b'"\\x"', b"\x5f\x41\x00\xff"),
        Token(b"'1'", b"\xff"),  # a break where none is due
        Token(b"//", b"\x1c"),  # a head that is not defined
        Token(b"tru", b"\xf8\x18"),
        Token(b"[" * 2000, b"\x9f" * 2000),
        Token(b"[" * 30 + b"]" * 30, b"\x81" * 30 + b"\x01"),
        Token(b'{"a":' * 300 + b"1" + b"}" * 300, b"\xa1\x61a" * 15 + b"\x01"),
        Token(b"1 2", b"\x9b\x7f\xff\xff\xff\xff\xff\xff\xff"),  # a length beyond all memory
        Token(b"", b"\xbb\xff\xff\xff\xff\xff\xff\xff\xff"),
    ]
)

_TAGS = st.sampled_from(
    [0, 1, 2, 3, 4, 5, 21, 24, 25, 28, 29, 30, 32, 35, 37, 64, 100, 256, 258, 1004, 43000, 55799, 2**64 - 1]
)

_scalars: st.SearchStrategy[Any] = st.none() | st.booleans() | numbers | texts | times | tokens | st.binary(max_size=9)

values: st.SearchStrategy[Any] = st.recursive(
    _scalars,
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.lists(st.tuples(texts, inner), max_size=3).map(lambda pairs: Fields(tuple(pairs)))
        | st.builds(Tagged, _TAGS, inner)
        | st.builds(Tagged, st.just(4), st.tuples(numbers, numbers).map(list))
    ),
    max_leaves=5,
)
