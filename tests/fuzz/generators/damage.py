"""Damage to bytes: cut, doubled, replaced, put in, turned over, as a bad line or a bad memory does it."""

from hypothesis import strategies as st

_MAX_PLACES = 4
_WAYS = ("cut off", "leave out", "double", "replace", "insert", "flip", "swap")
_PIECES = st.binary(max_size=4) | st.sampled_from(
    [
        *(
            b"\x00",
            b"\xff",
            b"\xef\xbb\xbf",
            b"\xed\xa0\x80",
            b"\r\n",
            b"[",
            b"]",
            b"{",
            b"}",
            b'"',
            b",",
            b":",
            b"\\u",
        ),
        *(b"-", b"e", b"null", b"NaN", b"1e999", b"\xf7", b"\x9f", b"\xbf", b"\xc1", b"\xfb", b"\x1b"),
        *(b"(", b")", b"#", b"##", b" ", b"_"),
    ]
)


@st.composite
def damaged(draw: st.DrawFn, payload: bytes) -> bytes:
    """Draw a payload with one to four places damaged."""
    body = bytearray(payload)
    for _ in range(draw(st.integers(1, _MAX_PLACES))):
        start = draw(st.integers(0, len(body)))
        end = min(len(body), start + draw(st.integers(1, 3) | st.integers(1, 40)))
        way = draw(st.sampled_from(_WAYS))
        if way == "cut off":
            del body[start:]
        elif way == "leave out":
            del body[start:end]
        elif way == "double":
            body[end:end] = body[start:end]
        elif way == "replace":
            body[start:end] = draw(_PIECES)
        elif way == "insert":
            body[start:start] = draw(_PIECES)
        elif way == "flip":
            body[start:end] = (
                bytes(byte ^ 1 << draw(st.integers(0, 7)) for byte in body[start:end][:1]) + body[start + 1 : end]
            )
        else:
            body = body[end:] + body[:end]
    return bytes(body)
