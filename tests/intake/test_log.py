"""Logs: averaged over a dwell, gaps and movement told, whatever the writer did to the file."""

import hashlib
from dataclasses import replace

import numpy as np
import pytest

import calib.intake.files.log as log_module
from calib.intake.choices import Doubtful
from calib.intake.declaration import declare
from calib.intake.files.ids import Booked
from calib.intake.files.log import gather, read_layout
from calib.intake.files.times import TimeFormat
from calib.intake.matching.dwell import dwell
from calib.intake.matching.field_shots import FieldShot, Source
from calib.intake.matching.readings import PoseReadings, poses_alike, read_log
from calib.run.complaints import Findings

START = 1_935_640_800.0  # 2031-05-04T06:00:00Z
NAMES = ("house_pitch", "house_roll", "boom", "stick", "coupler", "tilt", "rotate")
HEAD = "time," + ",".join(NAMES)


def moment(seconds):
    """ISO time to the millisecond."""
    return str(np.datetime64(int(START * 1000 + round(seconds * 1000)), "ms")) + "Z"


def lines_of(seconds, readings):
    """Rows of a log."""
    return [moment(t) + "," + ",".join(f"{v:.3f}" for v in row)
            for t, row in zip(seconds, readings, strict=True)]


def shot(pose, seconds):
    """A shot that only has a time."""
    return FieldShot(f"{pose}-left", Booked(pose, "edge_left"), np.zeros(3), np.zeros((3, 3)),
                     START + seconds, "", (Source("job.txt", (2,), "", "", ""),))


@pytest.fixture
def steady():
    """A minute at 10 Hz, still, with the noise of ordinary sensors."""
    rng = np.random.default_rng(8)
    seconds = np.arange(0, 60, 0.1)
    level = np.array([0.4, -0.2, 40.0, -60.0, 15.0, 3.0, 179.95])
    return seconds, level + 0.02 * rng.normal(size=(len(seconds), 7)), level


def read(tmp_path, rig, text, shots, **declared):
    """Readings of a log with these lines, and what was found."""
    path = tmp_path / "log.csv"
    path.write_bytes(text if isinstance(text, bytes) else "\n".join(text).encode() + b"\n")
    findings = Findings()
    readings, clock = read_log(path, rig, declare({"log": declared}).log, shots, None, findings)
    return readings, findings, clock


def told(findings):
    """All complaints as text."""
    return "\n".join(str(c) for c in findings.complaints)


def test_mean_over_the_dwell(tmp_path, rig, steady):
    """First shot less half a window to last shot and half a window, both ends included."""
    seconds, readings, level = steady
    got, findings, _ = read(tmp_path, rig, [HEAD, *lines_of(seconds, readings)],
                            [shot("1", 20.0), shot("1", 30.0)], window=2.0)
    assert not findings.complaints
    rows = (seconds > 18.95) & (seconds < 31.05)
    np.testing.assert_allclose(got["1"].values, np.round(readings[rows], 3).mean(0), atol=1e-9)
    assert got["1"].source.lines == (192, 312)
    assert "mean of 121 rows" in got["1"].source.conversion
    assert np.abs(got["1"].values - level).max() < 5 * 0.02 / np.sqrt(121)


def test_the_way_the_log_is_written_does_not_matter(tmp_path, rig, steady):
    """Semicolons, decimal commas, another order, extra columns, CRLF, header names of others."""
    seconds, readings, _ = steady
    plain, *_ = read(tmp_path, rig, [HEAD, *lines_of(seconds, readings)], [shot("1", 20.0)])
    head = "No;Rotation (deg);" + ";".join(NAMES[:6]) + ";Time Stamp"
    rows = [f"{i};{r[6]:.3f};" + ";".join(f"{v:.3f}" for v in r[:6]) + f";{moment(t)}"
            for i, (t, r) in enumerate(zip(seconds, readings, strict=True))]
    text = "\r\n".join(["Logger 3", head, *(r.replace(".", ",") for r in rows)]) + "\r\n"
    other, findings, _ = read(tmp_path, rig, text.encode(), [shot("1", 20.0)],
                              readings={"rotate": "Rotation"})
    assert not findings.complaints, told(findings)
    np.testing.assert_allclose(other["1"].values, plain["1"].values, atol=1e-9)
    assert other["1"].source.lines == tuple(n + 1 for n in plain["1"].source.lines)


@pytest.mark.parametrize("ends", [["\r"], ["\r", "\n", "\r\n"], ["\n\f\n"]])
def test_line_ends_do_not_matter(tmp_path, rig, steady, monkeypatch, ends):
    """CR alone or between others ended no line: rows fell out, or a long log was called empty."""
    seconds, readings, _ = steady
    text = [HEAD, *lines_of(np.append(seconds, seconds + 60), np.vstack([readings] * 2))]
    plain, *_ = read(tmp_path, rig, text, [shot("1", 20.0)])
    written = "".join(line + ends[i % len(ends)] for i, line in enumerate(text)).encode()
    assert len(written) > 1 << 16
    monkeypatch.setattr(log_module, "BLOCK", 1000)
    other, findings, _ = read(tmp_path, rig, written, [shot("1", 20.0)])
    assert not findings.complaints, told(findings)
    np.testing.assert_array_equal(other["1"].values, plain["1"].values)
    step = ends[0].count("\n") or 1
    assert other["1"].source.lines == tuple(step * (n - 1) + 1 for n in plain["1"].source.lines)


def test_a_spreadsheets_error_in_the_first_cell_is_no_remark(tmp_path, rig, steady):
    """A row that begins with #N/A fell out without a word."""
    seconds, readings, _ = steady
    rows = [f"{line.partition(',')[2]},{line.partition(',')[0]}"
            for line in lines_of(seconds, readings)]
    rows[200] = "#N/A," + rows[200].partition(",")[2]
    head = ",".join((*NAMES, "time"))
    _, findings, _ = read(tmp_path, rig, [head, "# a remark", *rows], [shot("1", 20.0)])
    assert [(c.line, c.column, c.found) for c in findings.complaints] == [
        (203, "house_pitch", '"#N/A"')]


def test_blocks_do_not_matter(tmp_path, rig, steady, monkeypatch):
    """Read in blocks of 1000 bytes the log gives the same means, lines and hash."""
    seconds, readings, _ = steady
    text = [HEAD, *lines_of(seconds, readings)]
    whole, *_ = read(tmp_path, rig, text, [shot("1", 20.0)])
    monkeypatch.setattr(log_module, "BLOCK", 1000)
    blocked, *_ = read(tmp_path, rig, text, [shot("1", 20.0)])
    np.testing.assert_array_equal(whole["1"].values, blocked["1"].values)
    assert whole["1"].source == blocked["1"].source
    content = ("\n".join(text) + "\n").encode()
    assert whole["1"].source.sha256 == hashlib.sha256(content).hexdigest()


def test_angles_across_the_full_circle(tmp_path, rig, steady):
    """359.9 and 0.1 average to 360, not to 180."""
    seconds, readings, _ = steady
    readings = readings.copy()
    readings[:, 6] = np.mod(readings[:, 6] + 180.05, 360.0)
    got, findings, _ = read(tmp_path, rig, [HEAD, *lines_of(seconds, readings)], [shot("1", 20.0)])
    assert not findings.complaints, told(findings)
    assert np.mod(got["1"].values[6] + 180, 360) == pytest.approx(180.0, abs=0.03)


@pytest.mark.parametrize(("moved", "words"), [
    (lambda t: 0.3 * (t - 20), "drift"),
    (lambda t: 0.4 * np.sin(9 * t), "scatter"),
    (lambda t: np.where(t > 20.3, 3.0, 0.0), "stick moved"),
])
def test_a_moving_machine_is_refused(tmp_path, rig, steady, moved, words):
    """Slope, swaying or a jerk in the window: refused with pose, reading and size; or flagged."""
    seconds, readings, _ = steady
    readings = readings.copy()
    readings[:, 3] += moved(seconds)
    text = [HEAD, *lines_of(seconds, readings)]
    with pytest.raises(Doubtful, match='pose "7": stick moved') as error:
        read(tmp_path, rig, text, [shot("7", 20.0)])
    assert words in str(error.value) and "--moving flag" in error.value.choices[0].sayings
    got, findings, _ = read(tmp_path, rig, text, [shot("7", 20.0)], moving="flag")
    assert "7" in got and not findings.complaints
    assert any("the machine moved" in n.says for n in findings.notices)
    assert 0.1 < got["7"].sd[3] < 2.0 and np.isnan(got["7"].sd[[0, 1, 2, 4, 5, 6]]).all()


def test_still_machines_are_left_alone():
    """Noise of 0.05 deg over 20 rows is taken for movement in under two dwells in a hundred."""
    rng = np.random.default_rng(3)
    seconds = np.linspace(0, 2, 20)
    flagged = 0
    for _ in range(1000):
        rows = log_module.LogRows(list(range(20)), seconds.tolist(),
                                  (0.05 * rng.normal(size=(20, 7))).tolist())
        flagged += dwell(rows, np.array([0.0, 2.0])).moving(0.1).any()
    assert flagged < 20


def test_gaps_are_listed(tmp_path, rig, steady):
    """Two gaps, the longest named; none of them while shots were taken."""
    seconds, readings, _ = steady
    keep = ~(((seconds > 5) & (seconds < 8)) | ((seconds > 40) & (seconds < 47.95)))
    got, findings, _ = read(tmp_path, rig, [HEAD, *lines_of(seconds[keep], readings[keep])],
                            [shot("1", 20.0)])
    assert "1" in got
    gap = next(n for n in findings.notices if "gap" in n.says)
    assert "2 gap(s)" in gap.says and "longest 8.0 s" in gap.says and "0 of them" in gap.says


def test_a_gap_at_the_shot_is_refused(tmp_path, rig, steady):
    """No rows from before until after the shot: a complaint with the pose."""
    seconds, readings, _ = steady
    keep = (seconds < 19.2) | (seconds > 21.3)
    _, findings, _ = read(tmp_path, rig, [HEAD, *lines_of(seconds[keep], readings[keep])],
                          [shot("1", 20.0)])
    assert 'pose "1"' in told(findings)


def test_a_shot_outside_the_log(tmp_path, rig, steady):
    """The complaint says what the log covers: a wrong time zone shows at once."""
    seconds, readings, _ = steady
    _, findings, _ = read(tmp_path, rig, [HEAD, *lines_of(seconds, readings)],
                          [shot("1", 20.0 + 7200)])
    assert "log covers 2031-05-04 06:00:00Z to 2031-05-04 06:00:59Z" in told(findings)


def test_bad_cells_in_a_window(tmp_path, rig, steady):
    """A letter in a number that is used is a complaint with line and column; elsewhere it is not
    looked at."""
    seconds, readings, _ = steady
    rows = lines_of(seconds, readings)
    rows[205] = rows[205].replace("40.", "4O.", 1)
    rows[500] = rows[500].replace("40.", "4O.", 1)
    _, findings, _ = read(tmp_path, rig, [HEAD, *rows], [shot("1", 20.0)])
    assert len(findings.complaints) == 1
    assert findings.complaints[0].line == 207
    assert findings.complaints[0].column == "boom"
    assert "letter O" in told(findings)


def test_bad_times(tmp_path, rig, steady):
    """A damaged time and one that goes back are complaints with their lines."""
    seconds, readings, _ = steady
    rows = lines_of(seconds, readings)
    rows[10] = "yesterday" + rows[10][24:]
    rows[50], rows[51] = rows[51], rows[50]
    _, findings, _ = read(tmp_path, rig, [HEAD, *rows], [shot("1", 20.0)])
    assert [c.line for c in findings.complaints] == [12, 53]
    assert "times in order" in told(findings)


def test_a_log_still_being_written(tmp_path, rig, steady):
    """Half a row at the end is not used, and said so."""
    seconds, readings, _ = steady
    text = "\n".join([HEAD, *lines_of(seconds, readings)]).encode()[:-9]
    got, findings, _ = read(tmp_path, rig, text, [shot("1", 20.0)])
    assert "1" in got
    assert any("incomplete" in n.says and n.line == 601 for n in findings.notices)


@pytest.mark.parametrize(("content", "words"), [
    (b"", "empty"), (b"\x00\x01\x02" * 50, "not text"), (b"\xff\xfe" + b"t\x00" * 9, "UTF-16"),
    (b"a,b,c\n1,2,3\n", "a header with a time"),
    ((HEAD.replace("boom", "bm") + "\n" + moment(1) + ",1,2,3,4,5,6,7\n").encode(), "--reading"),
])
def test_what_is_no_log(tmp_path, rig, content, words):
    """Refused before anything is averaged."""
    got, findings, _ = read(tmp_path, rig, content, [shot("1", 20.0)])
    assert not got
    assert words in told(findings)


def test_shots_without_a_time(tmp_path, rig, steady):
    """A log needs shots that know when they were taken."""
    seconds, readings, _ = steady
    untimed = replace(shot("1", 0.0), seconds=np.nan)
    _, findings, _ = read(tmp_path, rig, [HEAD, *lines_of(seconds, readings)], [untimed])
    assert "job.txt line 2, column time" in told(findings)


@pytest.mark.slow
def test_memory_does_not_grow_with_the_log(tmp_path):
    """Two logs, one eight times the other: the peak of numpy and Python memory is alike."""
    import tracemalloc

    peaks = []
    for count in (100_000, 800_000):
        path = tmp_path / f"{count}.csv"
        times = np.datetime_as_string(
            np.datetime64("2031-05-04T06:00:00.000") + np.arange(count).astype("timedelta64[ms]"))
        path.write_text(HEAD + "\n" + "".join(f"{t}Z,1,2,3,4,5,6,7\n" for t in times))
        findings = Findings()
        layout = read_layout(path, findings, dict.fromkeys(NAMES, ()), "time")
        log_module.BLOCK, kept = 1 << 20, log_module.BLOCK
        tracemalloc.start()
        rows, summary = gather(path, layout, TimeFormat(),
                               np.array([[START + 1, START + 1.01]]), findings)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        log_module.BLOCK = kept
        assert summary.rows == count
        assert len(rows[0].lines) == 11
    assert peaks[1] < 1.3 * peaks[0]


def test_poses_between_which_nothing_moved(rig):
    """Poses with one posture are named; those that differ in one reading are not."""
    def pose(*values):
        return PoseReadings(np.array(values), np.full(7, np.nan), "", 0.0,
                            Source("", (), "", "", ""))

    still = (0.0, 0.0, 10.0, 20.0, 30.0, 40.0, 50.0)
    found = {"1": pose(*still), "2": pose(*(v + 0.01 for v in still)), "3": pose(*still[:-1], 60.0)}
    assert poses_alike(found, rig, 0.2) == ["1", "2"] and poses_alike({}, rig, 0.2) == []
