"""The messy files: each gives its numbers or its complaint, and nothing else."""

import numpy as np
import pytest

from calib.intake.declaration import declare
from calib.intake.files.points import read_points
from calib.run.complaints import Findings
from tests.intake.corpus import CORPUS


@pytest.mark.parametrize("case", CORPUS, ids=lambda case: case.name)
def test_messy_file(case):
    """A messy file gives exactly the numbers it must, or is refused with the words it must."""
    declared = declare({k: v for k, v in case.declared.items() if v is not None})
    assert not declared.lacks()
    findings = Findings()
    found = read_points(case.data, "field.txt", declared, findings)
    told = "\n".join(str(c) for c in findings.complaints)
    if case.gives is None:
        assert findings.complaints, "it was taken without a complaint"
        for words in case.complaints:
            assert words in told
        return
    assert not findings.complaints, told
    assert dict.fromkeys(found.ids) == dict.fromkeys(case.gives)
    np.testing.assert_allclose(found.position, list(case.gives.values()), rtol=0, atol=1e-9)
    notices = "\n".join(str(n) for n in findings.notices)
    for words in case.notices:
        assert words in notices
    assert len(findings.notices) == len(case.notices), notices


def test_there_are_enough():
    """At least sixty different files, a third of them to be refused."""
    assert len({case.data for case in CORPUS}) >= 60
    assert sum(case.gives is None for case in CORPUS) >= 20
