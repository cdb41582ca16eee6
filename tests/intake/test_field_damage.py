"""Thousands of damaged field files: refused, or read as meant; never other values in silence."""

import numpy as np
import pytest

from tests.intake.attack import campaign, formats, outcome
from tests.intake.damage import DAMAGE


@pytest.mark.parametrize("seed", range(1))
def test_no_silent_change(tmp_path, seed):
    """250 files for each seed, every format, every kind of damage."""
    counts, faults = campaign(250, 7000 + seed, tmp_path)
    assert not faults, faults[0]
    assert sum(counts.values()) == 250
    assert {kind for kind, _, _ in counts} == {kind.__name__ for kind in DAMAGE}
    # Harmless changes must not be refused, or refusing everything would pass.
    kept = sum(n for (kind, _, result), n in counts.items()
               if kind in ("dressed", "columns_in_another_order") and result == "as meant")
    assert kept == sum(n for (kind, _, _), n in counts.items()
                       if kind in ("dressed", "columns_in_another_order"))


@pytest.mark.slow
def test_no_silent_change_in_many(tmp_path):
    """Seeds of its own; benchmarks/import_damage.py runs any number and prints the table."""
    _, faults = campaign(4000, 99, tmp_path)
    assert not faults, faults[0]


def test_the_attack_sees_a_changed_value(tmp_path):
    """A digit changed in the file comes out as silent: the oracle is no yes-man."""
    one = formats(np.random.default_rng(1))[0]
    from calib.run.complaints import Findings

    findings = Findings()
    truth = one.values(one.sheet.text(), tmp_path, findings)
    text = one.sheet.text().replace(one.sheet.rows[3][2], one.sheet.rows[3][2][:-1] + "0", 1)
    changed = text.replace(one.sheet.rows[5][1], f"{float(one.sheet.rows[5][1]) + 0.5:.4f}", 1)
    baseline = {str(n) for n in findings.notices}
    assert outcome(one, truth, baseline, changed, tmp_path)[0] == "silent"
