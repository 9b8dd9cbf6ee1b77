"""PUBLISH packets are found and read as MQTT 3.1.1 and 5.0 write them (section 3.3); paho is the other opinion."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from airwatch.contract.message import RawMessage
from airwatch.landing.packets import MalformedPublishError, Packets, find_publishes, is_whole
from tests.landing.wire import Writer, packets
from tests.messages import T0_US

TOPICS = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="+#\0"), min_size=1, max_size=40)
CONTENT_TYPES = st.none() | st.sampled_from(["application/json", "text/plain"]) | st.text("abc/é", max_size=200)
SIZES = st.sampled_from([0, 1, 100, 127, 128, 300, 16_300, 16_400, 2_097_200])
MESSAGES = st.builds(
    lambda topic, size, content_type: RawMessage(topic, b"x" * size, T0_US, content_type), TOPICS, SIZES, CONTENT_TYPES
)


@given(st.lists(MESSAGES, min_size=1, max_size=4), st.booleans())
def test_what_was_written_is_read(sent: list[RawMessage], is_v5: bool) -> None:  # noqa: FBT001
    if not is_v5:
        sent = [RawMessage(message.topic, message.payload, T0_US) for message in sent]
    whole = packets(sent, is_v5=is_v5)
    assert list(whole.messages()) == sent
    assert [list(one.messages()) for one in whole.single()] == [[message] for message in sent]


@given(st.lists(st.tuples(MESSAGES, st.integers(0, 1), st.integers(1, 65535)), min_size=1, max_size=4), st.data())
def test_whole_packets_are_found_and_each_numbered_one_is_acknowledged(
    sent: list[tuple[RawMessage, int, int]], data: st.DataObject
) -> None:
    writer = Writer()
    written = [writer.write(message, mid, qos=qos) for message, qos, mid in sent]
    wire = b"".join(written)
    cut = data.draw(st.integers(0, len(wire)))
    found = find_publishes(wire[:cut], 0, 100)
    ends = [sum(map(len, written[: k + 1])) for k in range(len(written))]
    n_whole = sum(end <= cut for end in ends)
    assert (found.n, found.end) == (n_whole, ends[n_whole - 1] if n_whole else 0)
    due = [mid for _, qos, mid in sent[:n_whole] if qos]
    assert found.acknowledgements == b"".join(b"\x40\x02" + mid.to_bytes(2, "big") for mid in due)
    assert is_whole(wire[:cut], found.end) is False
    assert find_publishes(wire, 0, 1).n == 1


def test_other_properties_leave_the_content_type_as_it_is() -> None:
    writer = Writer()
    sent = RawMessage("air/v1/a/b/can", b"{}", T0_US, "text/plain")
    wire = writer.write(
        sent,
        7,
        PayloadFormatIndicator=1,
        MessageExpiryInterval=9,
        ResponseTopic="r",
        CorrelationData=b"c",
        UserProperty=[("a", "b"), ("a", "c")],
    )
    assert list(Packets(wire, 1, T0_US, is_v5=True).messages()) == [sent]


def test_properties_that_can_not_be_read_are_of_no_known_encoding() -> None:
    wire = b"\x30\x08\x00\x01a\x02\x03\x00{}"  # a content type whose length is cut off
    (message,) = Packets(wire, 1, T0_US, is_v5=True).messages()
    assert message.content_type == "unreadable properties"
    assert message.payload == b"{}"


def test_packets_of_other_kinds_end_the_row() -> None:
    publish = Writer().write(RawMessage("a", b"b", T0_US), 1)
    pingresp = b"\xd0\x00"
    assert find_publishes(publish + pingresp + publish, 0, 9).end == len(publish)
    assert find_publishes(pingresp, 0, 9).n == 0
    assert is_whole(pingresp, 0)
    assert not is_whole(b"\xd0", 0)
    assert is_whole(b"\x30\xff\xff\xff\xff\x01", 0)  # no packet: its length does not end, so nobody is to wait for it


@pytest.mark.parametrize(
    "wire",
    [
        b"\x30\x00",  # no topic
        b"\x30\x03\x00\x09a",  # the topic reaches over the end
        b"\x32\x04\x00\x01ab",  # no room for the packet number
        b"\x34\x05\x00\x01a\x00\x01",  # quality of service 2
    ],
)
def test_a_packet_that_breaks_the_protocol_is_told(wire: bytes) -> None:
    with pytest.raises(MalformedPublishError):
        find_publishes(wire, 0, 9)
