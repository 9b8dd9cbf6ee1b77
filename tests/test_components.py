"""A test whose component is missing is skipped and says so; where everything has to be there, it fails."""

import pytest

from tests.conftest import missing


def test_a_missing_component_skips_with_its_reason(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("CI", raising=False)
    with pytest.raises(pytest.skip.Exception, match=r"^the moon is not installed$"):
        missing("the moon is not installed")


def test_a_missing_component_fails_where_nothing_may_be_skipped(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CI", "true")
    with pytest.raises(pytest.fail.Exception, match=r"^the moon is not installed, and CI=true lets nothing"):
        missing("the moon is not installed")
