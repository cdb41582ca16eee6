"""Damaged raw observations, sheets, known points, profiles and logs: complaints, no traceback."""

from contextlib import suppress

import numpy as np
import pytest

from calib.intake.choices import Doubtful
from calib.intake.declaration import declare, profile_toml, read_profile
from calib.intake.files.pointings import read_observations
from calib.intake.matching.booking import read_booking
from calib.intake.matching.known_points import read_given, read_known
from calib.intake.matching.readings import read_log, read_sheet
from calib.run.complaints import Findings, InputError
from tests.intake import oracle_tables
from tests.intake.oracle_landxml import wrong_landxml
from tests.intake.test_fuzz import damaged
from tests.intake.test_log import HEAD, lines_of, shot
from tests.run.oracle import wrong
from tests.run.test_oracle import OFTEN

DECLARED = declare({
    "unit": "m", "frame": "ground", "pole": "applied", "angles": "dms",
    "instrument": {"direction": "5 arcsec", "zenith": "5 arcsec", "distance": "2 mm + 2 ppm"}})
RAW = ("setup,point,face,hz,v,distance\n" + "".join(
    f"A,{p},1,{10 + i} 00 00,90 10 00,12.5\nA,{p},2,{190 + i} 00 04,269 50 02,12.5\n"
    for i, p in enumerate(("CP1", "1-left", "1-right")))).encode()
BOOK = b"point;pose;target;stand\n1;1;left;S1\n2;1;right;S1\n"
KNOWN = b"point,east,north,up,sd_east,sd_north,sd_up\nCP1,60,40,2,0.002,0.002,0.002\n"
GIVEN = (b"setup,east,north,up,instrument_height,orientation,sd_east,sd_north,sd_up\n"
         b"A,18,22,1.6,1.5,,0.002,0.002,0.002\n")
PROFILE = profile_toml(DECLARED).encode()
TIMES = np.arange(0, 20, 0.5)
LOG = "\n".join([HEAD, *lines_of(TIMES, np.ones((len(TIMES), 7))), ""]).encode()


def profile(data):
    """A profile; a refusal counts as a complaint."""
    try:
        read_profile(data, "p.toml")
    except InputError as error:
        return error.complaints
    return ()


@pytest.mark.parametrize(("content", "reader"), [
    (RAW, lambda data, rig, f: read_observations(data, "f", DECLARED, f)),
    (BOOK, lambda data, rig, f: read_booking(data, "f", {"left": "edge_left"}, f)),
    (KNOWN, lambda data, rig, f: read_known(data, "f", "m", f)),
    (GIVEN, lambda data, rig, f: read_given(data, "f", "m", None, f)),
    ((HEAD.replace("time", "pose") + "\n1,1,2,3,4,5,6,7\n2,1,2,3,4,5,6,7\n").encode(),
     lambda data, rig, f: read_sheet(data, "f", rig, {}, f)),
    (PROFILE, lambda data, rig, f: profile(data)),
], ids=["raw", "booking", "known", "given", "sheet", "profile"])
def test_damaged_small_files(content, reader, rig):
    """Five hundred damaged files of each kind end in a result or in complaints."""
    rng = np.random.default_rng(len(content))
    for _ in range(500):
        reader(damaged(content, rng), rig, Findings())


def test_damaged_logs(tmp_path, rig):
    """Three hundred damaged logs end in readings as they were, or in complaints."""
    rng, path = np.random.default_rng(7), tmp_path / "log.csv"
    declared = declare({"log": {"window": 4.0}}).log
    for _ in range(300):
        path.write_bytes(damaged(LOG, rng))
        findings = Findings()
        readings = {}
        with suppress(Doubtful):
            readings, _ = read_log(path, rig, declared, [shot("1", 10.0)], None, findings)
        assert readings or findings.complaints
        if readings and not findings.complaints:
            # Damage to a cell of the window can change a reading by what the cell then says.
            assert np.isfinite(readings["1"].values).all()


TABLES = {kind.name: kind for kind in oracle_tables.kinds()}


@OFTEN
@pytest.mark.parametrize("name", TABLES)
def test_tables_as_a_careful_person_reads_them(name, count, seed):
    """Files with one or two changed cells, times or layouts: as meant, or refused."""
    rng = np.random.default_rng(seed)
    found = [fault for _ in range(count) if (fault := wrong(TABLES[name], rng))]
    assert not found, f"seed {seed}, {len(found)}: " + "\n".join(found[:5])


@OFTEN
def test_landxml_as_a_careful_person_reads_it(count, seed):
    """Files with one or two changed values, and broken ones: as meant, or refused."""
    rng = np.random.default_rng(seed)
    found = [fault for _ in range(count) if (fault := wrong_landxml(rng))]
    assert not found, f"seed {seed}, {len(found)}: " + "\n".join(found[:5])
