"""Damaged files of a sound run: a complaint or a sound run, never anything else."""

import re
import warnings

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from calib.run.complaints import InputError
from calib.run.folder import read_run

from .conftest import fill

NAMES = ("rig.toml", "readings.csv", "shots.csv", "tape.csv", "check.csv")
PLACE = re.compile(r"^(rig\.toml|readings\.csv|shots\.csv|tape\.csv|check\.csv)"
                   r"( line [1-9]\d*)?(, (key|column) .+)?: found .+, expected .+$", re.DOTALL)
BITS = [b",", b";", b"\t", b" ", b"\n", b"\r", b'"', b"'", b"#", b"-", b".", b"0", b"O", b"e9",
        b"nan", b"inf", b"1e308", b"001", b"\x00", b"\xff", b"\xef\xbb\xbf", b"\xc2\xb0", b"[",
        b"]", b"=", b"{", b"edge_left", b"deg", b"mm", b"[[a]]\n", b"free = []\n"]


@st.composite
def damage(draw, content):
    """A few cuts, insertions and changes of some bytes."""
    data = bytearray(content)
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(data)))
        what = draw(st.sampled_from(["cut", "insert", "truncate", "repeat", "byte"]))
        if what == "cut":
            del data[at : at + draw(st.integers(1, 40))]
        elif what == "insert":
            data[at:at] = draw(st.sampled_from(BITS))
        elif what == "truncate":
            del data[at:]
        elif what == "repeat":
            data[at:at] = data[max(0, at - draw(st.integers(1, 60))) : at]
        elif at < len(data):
            data[at] = draw(st.integers(0, 255))
    return bytes(data)


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    """One folder for all examples of a test: each puts back what it damaged."""
    return fill(tmp_path_factory.mktemp("damaged") / "run")


def check_is_whole(run):
    """A run that was accepted holds finite numbers and indices that point somewhere."""
    for shots in (run.shots, run.check):
        if shots is None:
            continue
        n = len(shots)
        assert n > 0
        assert shots.position.shape == (n, 3)
        assert np.isfinite(shots.position).all()
        assert (np.linalg.eigvalsh(shots.covariance) > 0).all()
        assert (0 <= shots.pose).all() and (shots.pose < len(run.poses.ids)).all()
        assert (0 <= shots.target).all() and (shots.target < len(run.rig.targets)).all()
        assert len(set(shots.ids)) == n
        assert all(shots.ids)
    shape = (len(run.poses.ids), len(run.rig.readings))
    assert run.poses.readings.shape == run.poses.sd.shape == shape
    assert (np.abs(run.poses.readings) <= 2 * np.pi + 1e-12).all()
    assert (run.poses.sd > 0).all()
    assert len(set(run.poses.ids)) == len(run.poses.ids)
    assert np.isfinite(run.tape.value).all() and (run.tape.sd > 0).all()
    assert set(run.files) <= set(NAMES)


@pytest.mark.parametrize("name", NAMES)
@settings(max_examples=60, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_damaged_file(sound, name, data):
    """Every complaint has its place and its words; what is accepted is whole."""
    before = sound.files[name]
    sound[name] = data.draw(damage(before))
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            run = read_run(sound.path)
    except InputError as error:
        assert error.complaints
        for complaint in error.complaints:
            assert PLACE.match(str(complaint)), str(complaint)
            assert str(complaint).isprintable(), repr(str(complaint))
    else:
        check_is_whole(run)
    finally:
        sound[name] = before


@settings(max_examples=80, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(name=st.sampled_from(NAMES), content=st.binary(max_size=300) | st.text(max_size=300))
def test_anything_in_place_of_a_file(sound, name, content):
    """Bytes and text that were never a run."""
    before = sound.files[name]
    sound[name] = content if isinstance(content, bytes) else content.encode("utf-8", "replace")
    try:
        check_is_whole(read_run(sound.path))
    except InputError as error:
        assert all(PLACE.match(str(c)) for c in error.complaints)
    finally:
        sound[name] = before


NUMBER = re.compile(rb"(?<=[,\n])-?\d+\.\d+(?=[,\n])")


@settings(max_examples=100, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_one_damaged_number_is_refused_or_is_what_it_says(sound, data):
    """No silent change of a value: all other numbers stay, this one is as written or refused."""
    original = read_run(sound.path)
    before = sound.files["shots.csv"]
    cells = list(NUMBER.finditer(before))
    cell = data.draw(st.sampled_from(cells))
    text = cell[0].decode()
    at = data.draw(st.integers(0, len(text) - 1))
    new = text[:at] + data.draw(st.sampled_from(list("0O9l.-+e_ '°,;\"\t"))) + text[at + 1 :]
    sound["shots.csv"] = before[: cell.start()] + new.encode() + before[cell.end() :]
    index = cells.index(cell)
    try:
        positions = read_run(sound.path).shots.position.ravel()
    except InputError:
        return
    finally:
        sound["shots.csv"] = before
    assert positions[index] == float(new.strip())
    others = np.arange(positions.size) != index
    np.testing.assert_array_equal(positions[others], original.shots.position.ravel()[others])
