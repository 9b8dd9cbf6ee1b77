"""Topics: contract section 1."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from airwatch.contract.topics import STREAMS, Topic, is_name, parse_topic, subscription
from airwatch.errors import PayloadError


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("air/v1/north/K-204/pressure", Topic("north", "K-204", "pressure")),
        ("air/v1/n/k/governor", Topic("n", "k", "governor")),
        ("air/v1/A.b_c-9/.._--/faults", Topic("A.b_c-9", ".._--", "faults")),
        (f"air/v1/{'f' * 64}/{'u' * 64}/can", Topic("f" * 64, "u" * 64, "can")),
    ],
)
def test_good_topic(text: str, expected: Topic) -> None:
    assert parse_topic(text) == expected
    assert expected.path() == text


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "not below air/v1/"),
        ("air/v1", "not below air/v1/"),
        ("air/v2/north/K-204/pressure", "not below air/v1/"),
        ("/air/v1/north/K-204/pressure", "not below air/v1/"),
        ("air/v1x/north/K-204/pressure", "not below air/v1/"),
        ("air/v1/", "it has 1 parts"),
        ("air/v1/north/pressure", "it has 2 parts"),
        ("air/v1/north/K-204/pressure/1", "it has 4 parts"),
        ("air/v1/north/K-204/pressure/", "it has 4 parts"),
        ("air/v1//K-204/pressure", r"fleet '' in the topic is not 1 to 64 of A-Z a-z 0-9 \. _ -"),
        ("air/v1/north//pressure", "unit '' in the topic"),
        (f"air/v1/{'f' * 65}/K-204/pressure", "fleet 'f{65}' in the topic"),
        (f"air/v1/north/{'u' * 65}/pressure", "unit 'u{65}' in the topic"),
        ("air/v1/north/K 204/pressure", "unit 'K 204' in the topic"),
        ("air/v1/north/K-204\n/pressure", r"unit 'K-204\\n' in the topic"),
        ("air/v1/nörth/K-204/pressure", "fleet 'nörth' in the topic"),
        ("air/v1/north/K-204/Pressure", "stream 'Pressure' in the topic is none of pressure, governor, faults, can"),
        ("air/v1/north/K-204/", "stream '' in the topic"),
    ],
)
def test_bad_topic_says_what_is_wrong_with_it(text: str, why: str) -> None:
    with pytest.raises(PayloadError, match=why):
        parse_topic(text)


def test_another_root() -> None:
    assert parse_topic("depot/7/air/north/K-204/can", "depot/7/air") == Topic("north", "K-204", "can")
    assert Topic("north", "K-204", "can").path("depot/7/air") == "depot/7/air/north/K-204/can"
    with pytest.raises(PayloadError, match="not below depot/7/air/"):
        parse_topic("air/v1/north/K-204/can", "depot/7/air")


def test_subscription_hears_topics_of_every_shape_below_the_root() -> None:
    assert subscription() == "air/v1/#"
    assert subscription("depot/7") == "depot/7/#"


NAMES = st.text("ABCXYZabcxyz0189._-", min_size=1, max_size=64)


@given(NAMES, NAMES, st.sampled_from(STREAMS))
def test_any_topic_of_allowed_names_reads_back(fleet: str, unit: str, stream: str) -> None:
    assert parse_topic(f"air/v1/{fleet}/{unit}/{stream}") == Topic(fleet, unit, stream)  # type: ignore[arg-type]


@given(st.text(max_size=70))
def test_names_are_1_to_64_of_the_allowed_characters(text: str) -> None:
    allowed = set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._-")
    assert is_name(text) == (1 <= len(text) <= 64 and set(text) <= allowed)
