"""Cases that were hard once, landed again: every property holds, and the last message fares as it should."""

from pathlib import Path

import pytest

from tests.fuzz.case import read_case
from tests.fuzz.replay import replay

CASES = sorted((Path(__file__).parent / "corpus").glob("*.json"))


@pytest.mark.parametrize("path", CASES, ids=lambda path: path.stem)
def test_a_case_holds(path: Path) -> None:
    case = read_case(path)
    outcome = replay(case)
    assert outcome is not None
    assert case.expect in {None, outcome.verdict}, outcome.rejects


def test_there_are_cases() -> None:
    assert CASES
