"""Work in a copy of the process."""

import os

import pytest

from calib.report.beside import beside


def test_work_comes_back():
    """What the copy makes arrives, however large."""
    assert beside(lambda: b"x" * 3_000_000)() == b"x" * 3_000_000


def test_an_error_appears_to_the_one_who_waits():
    """A failure of the copy is repeated here, where it can be seen."""
    def fails():
        raise ValueError("no paper")

    with pytest.raises(ValueError, match="no paper"):
        beside(fails)()


@pytest.mark.skipif((os.cpu_count() or 1) < 2, reason="one processor")
def test_it_is_another_process():
    """The work does not hold up this process."""
    assert int(beside(lambda: str(os.getpid()).encode())()) != os.getpid()
