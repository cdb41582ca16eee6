"""BLAS in one thread inside, as it was outside."""

import pytest
from threadpoolctl import threadpool_info, threadpool_limits

from calib.adjust.threads import one_thread


def threads():
    return {pool["num_threads"] for pool in threadpool_info() if pool["user_api"] == "blas"}


@pytest.mark.parametrize("ends", ["returning", "raising"])
def test_one_thread_inside_and_as_before_outside(ends):
    inside = []

    @one_thread
    def work(value, *, error=None):
        inside.append(threads())
        if error:
            raise error
        return value

    with threadpool_limits(3, user_api="blas"):
        before = threads()
        if ends == "returning":
            assert work(7) == 7
        else:
            with pytest.raises(KeyError):
                work(7, error=KeyError("x"))
        assert threads() == before
    assert inside == [{1}]
    assert work.__name__ == "work"
