"""Public names: each is where it is said to be, and is imported when it is asked for."""

import pytest

import calib
import calib.judge
import calib.plan


@pytest.mark.parametrize("package", [calib, calib.judge, calib.plan])
def test_every_public_name_is_there(package):
    """`__all__`, the homes and `dir` agree, and each name can be had."""
    assert sorted(package.__all__) == sorted(package._HOMES)
    assert set(package.__all__) <= set(dir(package))
    for name in package.__all__:
        assert getattr(package, name) is not None


def test_an_unknown_name_is_told():
    """As Python tells it."""
    with pytest.raises(AttributeError, match="module 'calib' has no attribute 'nonsense'"):
        _ = calib.nonsense
